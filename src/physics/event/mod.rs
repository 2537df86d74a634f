//! The loop in time, event by event.
//!
//! Between events (edges of reference and divider, the end of a pulse, a limit of pump or op-amp) the filter and the phase of
//! the oscillator move by exact exponentials. The phase is kept as whole cycles and a remainder, so that it is exact
//! over any number of cycles. An edge of the divider is where the phase reaches the next whole count, found by Newton's
//! rule inside a bracket. The detector has three states: an edge sets its half, both set clear each other after the
//! pulse, and an edge that finds its half still set is lost, a cycle slip.
//!
//! Source: F. M. Gardner, Charge-Pump Phase-Lock Loops, IEEE Trans. Commun. COM-28(11), 1980, for the detector; event by
//! event as in M. H. Perrott, Fast and accurate behavioral simulation of fractional-N frequency synthesizers, DAC 2002
//! (from memory), here with exact edges.

mod arrival;
mod bent;
mod curve;
mod dense;
pub mod folded;
mod fractional;
mod heard;
pub mod injected;
mod limits;
mod lock;
mod long;
mod modes;
mod motion;
mod period;
mod phi;
mod report;
mod run;
mod start;
mod steady;
mod system;
mod trace;
mod watch;

#[cfg(test)]
mod tests;

pub use fractional::Fractional;
pub use run::{at, run};
pub(super) use system::System;
pub use trace::Instant;

use super::PhysicsError;
use super::part::{Case, Tuning};
use crate::num::flat::{Flat, flat};

/// Most detector cycles that one run follows.
pub const MOST_CYCLES: u64 = 20_000_000;

/// When an edge came: whole detector periods since the start, and the rest of one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// Whole periods.
    pub cycle: u64,
    /// The rest, 0..1.
    pub offset: f64,
}

/// Moduli of the feedback divider, edge after edge.
pub trait Divider {
    /// By how many oscillator cycles the edge after `edge` comes later than at whole multiples of the mean modulus N:
    /// the sum of `N_j - N` so far. Exact, so that nothing builds up.
    fn next_excess(&mut self, edge: Edge) -> f64;

    /// Mean of that in the long run; the loop settles round it.
    fn mean_excess(&self) -> f64 {
        0.0
    }

    /// Whether the modulus never changes: a period that repeats itself will then do so for ever.
    fn is_constant(&self) -> bool {
        false
    }
}

/// The same modulus for ever.
#[derive(Clone, Copy, Debug)]
pub struct Constant;

impl Divider for Constant {
    fn next_excess(&mut self, _edge: Edge) -> f64 {
        0.0
    }

    fn is_constant(&self) -> bool {
        true
    }
}

/// What a run is asked for.
#[derive(Clone, Debug)]
pub struct Question {
    /// The loop at the channel aimed at.
    pub case: Case,
    /// Tuning curve of the oscillator in the band aimed at.
    pub tuning: Tuning,
    /// Tuning voltage at the start, V; the filter is at rest there, and both edges coincide.
    pub start: f64,
    /// Voltages between which the pump (or the op-amp's output) works.
    pub limits: Option<(f64, f64)>,
    /// Voltages between which the pump works, from the reference voltage of the op-amp; they count while that is saturated.
    pub pin_limits: Option<(f64, f64)>,
    /// Pump current at first (A), and until when (s).
    pub gear: Option<(f64, f64)>,
    /// Half width of the window of the frequency at the output, Hz.
    pub frequency_window: Option<f64>,
    /// Half width of the window of the phase at the output, cycles.
    pub phase_window: Option<f64>,
    /// How long to look on, s.
    pub until: f64,
    /// Time that both windows have to be kept before the run ends early, s; infinite: it goes on to `until`.
    pub quiet: f64,
}

impl Question {
    /// A loop that stands in lock, on the tangent of its tuning curve: no window, no end.
    ///
    /// # Errors
    /// [`PhysicsError::Degenerate`] where the oscillator has no gain.
    pub fn in_lock(case: Case) -> Result<Self, PhysicsError> {
        let (gain, volts, hertz) =
            (case.oscillator.gain, case.oscillator.tuning_voltage, case.oscillator.frequency);
        let reach = (0.1 * hertz / gain).abs();
        let tuning = Tuning::line(gain, (volts - reach, volts + reach), (0.9 * hertz, 1.1 * hertz))
            .map_err(|_| PhysicsError::Degenerate("the oscillator has no gain"))?;
        Ok(Self {
            case,
            tuning,
            start: volts,
            limits: None,
            pin_limits: None,
            gear: None,
            frequency_window: None,
            phase_window: None,
            until: f64::INFINITY,
            quiet: f64::INFINITY,
        })
    }
}

/// When a window was entered for good.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Entered {
    /// After this time, s: the last instant outside.
    After(f64),
    /// Not before the end of the run.
    Never,
}

/// What a run found.
#[derive(Clone, Debug)]
pub struct Run {
    /// When the frequency entered its window for good.
    pub frequency: Option<Entered>,
    /// When the phase did.
    pub phase: Option<Entered>,
    /// Edges that the detector lost.
    pub slips: u64,
    /// When they were lost, s; the first thousand.
    pub slip_times: Vec<f64>,
    /// Largest distance of the phase from the settled one, detector cycles.
    pub largest_phase: f64,
    /// Lowest and highest tuning voltage, V.
    pub tuning: (f64, f64),
    /// Whether a limit of the pump was reached.
    pub limited: bool,
    /// Excursion of the frequency beyond the one aimed at, as a share of the step.
    pub overshoot: f64,
    /// The curve; no extreme is lost.
    pub curve: Vec<Instant>,
    /// Detector cycles that were followed.
    pub cycles: u64,
    /// How long was looked on, s.
    pub lasted: f64,
}

flat!(Run {
    frequency,
    phase,
    slips,
    slip_times,
    largest_phase,
    tuning,
    limited,
    overshoot,
    curve,
    cycles,
    lasted,
});

impl Flat for Entered {
    fn lay(&self, out: &mut Vec<u8>) {
        match self {
            Entered::After(time) => Some(*time),
            Entered::Never => None,
        }
        .lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Some(Option::<f64>::pick(from)?.map_or(Entered::Never, Entered::After))
    }
}
