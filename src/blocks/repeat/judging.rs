//! Judging a requirement in every case of a band or a tolerance run.

use super::lines::Lines;
use super::{Metric, MetricPath, Point, Repeat, metric};
use crate::physics::noise::{Ladder, density_at};
use crate::results::{Judgement, Limit, State};
use crate::units::Unit;

/// Cases that have been read: the channels of a band, the runs of a tolerance block.
pub trait Cases: Send + Sync {
    /// What is repeated.
    fn repeat(&self) -> &Repeat;
    /// How many.
    fn count(&self) -> usize;
    /// The number of a column in a case.
    fn value(&self, case: usize, column: usize) -> f64;
    /// How many channels each case has been read in.
    fn places(&self) -> usize {
        1
    }
    /// Lowest and highest number of a column over the channels of a case, each with its channel.
    fn ends(&self, case: usize, column: usize) -> [(f64, usize); 2] {
        [(self.value(case, column), 0); 2]
    }
    /// A case made again, in one of its channels.
    fn point(&self, case: usize, place: usize) -> Point;
    /// What a case is called: a channel, a run, a run in a channel.
    fn label(&self, case: usize, place: usize) -> String;
    /// Why not every case could be read, where that is so.
    fn missing(&self) -> Option<String>;
}

/// A case that decided.
#[derive(Clone, Debug)]
pub struct Decided {
    /// How it was judged.
    pub judgement: Judgement,
    /// What it is called.
    pub label: String,
    /// Why it has no value.
    pub why: Option<String>,
}

/// How many cases kept a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Share {
    /// Those that did.
    pub kept: usize,
    /// All.
    pub of: usize,
}

/// What of a requirement is judged.
enum Judged<'l> {
    Column(usize),
    /// Level of a noise block at an offset, Hz.
    At(f64),
    /// A noise block against a mask.
    Mask(&'l [f64]),
    /// Discrete lines against a mask.
    Lines(&'l Lines),
}

impl Repeat {
    fn judged(&self, path: &MetricPath, limit: &Limit) -> Option<Judged<'_>> {
        if let Some(column) = self.column(path) {
            return Some(Judged::Column(column));
        }
        if let ([lines], None, Limit::Mask(_)) = (path.names.as_slice(), &path.argument, limit)
            && lines == "lines"
            && let Some((_, lines)) = self.lines.iter().find(|(block, _)| *block == path.block)
        {
            return Some(Judged::Lines(lines));
        }
        let noise = self.noise.iter().find(|noise| noise.block == path.block)?;
        match (path.names.as_slice(), &path.argument, limit) {
            ([at], Some(offset), _) if at == "at" => {
                let offset = crate::units::parse_as(offset, Unit::Hertz).ok()?.value;
                (offset > 0.0).then_some(Judged::At(offset))
            }
            ([total], None, Limit::Mask(_)) if total == "total" => Some(Judged::Mask(noise.solved.offsets())),
            _ => None,
        }
    }

    /// Names that can be judged, for messages.
    pub fn names_of(&self, block: &str) -> Vec<String> {
        self.columns.iter().filter(|c| c.block == block).map(|c| format!("{block}.{}", c.name)).collect()
    }
}

/// Offsets of a mask that are looked at first, one in so many: channels within so many dB of the nearest are then judged at
/// all of them.
const FIRST: (usize, f64) = (8, 0.5);

/// Judges every case, in order, each in that of its channels that comes nearest to the limit, which is named; `None` where
/// the metric is not among what is repeated.
pub fn judge_all(cases: &dyn Cases, path: &MetricPath, limit: &Limit) -> Option<Vec<(Judgement, usize)>> {
    use rayon::prelude::*;
    let repeat = cases.repeat();
    let judged = repeat.judged(path, limit)?;
    let places = cases.places();
    let column = |value: f64, column: usize| limit.judge(&metric(value, &repeat.columns[column]));
    let at = |case: usize, place: usize, every: usize| match judged {
        Judged::Column(index) => column(cases.value(case, index), index),
        Judged::At(offset) => {
            let level = level(&cases.point(case, place), offset);
            limit.judge(&Metric::real(level, Unit::DecibelCarrierPerHertz))
        }
        Judged::Lines(lines) => match lines.all(&cases.point(case, place)) {
            Some(lines) => limit.judge_lines(lines.into_iter()),
            None => Judgement { state: State::NotMet, margin: None, value: None, at: None },
        },
        Judged::Mask(offsets) => {
            let point = cases.point(case, place);
            let of = |f: f64| Some(level(&point, f)).filter(|l| l.is_finite());
            if every == 1 {
                return limit.judge_curve(offsets, of);
            }
            let few: Vec<f64> = offsets.iter().copied().step_by(every).collect();
            limit.judge_curve(&few, of)
        }
    };
    let nearest = |a: (Judgement, usize), b: (Judgement, usize)| if worse(&b.0, &a.0) { b } else { a };
    let one = |case: usize| {
        if places == 1 {
            return (at(case, 0, 1), 0);
        }
        if let Judged::Column(index) = judged {
            let [low, high] = cases.ends(case, index).map(|(value, place)| (column(value, index), place));
            return nearest(low, high);
        }
        let first: Vec<Judgement> = (0..places).map(|place| at(case, place, FIRST.0)).collect();
        let least = first.iter().map(rank).fold(f64::INFINITY, f64::min);
        let near = (0..places).filter(|place| rank(&first[*place]) <= least + FIRST.1);
        let judged = near.map(|place| match judged {
            Judged::Mask(_) => (at(case, place, 1), place),
            _ => (first[place], place),
        });
        judged.reduce(nearest).unwrap_or_else(|| (at(case, 0, 1), 0))
    };
    Some((0..cases.count()).into_par_iter().map(one).collect())
}

fn level(point: &Point, offset: f64) -> f64 {
    density_at(&point.case, &Ladder::new(&point.case), offset).level()
}

/// Order by margin: without a value first where not met, last where met.
fn rank(judgement: &Judgement) -> f64 {
    match (judgement.margin, judgement.state) {
        (Some(margin), _) => margin,
        (None, State::Met) => f64::INFINITY,
        (None, _) => f64::NEG_INFINITY,
    }
}

/// The case that comes `skip` places behind the worst.
pub fn decide(cases: &dyn Cases, all: &[(Judgement, usize)], skip: usize) -> Option<Decided> {
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by(|a, b| rank(&all[*a].0).total_cmp(&rank(&all[*b].0)));
    let case = *order.get(skip)?;
    let (judgement, place) = all[case];
    let why = judgement.value.is_none().then(|| "no value in this case".to_owned());
    Some(Decided { judgement, label: cases.label(case, place), why })
}

/// Whether one judgement is worse than another.
pub fn worse(a: &Judgement, b: &Judgement) -> bool {
    rank(a) < rank(b)
}

/// How many kept the limit.
pub fn share(all: &[(Judgement, usize)]) -> Share {
    Share { kept: all.iter().filter(|(j, _)| j.state == State::Met).count(), of: all.len() }
}
