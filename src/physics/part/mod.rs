//! The parts a loop is made of, as plain SI numbers, and the [`Case`] that holds them all.
//!
//! Everything in `physics` starts from one `Case`. It holds no text and no places, and its noise
//! tables are shared, so that a band or a tolerance run can vary thousands of cases cheaply.
//!
//! Conventions: pump current in A and oscillator gain in Hz/V, so that `G(s) = I K Z(s) / (N s)`
//! with `s` in rad/s (the two factors 2 pi cancel). Temperatures in K. Levels in dBc/Hz.

use std::sync::Arc;

mod currents;
mod filter;
mod levels;
mod network;
mod spice;
mod tuning;

pub use currents::Currents;
pub use filter::{Filter, Topology};
pub use network::{Element, GROUND, Network, NodeId, Pencil, Source, StateSpace};
pub use tuning::{Tuning, TuningError};

/// One operating point of one loop: all that the loop equations need.
#[derive(Clone, Debug)]
pub struct Case {
    /// Frequency of the standard, Hz.
    pub reference_frequency: f64,
    /// Detector rate f_pd, Hz.
    pub detector_frequency: f64,
    /// Total feedback ratio N = f_vco / f_pd, fixed prescaler included.
    pub feedback_ratio: f64,
    /// Fixed prescaler P (1 where there is none).
    pub fixed_prescaler: f64,
    /// Output divider O (0.5 for a doubler).
    pub output_divider: f64,
    /// The oscillator at its operating point.
    pub oscillator: OscillatorPoint,
    /// The charge pump.
    pub pump: PumpPoint,
    /// The loop filter, with the parts as they stand on the board.
    pub filter: Filter,
    /// Op-amp of an active filter.
    pub amplifier: Option<AmplifierPoint>,
    /// Noise sources that are not parts of the filter.
    pub noise: NoiseFacts,
    /// Temperature of the filter, K.
    pub temperature: f64,
}

/// The oscillator at one tuning voltage.
#[derive(Clone, Debug)]
pub struct OscillatorPoint {
    /// Oscillator frequency f_vco, Hz.
    pub frequency: f64,
    /// Tuning voltage, V.
    pub tuning_voltage: f64,
    /// Gain K, Hz/V; negative where the frequency falls with voltage.
    pub gain: f64,
    /// Capacitance of the tuning port, F; in parallel with the last capacitor of the filter.
    pub input_capacitance: f64,
    /// Leakage of the tuning port, A.
    pub input_leakage: f64,
    /// -3 dB bandwidth of the tuning port, Hz: one more pole.
    pub modulation_bandwidth: Option<f64>,
    /// Sensitivity to the supply, Hz/V.
    pub pushing: f64,
}

/// The charge pump in lock.
#[derive(Clone, Copy, Debug)]
pub struct PumpPoint {
    /// Pump current I, A.
    pub current: f64,
    /// Relative difference of source and sink current.
    pub mismatch: f64,
    /// Leakage at the pump's output, the bleed of fractional mode included, A.
    pub leakage: f64,
    /// Time for which both sources are on, in lock, s.
    pub pulse: f64,
}

/// A single-pole operational amplifier.
#[derive(Clone, Copy, Debug)]
pub struct AmplifierPoint {
    /// White voltage noise, V/rtHz, and its 1/f corner, Hz (0: none).
    pub voltage_noise: (f64, f64),
    /// White current noise, A/rtHz, and its 1/f corner, Hz (0: none).
    pub current_noise: (f64, f64),
    /// Gain-bandwidth product, Hz; infinite where it is not stated.
    pub gain_bandwidth: f64,
    /// Noise of the reference at the non-inverting input, V/rtHz.
    pub reference_noise: f64,
    /// Input bias current, A.
    pub input_bias_current: f64,
}

/// A level in dB over the logarithm of frequency (or of another positive quantity).
///
/// Below the first point the first slope goes on; above the last the last level holds.
#[derive(Clone, Debug, PartialEq)]
pub struct LevelTable {
    /// Abscissae, ascending, > 0.
    pub at: Vec<f64>,
    /// Levels, dB.
    pub level: Vec<f64>,
}

/// How far noise levels stand off what their tables say, dB.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Lifts {
    /// The frequency standard.
    pub reference: f64,
    /// The free-running oscillator.
    pub oscillator: f64,
    /// The floor after the output divider.
    pub output: f64,
}

/// Noise that enters the loop from outside the filter. `None`: that contributor is not there.
#[derive(Clone, Debug, Default)]
pub struct NoiseFacts {
    /// Phase noise of the reference at `reference_frequency`, dBc/Hz over Hz.
    pub reference: Option<Arc<LevelTable>>,
    /// Phase noise of the free-running oscillator, dBc/Hz over Hz, already interpolated between carriers.
    pub oscillator: Option<Arc<LevelTable>>,
    /// Carrier at which `oscillator` is stated, Hz; `None`: as it stands, no scaling.
    pub oscillator_at: Option<f64>,
    /// Noise voltage of the oscillator's supply, V/rtHz over Hz (interpolated as 20 log10).
    pub supply: Option<Arc<LevelTable>>,
    /// Detector floor at the pump current in use, dBc/Hz at 1 Hz detector rate.
    pub detector_floor: Option<f64>,
    /// Rise of the floor by a slow edge at the reference input, dB.
    pub slew_rise: f64,
    /// Flicker of the detector: level (dBc/Hz) at an offset (Hz) and a carrier (Hz).
    pub flicker: Option<(f64, f64, f64)>,
    /// Order of the fractional modulator where its noise counts by formula.
    pub modulator_order: Option<u32>,
    /// Floor added after the output divider, dBc/Hz over Hz (one point: flat).
    pub output_floor: Option<Arc<LevelTable>>,
    /// How far the levels of tables stand off them.
    pub lifts: Lifts,
}
