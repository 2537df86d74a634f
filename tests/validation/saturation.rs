//! An op-amp at the end of its swing, against a simulator in this file that shares no code with the library: the circuit
//! equations by small steps of the classic Runge-Kutta rule (fourth order, any handbook of numerical analysis), every
//! event found by cutting a step in two.

use std::f64::consts::PI;

use loopcase::physics::event::{Constant, Question, Run, run};
use loopcase::physics::part::{AmplifierPoint, Topology, Tuning};

use crate::loops::in_loop;

const PARTS: [f64; 5] = [1.2e-9, 1.8e3, 15e-9, 2.7e3, 0.22e-9];
const RATE: f64 = 1e6;
const GAIN: f64 = 40e6;
const RATIO: f64 = 900.0;
const CURRENT: f64 = 1e-3;

/// What the circuit is made of beyond the above.
#[derive(Clone, Copy, Debug)]
struct Plan {
    gain_bandwidth: f64,
    /// Ends of the swing and of the pump's pin, V from where they stand in lock.
    swing: (f64, f64),
    pin: Option<(f64, f64)>,
    /// How far below the channel it starts, Hz.
    hop: f64,
    periods: usize,
}

/// Inverting input, between R2 and C2, output, behind R3 (V from the channel's), and phase in detector cycles.
type State = [f64; 5];

fn rates(state: &State, current: f64, plan: &Plan) -> State {
    let [c1, r2, c2, r3, c3] = PARTS;
    let [minus, middle, out, post, _] = *state;
    let wanted = -2.0 * PI * plan.gain_bandwidth * minus;
    let stands = (out >= plan.swing.1 && wanted > 0.0) || (out <= plan.swing.0 && wanted < 0.0);
    let rise = if stands { 0.0 } else { wanted };
    let mut input = rise + (current - (minus - middle) / r2) / c1;
    if plan.pin.is_some_and(|(low, high)| (minus >= high && input > 0.0) || (minus <= low && input < 0.0)) {
        input = 0.0;
    }
    [input, rise + (minus - middle) / (r2 * c2), rise, (out - post) / (r3 * c3), GAIN * post / RATIO]
}

fn step(state: &State, current: f64, plan: &Plan, time: f64) -> State {
    let add = |slope: &State, share: f64| {
        let mut moved = *state;
        moved.iter_mut().zip(slope).for_each(|(x, s)| *x += s * share);
        moved
    };
    let a = rates(state, current, plan);
    let b = rates(&add(&a, 0.5 * time), current, plan);
    let c = rates(&add(&b, 0.5 * time), current, plan);
    let d = rates(&add(&c, time), current, plan);
    let mut moved = *state;
    for (k, x) in moved.iter_mut().enumerate() {
        *x += time / 6.0 * (a[k] + 2.0 * b[k] + 2.0 * c[k] + d[k]);
    }
    moved
}

/// Tuning voltage (V from the channel's) at the end of each period, and how many edges were lost.
fn slow(plan: &Plan) -> (Vec<f64>, u64) {
    let start = -plan.hop / GAIN;
    // No current flows in R2: both its ends are where they are in lock, the output is at the tuning voltage.
    let mut state = [0.0, 0.0, start, start, 0.0];
    let (mut up, mut down, mut slips, mut next) = (false, false, 0, 1.0);
    let mut seen = Vec::new();
    let fine = 1.0 / RATE / 4000.0;
    for period in 1..=plan.periods {
        let mut left = 1.0 / RATE;
        while left > 1e-18 {
            // An active filter turns the sign: the upper half draws current from the input.
            let current = if up { -CURRENT } else { 0.0 } + if down { CURRENT } else { 0.0 };
            let mut time = fine.min(left);
            let mut moved = step(&state, current, plan, time);
            let phase =
                |moved: &State, time: f64| moved[4] + (period as f64 - 1.0) + 1.0 - (left - time) * RATE;
            // A step ends where a limit is passed, and at an edge.
            let passes = |moved: &State| {
                let pin = plan.pin.unwrap_or((-FREE, FREE));
                let stands = state[2] >= plan.swing.1 || state[2] <= plan.swing.0;
                if stands && moved[0] * state[0] < 0.0 {
                    return true;
                }
                [(0, pin), (2, plan.swing)].into_iter().any(|(k, (low, high))| {
                    (moved[k] > high && state[k] < high) || (moved[k] < low && state[k] > low)
                })
            };
            let ends = |moved: &State, time: f64| phase(moved, time) >= next || passes(moved);
            if ends(&moved, time) {
                let (mut low, mut high) = (0.0, time);
                for _ in 0..50 {
                    let middle = 0.5 * (low + high);
                    let there = ends(&step(&state, current, plan, middle), middle);
                    if there { high = middle } else { low = middle }
                }
                time = high;
                moved = step(&state, current, plan, time);
            }
            let edge = phase(&moved, time) >= next;
            state = moved;
            left -= time;
            if edge {
                next += 1.0;
                slips += u64::from(down);
                down = true;
            } else if left <= 1e-18 {
                slips += u64::from(up);
                up = true;
            }
            if up && down {
                (up, down) = (false, false);
            }
        }
        seen.push(state[3]);
    }
    (seen, slips)
}

