//! The runs: a trial at a time, each from its own stream; a number is kept for each metric and trial, with a band a few.

use rayon::prelude::*;

use super::super::keep::Keep;
use super::super::repeat::{Cases, Point, Repeat, Room, Scratch, Share, judge_all, met_all};
use super::places::{Ends, Places, Reader, read};
use super::{Digits, MetricPath, Unit, print};
use crate::num::statistics::{mean_and_deviation, quantile};
use crate::physics::scatter::{Deviates, MOST, Scatter, Vary};
use crate::results::{Judgement, Limit, State};

/// Quantiles that are reported, with their names.
pub(super) const QUANTILES: [(&str, f64); 7] = [
    ("p001", 0.001),
    ("p01", 0.01),
    ("p05", 0.05),
    ("p50", 0.5),
    ("p95", 0.95),
    ("p99", 0.99),
    ("p999", 0.999),
];

/// Numbers that are kept for a later run of the program; more would take the room of everything else.
const MOST_KEPT: usize = 1 << 19;

/// A solved tolerance block.
pub struct SolvedTolerance {
    /// What was repeated.
    pub repeat: Repeat,
    /// What varies.
    pub scatter: Scatter,
    /// Numbers of the design, in the order of the columns.
    pub nominal: Vec<f64>,
    /// Statistics of each column.
    pub summaries: Vec<Summary>,
    /// Limits of requirements on what was repeated, and how many runs keep each.
    pub yields: Vec<(MetricPath, Limit, Share)>,
    /// How many runs keep all of them.
    pub all: Share,
    /// The channels that each run was read in.
    pub places: Places,
    /// Numbers run by run: with a band those of the worst channel.
    values: Vec<f64>,
    /// Both ends over the channels of a band; empty without one.
    ends: Vec<Ends>,
}

/// Statistics of one column.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    /// Runs with a finite value.
    pub finite: usize,
    /// Runs in which it is unbounded.
    pub unbounded: usize,
    /// Mean and standard deviation; not numbers where a run has no finite value.
    pub moments: (f64, f64),
    /// In the order of [`QUANTILES`].
    pub quantiles: Vec<f64>,
    /// Change by one standard deviation of each quantity, first order.
    pub effects: Vec<f64>,
    /// Standard deviation by the first order, with what parts of one reel have in common.
    pub first_order: f64,
    /// Values at the corners to which the effects point: low, high.
    pub corners: Option<(f64, f64)>,
    /// How many runs keep every limit on it; `None` where there is none.
    pub kept: Option<Share>,
}

pub(super) fn solve(
    repeat: Repeat,
    scatter: Scatter,
    runs: usize,
    corners: bool,
    limits: Vec<(MetricPath, Limit)>,
    places: Places,
    keep: Keep<'_>,
) -> SolvedTolerance {
    let width = repeat.columns.len();
    let mut nominal = vec![0.0; width];
    repeat.read(&repeat.nominal(), &mut Scratch::default(), &mut nominal);
    let keep = if width * runs > MOST_KEPT { Keep::default() } else { keep };
    let (values, ends) = keep.recall("runs", || run(&repeat, &scatter, runs, &nominal, &places));
    let (slopes, corners) = keep.recall("slopes", || around(&repeat, &scatter, corners, &nominal, &places));
    let mut summaries: Vec<Summary> =
        (0..width).into_par_iter().map(|column| summary(&values, width, column)).collect();
    for (column, summary) in summaries.iter_mut().enumerate() {
        summary.effects = effects(&slopes, &scatter, column);
        summary.first_order = scatter.first_order(&summary.effects);
        summary.corners = corners.get(column).copied();
    }
    let mut solved = SolvedTolerance {
        repeat,
        scatter,
        nominal,
        summaries,
        yields: Vec::new(),
        all: Share { kept: runs, of: runs },
        places,
        values,
        ends,
    };
    let (shares, kept) = keep.recall("yields", || yields(&solved, &limits));
    let shared = |((path, limit), share): (_, Option<Share>)| Some((path, limit, share?));
    solved.yields = limits.into_iter().zip(shares).filter_map(shared).collect();
    solved.all.kept = kept;
    for column in 0..width {
        solved.summaries[column].kept = solved.yield_of(column);
    }
    solved
}

/// How many runs keep each limit on what was repeated, and how many keep all of them.
fn yields(solved: &SolvedTolerance, limits: &[(MetricPath, Limit)]) -> (Vec<Option<Share>>, usize) {
    let mut kept = vec![true; solved.count()];
    let mut one = |(path, limit): &(MetricPath, Limit)| {
        let all = met_all(solved, path, limit)?;
        for (kept, met) in kept.iter_mut().zip(&all) {
            *kept &= met;
        }
        Some(Share { kept: all.iter().filter(|met| **met).count(), of: all.len() })
    };
    let shares = limits.iter().map(&mut one).collect();
    (shares, kept.into_iter().filter(|kept| *kept).count())
}

