//! A settling trace against the model.

use std::f64::consts::PI;

use super::trace::{self, ERROR, FREQUENCY, PHASE, Reading};
use super::{ENOUGH, unit_of};
use crate::blocks::prelude::*;
use crate::blocks::{Hop, SolvedSettling, Window};
use crate::num::statistics::{mean_and_deviation, quantile};
use crate::physics::event::Instant;

/// Difference that counts as agreement: share of the step, and of a phase, deg. No source.
const WITHIN: (f64, f64) = (0.02, 5.0);
/// Largest difference of the lock times, as a share of the predicted one. No source.
const LOCK: f64 = 0.1;
/// Share of a trace at its end that counts as settled where no lock time is known.
const TAIL: f64 = 0.1;
/// Scatter past which noise is likely to reach out of the window, as a share of it: three deviations fill it.
const NOISY: f64 = 1.0 / 3.0;

/// A trace and its prediction.
pub struct Compared {
    /// Name of the block that predicts.
    pub of: String,
    /// Start and end of the hop.
    pub hop: (String, String),
    /// Unit of the trace.
    pub unit: Unit,
    /// What it is of, in words.
    pub what: &'static str,
    /// Times from the divider's change, s, ascending.
    pub times: Vec<f64>,
    /// Measured: frequency or phase from the settled one, tuning voltage as it is.
    pub measured: Vec<f64>,
    /// Predicted at these times; not a number before the hop and beyond what a run follows.
    pub predicted: Vec<f64>,
    /// Whether each point is judged.
    pub judged: Vec<bool>,
    /// Times that are compared, s.
    pub over: (f64, f64),
    /// Difference that counts as agreement.
    pub within: f64,
    /// Half width of the window, in the unit of the trace; or why there is none.
    pub window: Result<f64, String>,
    /// Last instant outside the window in the trace, s; or why there is none.
    pub lock: Result<f64, String>,
    /// The same of the model.
    pub predicted_lock: Result<f64, String>,
    /// Standard deviation of measured less predicted once the hop has settled.
    pub scatter: Option<f64>,
    /// How the file was read.
    pub readings: Vec<Reading>,
}

