//! Loops for the noise checks, as plain cases.

use std::f64::consts::PI;
use std::sync::Arc;

use loopcase::physics::noise::Ladder;
use loopcase::physics::part::{
    AmplifierPoint, Case, Filter, LevelTable, NoiseFacts, OscillatorPoint, PumpPoint, Topology,
};
use serde_json::Value;

use crate::support::number;

/// The parts of a passive filter, tuning port apart.
pub struct Parts {
    pub c1: f64,
    pub r2: f64,
    pub c2: f64,
    /// R3, C3 and R4, C4.
    pub post: Vec<(f64, f64)>,
}

pub fn parts(case: &Case) -> Parts {
    let f = &case.filter;
    Parts { c1: f.c1, r2: f.r2, c2: f.c2, post: f.post.clone() }
}

fn assembled(parts: Parts) -> Filter {
    Filter {
        topology: Topology::Passive(2 + parts.post.len() as u8),
        c1: parts.c1,
        r2: parts.r2,
        c2: parts.c2,
        post: parts.post,
    }
}

pub fn transfers(case: &Case) -> Ladder<'_> {
    Ladder::new(case)
}

fn case(parts: Parts, current: f64, gain: f64, ratio: f64, detector_frequency: f64) -> Case {
    Case {
        reference_frequency: detector_frequency,
        detector_frequency,
        feedback_ratio: ratio,
        fixed_prescaler: 1.0,
        output_divider: 1.0,
        oscillator: OscillatorPoint {
            frequency: ratio * detector_frequency,
            tuning_voltage: 2.5,
            gain,
            input_capacitance: 0.0,
            input_leakage: 0.0,
            modulation_bandwidth: None,
            pushing: 0.0,
        },
        pump: PumpPoint { current, mismatch: 0.0, leakage: 0.0, pulse: 0.0 },
        filter: assembled(parts),
        amplifier: None,
        noise: NoiseFacts::default(),
        temperature: 300.15,
    }
}

/// Values of a check row's `inputs`: C1, R2, C2 and what follows.
fn read(inputs: &Value) -> Parts {
    let post = [("R3", "C3"), ("R4", "C4")]
        .into_iter()
        .filter(|(r, _)| inputs.get(r).is_some())
        .map(|(r, c)| (number(inputs, r), number(inputs, c)))
        .collect();
    Parts { c1: number(inputs, "C1"), r2: number(inputs, "R2"), c2: number(inputs, "C2"), post }
}

/// A passive filter from a row that states its parts and `T_K`, in some loop.
pub fn passive(inputs: &Value) -> Case {
    Case { temperature: number(inputs, "T_K"), ..case(read(inputs), 1e-3, 1e7, 100.0, 1e6) }
}

/// A passive filter from a row that states its parts.
pub fn filter(inputs: &Value) -> Filter {
    assembled(read(inputs))
}

/// A complete loop from a row that states its parts, `Icp_A`, `Kvco_Hz_per_V` and `N`.
pub fn complete(inputs: &Value) -> Case {
    let (current, gain, ratio) = constants(inputs);
    in_loop(inputs, current, gain, ratio, 1e6)
}

/// Second-order loop (series R-C; C1 too small to matter) with natural frequency `natural` in Hz and damping.
/// `wn = sqrt(I K / (N C))` and `zeta = wn R C / 2`, with K in Hz/V and I K free of 2 pi.
pub fn second_order(natural: f64, damping: f64, ratio: f64) -> Case {
    let (current, gain) = (1e-3, 1e7);
    let w = 2.0 * PI * natural;
    let c2 = current * gain / (ratio * w * w);
    let r2 = 2.0 * damping / (w * c2);
    let mut case = case(Parts { c1: c2 * 1e-15, r2, c2, post: vec![] }, current, gain, ratio, 1e7);
    case.noise.reference = Some(Arc::new(LevelTable::flat(-150.0)));
    case
}