/// Numbers run by run; with a band those of the worst channel, and both ends over the channels.
fn run(
    repeat: &Repeat,
    scatter: &Scatter,
    runs: usize,
    nominal: &[f64],
    places: &Places,
) -> (Vec<f64>, Vec<Ends>) {
    let width = repeat.columns.len();
    let mut values = vec![0.0; width * runs];
    let mut ends = Vec::new();
    if places.band.is_none() {
        let place = &places.taken[0];
        values.par_chunks_mut(width).enumerate().for_each_init(
            || (Scratch::default(), place.nominal.clone()),
            |(scratch, point), (trial, row)| {
                place.vary(scatter, &scatter.draw(trial as u64), point);
                repeat.read_with(point, &place.budgets, scratch, row);
            },
        );
    } else {
        ends = vec![Ends::NONE; width * runs];
        values.par_chunks_mut(width).zip(ends.par_chunks_mut(width)).enumerate().for_each_init(
            || Reader::new(&places.taken, repeat),
            |reader, (trial, (row, ends))| {
                reader.read(repeat, scatter, &scatter.draw(trial as u64), ends);
                for (column, (value, ends)) in row.iter_mut().zip(&*ends).enumerate() {
                    *value = ends.worst(repeat.columns[column].sense, nominal[column]).0;
                }
            },
        );
    }
    (values, ends)
}

/// Slopes of every column over each deviation, and its values at the corners to which they point, where wanted: both in
/// the channel that is nominally the worst.
fn around(
    repeat: &Repeat,
    scatter: &Scatter,
    corners: bool,
    nominal: &[f64],
    places: &Places,
) -> (Vec<Vec<f64>>, Vec<(f64, f64)>) {
    let width = repeat.columns.len();
    let at_place = |deviates: &Deviates, place: usize| -> Vec<f64> {
        let place = &places.taken[place];
        let mut point = place.nominal.clone();
        place.vary(scatter, deviates, &mut point);
        let mut row = vec![0.0; width];
        repeat.read_with(&point, &place.budgets, &mut Scratch::default(), &mut row);
        row
    };
    let still = home(scatter, repeat.solved.case.temperature);
    let worst_place: Vec<usize> = read(&places.taken, repeat, scatter, &still)
        .iter()
        .enumerate()
        .map(|(column, ends)| usize::from(ends.worst(repeat.columns[column].sense, nominal[column]).1))
        .collect();
    let at = |deviates: &Deviates| -> Vec<f64> {
        let mut rows = vec![Vec::new(); places.taken.len()];
        let mut value = |(column, place): (usize, &usize)| {
            if rows[*place].is_empty() {
                rows[*place] = at_place(deviates, *place);
            }
            rows[*place][column]
        };
        worst_place.iter().enumerate().map(&mut value).collect()
    };
    let slopes = slopes(scatter, &still, &at);
    let corner = |column: usize| {
        let effects = effects(&slopes, scatter, column);
        let end = |sign: f64| {
            let mut deviates = [0.0; MOST];
            for (deviate, effect) in deviates.iter_mut().zip(&effects) {
                *deviate = if *effect == 0.0 { 0.0 } else { sign * effect.signum() };
            }
            at_place(&deviates, worst_place[column])[column]
        };
        (end(-1.0), end(1.0))
    };
    let corners = if corners { (0..width).map(corner).collect() } else { Vec::new() };
    (slopes, corners)
}

/// Change of a column by one standard deviation of each quantity.
fn effects(slopes: &[Vec<f64>], scatter: &Scatter, column: usize) -> Vec<f64> {
    slopes.iter().map(|row| row[column] * scatter.distribution.deviation()).collect()
}

/// The deviations at which nothing is off the design, its temperature included.
fn home(scatter: &Scatter, temperature: f64) -> Deviates {
    let mut home = [0.0; MOST];
    for (deviate, vary) in home.iter_mut().zip(&scatter.vary) {
        if let Vary::Temperature(low, high) = vary
            && high > low
        {
            *deviate = ((2.0 * temperature - low - high) / (high - low)).clamp(-1.0, 1.0);
        }
    }
    home
}

/// Slope of every column over each deviation, by central differences about the design.
fn slopes(scatter: &Scatter, home: &Deviates, at: &dyn Fn(&Deviates) -> Vec<f64>) -> Vec<Vec<f64>> {
    const STEP: f64 = 0.25;
    let slope = |i: usize| {
        let moved = |by: f64| {
            let mut deviates = *home;
            deviates[i] += by;
            at(&deviates)
        };
        let (below, above) = (moved(-STEP), moved(STEP));
        below
            .iter()
            .zip(&above)
            .map(|(a, b)| if a.is_finite() && b.is_finite() { (b - a) / (2.0 * STEP) } else { 0.0 })
            .collect()
    };
    (0..scatter.vary.len()).map(slope).collect()
}

