//! From bandwidth and phase margin to the parts of a loop filter.
//!
//! The filter is `Z(s) = (1 + s T2) / (s A0 (1 + s T1)(1 + s T3)(1 + s T4))`, with T1, T3, T4 the time constants of
//! its own poles, T1 the largest. Two conditions hold at the bandwidth exactly, the poles of tuning port and op-amp included:
//! the phase margin is the one asked for, and the phase has its extremum there.
//!
//! Source: derived here; with one pole it is check value SY-2 (F. M. Gardner, Phaselock Techniques, 3rd ed.).

mod active;
mod error;
mod passive;

use std::f64::consts::PI;

pub use error::SynthesisError;

use super::part::{Filter, Topology};
use crate::num::brent;

/// What a filter is to be designed for.
#[derive(Clone, Debug)]
pub struct Goal {
    /// Frequency at which |G| = 1, Hz.
    pub bandwidth: f64,
    /// Phase margin there, deg.
    pub phase_margin: f64,
    /// T3/T1 and T4/T3, in 0 .. 1; as many as the topology has.
    pub pole_ratios: Vec<f64>,
    /// Kind and order of the filter.
    pub topology: Topology,
    /// Magnitude of oscillator gain over feedback ratio, K/N, Hz/V.
    pub slope: f64,
    /// Capacitance of the tuning port, F; taken off the last capacitor.
    pub input_capacitance: f64,
    /// Pole of the tuning port, Hz.
    pub modulation_bandwidth: Option<f64>,
    /// Gain-bandwidth of an active filter's op-amp, Hz: one more pole; `None` for an ideal one.
    pub gain_bandwidth: Option<f64>,
    /// Largest capacitor allowed, F.
    pub max_capacitance: f64,
}

impl Goal {
    /// `w T` at the bandwidth of the poles that are not the filter's own: tuning port and op-amp; 0 where there is none.
    fn fixed_lags(&self) -> [f64; 2] {
        [self.modulation_bandwidth, self.gain_bandwidth].map(|pole| pole.map_or(0.0, |f| self.bandwidth / f))
    }
}

/// Time constants of a filter, s; 0 where the order has no such pole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimeConstants {
    /// Largest pole.
    pub t1: f64,
    /// Zero.
    pub t2: f64,
    /// Second pole.
    pub t3: f64,
    /// Third pole.
    pub t4: f64,
}

/// What the parts of one kind of filter are found from: time constants, and the sum of the capacitors, F.
#[derive(Clone, Copy, Debug)]
struct Shape {
    times: TimeConstants,
    a0: f64,
}

/// The parts of a filter for a pump current in A, as [`Designer::design`].
///
/// # Errors
/// As there.
pub fn design(goal: &Goal, current: f64) -> Result<Filter, SynthesisError> {
    Designer::new(goal).design(current)
}

/// A goal with its time constants, which are the same for every pump current.
#[derive(Clone, Debug)]
pub struct Designer<'g> {
    goal: &'g Goal,
    times: Result<TimeConstants, SynthesisError>,
}

impl<'g> Designer<'g> {
    /// For a goal.
    pub fn new(goal: &'g Goal) -> Self {
        Self { goal, times: time_constants(goal) }
    }

