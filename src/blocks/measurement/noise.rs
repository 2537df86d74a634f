//! A phase-noise trace against the model.

use super::noise_figures::range;
use super::trace::{self, Reading};
use super::{ENOUGH, unit_of};
use crate::blocks::prelude::*;
use crate::blocks::solved_noise::SolvedNoise;
use crate::physics::bench::{self, Line};
use crate::physics::derived;
use crate::physics::integral;
use crate::physics::noise::{Ladder, dbc_per_hz, total_at};

/// Difference that counts as agreement, dB. Common practice, no source.
const WITHIN: f64 = 2.0;
/// Widest gap between a limit of integration and the end of the trace, decades.
const GAP: f64 = 0.05;
/// Worst difference past which a reason is wanted, dB. Common practice, no source.
const NEEDS_A_REASON: f64 = 3.0;

/// A trace and its prediction.
pub struct Compared {
    /// Name of the block that predicts.
    pub of: String,
    /// Offsets, Hz, ascending.
    pub offsets: Vec<f64>,
    /// Measured levels, dBc/Hz.
    pub measured: Vec<f64>,
    /// Predicted levels there, dBc/Hz.
    pub predicted: Vec<f64>,
    /// Whether each point is judged.
    pub judged: Vec<bool>,
    /// Offsets that are compared, Hz.
    pub over: (f64, f64),
    /// Spurs in the trace.
    pub lines: Vec<Line>,
    /// Number of points in `over` too near the analyser's floor.
    pub near_floor: usize,
    /// Floor of the analyser.
    pub floor: Option<LevelTable>,
    /// How the file was read.
    pub readings: Vec<Reading>,
    /// Difference that counts as agreement, dB.
    pub within: f64,
    /// Height over the median that makes a spur, dB.
    pub rise: f64,
    /// Limits of the jitter, Hz.
    pub limits: (f64, f64),
}

pub(super) fn compare(
    given: &Given,
    inputs: &Inputs<'_>,
    (of, noise): (&str, &SolvedNoise),
    faults: &mut Faults,
) -> Option<Compared> {
    let fields = &given.fields;
    positive_in(fields, "line_height", faults);
    let within = unit_of(fields, "agree_within", Unit::Decibel, WITHIN, "a phase-noise trace", faults);
    for name in ["hop", "start"] {
        if fields.written(name) {
            let text = format!("`{name}` is for a settling trace; `{of}` predicts phase noise");
            faults.place(fields.place(name), "field-unused", text);
        }
    }
    let floor = match fields.get("instrument_floor").map(|c| &c.value) {
        Some(Item::Quantity(level)) => Some(LevelTable::flat(level.value)),
        Some(Item::Table(rows)) => {
            level_table(given, "instrument_floor", rows.iter().map(|row| (row.at, row.value)), faults)
        }
        _ => None,
    };
    if let Some((low, high, _)) = fields.range_full("over") {
        if low.unit != Unit::Hertz {
            let text = "`over` of a phase-noise trace is a range of frequencies";
            faults.place(fields.place("over"), "trace-unit", text);
        } else if low.value <= 0.0 || high.value <= low.value {
            let text = "offsets that are compared are above zero and in order";
            faults.place(fields.place("over"), "value-range", text);
        }
    }
    let trace = trace::trace(given, inputs, &trace::NOISE, faults)?;
    let [offsets, levels] = trace.values.as_slice() else { return None };
    if offsets.iter().any(|f| *f <= 0.0) {
        faults.place(fields.place("file"), "value-range", "an offset of the trace is not above zero");
    }
    faults.sound()?;
    let (offsets, measured) = merged(offsets, levels);
    let (Some(first), Some(last)) = (offsets.first().copied(), offsets.last().copied()) else { return None };
    let over = fields.range("over").unwrap_or((first, last));
    let within = within?;
    let rise = fields.quantity("line_height")?;
    let lines = bench::lines(&offsets, &measured, rise);
    let case = &noise.solved.case;
    let ladder = Ladder::new(case);
    let predicted: Vec<f64> = offsets.iter().map(|f| dbc_per_hz(total_at(case, &ladder, *f))).collect();
    let mut near_floor = 0;
    let judged = offsets.iter().enumerate().map(|(k, f)| {
        let free = (over.0..=over.1).contains(f) && !lines.iter().any(|line| line.points.contains(&k));
        let near =
            floor.as_ref().is_some_and(|floor| measured[k] < floor.level_at(*f) + bench::FLOOR_CLEARANCE);
        near_floor += usize::from(free && near);
        free && !near && predicted[k].is_finite()
    });
    let judged = judged.collect();
    Some(Compared {
        of: of.to_owned(),
        judged,
        measured,
        predicted,
        over,
        lines,
        near_floor,
        floor,
        readings: trace.readings,
        within,
        rise,
        limits: fields.range("over").or(noise.over).unwrap_or((first, last)),
        offsets,
    })
}

/// Points in ascending order; where segments of a trace overlap, the mean of the levels at one offset.
fn merged(offsets: &[f64], levels: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let mut points: Vec<(f64, f64)> = offsets.iter().copied().zip(levels.iter().copied()).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let groups = points.chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq());
    groups.map(|one| (one[0].0, one.iter().map(|point| point.1).sum::<f64>() / one.len() as f64)).unzip()
}

impl Compared {
    /// Offset and measured less predicted (dB) of every judged point.
    pub fn differences(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        (0..self.offsets.len())
            .filter(|k| self.judged[*k])
            .map(|k| (self.offsets[k], self.measured[k] - self.predicted[k]))
    }