fn summary(values: &[f64], width: usize, column: usize) -> Summary {
    let mut all: Vec<f64> = values.chunks_exact(width).map(|row| row[column]).collect();
    let finite = all.iter().filter(|x| x.is_finite()).count();
    let unbounded = all.iter().filter(|x| x.is_infinite()).count();
    let moments = if finite == all.len() { mean_and_deviation(&all) } else { (f64::NAN, f64::NAN) };
    // Without a value a run stands at the end; quantiles that reach it have none either.
    all.sort_unstable_by(f64::total_cmp);
    let quantiles = QUANTILES.iter().map(|(_, p)| quantile(&all, *p).unwrap_or(f64::NAN)).collect();
    Summary { finite, unbounded, moments, quantiles, ..Summary::default() }
}

impl SolvedTolerance {
    /// Numbers of a column, run by run.
    pub fn column(&self, column: usize) -> impl Iterator<Item = f64> {
        self.values.chunks_exact(self.repeat.columns.len()).map(move |row| row[column])
    }

    /// The channel that is most often the worst of a column (its output, Hz), and the share of runs in which it is; `None`
    /// without a band, and where a column is the same in every channel.
    pub fn worst_channel(&self, column: usize) -> Option<(f64, f64)> {
        let width = self.repeat.columns.len();
        let shape = &self.repeat.columns[column];
        let mut counts = vec![0usize; self.places.taken.len()];
        let mut differs = false;
        for row in self.ends.chunks_exact(width) {
            let ends = &row[column];
            differs |= ends.low.0.total_cmp(&ends.high.0).is_ne();
            counts[usize::from(ends.worst(shape.sense, self.nominal[column]).1)] += 1;
        }
        let place = (0..counts.len()).rev().max_by_key(|place| counts[*place]).filter(|_| differs)?;
        Some((self.places.taken[place].output, counts[place] as f64 / self.count() as f64))
    }

    /// Names of what varies, by their share in the variance of a column, largest first; nothing without effect.
    pub fn ranking(&self, column: usize) -> Vec<(String, f64)> {
        let summary = &self.summaries[column];
        // Each by itself: what a reel has in common belongs to no single part.
        let whole: f64 = summary.effects.iter().map(|e| e * e).sum();
        let shares =
            self.scatter.vary.iter().zip(&summary.effects).map(|(vary, e)| (vary.name(), e * e / whole));
        let mut ranked: Vec<(String, f64)> = shares.filter(|(_, share)| *share > 1e-12).collect();
        ranked.sort_by(|a, b| b.1.total_cmp(&a.1));
        ranked
    }

    /// How many runs keep every limit on a column; `None` where there is none.
    fn yield_of(&self, column: usize) -> Option<Share> {
        let own: Vec<_> =
            self.yields.iter().filter(|(path, ..)| self.repeat.column(path) == Some(column)).collect();
        if let [(_, _, share)] = own.as_slice() {
            return Some(*share);
        }
        let judged: Vec<Vec<(Judgement, usize)>> =
            own.iter().filter_map(|(path, limit, _)| judge_all(self, path, limit)).collect();
        let of = judged.first()?.len();
        let kept = |run: &usize| judged.iter().all(|all| all[*run].0.state == State::Met);
        Some(Share { kept: (0..of).filter(kept).count(), of })
    }
}

impl Cases for SolvedTolerance {
    fn repeat(&self) -> &Repeat {
        &self.repeat
    }
    fn count(&self) -> usize {
        self.values.len() / self.repeat.columns.len()
    }
    fn value(&self, case: usize, column: usize) -> f64 {
        self.values[case * self.repeat.columns.len() + column]
    }
    fn ends(&self, case: usize, column: usize) -> [(f64, usize); 2] {
        match self.ends.get(case * self.repeat.columns.len() + column) {
            Some(ends) => [ends.low, ends.high].map(|(value, place)| (value, usize::from(place))),
            None => [(self.value(case, column), 0); 2],
        }
    }
    fn channels(&self) -> usize {
        self.places.taken.len()
    }
    fn point<'p>(&'p self, case: usize, place: usize, room: &'p mut Room) -> &'p Point {
        let drawn = room.drawn.filter(|(drawn, _)| *drawn == case);
        let (_, deviates) =
            room.drawn.insert(drawn.unwrap_or_else(|| (case, self.scatter.draw(case as u64))));
        if room.points.is_empty() {
            room.points.extend(self.places.taken.iter().map(|place| place.nominal.clone()));
        }
        let point = &mut room.points[place];
        self.places.taken[place].vary(&self.scatter, deviates, point);
        point
    }
    fn label(&self, case: usize, place: usize) -> String {
        let run = format!("run {}", case + 1);
        if self.places.band.is_none() {
            return run;
        }
        format!("{run}, channel {}", print(self.places.taken[place].output, Unit::Hertz, Digits::Written))
    }
    fn missing(&self) -> Option<String> {
        self.places.missing.clone()
    }
}
