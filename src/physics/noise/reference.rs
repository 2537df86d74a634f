//! Noise of the frequency standard.

use super::{Contributor, Node, power};
use crate::physics::part::{Case, LevelTable};

/// `L_ref` at the standard; reference divider and doubler make it `L_ref (f_pd / f_ref)^2` at the detector,
/// hence `L_ref (f_vco / f_ref)^2 |H|^2` at the oscillator.
/// Source: phase multiplies with frequency (check value FP-20LOGN).
pub(super) struct Reference;

impl Contributor for Reference {
    fn name(&self) -> &'static str {
        "reference"
    }

    fn says(&self) -> &'static str {
        "noise of the standard, multiplied up: N^2 |H|^2"
    }

    fn nodes(&self) -> &'static [Node] {
        &[Node::Detector]
    }

    fn present(&self, case: &Case) -> bool {
        case.noise.reference.is_some()
    }

    fn scale(&self, case: &Case, _: Node) -> f64 {
        power(case.noise.lifts.reference) * (case.detector_frequency / case.reference_frequency).powi(2)
    }

    fn shape(&self, case: &Case, _: Node, f: f64) -> f64 {
        case.noise.reference.as_ref().map_or(0.0, |table| table.power_at(f))
    }

    fn table<'c>(&self, case: &'c Case) -> Option<&'c LevelTable> {
        case.noise.reference.as_deref()
    }
}