pub(super) fn compare(
    given: &Given,
    inputs: &Inputs<'_>,
    (of, model): (&str, &SolvedSettling),
    faults: &mut Faults,
) -> Option<Compared> {
    let fields = &given.fields;
    for name in ["instrument_floor", "line_height"] {
        if fields.written(name) {
            let text = format!("`{name}` is for a phase-noise trace; `{of}` predicts settling");
            faults.place(fields.place(name), "field-unused", text);
        }
    }
    let asked = range_of(fields, faults);
    let hop = hop(fields, model, faults);
    let trace = trace::trace(given, inputs, &trace::SETTLING, faults)?;
    let [times, values] = trace.values.as_slice() else { return None };
    let mut readings = trace.readings;
    let role = readings.get(1)?.role;
    let hop = hop?;
    let path = hop.path.as_ref();
    if path.is_none() {
        let text = format!("`{of}` has no prediction: {}", hop.time.clone().err().unwrap_or_default());
        faults.place(fields.place("of"), "no-prediction", text);
    }
    let path = path?;
    let start = fields.quantity("start").unwrap_or(0.0);
    let mut points: Vec<(f64, f64)> =
        times.iter().zip(values).map(|(time, value)| (time - start, *value)).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let before = points.partition_point(|(time, _)| *time < 0.0);
    let after: Vec<f64> = points[before..].iter().map(|(time, _)| *time).collect();
    let instants = inputs.keep.recall("instants", || path.at(&after));
    let instants = instants.map_err(|why| faults.place(fields.place("of"), "no-prediction", why)).ok()?;
    let (Some(first), Some(_)) = (instants.first(), instants.get(1)) else {
        let text =
            "fewer than two points of the trace come after the divider's change; `start` says when that was";
        faults.place(first_of(fields, &["start", "file"]), "trace-short", text);
        return None;
    };
    let aimed = hop.frequencies.1;
    let frequency = matches!(role.word, FREQUENCY | ERROR);
    let (times, mut measured): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
    let from_zero = role.word == ERROR || (frequency && is_deviation(&measured, aimed, &mut readings));
    if frequency && !from_zero {
        for f in &mut measured {
            *f -= aimed;
        }
    }
    let read: fn(&Instant) -> f64 = match role.unit {
        Unit::Hertz => |instant| instant.frequency_error,
        Unit::Degree => |instant| wrapped(360.0 * instant.phase_error),
        _ => |instant| instant.tuning,
    };
    let mut predicted = vec![f64::NAN; before];
    predicted.extend(instants.iter().map(read));
    predicted.resize(times.len(), f64::NAN);
    let window = window_of(model, hop, role.unit);
    let predicted_lock = match model.window {
        Some(Window::Phase(_)) => hop.phase_time.clone(),
        _ => hop.time.clone(),
    };
    let tail = tail(&times, predicted_lock.as_ref().ok().copied());
    let settled = match role.unit {
        Unit::Hertz => (0.0, 0.0),
        Unit::Degree => {
            let middle = circular_mean(&measured[tail.clone()]);
            for phase in &mut measured {
                *phase = wrapped(*phase - middle);
            }
            (0.0, 0.0)
        }
        _ => (mean_and_deviation(&measured[tail.clone()]).0, hop.aimed),
    };
    let last = times.last().copied()?;
    let reaches = match predicted_lock {
        Ok(lock) if last <= lock => Err(format!(
            "the trace ends at {}, before the model has locked",
            print(last, Unit::Second, Digits::Significant(3))
        )),
        _ => window.clone(),
    };
    let lock = reaches.and_then(|window| last_outside(&times, &measured, settled.0, window));
    let step = (read(first) - settled.1).abs();
    let absent = if role.unit == Unit::Degree { WITHIN.1 } else { WITHIN.0 * step };
    let words = format!("a trace of {}", what(role.word));
    let within = unit_of(fields, "agree_within", role.unit, absent, &words, faults);
    let both = [&lock, &predicted_lock].into_iter().map(|time| time.as_ref().ok().copied());
    let until = both.collect::<Option<Vec<f64>>>().map(|both| both.into_iter().fold(0.0, f64::max));
    let over = asked.unwrap_or((0.0, until.filter(|until| *until > 0.0 && window.is_ok()).unwrap_or(last)));
    let judged = times
        .iter()
        .zip(&predicted)
        .map(|(time, predicted)| (over.0..=over.1).contains(time) && predicted.is_finite())
        .collect();
    let off: Vec<f64> = tail.map(|k| measured[k] - predicted[k]).filter(|off| off.is_finite()).collect();
    let scatter = (off.len() > 2 && predicted_lock.is_ok()).then(|| mean_and_deviation(&off).1);
    Some(Compared {
        of: of.to_owned(),
        hop: hop.names.clone(),
        unit: role.unit,
        what: what(role.word),
        times,
        measured,
        predicted,
        judged,
        over,
        within: within?,
        window,
        lock,
        predicted_lock,
        scatter,
        readings,
    })
}

/// The times that the note wants compared.
fn range_of(fields: &Fields, faults: &mut Faults) -> Option<(f64, f64)> {
    let (low, high, _) = fields.range_full("over")?;
    if low.unit != Unit::Second {
        faults.place(fields.place("over"), "trace-unit", "`over` of a settling trace is a range of times");
    } else if high.value <= low.value {
        let text = "times that are compared are in order";
        faults.place(fields.place("over"), "value-range", text);
    }
    Some((low.value, high.value))
}

fn hop<'a>(fields: &Fields, model: &'a SolvedSettling, faults: &mut Faults) -> Option<&'a Hop> {
    let Some(number) = fields.integer("hop") else { return model.hops.get(model.slowest) };
    let found = usize::try_from(number).ok().and_then(|k| model.hops.get(k.checked_sub(1)?));
    if found.is_none() {
        let text = format!("there is no hop {number}; the block has {}", model.hops.len());
        faults.place(fields.place("hop"), "value-range", text);
    }
    found
}

fn what(word: &str) -> &'static str {
    match word {
        FREQUENCY | ERROR => "frequency",
        PHASE => "phase",
        _ => "tuning voltage",
    }
}

