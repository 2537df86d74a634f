//! The loop in time. SO-STEP and SO-LOCK: closed forms of the second-order type-II loop, derived by the inverse Laplace
//! transform of H(s)/s; curves in F. M. Gardner, Phaselock Techniques, 3rd ed., 2005, chapter 5 (from memory); generator
//! `gen04_second_order`. Every edge: a simulator in this file that shares no code with the library.

use std::f64::consts::PI;

use loopcase::physics::event::{Constant, Divider, Edge, Entered, Question, run};
use loopcase::physics::part::{Case, Topology, Tuning};
use loopcase::physics::settling_linear::LinearSettling;

use crate::loops::{in_loop, series_branch};
use crate::settling_slow::{Slow, simulate};
use crate::support::{close, number, row};

/// C1 as a share of C2: so small that the loop is one of second order.
const NO_C1: f64 = 1e-10;

fn second_order(natural: f64, zeta: f64) -> LinearSettling {
    let w = 2.0 * PI * natural;
    let case = series_branch(2.0 * zeta * w, 2.0 * zeta / w, NO_C1, 1000.0 * natural);
    LinearSettling::new(&case).expect("a loop")
}

/// Check value SO-STEP.
#[test]
fn overshoot_and_peak_phase_of_the_linear_loop() {
    for case in row("SO-STEP").cases {
        let linear = second_order(1e4, number(&case.inputs, "zeta"));
        close(linear.overshoot(), number(&case.expected, "overshoot"), 1e-6, &case.id);
        let w = 2e4 * PI;
        let at = number(&case.expected, "wn_t_peak_phase_error") / w;
        let peak = number(&case.expected, "peak_phase_error_times_wn_over_dw");
        // A step of one cycle in a second is 2 pi rad/s, and its phase is 2 pi rad to the cycle.
        close(linear.at(at).1 * w, peak, 1e-6, &case.id);
        assert!(linear.at(0.9 * at).1 < linear.at(at).1 && linear.at(1.1 * at).1 < linear.at(at).1);
    }
}

/// Check value SO-LOCK.
#[test]
fn lock_time_of_the_linear_loop() {
    for case in row("SO-LOCK").cases {
        let linear = second_order(number(&case.inputs, "fn_Hz"), number(&case.inputs, "zeta"));
        let time = linear.time(1e5, 1e5 * number(&case.inputs, "tol")).expect("settles");
        close(time, number(&case.expected, "t_exact_s"), 1e-6, &case.id);
    }
}

/// A loop whose series R-C branch makes the damping, behind three poles that are fast against the loop and slow against
/// the detector: they take the ripple of the pump away.
fn smoothed(zeta: f64) -> Case {
    let (w, gain, ratio) = (2e4 * PI, 1e7, 100.0);
    let period = 3e-5 / (w * zeta.max(1.0).powf(1.5));
    let (r2, pole) = (1e3, 5.0 * period);
    let (c2, current) = (2.0 * zeta / (w * r2), 2.0 * zeta * w * ratio / (gain * r2));
    let inputs = serde_json::json!({
        "C1": pole / r2, "R2": r2, "C2": c2,
        "R3": 1e2 * r2, "C3": 1e-2 * pole / r2, "R4": 1e4 * r2, "C4": 1e-4 * pole / r2,
    });
    in_loop(&inputs, current, gain, ratio, 1.0 / period)
}

fn line(case: &Case, hop: f64, until: f64) -> Question {
    let (gain, frequency) = (case.oscillator.gain, case.oscillator.frequency);
    Question {
        case: case.clone(),
        tuning: Tuning::line(gain, (0.0, 5.0), (frequency - 2.5 * gain, frequency + 2.5 * gain))
            .expect("a line"),
        start: 2.5 - hop / gain,
        limits: None,
        pin_limits: None,
        gear: None,
        frequency_window: Some(1e3),
        phase_window: None,
        until,
        quiet: f64::INFINITY,
    }
}

/// Check value SO-STEP, event by event: within 0.5 % where no pulse can be told from the next.
#[test]
fn overshoot_event_by_event() {
    for case in row("SO-STEP").cases.iter().filter(|case| number(&case.inputs, "zeta") <= 2.0) {
        let smoothed = smoothed(number(&case.inputs, "zeta"));
        let until = 1.3 * number(&case.expected, "wn_t_peak") / (2e4 * PI);
        let found = run(&line(&smoothed, 1e4, until), &mut Constant).expect("a loop");
        close(found.overshoot, number(&case.expected, "overshoot"), 5e-3, &case.id);
    }
}

/// Keeps the time of every edge, in periods.
struct Kept(Vec<f64>);

impl Divider for Kept {
    fn next_excess(&mut self, edge: Edge) -> f64 {
        self.0.push(edge.cycle as f64 + edge.offset);
        0.0
    }
}

