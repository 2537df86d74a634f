//! Noise of an active filter's op-amp and of the reference at its non-inverting input.

use super::{Contributor, Node};
use crate::physics::part::Case;

/// White voltage and current noise, each with a 1/f corner, and the white noise of the bias reference.
/// Source: Nyquist-like white plus flicker, `e^2 (1 + corner / f)`: common practice, no source.
pub(super) struct Amplifier;

impl Contributor for Amplifier {
    fn name(&self) -> &'static str {
        "amplifier"
    }

    fn says(&self) -> &'static str {
        "voltage, current and reference noise of an active filter's op-amp: |E|^2"
    }

    fn nodes(&self) -> &'static [Node] {
        &[Node::AmplifierVoltage, Node::AmplifierCurrent, Node::AmplifierReference]
    }

    fn present(&self, case: &Case) -> bool {
        let noisy = self.nodes().iter().any(|node| self.scale(case, *node) > 0.0);
        noisy && case.filter.topology.is_active()
    }

    fn scale(&self, case: &Case, node: Node) -> f64 {
        let Some(amplifier) = &case.amplifier else { return 0.0 };
        let white = match node {
            Node::AmplifierCurrent => amplifier.current_noise.0,
            Node::AmplifierReference => amplifier.reference_noise,
            _ => amplifier.voltage_noise.0,
        };
        white * white
    }

    fn shape(&self, case: &Case, node: Node, f: f64) -> f64 {
        let corner = case.amplifier.as_ref().map_or(0.0, |amplifier| match node {
            Node::AmplifierCurrent => amplifier.current_noise.1,
            Node::AmplifierReference => 0.0,
            _ => amplifier.voltage_noise.1,
        });
        1.0 + corner / f
    }
}
