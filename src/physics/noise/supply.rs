//! Noise of the oscillator's supply.

use super::{Contributor, Node};
use crate::physics::part::{Case, LevelTable};

/// `e_n^2` at the supply pin; the oscillator turns it into frequency by its pushing.
/// The table is in dB over 1 V/rtHz (20 log10), so that its power is V^2/Hz.
/// Source: phase is the integral of frequency; L = S_phi / 2.
pub(super) struct Supply;

impl Contributor for Supply {
    fn name(&self) -> &'static str {
        "supply"
    }

    fn says(&self) -> &'static str {
        "noise of the oscillator's supply, through its pushing: |E|^2"
    }

    fn nodes(&self) -> &'static [Node] {
        &[Node::Supply]
    }

    fn present(&self, case: &Case) -> bool {
        case.noise.supply.is_some() && case.oscillator.pushing != 0.0
    }

    fn scale(&self, _: &Case, _: Node) -> f64 {
        1.0
    }

    fn shape(&self, case: &Case, _: Node, f: f64) -> f64 {
        case.noise.supply.as_ref().map_or(0.0, |table| table.power_at(f))
    }

    fn table<'c>(&self, case: &'c Case) -> Option<&'c LevelTable> {
        case.noise.supply.as_deref()
    }
}
