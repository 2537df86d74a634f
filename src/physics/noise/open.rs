//! Noise at the output with the loop open: as it enters, before the loop shapes it.

use super::transfer::NodePowers;
use super::{CONTRIBUTORS, Ladder, Node};
use crate::physics::part::Case;

/// L(f) per Hz at the output of what enters at the detector and of what enters at the oscillator, each as if the loop
/// passed all of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Open {
    /// Reference, floor and flicker of the detector.
    pub detector: f64,
    /// Noise of a fractional divider by its formula.
    pub modulator: f64,
    /// Oscillator, supply, resistors and amplifier.
    pub oscillator: f64,
}

impl Open {
    /// At `f` Hz, > 0. The floor after the output divider is no noise of the loop and is left out.
    pub fn new(case: &Case, ladder: &Ladder<'_>, f: f64) -> Self {
        let mut response = ladder.response(f);
        (response.closed, response.error) = (1.0, 1.0);
        let powers = NodePowers::new(case, f, &response);
        let mut open = Self { detector: 0.0, modulator: 0.0, oscillator: 0.0 };
        for contributor in CONTRIBUTORS.into_iter().filter(|contributor| contributor.present(case)) {
            for node in contributor.nodes() {
                let density = contributor.density(case, *node, f) * powers.of(*node);
                match node {
                    Node::Output => {}
                    Node::Detector if contributor.name() == "modulator" => open.modulator += density,
                    Node::Detector => open.detector += density,
                    _ => open.oscillator += density,
                }
            }
        }
        open
    }
}