/// Whether frequencies are counted from the channel aimed at: at the end of a trace they stand nearer to zero than to it.
/// What was guessed stands in the reading.
fn is_deviation(values: &[f64], aimed: f64, readings: &mut [Reading]) -> bool {
    let mut end: Vec<f64> = values[values.len() - values.len().div_ceil(10)..].to_vec();
    end.sort_by(f64::total_cmp);
    let deviation = quantile(&end, 0.5).is_some_and(|middle| middle.abs() < (middle - aimed).abs());
    if deviation && let Some(reading) = readings.get_mut(1) {
        if reading.because.starts_with("said") {
            return false;
        }
        reading.role.word = ERROR;
        reading.because = "ends near zero: counted from the channel aimed at";
    }
    deviation
}

/// An angle, deg, between -180 and 180.
fn wrapped(degrees: f64) -> f64 {
    degrees - 360.0 * (degrees / 360.0).round()
}

/// The middle of angles, deg.
fn circular_mean(degrees: &[f64]) -> f64 {
    let (sine, cosine) = degrees.iter().fold((0.0, 0.0), |(s, c), angle| {
        let radians = angle * PI / 180.0;
        (s + radians.sin(), c + radians.cos())
    });
    sine.atan2(cosine) * 180.0 / PI
}

/// The points that count as settled: after the lock time, or the last tenth where that leaves too few.
fn tail(times: &[f64], lock: Option<f64>) -> std::ops::Range<usize> {
    let last = times.len() - ((times.len() as f64 * TAIL).ceil() as usize).max(1);
    let after = lock.map_or(times.len(), |lock| times.partition_point(|time| *time <= lock));
    if times.len() - after > 2 { after..times.len() } else { last..times.len() }
}

/// Half width of the window in the unit of the trace.
fn window_of(model: &SolvedSettling, hop: &Hop, unit: Unit) -> Result<f64, String> {
    match (model.window, unit) {
        (None, _) => Err("the settling block states no window (`within`)".to_owned()),
        (Some(Window::Frequency(window)), Unit::Hertz) => Ok(window),
        (Some(Window::Frequency(window)), Unit::Volt) => {
            let slope = hop.path.as_ref().map_or(f64::NAN, crate::blocks::Path::slope);
            Ok(window / slope.abs())
        }
        (Some(Window::Phase(window)), Unit::Degree) => Ok(360.0 * window),
        (Some(Window::Frequency(_)), _) => {
            Err("the window is one of frequency, the trace one of phase".to_owned())
        }
        (Some(Window::Phase(_)), _) => Err("the window is one of phase, the trace is not".to_owned()),
    }
}

/// When a trace leaves the window for the last time, between two points along the straight line.
fn last_outside(times: &[f64], values: &[f64], settled: f64, window: f64) -> Result<f64, String> {
    let off = |k: usize| (values[k] - settled).abs();
    let Some(k) = (0..times.len()).rev().find(|k| off(*k) > window) else { return Ok(0.0) };
    if k + 1 == times.len() {
        let end = print(times[k], Unit::Second, Digits::Significant(3));
        return Err(format!("the trace ends outside the window, at {end}"));
    }
    // Across the window, from one side to the other, the nearer edge is the last one passed.
    let (a, b) = (values[k] - settled, values[k + 1] - settled);
    let edge = window.copysign(a);
    let share = ((a - edge) / (a - b)).clamp(0.0, 1.0);
    Ok((times[k] + share * (times[k + 1] - times[k])).max(0.0))
}

impl Compared {
    /// Measured less predicted at a point; phases the short way round.
    pub fn difference(&self, k: usize) -> f64 {
        let difference = self.measured[k] - self.predicted[k];
        if self.unit == Unit::Degree { wrapped(difference) } else { difference }
    }

    /// Time and measured less predicted of every judged point.
    pub fn differences(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        (0..self.times.len()).filter(|k| self.judged[*k]).map(|k| (self.times[k], self.difference(k)))
    }

    /// The judged point that is farthest off.
    pub fn worst(&self) -> Option<(f64, f64)> {
        self.differences().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
    }

    fn share(&self) -> Option<f64> {
        let all = self.differences().count();
        let good = self.differences().filter(|(_, d)| d.abs() <= self.within).count();
        (all > 0).then(|| good as f64 / all as f64)
    }