    /// The judged point that is farthest off: offset (Hz) and measured less predicted (dB).
    pub fn worst(&self) -> Option<(f64, f64)> {
        self.differences().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
    }

    /// Mean of measured less predicted, dB.
    fn mean(&self) -> Option<f64> {
        let (sum, count) = self.differences().fold((0.0, 0.0), |(sum, count), (_, d)| (sum + d, count + 1.0));
        (count > 0.0).then(|| sum / count)
    }

    /// Share of the judged points that agree.
    fn share(&self) -> Option<f64> {
        let all = self.differences().count();
        let good = self.differences().filter(|(_, d)| d.abs() <= self.within).count();
        (all > 0).then(|| good as f64 / all as f64)
    }

    /// rms phase of the trace without its spurs, rad; or why there is none.
    fn rms_phase(&self) -> Result<f64, String> {
        let (from, to) = self.limits;
        let kept: Vec<(f64, f64)> = (0..self.offsets.len())
            .filter(|k| !self.lines.iter().any(|line| line.points.contains(k)))
            .map(|k| (self.offsets[k], 10f64.powf(self.measured[k] / 10.0)))
            .collect();
        let (Some(first), Some(last)) = (kept.first(), kept.last()) else {
            return Err("the trace has no points".to_owned());
        };
        if (first.0 / from).log10() > GAP || (to / last.0).log10() > GAP {
            return Err(format!("the trace covers {}, not {}", range((first.0, last.0)), range((from, to))));
        }
        // The power law between the neighbours of a limit gives the level there; past the last point that level holds.
        let level = |f: f64| {
            let right = kept.partition_point(|point| point.0 < f);
            match (right.checked_sub(1).map(|left| kept[left]), kept.get(right)) {
                (Some(left), Some(right)) => {
                    left.1 * (right.1 / left.1).powf((f / left.0).ln() / (right.0 / left.0).ln())
                }
                (Some(point), None) => point.1,
                (None, Some(point)) => point.1,
                (None, None) => 0.0,
            }
        };
        let inside = kept.iter().copied().filter(|(f, _)| from < *f && *f < to);
        let points = std::iter::once((from, level(from))).chain(inside).chain([(to, level(to))]);
        let (at, density): (Vec<f64>, Vec<f64>) = points.unzip();
        Ok(integral::rms_phase(&at, &density))
    }
}

pub(super) fn metrics(compared: &Compared, noise: &SolvedNoise) -> Group {
    const NOTHING: &str = "no point of the trace is judged";
    let mut metrics = Group::new();
    let mut put = |name: &str, value: Option<f64>, unit: Unit| {
        metrics.metric(
            name,
            value.map_or_else(|| Metric::none(unit, NOTHING), |value| Metric::real(value, unit)),
        );
    };
    let worst = compared.worst();
    put("worst_difference", worst.map(|(_, d)| d.abs()), Unit::Decibel);
    put("worst_offset", worst.map(|(f, _)| f), Unit::Hertz);
    put("mean_difference", compared.mean(), Unit::Decibel);
    let share = compared.share();
    put("share_within", share, Unit::One);
    let agrees = share.map(|share| Metric::count(i64::from(share >= ENOUGH)));
    metrics.metric("agrees", agrees.unwrap_or_else(|| Metric::none(Unit::One, NOTHING)));
    let case = &noise.solved.case;
    let output = case.oscillator.frequency / case.output_divider;
    let jitter = compared.rms_phase();
    metrics.metric(
        "jitter",
        match &jitter {
            Ok(phase) => Metric::real(derived::jitter(*phase, output), Unit::Second),
            Err(why) => Metric::none(Unit::Second, why.clone()),
        },
    );
    let model = crate::physics::noise::Spectrum::new(case, &Ladder::new(case), compared.limits, &[]);
    metrics.metric(
        "predicted_jitter",
        match model {
            Some(model) => Metric::real(derived::jitter(model.rms_phase(), output), Unit::Second),
            None => Metric::none(Unit::Second, "the trace has one point"),
        },
    );
    metrics.metric("spur_count", Metric::count(compared.lines.len() as i64));
    let level = |values: &[f64]| Node::Series {
        unit: Unit::DecibelCarrierPerHertz,
        values: values.iter().map(|level| level.max(-400.0)).collect(),
    };
    let mut curve = Group::new();
    curve.put("offset", Node::Series { unit: Unit::Hertz, values: compared.offsets.clone() });
    curve.put("measured", level(&compared.measured));
    curve.put("predicted", level(&compared.predicted));
    metrics.put("curve", Node::Group(curve));
    metrics
}

/// Cautions that the comparison gives rise to.
pub(super) fn warn(compared: &Compared, given: &Given, faults: &mut Faults) {
    let place = given.fields.place("file");
    match compared.worst() {
        None => {
            let text = "no point of the trace is judged: none lies in `over`, free of spurs and of the analyser's floor";
            faults.warn(place, "nothing-judged", text);
        }
        Some((offset, difference)) if difference.abs() > NEEDS_A_REASON => {
            let text = format!(
                "at {} the trace is {} {} the prediction: more than 3 dB needs a reason (common practice, no source)",
                print(offset, Unit::Hertz, Digits::Significant(3)),
                print(difference.abs(), Unit::Decibel, Digits::Significant(3)),
                if difference > 0.0 { "above" } else { "below" }
            );
            faults.warn(place, "bench-differs", text);
        }
        Some(_) => {}
    }
}