    /// The parts of a filter for a pump current in A.
    ///
    /// Where a degree of freedom is left, the last capacitor is as large as it can be: the least resistor noise, and the
    /// tuning port matters least. The capacitance of the tuning port is already taken off it.
    ///
    /// # Errors
    /// [`SynthesisError`] where the goal is no goal, out of reach, or leads to parts that cannot be had.
    pub fn design(&self, current: f64) -> Result<Filter, SynthesisError> {
        let goal = self.goal;
        let times = self.times?;
        if !(current.is_finite() && current > 0.0) {
            return Err(SynthesisError::Goal("the pump current must be above zero"));
        }
        if !(goal.slope.is_finite() && goal.slope > 0.0) {
            return Err(SynthesisError::Goal("the oscillator's gain must not be zero"));
        }
        let w = 2.0 * PI * goal.bandwidth;
        let unit = |t: f64| 1.0_f64.hypot(w * t);
        let fixed: f64 = goal.fixed_lags().iter().map(|lag| 1.0_f64.hypot(*lag)).product();
        let poles = unit(times.t1) * unit(times.t3) * unit(times.t4) * fixed;
        let shape = Shape { times, a0: current * goal.slope / (w * w) * unit(times.t2) / poles };
        let mut filter = match goal.topology {
            Topology::Passive(_) => passive::parts(goal.topology, shape)?,
            Topology::Active(_) => active::parts(goal.topology, shape)?,
        };
        check(&filter)?;
        let last = filter.post.last_mut().map_or(&mut filter.c1, |(_, c)| c);
        if *last <= goal.input_capacitance {
            return Err(SynthesisError::LastCapacitor { total: *last, port: goal.input_capacitance });
        }
        *last -= goal.input_capacitance;
        let names = filter.part_names();
        let capacitors = names.into_iter().filter(|name| name.starts_with('C'));
        let largest = capacitors
            .filter_map(|name| Some((name, filter.get(name)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|(_, farads)| *farads > goal.max_capacitance);
        match largest {
            Some((part, needed)) => {
                Err(SynthesisError::Capacitance { part, needed, allowed: goal.max_capacitance })
            }
            None => Ok(filter),
        }
    }
}

fn check(filter: &Filter) -> Result<(), SynthesisError> {
    let sound = |name: &&str| filter.get(name).is_some_and(|value| value.is_finite() && value > 0.0);
    match filter.part_names().into_iter().find(|name| !sound(name)) {
        Some(part) => Err(SynthesisError::NotRealisable { part }),
        None => Ok(()),
    }
}

/// The time constants that put the asked phase margin, as an extremum of the phase, at the bandwidth.
///
/// With `x = w T1`, `u = w T2` and poles at `r x`, the slope of the phase is zero where
/// `u / (1 + u^2) = sum r x / (1 + (r x)^2)`: a quadratic in u, whose larger root is the zero below the bandwidth.
/// The right side grows with x, u falls with it, and so does the margin: the solution is the only one.
///
/// # Errors
/// [`SynthesisError`] where the goal is no goal or its margin out of reach.
pub fn time_constants(goal: &Goal) -> Result<TimeConstants, SynthesisError> {
    validate(goal)?;
    let w = 2.0 * PI * goal.bandwidth;
    let fixed = goal.fixed_lags();
    let r3 = goal.pole_ratios.first().copied().unwrap_or(0.0);
    let r4 = r3 * goal.pole_ratios.get(1).copied().unwrap_or(0.0);
    let lag = |x: f64| x / (1.0 + x * x);
    let lags = |x: f64| lag(x) + lag(r3 * x) + lag(r4 * x) + lag(fixed[0]) + lag(fixed[1]);
    let zero = |x: f64| {
        let sum = lags(x);
        // (1 - 2 sum)(1 + 2 sum) rather than 1 - 4 sum^2: exact near the end of the range.
        (1.0 + ((1.0 - 2.0 * sum) * (1.0 + 2.0 * sum)).max(0.0).sqrt()) / (2.0 * sum)
    };
    let margin = |x: f64| {
        let lead = zero(x).atan();
        (lead - x.atan() - (r3 * x).atan() - (r4 * x).atan() - fixed[0].atan() - fixed[1].atan()).to_degrees()
    };
    // With no pole of the filter's own left, the zero is as low as it can be.
    let largest = if lags(0.0) > 0.0 { margin(0.0) } else { 90.0 };
    // The phase has no extremum where the lags exceed 1/2. At x = 1 that of T1 alone is 1/2.
    let end = brent::root(|x| lags(x) - 0.5, 0.0, 1.0).filter(|_| fixed.iter().all(|lag| *lag < 1.0));
    let unreachable = |least: f64| SynthesisError::PhaseMargin { asked: goal.phase_margin, least, largest };
    let end = end.ok_or(SynthesisError::PortPole { bandwidth: goal.bandwidth })?;
    if goal.phase_margin >= largest {
        return Err(unreachable(margin(end)));
    }
    let x = brent::root(|x| margin(x) - goal.phase_margin, f64::MIN_POSITIVE, end)
        .ok_or_else(|| unreachable(margin(end)))?;
    let t1 = x / w;
    Ok(TimeConstants { t1, t2: zero(x) / w, t3: r3 * t1, t4: r4 * t1 })
}

fn validate(goal: &Goal) -> Result<(), SynthesisError> {
    let positive = |x: f64| x.is_finite() && x > 0.0;
    let reason = if !matches!(goal.topology, Topology::Passive(2..=4) | Topology::Active(3..=4)) {
        "passive filters have orders 2 to 4, active ones 3 and 4"
    } else if goal.pole_ratios.len() != goal.topology.pole_ratios() {
        "there must be one pole ratio for each section behind the first"
    } else if !positive(goal.bandwidth) {
        "the bandwidth must be above zero"
    } else if !positive(goal.phase_margin) {
        "the phase margin must be above zero"
    } else if !goal.pole_ratios.iter().all(|r| positive(*r) && *r <= 1.0) {
        "pole ratios lie above 0 and up to 1"
    } else if !goal.modulation_bandwidth.is_none_or(positive) {
        "the bandwidth of the tuning port must be above zero"
    } else if !goal.gain_bandwidth.is_none_or(positive) {
        "the gain-bandwidth of the op-amp must be above zero"
    } else {
        return Ok(());
    };
    Err(SynthesisError::Goal(reason))
}

#[cfg(test)]
mod tests;
