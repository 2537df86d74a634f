//! Phase noise at the output, contributor by contributor.
//!
//! A contributor states a density at its own [`Node`]; the node fixes the transfer to the output
//! ([`transfer`]), so that a new contributor brings no loop equations with it. A density is
//! `scale * shape(f)`: the shape depends on tables and on the plan only, the scale on all else, so that a
//! tolerance run keeps the shapes of one fixed grid and recomputes a handful of scales ([`Prepared`]).
//!
//! Conventions: densities are one-sided per Hz, offsets in Hz, > 0. Phase densities are L(f) = S_phi(f)/2 as
//! a linear ratio (IEEE Std 1139). Everything is divided by O^2 in power on its way through the output
//! divider, but for the floor added after it. Valid while rms phase < 0.1 rad.

mod amplifier;
mod detector;
mod flicker;
mod ladder;
mod modulator;
mod open;
mod oscillator;
mod output;
mod reference;
mod resistor;
mod spectrum;
mod supply;
mod sweep;
pub mod transfer;

use super::part::{Case, LevelTable};

pub use ladder::Ladder;
pub use modulator::quantisation;
pub use open::Open;
pub use resistor::{integrated_voltages, thermal_voltage};
pub use spectrum::{
    Curve, Outside, Prepared, Spectrum, Spot, dbc_per_hz, density_at, table_points, total_at,
};

/// Where a contributor enters the loop, which fixes its transfer to the output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Node {
    /// Phase at the detector's inputs; density L, transfer `N^2 |H|^2 / O^2`.
    Detector,
    /// Phase of the free-running oscillator; density L, transfer `|E|^2 / O^2`.
    Oscillator,
    /// Supply pin of the oscillator; V^2/Hz, transfer `(pushing / f)^2 / 2 |E|^2 / O^2`.
    Supply,
    /// In series with R2; V^2/Hz, transfer to the tuning voltage, then `(K / f)^2 / 2 |E|^2 / O^2`.
    R2,
    /// In series with R3.
    R3,
    /// In series with R4.
    R4,
    /// Voltage between the op-amp's inputs; V^2/Hz, then as a resistor's.
    AmplifierVoltage,
    /// Current into the op-amp's inverting input; A^2/Hz, then as a resistor's.
    AmplifierCurrent,
    /// Voltage of the reference at the op-amp's non-inverting input; V^2/Hz, then as a resistor's.
    AmplifierReference,
    /// After the output divider; density L, transfer 1.
    Output,
}

impl Node {
    /// Number of nodes, the length of a table indexed by `node as usize`.
    pub const COUNT: usize = Self::Output as usize + 1;
}

/// One origin of phase noise.
pub trait Contributor: Sync {
    /// Name in results: `share.NAME`, legend, curve.
    fn name(&self) -> &'static str;
    /// What it is and how it reaches the output, one phrase.
    fn says(&self) -> &'static str;
    /// Nodes at which it enters; independent of each other where there is more than one.
    fn nodes(&self) -> &'static [Node];
    /// Whether the case states what it needs; a contributor that is not there has no curve at all.
    fn present(&self, case: &Case) -> bool;
    /// Part of the density that does not depend on offset, in the node's unit over that of the shape.
    fn scale(&self, case: &Case, node: Node) -> f64;
    /// Dependence on offset. `f`: Hz, > 0.
    fn shape(&self, case: &Case, node: Node, f: f64) -> f64;
    /// The table its shape is read from, if any, and where that table ends.
    fn table<'c>(&self, _case: &'c Case) -> Option<&'c LevelTable> {
        None
    }
    /// One-sided density at `node`, in the node's unit.
    fn density(&self, case: &Case, node: Node, f: f64) -> f64 {
        self.scale(case, node) * self.shape(case, node, f)
    }
}

/// Power ratio of a lift in dB.
fn power(lift: f64) -> f64 {
    10f64.powf(lift / 10.0)
}

/// Every contributor, in the order in which results list them.
pub const CONTRIBUTORS: [&dyn Contributor; 11] = [
    &reference::Reference,
    &oscillator::Oscillator,
    &supply::Supply,
    &detector::Detector,
    &flicker::Flicker,
    &modulator::Modulator,
    &resistor::R2,
    &resistor::R3,
    &resistor::R4,
    &amplifier::Amplifier,
    &output::OutputFloor,
];
