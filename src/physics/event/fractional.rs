//! A divider that a modulator steers.

use super::{Divider, Edge};
use crate::physics::modulator::{Excess, Modulator};

/// The real sequence of a fractional divider, from the instant at which the channel is set.
#[derive(Clone, Debug)]
pub struct Fractional {
    excess: Excess,
    mean: f64,
    /// Oscillator cycles in one step.
    step: f64,
}

impl Fractional {
    /// With `step` oscillator cycles in one step of the divider: the fixed prescaler.
    pub fn new(modulator: &Modulator, step: f64) -> Self {
        Self { excess: modulator.excess(), mean: step * modulator.mean_excess(), step }
    }
}

impl Divider for Fractional {
    fn next_excess(&mut self, _edge: Edge) -> f64 {
        self.step * self.excess.next().unwrap_or(0.0)
    }

    fn mean_excess(&self) -> f64 {
        self.mean
    }
}
