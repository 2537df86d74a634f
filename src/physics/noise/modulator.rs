//! Quantisation noise of the fractional modulator.

use std::f64::consts::PI;

use super::{Contributor, Node};
use crate::physics::part::Case;

/// Quantisation phase noise of an m-th order cascade of accumulators at the oscillator before the loop
/// filters it, behind a fixed prescaler P; see [`quantisation`].
pub(super) struct Modulator;

/// `(2 pi)^2 / (12 f_pd) (2 sin(pi f / f_pd))^(2 (m - 1))`, as L(f), for a divider that steps by one
/// oscillator period.
/// Source: check value DS-L (one-sided S_phi is twice this, 3.01 dB): divider error uniform over one step,
/// shaped by (1 - z^-1)^m and summed to phase by 1 / (1 - z^-1).
pub fn quantisation(detector_frequency: f64, order: u32, f: f64) -> f64 {
    (2.0 * PI).powi(2) / (12.0 * detector_frequency) * noise_shape(detector_frequency, order, f)
}

fn noise_shape(detector_frequency: f64, order: u32, f: f64) -> f64 {
    let sine = 2.0 * (PI * f / detector_frequency).sin();
    (sine * sine).powi(order.saturating_sub(1).min(16) as i32)
}

impl Contributor for Modulator {
    fn name(&self) -> &'static str {
        "modulator"
    }

    fn says(&self) -> &'static str {
        "quantisation noise of the fractional modulator: |H|^2"
    }

    fn nodes(&self) -> &'static [Node] {
        &[Node::Detector]
    }

    fn present(&self, case: &Case) -> bool {
        case.noise.modulator_order.is_some()
    }

    /// P oscillator periods a step; over N^2, as the density is wanted at the detector.
    fn scale(&self, case: &Case, _: Node) -> f64 {
        let step = 2.0 * PI * case.fixed_prescaler / case.feedback_ratio;
        step * step / (12.0 * case.detector_frequency)
    }

    fn shape(&self, case: &Case, _: Node, f: f64) -> f64 {
        case.noise.modulator_order.map_or(0.0, |order| noise_shape(case.detector_frequency, order, f))
    }
}
