//! Noise of the free-running oscillator.

use super::{Contributor, Node, power};
use crate::physics::part::{Case, LevelTable};

/// `L_vco (f_vco / at)^2`; without a stated carrier the table as it stands.
/// Source: D. B. Leeson, Proc. IEEE 54(2), 1966: at constant loaded Q the level goes with the square of the carrier.
pub(super) struct Oscillator;

impl Contributor for Oscillator {
    fn name(&self) -> &'static str {
        "oscillator"
    }

    fn says(&self) -> &'static str {
        "noise of the free-running oscillator, held down within the bandwidth: |E|^2"
    }

    fn nodes(&self) -> &'static [Node] {
        &[Node::Oscillator]
    }

    fn present(&self, case: &Case) -> bool {
        case.noise.oscillator.is_some()
    }

    fn scale(&self, case: &Case, _: Node) -> f64 {
        let scaled = case.noise.oscillator_at.map_or(1.0, |at| (case.oscillator.frequency / at).powi(2));
        power(case.noise.lifts.oscillator) * scaled
    }

    fn shape(&self, case: &Case, _: Node, f: f64) -> f64 {
        case.noise.oscillator.as_ref().map_or(0.0, |table| table.power_at(f))
    }

    fn table<'c>(&self, case: &'c Case) -> Option<&'c LevelTable> {
        case.noise.oscillator.as_deref()
    }
}