fn engine(plan: &Plan) -> (Run, Vec<f64>) {
    let [c1, r2, c2, r3, c3] = PARTS;
    let inputs = serde_json::json!({"C1": c1, "R2": r2, "C2": c2, "R3": r3, "C3": c3});
    let mut case = in_loop(&inputs, CURRENT, GAIN, RATIO, RATE);
    case.filter.topology = Topology::Active(3);
    case.amplifier = Some(AmplifierPoint {
        voltage_noise: (0.0, 0.0),
        current_noise: (0.0, 0.0),
        gain_bandwidth: plan.gain_bandwidth,
        reference_noise: 0.0,
        input_bias_current: 0.0,
    });
    let (aimed, frequency) = (case.oscillator.tuning_voltage, case.oscillator.frequency);
    let question = Question {
        case,
        tuning: Tuning::line(
            GAIN,
            (aimed - 2.5, aimed + 2.5),
            (frequency - 2.5 * GAIN, frequency + 2.5 * GAIN),
        )
        .expect("a line"),
        start: aimed - plan.hop / GAIN,
        limits: Some((aimed + plan.swing.0, aimed + plan.swing.1)),
        pin_limits: plan.pin,
        gear: None,
        frequency_window: Some(1e3),
        phase_window: None,
        until: plan.periods as f64 / RATE,
        quiet: f64::INFINITY,
    };
    let found = run(&question, &mut Constant).expect("a loop");
    let times: Vec<f64> = (1..=plan.periods).map(|k| k as f64 / RATE).collect();
    let at = loopcase::physics::event::at(&question, &mut Constant, &times).expect("a loop");
    (found, at.iter().map(|instant| instant.tuning - aimed).collect())
}

fn agree(plan: &Plan, within: f64) -> Run {
    let (found, fast) = engine(plan);
    let (seen, slips) = slow(plan);
    assert_eq!(found.slips, slips);
    assert_eq!(fast.len(), seen.len());
    let off = fast.iter().zip(&seen).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(off < within, "off by {off} V: {plan:?}");
    found
}

const FREE: f64 = 100.0;

/// The output stands at the end of its swing while the pump charges the feedback; then the inputs have to meet.
#[test]
fn an_op_amp_at_the_end_of_its_swing_moves_as_the_circuit_does() {
    let plan = Plan { gain_bandwidth: 8e6, swing: (-FREE, FREE), pin: None, hop: 20e6, periods: 500 };
    let free = agree(&plan, 1e-7);
    assert!(!free.limited);
    let plan = Plan { swing: (-1.0, 0.1), ..plan };
    let limited = agree(&plan, 1e-7);
    assert!(limited.limited && limited.tuning.1 < free.tuning.1 - 1e-3);
    let plan = Plan { pin: Some((-0.02, 0.02)), ..plan };
    let held = agree(&plan, 1e-7);
    assert!(held.limited && (held.tuning.1 - limited.tuning.1).abs() > 0.0);
}

/// An ideal op-amp is one of a very large gain-bandwidth product, also at the end of its swing.
#[test]
fn an_ideal_op_amp_saturates_as_a_fast_one() {
    let plan = Plan {
        gain_bandwidth: f64::INFINITY,
        swing: (-1.0, 0.1),
        pin: Some((-0.02, 0.02)),
        hop: 20e6,
        periods: 500,
    };
    let (ideal, fast) = (engine(&plan), engine(&Plan { gain_bandwidth: 20e9, ..plan }));
    assert!(ideal.0.limited && fast.0.limited);
    let off = ideal.1.iter().zip(&fast.1).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(off < 1e-3, "off by {off} V");
}
