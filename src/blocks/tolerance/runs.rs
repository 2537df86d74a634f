//! The runs: a trial at a time, each from its own stream, eight bytes kept for each metric and trial.

use rayon::prelude::*;

use super::super::repeat::{Cases, Point, Repeat, Scratch, Share, judge_all, share};
use super::MetricPath;
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
    /// Numbers run by run.
    values: Vec<f64>,
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
}

pub(super) fn solve(
    repeat: Repeat,
    scatter: Scatter,
    runs: usize,
    corners: bool,
    limits: Vec<(MetricPath, Limit)>,
) -> SolvedTolerance {
    let width = repeat.columns.len();
    let nominal_point = repeat.nominal();
    let mut values = vec![0.0; width * runs];
    values.par_chunks_mut(width).enumerate().for_each_init(
        || (Scratch::default(), nominal_point.clone()),
        |(scratch, point), (trial, row)| {
            vary(&repeat, &scatter, &nominal_point, &scatter.draw(trial as u64), point);
            repeat.read(point, scratch, row);
        },
    );
    let mut nominal = vec![0.0; width];
    repeat.read(&nominal_point, &mut Scratch::default(), &mut nominal);
    let at = |deviates: &Deviates| {
        let mut point = nominal_point.clone();
        vary(&repeat, &scatter, &nominal_point, deviates, &mut point);
        let mut row = vec![0.0; width];
        repeat.read(&point, &mut Scratch::default(), &mut row);
        row
    };
    let slopes = slopes(&scatter, nominal_point.case.temperature, &at);
    let mut summaries: Vec<Summary> =
        (0..width).into_par_iter().map(|column| summary(&values, width, column)).collect();
    let deviation = scatter.distribution.deviation();
    for (column, summary) in summaries.iter_mut().enumerate() {
        summary.effects = slopes.iter().map(|row| row[column] * deviation).collect();
        summary.first_order = scatter.first_order(&summary.effects);
        if corners {
            let end = |sign: f64| {
                let mut deviates = [0.0; MOST];
                for (deviate, effect) in deviates.iter_mut().zip(&summary.effects) {
                    *deviate = if *effect == 0.0 { 0.0 } else { sign * effect.signum() };
                }
                at(&deviates)[column]
            };
            summary.corners = Some((end(-1.0), end(1.0)));
        }
    }
    let mut solved = SolvedTolerance {
        repeat,
        scatter,
        nominal,
        summaries,
        yields: Vec::new(),
        all: Share { kept: runs, of: runs },
        values,
    };
    let mut kept = vec![true; runs];
    for (path, limit) in limits {
        let Some(all) = judge_all(&solved, &path, &limit) else { continue };
        for (kept, judgement) in kept.iter_mut().zip(&all) {
            *kept &= judgement.state == State::Met;
        }
        solved.yields.push((path, limit, share(&all)));
    }
    solved.all.kept = kept.into_iter().filter(|kept| *kept).count();
    solved
}

/// Puts a point at these deviations from the design.
fn vary(repeat: &Repeat, scatter: &Scatter, nominal: &Point, deviates: &Deviates, point: &mut Point) {
    scatter.apply(&nominal.case, deviates, &mut point.case);
    let (low, high) = repeat.solved.tuning_limits;
    let volts = point.case.oscillator.tuning_voltage;
    point.headroom = (volts - low).min(high - volts);
}

/// Slope of every column over each deviation, by central differences about the design.
fn slopes(scatter: &Scatter, temperature: f64, at: &dyn Fn(&Deviates) -> Vec<f64>) -> Vec<Vec<f64>> {
    const STEP: f64 = 0.25;
    let mut home = [0.0; MOST];
    for (deviate, vary) in home.iter_mut().zip(&scatter.vary) {
        if let Vary::Temperature(low, high) = vary
            && high > low
        {
            *deviate = ((2.0 * temperature - low - high) / (high - low)).clamp(-1.0, 1.0);
        }
    }
    let slope = |i: usize| {
        let moved = |by: f64| {
            let mut deviates = home;
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
    all.sort_by(f64::total_cmp);
    let quantiles = QUANTILES.iter().map(|(_, p)| quantile(&all, *p).unwrap_or(f64::NAN)).collect();
    Summary { finite, unbounded, moments, quantiles, ..Summary::default() }
}

impl SolvedTolerance {
    /// Numbers of a column, run by run.
    pub fn column(&self, column: usize) -> impl Iterator<Item = f64> {
        self.values.chunks_exact(self.repeat.columns.len()).map(move |row| row[column])
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
    pub fn yield_of(&self, column: usize) -> Option<Share> {
        let own: Vec<_> =
            self.yields.iter().filter(|(path, ..)| self.repeat.column(path) == Some(column)).collect();
        if let [(_, _, share)] = own.as_slice() {
            return Some(*share);
        }
        let judged: Vec<Vec<Judgement>> =
            own.iter().filter_map(|(path, limit, _)| judge_all(self, path, limit)).collect();
        let of = judged.first()?.len();
        let kept = |run: &usize| judged.iter().all(|all| all[*run].state == State::Met);
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
    fn point(&self, case: usize) -> Point {
        let nominal = self.repeat.nominal();
        let mut point = nominal.clone();
        vary(&self.repeat, &self.scatter, &nominal, &self.scatter.draw(case as u64), &mut point);
        point
    }
    fn label(&self, case: usize) -> String {
        format!("run {}", case + 1)
    }
    fn missing(&self) -> Option<String> {
        None
    }
}