/// Rise of the reference's noise from standard to output at `f` Hz, dB.
pub fn reference_gain_db(case: &Case, f: f64) -> f64 {
    let spot = loopcase::physics::noise::density_at(case, &transfers(case), f);
    let (_, density) = spot.parts.iter().find(|(name, _)| *name == "reference").expect("a reference");
    let table = case.noise.reference.as_ref().expect("a reference");
    10.0 * (density / table.power_at(f)).log10()
}

/// [`noisy`] with an active filter: the set's parts round an op-amp, its post filter as it is.
pub fn active(set: &str) -> Case {
    let mut case = noisy(set, 2.0, 1.0, None);
    case.filter.topology = Topology::Active(case.filter.topology.order());
    case.amplifier = Some(AmplifierPoint {
        voltage_noise: (4e-9, 300.0),
        current_noise: (1.2e-12, 1e3),
        gain_bandwidth: 8e6,
        reference_noise: 30e-9,
        input_bias_current: 0.0,
    });
    case
}

/// A loop of the check values' component sets with every contributor a passive filter can have.
pub fn noisy(set: &str, output_divider: f64, prescaler: f64, order: Option<u32>) -> Case {
    let (sets, constants) = crate::support::component_sets();
    let constant = |key: &str| number(&constants[set], key);
    let detector_frequency = 20e6;
    let mut case = case(
        read(&sets[set]),
        constant("Icp_A"),
        constant("Kvco_Hz_per_V"),
        constant("N"),
        detector_frequency,
    );
    let table = |points: &[(f64, f64)]| Some(Arc::new(LevelTable::new(points.to_vec()).expect("a table")));
    case.reference_frequency = 10e6;
    case.output_divider = output_divider;
    case.fixed_prescaler = prescaler;
    case.oscillator.pushing = 2e6;
    case.oscillator.input_capacitance = 22e-12;
    case.noise = NoiseFacts {
        reference: table(&[(10.0, -120.0), (100.0, -140.0), (1e3, -152.0), (1e5, -160.0)]),
        oscillator: table(&[(1e3, -60.0), (1e4, -88.0), (1e5, -110.0), (1e6, -131.0), (1e7, -150.0)]),
        oscillator_at: Some(2.4e9),
        supply: table(&[(100.0, -140.0), (1e4, -155.0), (1e6, -165.0)]),
        detector_floor: Some(-222.0),
        slew_rise: 1.5,
        flicker: Some((-117.0, 1e4, 1e9)),
        modulator_order: order,
        output_floor: table(&[(1e4, -158.0), (1e6, -161.0)]),
        ..NoiseFacts::default()
    };
    case
}

/// Pump current in A, oscillator gain in Hz/V and feedback ratio of a row's `inputs`.
pub fn constants(inputs: &Value) -> (f64, f64, f64) {
    (number(inputs, "Icp_A"), number(inputs, "Kvco_Hz_per_V"), number(inputs, "N"))
}

/// The parts of a row's `inputs` in a loop at that detector rate, the feedback ratio held.
pub fn in_loop(inputs: &Value, current: f64, gain: f64, ratio: f64, rate: f64) -> Case {
    case(read(inputs), current, gain, ratio, rate)
}

/// C1, R2, C2 in a loop at that detector rate.
pub fn passive_in_loop([c1, r2, c2]: [f64; 3], current: f64, gain: f64, ratio: f64, rate: f64) -> Case {
    case(Parts { c1, r2, c2, post: vec![] }, current, gain, ratio, rate)
}

/// A loop with `K = I R2 Kvco / N` (rad/s), `tau = R2 C2` (s) and C1 = `share` of C2.
pub fn series_branch(k: f64, tau: f64, share: f64, rate: f64) -> Case {
    let (r2, c2, gain, ratio) = (1e3, tau / 1e3, 1e7, 100.0);
    passive_in_loop([share * c2, r2, c2], k * ratio / (gain * r2), gain, ratio, rate)
}
