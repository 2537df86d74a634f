//! Judging a requirement in every case of a band or a tolerance run.

use super::levels::{Bounds, Levels, Work};
use super::lines::Lines;
use super::{Metric, MetricPath, Point, Repeat, metric};
use crate::num::flat::flat;
use crate::physics::noise::dbc_per_hz;
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
    /// Lowest and highest number of a column over the channels of a case, each with its channel.
    fn ends(&self, case: usize, column: usize) -> [(f64, usize); 2] {
        [(self.value(case, column), 0); 2]
    }
    /// A case made again, in each of its channels.
    fn points(&self, case: usize) -> Vec<Point>;
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

flat!(Share { kept, of });

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

/// Judges every case, in order, each in that of its channels that comes nearest to the limit, which is named; `None` where
/// the metric is not among what is repeated.
pub fn judge_all(cases: &dyn Cases, path: &MetricPath, limit: &Limit) -> Option<Vec<(Judgement, usize)>> {
    use rayon::prelude::*;
    let repeat = cases.repeat();
    let nearest = |a: (Judgement, usize), b: (Judgement, usize)| if worse(&b.0, &a.0) { b } else { a };
    let column = |value: f64, column: usize| limit.judge(&metric(value, &repeat.columns[column]));
    let all = |one: &(dyn Fn(&Point, usize, &mut Work) -> Judgement + Sync)| {
        let case = |work: &mut Work, case: usize| {
            let points = cases.points(case);
            let judged = points.iter().enumerate().map(|(place, point)| (one(point, place, work), place));
            judged.reduce(nearest).unwrap_or((Judgement::LOST, 0))
        };
        Some((0..cases.count()).into_par_iter().map_init(Work::default, case).collect())
    };
    match repeat.judged(path, limit)? {
        Judged::Column(index) => {
            let one = |case: usize| {
                let [low, high] = cases.ends(case, index).map(|(value, place)| (column(value, index), place));
                nearest(low, high)
            };
            Some((0..cases.count()).map(one).collect())
        }
        Judged::Lines(lines) => all(&|point, _, _| {
            lines.all(point).map_or(Judgement::LOST, |lines| limit.judge_lines(lines.into_iter()))
        }),
        Judged::At(offset) => {
            let Some(levels) = Levels::new(cases, vec![offset]) else { return Some(Vec::new()) };
            all(&|point, place, work| {
                let level = dbc_per_hz(levels.read(place, &point.case, work)[0]);
                limit.judge(&Metric::real(level, Unit::DecibelCarrierPerHertz))
            })
        }
        Judged::Mask(offsets) => {
            let bounds = Bounds::new(limit, offsets);
            let Some(levels) = Levels::new(cases, bounds.offsets.clone()) else { return Some(Vec::new()) };
            all(&|point, place, work| bounds.judge(levels.read(place, &point.case, work)))
        }
    }
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