    /// Whether the lock times agree; `None` where there is no window to lock to, or the trace ends too soon to tell.
    fn locks_alike(&self) -> Option<bool> {
        self.window.as_ref().ok()?;
        let ends = self.times.last()?;
        if self.predicted_lock.as_ref().is_ok_and(|lock| ends <= lock) {
            return None;
        }
        match (&self.lock, &self.predicted_lock) {
            (Ok(lock), Ok(predicted)) => Some((lock - predicted).abs() <= LOCK * predicted),
            (Err(_), Err(_)) => None,
            _ => Some(false),
        }
    }
}

pub(super) fn metrics(compared: &Compared) -> Group {
    const NOTHING: &str = "no point of the trace is judged";
    let unit = compared.unit;
    let mut metrics = Group::new();
    let mut put = |name: &str, value: Option<f64>, unit: Unit, why: &str| {
        let metric = value.map_or_else(|| Metric::none(unit, why), |value| Metric::real(value, unit));
        metrics.metric(name, metric);
    };
    let worst = compared.worst();
    put("worst_difference", worst.map(|(_, d)| d.abs()), unit, NOTHING);
    put("worst_time", worst.map(|(time, _)| time), Unit::Second, NOTHING);
    let (sum, count) = compared.differences().fold((0.0, 0.0), |(sum, n), (_, d)| (sum + d, n + 1.0));
    put("mean_difference", (count > 0.0).then(|| sum / count), unit, NOTHING);
    let share = compared.share();
    put("share_within", share, Unit::One, NOTHING);
    let agrees = share.map(|share| share >= ENOUGH && compared.locks_alike() != Some(false));
    metrics.metric(
        "agrees",
        agrees.map_or_else(|| Metric::none(Unit::One, NOTHING), |agrees| Metric::count(i64::from(agrees))),
    );
    let time = |found: &Result<f64, String>| match found {
        Ok(time) => Metric::real(*time, Unit::Second),
        Err(why) => Metric::none(Unit::Second, why.clone()),
    };
    metrics.metric("lock_time", time(&compared.lock));
    metrics.metric("predicted_lock_time", time(&compared.predicted_lock));
    let scatter = compared.scatter;
    metrics.metric(
        "scatter",
        scatter.map_or_else(
            || Metric::none(unit, "the trace has no points after the predicted lock time"),
            |scatter| Metric::real(scatter, unit),
        ),
    );
    let mut curve = Group::new();
    let mut series =
        |name: &str, unit: Unit, values: Vec<f64>| curve.put(name, Node::Series { unit, values });
    // Before the hop there is no prediction.
    let from = compared.times.partition_point(|time| *time < 0.0);
    let to = from + compared.predicted[from..].iter().take_while(|value| value.is_finite()).count();
    series("time", Unit::Second, compared.times[from..to].to_vec());
    series("measured", unit, compared.measured[from..to].to_vec());
    series("predicted", unit, compared.predicted[from..to].to_vec());
    metrics.put("curve", Node::Group(curve));
    metrics
}

/// Cautions that the comparison gives rise to.
pub(super) fn warn(compared: &Compared, given: &Given, faults: &mut Faults) {
    let place = given.fields.place("file");
    let short = |value: f64, unit: Unit| print(value, unit, Digits::Significant(3));
    if compared.worst().is_none() {
        faults.warn(place, "nothing-judged", "no point of the trace is judged: none lies in `over`");
    }
    if let (Ok(window), Some(scatter)) = (&compared.window, compared.scatter)
        && scatter > NOISY * window
    {
        let text = format!(
            "once settled, the trace scatters by {} rms round the prediction: too much for a window of ±{}, whose lock time it may put off",
            short(scatter, compared.unit),
            short(*window, compared.unit)
        );
        faults.warn(place, "trace-noisy", text);
    }
    if compared.locks_alike() == Some(false) {
        let seconds = |time: &Result<f64, String>| match time {
            Ok(time) => short(*time, Unit::Second),
            Err(why) => format!("not ({why})"),
        };
        let text = format!(
            "the trace locks after {}, the model after {}: more than a tenth needs a reason (no source)",
            seconds(&compared.lock),
            seconds(&compared.predicted_lock)
        );
        faults.warn(place, "bench-differs", text);
    }
}
