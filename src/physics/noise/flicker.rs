//! Flicker of the phase detector.

use super::{Contributor, Node};
use crate::physics::part::Case;

/// `level (f_vco / carrier)^2 (offset / f)` at the oscillator, which is `level (f_pd / carrier)^2 (offset / f)`
/// at the detector. Source: flicker is a jitter in time, so that phase goes with the carrier (common practice,
/// no source).
pub(super) struct Flicker;

impl Contributor for Flicker {
    fn name(&self) -> &'static str {
        "flicker"
    }

    fn says(&self) -> &'static str {
        "1/f noise of detector, pump and dividers: N^2 |H|^2"
    }

    fn nodes(&self) -> &'static [Node] {
        &[Node::Detector]
    }

    fn present(&self, case: &Case) -> bool {
        case.noise.flicker.is_some()
    }

    fn scale(&self, case: &Case, _: Node) -> f64 {
        case.noise.flicker.map_or(0.0, |(level, offset, carrier)| {
            10f64.powf(level / 10.0) * offset * (case.detector_frequency / carrier).powi(2)
        })
    }

    fn shape(&self, _: &Case, _: Node, f: f64) -> f64 {
        1.0 / f
    }
}