/// A loop of the usual kind, slipping at first: pulse, mismatch and leakage included.
fn usual(hop: f64) -> (Question, Slow) {
    let slow = Slow {
        current: 1e-3,
        mismatch: 0.06,
        leakage: 3e-9,
        pulse: 4e-9,
        gain: 40e6,
        ratio: 900.0,
        rate: 1e6,
        parts: [1.2e-9, 1.8e3, 15e-9, 2.7e3, 0.22e-9],
        hop,
    };
    let [c1, r2, c2, r3, c3] = slow.parts;
    let inputs = serde_json::json!({"C1": c1, "R2": r2, "C2": c2, "R3": r3, "C3": c3});
    let mut case = in_loop(&inputs, slow.current, slow.gain, slow.ratio, slow.rate);
    case.pump.mismatch = slow.mismatch;
    case.pump.leakage = slow.leakage;
    case.pump.pulse = slow.pulse;
    (line(&case, hop, 1000.0 / slow.rate), slow)
}

#[test]
fn every_edge_is_that_of_the_slow_simulator() {
    for (hop, slips) in [(0.2e6, false), (400e6, true)] {
        let (question, slow) = usual(hop);
        let mut kept = Kept(Vec::new());
        let found = run(&question, &mut kept).expect("a loop");
        let told = simulate(&slow, 1000, 1e3);
        // The first entry is the start.
        let edges = &kept.0[1..];
        assert_eq!(edges.len(), told.edges.len());
        assert_eq!(found.slips > 0, slips);
        assert_eq!(found.slips, told.slips);
        let off = edges.iter().zip(&told.edges).map(|(a, b)| (a - b).abs() / slow.rate).fold(0.0, f64::max);
        assert!(off < 1e-15, "{hop}: an edge is off by {off:e} s");
        match found.frequency {
            Some(Entered::After(time)) => {
                assert!((time - told.last_outside / slow.rate).abs() < 1.0 / slow.rate, "{hop}: {time}");
            }
            other => panic!("{other:?}"),
        }
    }
}

/// The active filter's loop falls with the same phase errors as the passive one of the same transimpedance.
#[test]
fn an_active_loop_moves_like_the_passive_one_of_its_impedance() {
    let post = serde_json::json!({"C1": 1e-9, "R2": 2e3, "C2": 15e-9, "R3": 2e6, "C3": 2e-13});
    let passive = in_loop(&post, 1e-3, 40e6, 900.0, 1e6);
    let mut active = passive.clone();
    active.filter.topology = Topology::Active(3);
    let [a, b] = [passive, active].map(|case| run(&line(&case, 0.2e6, 1e-3), &mut Constant).expect("a loop"));
    // The post filter loads the passive one by a thousandth.
    close(a.overshoot, b.overshoot, 2e-3, "overshoot");
    assert_eq!(a.slips, b.slips);
}

/// Noise put into the loop comes out as the formula says, with the sampled loop: within 0.5 dB beyond the statistical
/// error, from a thirtieth of the bandwidth to ten bandwidths, with a whole-number and with a fractional divider. The
/// formulas are those of the noise budget; the run knows nothing of the loop's transfer functions.
#[test]
fn noise_in_time_is_noise_by_formula() {
    use loopcase::physics::event::injected::{Length, injected};
    use loopcase::physics::modulator::Modulator;
    use loopcase::physics::part::LevelTable;
    for fractional in [false, true] {
        let inputs = serde_json::json!({"C1": 1.2e-9, "R2": 1.8e3, "C2": 15e-9, "R3": 2.7e3, "C3": 0.22e-9});
        let mut case = in_loop(&inputs, 1e-3, 40e6, 900.0, 1e6);
        case.noise.detector_floor = Some(-225.0);
        case.noise.oscillator =
            LevelTable::new(vec![(1e3, -62.0), (1e4, -90.0), (1e6, -132.0)]).map(std::sync::Arc::new);
        let modulator = Modulator::new(3, 1 << 20, 349_525, 1).expect("a modulator");
        if fractional {
            case.noise.modulator_order = Some(3);
        }
        let question = line(&case, 0.0, 1.0);
        let bandwidth = 12e3;
        let length = Length::new(&case, bandwidth, 24);
        let with = fractional.then_some(&modulator);
        let bands = injected(&question, with, bandwidth, length, 11).expect("a loop");
        assert!(bands.len() > 20, "{}", bands.len());
        assert!(bands[0].offset < bandwidth / 25.0 && bands[bands.len() - 1].offset > 8.5 * bandwidth);
        for band in &bands {
            let off = band.difference();
            assert!(band.error < 3.0 && off.abs() < 0.5 + band.error, "{fractional}: {band:?} {off}");
        }
        let again = injected(&question, with, bandwidth, length, 11).expect("a loop");
        assert_eq!(bands, again);
    }
}

