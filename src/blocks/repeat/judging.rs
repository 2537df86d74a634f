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
    /// A case made again.
    fn point(&self, case: usize) -> Point;
    /// What a case is called: a channel, a run.
    fn label(&self, case: usize) -> String;
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

/// Judges every case, in order; `None` where the metric is not among what is repeated.
pub fn judge_all(cases: &dyn Cases, path: &MetricPath, limit: &Limit) -> Option<Vec<Judgement>> {
    use rayon::prelude::*;
    let repeat = cases.repeat();
    let judged = repeat.judged(path, limit)?;
    let one = |case: usize| match judged {
        Judged::Column(column) => limit.judge(&metric(cases.value(case, column), &repeat.columns[column])),
        Judged::At(offset) => {
            let level = level(&cases.point(case), offset);
            limit.judge(&Metric::real(level, Unit::DecibelCarrierPerHertz))
        }
        Judged::Lines(lines) => match lines.all(&cases.point(case)) {
            Some(lines) => limit.judge_lines(lines.into_iter()),
            None => Judgement { state: State::NotMet, margin: None, value: None, at: None },
        },
        Judged::Mask(offsets) => {
            let point = cases.point(case);
            limit.judge_curve(offsets, |f| Some(level(&point, f)).filter(|l| l.is_finite()))
        }
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
pub fn decide(cases: &dyn Cases, all: &[Judgement], skip: usize) -> Option<Decided> {
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by(|a, b| rank(&all[*a]).total_cmp(&rank(&all[*b])));
    let case = *order.get(skip)?;
    let why = all[case].value.is_none().then(|| "no value in this case".to_owned());
    Some(Decided { judgement: all[case], label: cases.label(case), why })
}

/// Whether one judgement is worse than another.
pub fn worse(a: &Judgement, b: &Judgement) -> bool {
    rank(a) < rank(b)
}

/// How many kept the limit.
pub fn share(all: &[Judgement]) -> Share {
    Share { kept: all.iter().filter(|j| j.state == State::Met).count(), of: all.len() }
}
