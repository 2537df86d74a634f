//! White floor of the phase detector.

use super::{Contributor, Node};
use crate::physics::part::Case;

/// `10^(floor / 10) f_pd`, the floor stated at 1 Hz detector rate and raised by a slow reference edge.
/// Source: common practice, no source (edge jitter sampled once per period folds into f_pd / 2, so that the
/// phase density goes with f_pd).
pub(super) struct Detector;

impl Contributor for Detector {
    fn name(&self) -> &'static str {
        "detector"
    }

    fn says(&self) -> &'static str {
        "floor of detector, pump and dividers, with its rise by a slow reference: N^2 |H|^2"
    }

    fn nodes(&self) -> &'static [Node] {
        &[Node::Detector]
    }

    fn present(&self, case: &Case) -> bool {
        case.noise.detector_floor.is_some()
    }

    fn scale(&self, case: &Case, _: Node) -> f64 {
        let floor =
            case.noise.detector_floor.map_or(0.0, |db| 10f64.powf((db + case.noise.slew_rise) / 10.0));
        floor * case.detector_frequency
    }

    fn shape(&self, _: &Case, _: Node, _: f64) -> f64 {
        1.0
    }
}
