//! How the filter moves between events: by its modes, or, where these coincide, by stored exponentials.

use super::dense::Dense;
use super::modes::Modes;
use super::system::{System, Vector, higher, lower};
use crate::physics::PhysicsError;

/// Shares of a time at which slopes are looked at: halves of halves.
pub(super) const SAMPLES: [f64; 5] = [0.0, 0.125, 0.25, 0.5, 1.0];

/// Way of the tuning voltage between two events: its ends, and between which voltages it stays.
#[derive(Clone, Copy, Debug)]
pub(super) struct Way {
    pub start: f64,
    pub end: f64,
    pub low: f64,
    pub high: f64,
}

impl Way {
    /// Whether it stays between its ends.
    #[inline]
    pub(super) fn is_straight(&self) -> bool {
        self.low >= lower(self.start, self.end) && self.high <= higher(self.start, self.end)
    }
}

/// Exact motion of one system.
#[derive(Clone, Debug)]
pub(super) enum Motion<const N: usize> {
    Modes(Modes<N>),
    Dense(Box<Dense>),
}

impl<const N: usize> Motion<N> {
    /// # Errors
    /// [`PhysicsError::Degenerate`] where no exponential is finite.
    pub(super) fn new(system: &System) -> Result<Self, PhysicsError> {
        match Modes::new(system) {
            Some(modes) => Ok(Self::Modes(modes)),
            None => Self::dense(system),
        }
    }

    pub(super) fn dense(system: &System) -> Result<Self, PhysicsError> {
        let dense =
            Dense::new(system).ok_or(PhysicsError::Degenerate("the filter has no finite time constants"))?;
        Ok(Self::Dense(Box::new(dense)))
    }

    /// State after `time` periods (at most one) and the integral of the tuning voltage until then.
    #[inline]
    pub(super) fn after(&self, from: &Vector<N>, drive: f64, time: f64) -> (Vector<N>, f64) {
        match self {
            Self::Modes(modes) => modes.after(from, drive, time),
            Self::Dense(dense) => dense.after(from, drive, time),
        }
    }

    #[inline]
    pub(super) fn voltage(&self, state: &Vector<N>) -> f64 {
        match self {
            Self::Modes(modes) => modes.voltage(state),
            Self::Dense(dense) => dense.voltage(state),
        }
    }

    /// Tuning voltage after `time` periods (at most one).
    #[inline]
    pub(super) fn voltage_after(&self, from: &Vector<N>, drive: f64, time: f64) -> f64 {
        match self {
            Self::Modes(modes) => modes.voltage_after(from, drive, time),
            Self::Dense(dense) => dense.voltage(&dense.after(from, drive, time).0),
        }
    }

    /// How fast the tuning voltage moves after `time`, V in a period.
    #[inline]
    pub(super) fn slope_after(&self, state: &Vector<N>, drive: f64, time: f64) -> f64 {
        match self {
            Self::Modes(modes) => modes.slope_after(state, drive, time),
            Self::Dense(dense) => dense.slope(&dense.after(state, drive, time).0, drive),
        }
    }

    /// When the tuning voltage turns back, near a guess; `None` where that is not soon found.
    pub(super) fn turns(&self, state: &Vector<N>, drive: f64, guess: f64) -> Option<f64> {
        match self {
            Self::Modes(modes) => modes.turns(state, drive, guess),
            Self::Dense(_) => None,
        }
    }

    /// When it passes a voltage, likewise.
    pub(super) fn passes(&self, state: &Vector<N>, drive: f64, volts: f64, guess: f64) -> Option<f64> {
        match self {
            Self::Modes(modes) => modes.passes(state, drive, volts, guess),
            Self::Dense(_) => None,
        }
    }

    /// Tuning voltage and its slope at [`SAMPLES`] of a time.
    #[inline]
    pub(super) fn samples(&self, state: &Vector<N>, drive: f64, time: f64) -> [(f64, f64); 5] {
        match self {
            Self::Modes(modes) => modes.samples(state, drive, time),
            Self::Dense(dense) => SAMPLES.map(|share| {
                let at = dense.after(state, drive, share * time).0;
                (dense.voltage(&at), dense.slope(&at, drive))
            }),
        }
    }

    pub(super) fn limited(&self, state: &Vector<N>) -> f64 {
        match self {
            Self::Modes(modes) => modes.limited(state),
            Self::Dense(dense) => dense.limited(state),
        }
    }

    /// Between these the limited node stays on the way; without bounds where the motion has no modes.
    pub(super) fn limited_bounds(&self, from: &Vector<N>, to: &Vector<N>) -> (f64, f64) {
        match self {
            Self::Modes(modes) => modes.limited_bounds(from, to),
            Self::Dense(_) => (f64::NEG_INFINITY, f64::INFINITY),
        }
    }

    /// Way of the tuning voltage from one state to another; without bounds where the motion has no modes.
    #[inline]
    pub(super) fn way(&self, from: &Vector<N>, to: &Vector<N>, drive: f64, time: f64) -> Way {
        match self {
            Self::Modes(modes) => modes.way(from, to, drive, time),
            Self::Dense(dense) => Way {
                start: dense.voltage(from),
                end: dense.voltage(to),
                low: f64::NEG_INFINITY,
                high: f64::INFINITY,
            },
        }
    }

    /// Share of each component of a state in a voltage.
    pub(super) fn share(&self) -> Vector<N> {
        match self {
            Self::Modes(modes) => modes.out,
            Self::Dense(_) => [1.0; N],
        }
    }

    /// In the filter's own states.
    pub(super) fn to_states(&self, state: &Vector<N>) -> Vector<N> {
        match self {
            Self::Modes(modes) => modes.to_states(state),
            Self::Dense(_) => *state,
        }
    }

    /// From the filter's own states.
    pub(super) fn take(&self, states: &Vector<N>) -> Vector<N> {
        match self {
            Self::Modes(modes) => modes.to_modes(states),
            Self::Dense(_) => *states,
        }
    }
}
