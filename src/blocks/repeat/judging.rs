//! Judging a requirement in every case of a band or a tolerance run.

use super::levels::{Levels, Work};
use super::lines::Lines;
use super::{Column, Metric, MetricPath, Point, Repeat, metric};
use crate::blocks::bounds::Bounds;
use crate::num::flat::flat;
use crate::physics::noise::dbc_per_hz;
use crate::physics::scatter::Deviates;
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
    /// Channels of each case.
    fn channels(&self) -> usize {
        1
    }
    /// A case made again in one of its channels.
    fn point<'p>(&'p self, case: usize, place: usize, room: &'p mut Room) -> &'p Point;
    /// What a case is called: a channel, a run, a run in a channel.
    fn label(&self, case: usize, place: usize) -> String;
    /// Why not every case could be read, where that is so.
    fn missing(&self) -> Option<String>;
}

/// Room of one thread to make cases again.
#[derive(Clone, Default)]
pub struct Room {
    /// Deviations drawn last, and for which case.
    pub drawn: Option<(usize, Deviates)>,
    /// A point for each channel.
    pub points: Vec<Point>,
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

/// What of a case is judged in a channel.
enum Judge<'l> {
    Lines(&'l Lines),
    At(Levels),
    Mask(Bounds, Levels),
}

impl<'l> Judge<'l> {
    /// `None` where there is nothing to judge.
    fn new(cases: &'l dyn Cases, judged: &Judged<'l>, limit: &Limit) -> Option<Self> {
        match *judged {
            Judged::Column(_) => None,
            Judged::Lines(lines) => Some(Self::Lines(lines)),
            Judged::At(offset) => Levels::new(cases, vec![offset]).map(Self::At),
            Judged::Mask(offsets) => {
                let bounds = Bounds::new(limit, offsets);
                let levels = Levels::new(cases, bounds.offsets.clone())?;
                Some(Self::Mask(bounds, levels))
            }
        }
    }

    fn judge(&self, limit: &Limit, point: &Point, place: usize, work: &mut Work) -> Judgement {
        match self {
            Self::Lines(lines) => {
                let found = &mut work.found;
                lines.find(point, found);
                lines.all(found).map_or(Judgement::LOST, |lines| limit.judge_lines(lines))
            }
            Self::At(levels) => {
                let level = dbc_per_hz(levels.read(place, &point.case, work)[0]);
                limit.judge(&Metric::real(level, Unit::DecibelCarrierPerHertz))
            }
            Self::Mask(bounds, levels) => bounds.judge(levels.read(place, &point.case, work)),
        }
    }

    fn meets(&self, limit: &Limit, point: &Point, place: usize, work: &mut Work) -> bool {
        match self {
            Self::Mask(bounds, levels) => bounds.meets(levels, place, &point.case, work),
            _ => self.judge(limit, point, place, work).state == State::Met,
        }
    }
}

/// Judges every case, in order, each in that of its channels that comes nearest to the limit, which is named; `None` where
/// the metric is not among what is repeated.
pub fn judge_all(cases: &dyn Cases, path: &MetricPath, limit: &Limit) -> Option<Vec<(Judgement, usize)>> {
    use rayon::prelude::*;
    let repeat = cases.repeat();
    let nearest = |a: (Judgement, usize), b: (Judgement, usize)| if worse(&b.0, &a.0) { b } else { a };
    let judged = repeat.judged(path, limit)?;
    if let Judged::Column(index) = judged {
        let column = |value: f64| limit.judge(&metric(value, &repeat.columns[index]));
        let one = |case: usize| {
            let [low, high] = cases.ends(case, index).map(|(value, place)| (column(value), place));
            nearest(low, high)
        };
        return Some((0..cases.count()).map(one).collect());
    }
    let Some(judge) = Judge::new(cases, &judged, limit) else { return Some(Vec::new()) };
    let case = |(room, work): &mut (Room, Work), case: usize| {
        let one = |place| (judge.judge(limit, cases.point(case, place, room), place, work), place);
        (0..cases.channels()).map(one).reduce(nearest).unwrap_or((Judgement::LOST, 0))
    };
    Some((0..cases.count()).into_par_iter().map_init(Default::default, case).collect())
}

/// Whether every case, in order, keeps the limit in all its channels: as [`judge_all`] finds it, with no more read than that
/// takes.
pub fn met_all(cases: &dyn Cases, path: &MetricPath, limit: &Limit) -> Option<Vec<bool>> {
    use rayon::prelude::*;
    let judged = cases.repeat().judged(path, limit)?;
    let Some(judge) = Judge::new(cases, &judged, limit) else {
        return Some(judge_all(cases, path, limit)?.iter().map(|(j, _)| j.state == State::Met).collect());
    };
    let channels = cases.channels();
    let below = below(cases, path, &judged, limit);
    // The channel in which the case before missed it is looked at first.
    let case = |(room, work, first): &mut (Room, Work, usize), case: usize| {
        if below(case) {
            return true;
        }
        let mut order = (0..channels).map(|place| (*first + place) % channels);
        let missed = order.find(|place| !judge.meets(limit, cases.point(case, *place, room), *place, work));
        *first = missed.unwrap_or(*first);
        missed.is_none()
    };
    Some((0..cases.count()).into_par_iter().map_init(Default::default, case).collect())
}

/// Whether the highest line of a case, in all its channels, is known to lie below all of a mask for lines.
fn below<'c>(
    cases: &'c dyn Cases,
    path: &MetricPath,
    judged: &Judged<'_>,
    limit: &Limit,
) -> impl Fn(usize) -> bool + Sync + use<'c> {
    // Between its points a mask is interpolated, with rounding.
    const ROUNDING: f64 = 1e-9;
    let lowest = limit.lowest().filter(|_| matches!(judged, Judged::Lines(_)));
    let worst = |column: &Column| column.block == path.block && column.name == "worst_spur";
    let known = cases.repeat().columns.iter().position(worst).zip(lowest);
    move |case| known.is_some_and(|(column, lowest)| cases.ends(case, column)[1].0 < lowest - ROUNDING)
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
