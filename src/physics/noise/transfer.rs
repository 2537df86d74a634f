//! From each node of the loop to phase at the output.

use super::Node;
use crate::physics::part::Case;

/// Power transfers of a loop, one offset at a time.
pub trait Transfers {
    /// Transfers at `f` Hz, > 0.
    fn at(&self, f: f64) -> NodePowers;
}

/// Power gain from the density at each node to L(f) at the output, at one offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NodePowers([f64; Node::COUNT]);

/// What the loop and its filter do at one offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Response {
    /// `|H|^2`, closed loop, 1 at low offsets.
    pub closed: f64,
    /// `|E|^2`, error, 1 at high offsets.
    pub error: f64,
    /// Squared transfer from a voltage in series with R2, R3, R4 (0 where there is none) to the voltage on
    /// the tuning port, loop open.
    pub resistors: [f64; 3],
    /// The same from the op-amp's input voltage (V/V), inverting-input current (V/A), and reference (V/V).
    pub amplifier: [f64; 3],
    /// `1 / (1 + (f / f_m)^2)` of the tuning port's modulation bandwidth f_m, 1 where there is none.
    pub port: f64,
}

impl NodePowers {
    /// Transfers of `case` at `f` Hz, from the response of its loop there.
    ///
    /// A voltage v on the tuning port is a frequency K v, hence a phase K v / (j f), and L = S_phi / 2; the
    /// loop acts on it as on the oscillator's own phase.
    pub fn new(case: &Case, f: f64, response: &Response) -> Self {
        let divided = 1.0 / case.output_divider.powi(2);
        let error = response.error * divided;
        let per_volt = |gain: f64| 0.5 * (gain / f).powi(2) * error;
        let tuning = per_volt(case.oscillator.gain) * response.port;
        let [r2, r3, r4] = response.resistors.map(|power| power * tuning);
        let [voltage, current, reference] = response.amplifier.map(|power| power * tuning);
        let mut powers = Self([0.0; Node::COUNT]);
        for (node, power) in [
            (Node::Detector, case.feedback_ratio.powi(2) * response.closed * divided),
            (Node::Oscillator, error),
            (Node::Supply, per_volt(case.oscillator.pushing)),
            (Node::R2, r2),
            (Node::R3, r3),
            (Node::R4, r4),
            (Node::AmplifierVoltage, voltage),
            (Node::AmplifierCurrent, current),
            (Node::AmplifierReference, reference),
            (Node::Output, 1.0),
        ] {
            powers.0[node as usize] = power;
        }
        powers
    }

    /// Power gain from `node`.
    pub fn of(&self, node: Node) -> f64 {
        self.0[node as usize]
    }
}

/// `1 / (1 + (f / f_m)^2)`; see [`Response::port`].
pub fn port_power(case: &Case, f: f64) -> f64 {
    case.oscillator.modulation_bandwidth.map_or(1.0, |corner| 1.0 / (1.0 + (f / corner).powi(2)))
}