/// The second route of a fractional hop: the linear loop as it is sampled, with the same sequence in its divider.
#[test]
fn a_fractional_hop_settles_as_the_sampled_loop_does() {
    use loopcase::physics::event::Fractional;
    use loopcase::physics::modulator::Modulator;
    use loopcase::physics::twice::settling::{Of, sampled};
    let mut told = 0;
    for (order, modulus, word, start) in
        [(3, 1 << 20, 349_525, 1), (2, 1 << 16, 1001, 5), (1, 25, 7, 2), (3, 200, 31, 1)]
    {
        let modulator = Modulator::new(order, modulus, word, start).expect("a modulator");
        for hop in [2e5, -1e6] {
            for (of, window) in [
                (Of::Frequency, 1e4),
                (Of::Frequency, 1e3),
                (Of::Frequency, 200.0),
                (Of::Phase, 0.05),
                (Of::Phase, 0.01),
            ] {
                let inputs =
                    serde_json::json!({"C1": 1.2e-9, "R2": 1.8e3, "C2": 15e-9, "R3": 2.7e3, "C3": 0.22e-9});
                let case = in_loop(&inputs, 1e-3, 40e6, 100.0 + word as f64 / modulus as f64, 20e6);
                let mut question = line(&case, hop, 2e-3);
                question.case.pump.current /= 30.0;
                match of {
                    Of::Frequency => question.frequency_window = Some(window),
                    Of::Phase => (question.frequency_window, question.phase_window) = (None, Some(window)),
                }
                let found = run(&question, &mut Fractional::new(&modulator, 1.0)).expect("a loop");
                let time = match (found.frequency, found.phase) {
                    (Some(Entered::After(time)), _) | (None, Some(Entered::After(time))) => time,
                    other => panic!("{order} {hop} {of:?} {window}: {other:?}"),
                };
                let excess = (modulator.excess(), modulator.mean_excess());
                let bracket = sampled(&question.case, hop, (of, window), 40_000, excess).expect("settles");
                assert!(bracket.holds(time), "{order} {hop} {of:?} {window}: {time} {bracket:?}");
                assert!((bracket.time - time).abs() < 0.2 / 20e6 && !bracket.holds(0.98 * time));
                // Without the sequence the loop comes to rest at another instant, and some windows tell.
                let still = sampled(&question.case, hop, (of, window), 40_000, (std::iter::empty(), 0.0));
                told += usize::from(!still.expect("settles").holds(time));
            }
        }
    }
    assert!(told >= 4, "{told}");
}

/// The second route holds for loops as wide as a twelfth of the detector's rate, and as narrow as one in thousands;
/// where the ripple of a modulator never lets the window be kept, neither route says that it is.
#[test]
fn small_hops_of_any_loop_settle_as_the_sampled_loop_does() {
    use loopcase::physics::event::Fractional;
    use loopcase::physics::modulator::Modulator;
    use loopcase::physics::twice::settling::{Of, sampled};
    let (mut settled, mut never) = ([0; 2], 0);
    for k in 0..100_u32 {
        // Golden-ratio steps spread each quantity evenly.
        let spread = |phase: f64| (f64::from(k) * 0.618_033_988_75 * phase + 0.37 * phase).fract();
        let rate = 12.7e3 * 12.0 * 300_f64.powf(spread(1.0));
        let integer = (40.0 * 25_f64.powf(spread(2.3))).round();
        let modulus = [200_u64, 1 << 20, 25, 65_535][(k / 4 % 4) as usize];
        let word = modulus / 3 + 1;
        let modulator = (k % 4 > 0).then(|| Modulator::new(k % 4, modulus, word, 1).expect("a modulator"));
        let ratio = integer + if modulator.is_some() { word as f64 / modulus as f64 } else { 0.0 };
        let inputs = serde_json::json!({"C1": 1.2e-9, "R2": 1.8e3, "C2": 15e-9, "R3": 2.7e3, "C3": 0.22e-9});
        let case = in_loop(&inputs, 1e-3 * ratio / 900.0, 40e6, ratio, rate);
        let hop = 0.05 * 12.7e3 * ratio * 10_f64.powf(-2.0 * spread(3.1));
        let window = hop * 10_f64.powf(-0.5 - 2.5 * spread(4.7));
        let mut question = line(&case, hop, 4e-3);
        question.frequency_window = Some(window);
        let of = (Of::Frequency, window);
        let (found, bracket) = match &modulator {
            None => {
                let found = run(&question, &mut Constant).expect("a loop");
                let periods = found.cycles as usize;
                (found, sampled(&question.case, hop, of, periods, (std::iter::empty(), 0.0)))
            }
            Some(modulator) => {
                let found = run(&question, &mut Fractional::new(modulator, 1.0)).expect("a loop");
                let (periods, excess) =
                    (found.cycles as usize, (modulator.excess(), modulator.mean_excess()));
                (found, sampled(&question.case, hop, of, periods, excess))
            }
        };
        match (found.frequency, bracket) {
            (Some(Entered::After(time)), Some(bracket)) => {
                assert!(bracket.holds(time), "{k}: {time} {bracket:?}");
                settled[usize::from(modulator.is_some())] += 1;
            }
            (Some(Entered::Never), None) => never += 1,
            // Outside near the end of the run: no bracket, and no doubt either.
            (Some(Entered::After(time)), None) => assert!(time > 0.99 * question.until, "{k}: {time}"),
            other => panic!("{k}: {other:?}"),
        }
    }
    assert!(settled[0] > 20 && settled[1] > 12 && never > 20, "{settled:?} {never}");
}
