//! The engine against closed forms, the linear loop and itself.

use super::folded::Folded;
use super::motion::Motion;
use super::run::Engine;
use super::system::System;
use super::*;
use crate::num::flat::tests::comes_back;
use crate::physics::linear::tests::case;
use crate::physics::modulator::Modulator;
use crate::physics::part::Topology;
use crate::physics::settling_linear::LinearSettling;

const PARTS: [(&str, f64); 7] = [
    ("C1", 1e-9),
    ("R2", 1.5e3),
    ("C2", 15e-9),
    ("R3", 2.2e3),
    ("C3", 0.22e-9),
    ("R4", 2.2e3),
    ("C4", 0.1e-9),
];

/// A loop of about 20 kHz at 1 GHz with a straight tuning line of 50 MHz/V; `hop`: how far below it starts, Hz.
fn question(topology: Topology, hop: f64, window: f64) -> Question {
    let mut case = case(1e-3, 50e6, 1000.0, 1e6, topology, &PARTS);
    case.oscillator.tuning_voltage = 2.5;
    let tuning = Tuning::line(50e6, (0.0, 5.0), (0.875e9, 1.125e9)).expect("a line");
    Question {
        start: 2.5 - hop / 50e6,
        case,
        tuning,
        limits: None,
        pin_limits: None,
        gear: None,
        frequency_window: Some(window),
        phase_window: None,
        until: 1.2e-3,
        quiet: f64::INFINITY,
    }
}

#[test]
fn a_run_comes_back() {
    let mut run = run(&question(Topology::Passive(3), 1e6, 1e3), &mut Constant).expect("it runs");
    assert!(run.curve.len() > 20 && run.frequency.is_some() && run.phase.is_none());
    run.curve.truncate(9);
    assert_eq!(format!("{:?}", comes_back(&run)), format!("{run:?}"));
    run.curve[0].phase_error = f64::NAN;
    run.slip_times = vec![0.0, -0.0, 1e-3];
    (run.frequency, run.phase) = (Some(Entered::Never), Some(Entered::After(f64::INFINITY)));
    (run.limited, run.slips) = (true, u64::MAX);
    assert_eq!(format!("{:?}", comes_back(&run)), format!("{run:?}"));
    for folded in
        [Folded::Lines(vec![(1e3, 1e-12), (2e3, 0.0)]), Folded::Lines(Vec::new()), Folded::Noise(1e-14)]
    {
        assert_eq!(comes_back(&folded), folded);
    }
}

fn after(entered: Option<Entered>) -> f64 {
    match entered {
        Some(Entered::After(time)) => time,
        other => panic!("{other:?}"),
    }
}

/// With a detector that is fast against the loop the pump's pulses melt into a steady current.
#[test]
fn a_small_step_settles_as_the_linear_loop_does() {
    for topology in [Topology::Passive(2), Topology::Passive(3), Topology::Passive(4), Topology::Active(3)] {
        let mut asked = question(topology, 5e3, 10.0);
        (asked.case.detector_frequency, asked.case.feedback_ratio) = (100e6, 10.0);
        asked.case.pump.current /= 100.0;
        asked.until = 3e-4;
        let found = run(&asked, &mut Constant).expect("a loop");
        let linear = LinearSettling::new(&asked.case).expect("a loop");
        let time = linear.time(5e3, 10.0).expect("settles");
        let event = after(found.frequency);
        assert!((event - time).abs() < 2e-3 * time, "{topology:?}: {event} {time}");
        // The ripple of the pump rides on the peak.
        let above = found.overshoot - linear.overshoot();
        assert!((0.0..3e-3).contains(&above), "{topology:?}: {above}");
        assert_eq!(found.slips, 0);
    }
}

/// Modes and stored exponentials are two ways to the same motion.
#[test]
fn both_kinds_of_motion_agree() {
    let asked = question(Topology::Passive(4), 500e6, 100.0);
    let system = System::new(&asked.case).expect("a filter");
    assert!(matches!(Motion::<4>::new(&system).expect("modes"), Motion::Modes(_)));
    let [a, b] = both_ways(&asked, None);
    assert!(a.slips > 0 && a.slips == b.slips);
    assert!((after(a.frequency) - after(b.frequency)).abs() < 1e-12);
    assert!((a.tuning.1 - b.tuning.1).abs() < 1e-9 && (a.tuning.0 - b.tuning.0).abs() < 1e-9);
}

/// Leakage and mismatch are made up for by a phase that stands still, at which nothing moves on average.
#[test]
fn the_settled_phase_is_where_the_mean_current_is_zero() {
    for gain in [50e6, -50e6] {
        let mut asked = question(Topology::Passive(3), 50e3, 1e4);
        asked.case.oscillator.gain = gain;
        asked.tuning = Tuning::line(gain, (0.0, 5.0), (0.875e9, 1.125e9)).expect("a line");
        asked.start = 2.5 - 50e3 / gain;
        asked.case.pump.leakage = 2e-6;
        asked.case.oscillator.input_leakage = 1e-6;
        asked.case.pump.mismatch = 0.1;
        asked.case.pump.pulse = 5e-9;
        asked.phase_window = Some(1e-3);
        let found = run(&asked, &mut Constant).expect("a loop");
        let last = found.curve.last().expect("a curve");
        assert!(last.phase_error.abs() < 1e-2, "{last:?}");
        assert!(after(found.phase) > 0.0);
    }
}

/// With the real sequence the loop settles where a divider of the mean ratio would, and ripples round it.
#[test]
fn a_fractional_loop_follows_its_sequence() {
    for (order, modulus, word, start) in [(3, 1 << 20, 349_525, 1), (2, 1 << 20, 349_525, 5), (1, 7, 3, 2)] {
        let modulator = Modulator::new(order, modulus, word, start).expect("a modulator");
        let mut asked = question(Topology::Passive(4), 20e6, 20e3);
        let fraction = word as f64 / modulus as f64;
        asked.case.feedback_ratio = 100.0 + fraction;
        asked.case.detector_frequency = 1e9 / asked.case.feedback_ratio;
        asked.case.pump.current *= 0.1;
        asked.case.pump.leakage = 1e-6;
        asked.phase_window = Some(0.05);
        let mean = run(&asked, &mut Constant).expect("a loop");
        let real = run(&asked, &mut Fractional::new(&modulator, 1.0)).expect("a loop");
        let period = 1.0 / asked.case.detector_frequency;
        let (a, b) = (after(mean.frequency), after(real.frequency));
        assert!((a - b).abs() < 2.0 * period, "order {order}: {} periods", (a - b) / period);
        let (a, b) = (after(mean.phase), after(real.phase));
        assert!((a - b).abs() < 4.0 * period, "order {order}: phase {} periods", (a - b) / period);
        // The phase comes to rest round the settled one, so that the mean frequency is exact: over what is left of
        // the run a wrong fraction of one part in the modulus would have moved it by more than it ripples.
        let late = |run: &Run| -> Vec<f64> {
            let settled = run.curve.iter().filter(|at| at.time > 0.5 * asked.until);
            settled.map(|at| at.phase_error).collect()
        };
        let ripple = late(&real).iter().fold(0.0_f64, |most, error| most.max(error.abs()));
        assert!((1e-6..0.02).contains(&ripple), "order {order}: {ripple}");
        let still = late(&mean).iter().fold(0.0_f64, |most, error| most.max(error.abs()));
        assert!(ripple > 2.0 * still, "order {order}: {ripple} {still}");
    }
}

/// A pump that can't go beyond 3 V holds its node there while it is pushed.
#[test]
fn a_limit_holds_the_pump() {
    let mut asked = question(Topology::Passive(3), 60e6, 100.0);
    asked.limits = Some((0.5, 2.6));
    let found = run(&asked, &mut Constant).expect("a loop");
    assert!(found.limited);
    assert!(found.tuning.1 <= 2.6 + 1e-9);
    let free = run(&question(Topology::Passive(3), 60e6, 100.0), &mut Constant).expect("a loop");
    assert!(free.tuning.1 > 2.6);
}

/// Instants between the events lie on the curve that the run draws, and on the linear loop's where the step is small.
#[test]
fn instants_asked_for_lie_on_the_curve() {
    let mut asked = question(Topology::Passive(3), 5e3, 10.0);
    (asked.case.detector_frequency, asked.case.feedback_ratio) = (100e6, 10.0);
    asked.case.pump.current /= 100.0;
    let times: Vec<f64> = (0..400).map(|k| 0.25e-6 * f64::from(k)).collect();
    let told = at(&asked, &mut Constant, &times).expect("a loop");
    let linear = LinearSettling::new(&asked.case).expect("a loop");
    assert_eq!(told.len(), times.len());
    for (instant, time) in told.iter().zip(&times) {
        assert!((instant.time - time).abs() < 1e-18);
        let (share, phase) = linear.at(*time);
        // The loop starts below the channel; half a period of the pump is the time that sampling costs.
        assert!((instant.frequency_error + 5e3 * share).abs() < 20.0, "{instant:?} {share}");
        assert!((instant.phase_error + 5e3 * phase).abs() < 1e-3, "{instant:?} {phase}");
    }
    assert!(at(&asked, &mut Constant, &[]).expect("a loop").is_empty());
    assert_eq!(at(&asked, &mut Constant, &[0.0]).expect("a loop").len(), 1);
}

/// The run by modes, with whole periods, and by stored exponentials, edge by edge.
fn both_ways(asked: &Question, modulator: Option<&Modulator>) -> [Run; 2] {
    let system = System::new(&asked.case).expect("a filter");
    let with = |motion: Motion<4>| {
        let engine = Engine::with(asked, &system, motion).expect("a loop");
        match modulator {
            Some(modulator) => engine.follow(&mut Fractional::new(modulator, 1.0), Some(&[])).0,
            None => engine.follow(&mut Constant, Some(&[])).0,
        }
    };
    [with(Motion::new(&system).expect("modes")), with(Motion::dense(&system).expect("finite"))]
}

/// Whole periods near lock give what every edge by itself gives: with pulse, mismatch and leakage, with a modulator, inside
/// and outside the windows, with a mode that is over long before a pulse is. Stored exponentials go edge by edge.
#[test]
fn whole_periods_are_as_edge_by_edge() {
    let modulator = Modulator::new(3, 1 << 20, 349_525, 1).expect("a modulator");
    for (window, phase, fractional, pulse, c1) in [
        (10e3, Some(0.05), false, 0.0, 1e-9),
        (1.0, Some(1e-6), false, 5e-9, 1e-9),
        (20e3, Some(0.2), false, 5e-9, 1e-9),
        (60e3, Some(0.2), true, 0.0, 1e-9),
        (60e3, None, true, 2e-9, 1e-9),
        (10.0, Some(1e-4), true, 2e-9, 1e-9),
        (20e3, Some(0.2), false, 5e-9, 1e-13),
        (60e3, None, true, 2e-9, 1e-13),
    ] {
        let mut asked = question(Topology::Passive(4), 20e6, window);
        asked.case.filter.set("C1", c1);
        asked.phase_window = phase;
        (asked.case.pump.pulse, asked.case.pump.mismatch) = (pulse, 0.06);
        asked.case.pump.leakage = 3e-6;
        asked.until = 0.8003e-3;
        let [a, b] = both_ways(&asked, fractional.then_some(&modulator));
        let name = format!("{window} {phase:?} {fractional} {pulse} {c1}");
        for (a, b) in [(a.frequency, b.frequency), (a.phase, b.phase)] {
            match (a, b) {
                (Some(Entered::After(a)), Some(Entered::After(b))) => {
                    assert!((a - b).abs() < 1e-11, "{name}: {a:e} {b:e}");
                }
                (a, b) => assert_eq!(a, b, "{name}"),
            }
        }
        assert_eq!((a.slips, a.cycles), (b.slips, b.cycles), "{name}");
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-8 * b.abs(), "{name}: {a} {b}");
        near(a.tuning.0, b.tuning.0);
        near(a.tuning.1, b.tuning.1);
        near(a.overshoot, b.overshoot);
        near(a.largest_phase, b.largest_phase);
        let last =
            |run: &Run| run.curve.last().map(|at| (at.time, at.tuning, at.phase_error)).expect("a curve");
        let (a, b) = (last(&a), last(&b));
        assert!((a.0 - b.0).abs() < 2e-6 && (a.1 - b.1).abs() < 2e-3 && (a.2 - b.2).abs() < 0.05, "{name}");
    }
}

/// Whole periods with one half on for long give what every edge by itself gives, while the loop slips up or down, with
/// pulses and limits, inside and outside the windows. Stored exponentials go edge by edge.
#[test]
fn long_periods_are_as_edge_by_edge() {
    let modulator = Modulator::new(2, 1 << 20, 349_525, 1).expect("a modulator");
    let mut slipped = 0;
    for (k, step) in [250e6, -250e6, 60e6, -60e6, 5e6, -5e6].into_iter().enumerate() {
        for (current, pulse, phase, limits, fractional) in [
            (1.0, 0.0, None, None, false),
            (0.02, 0.0, None, None, false),
            (0.02, 5e-9, Some(0.2), None, false),
            (0.1, 8e-9, None, Some((-20.0, 20.0)), false),
            (0.1, 0.0, Some(0.3), Some((-7.0, 7.0)), true),
        ] {
            let mut asked = question(Topology::Passive(4), step, 50e3);
            let gain = if k % 2 == 0 { 50e6 } else { -50e6 };
            asked.case.oscillator.gain = gain;
            asked.tuning = Tuning::line(gain, (-9.0, 9.0), (0.4e9, 1.6e9)).expect("a line");
            asked.start = 2.5 - step / gain;
            asked.case.pump.current *= current;
            asked.case.pump.leakage = 2e-7;
            (asked.case.pump.pulse, asked.case.pump.mismatch) = (pulse, 0.06);
            (asked.phase_window, asked.limits) = (phase, limits);
            (asked.until, asked.quiet) = (0.6003e-3, 3e-5);
            let [a, b] = both_ways(&asked, fractional.then_some(&modulator));
            let name = format!("{step} {current} {pulse} {phase:?} {limits:?} {fractional}");
            assert_eq!((a.slips, a.cycles, a.limited), (b.slips, b.cycles, b.limited), "{name}");
            slipped += a.slips;
            for (a, b) in a.slip_times.iter().zip(&b.slip_times) {
                assert!((a - b).abs() < 1e-13, "{name}: {a} {b}");
            }
            for (a, b) in [(a.frequency, b.frequency), (a.phase, b.phase)] {
                match (a, b) {
                    (Some(Entered::After(a)), Some(Entered::After(b))) => {
                        assert!((a - b).abs() < 1e-11, "{name}: {a:e} {b:e}");
                    }
                    (a, b) => assert_eq!(a, b, "{name}"),
                }
            }
            // Turns of legs that are alike, each mode to 1e-8 of the largest (here some 10 V), are looked for once.
            let near = |a: f64, b: f64| assert!((a - b).abs() < 2e-7 * (1.0 + b.abs()), "{name}: {a} {b}");
            near(a.tuning.0, b.tuning.0);
            near(a.tuning.1, b.tuning.1);
            near(a.overshoot, b.overshoot);
            near(a.largest_phase, b.largest_phase);
            // The curves hold the same extremes.
            assert_eq!(a.curve.len(), b.curve.len(), "{name}");
            for (a, b) in a.curve.iter().zip(&b.curve) {
                assert!((a.time - b.time).abs() < 1e-12, "{name}: {a:?} {b:?}");
                near(a.tuning, b.tuning);
                near(a.phase_error, b.phase_error);
            }
        }
    }
    assert!(slipped > 1000, "{slipped}");
}

/// An edge that is found is one, however steep the frequency is: with currents that no pump has the series diverges.
#[test]
fn an_edge_that_is_found_is_where_the_phase_is_due() {
    use super::modes::Modes;
    use super::period::Period;
    use super::phi::Phis;
    let asked = question(Topology::Passive(3), 0.0, 1e3);
    let modes = Modes::<3>::new(&System::new(&asked.case).expect("a filter")).expect("modes");
    let period = Period::new(&modes);
    let slope = 0.05;
    let (mut found, mut steep) = (0, 0);
    for k in 0..4000u32 {
        // Spread over decades, without order.
        let share = |salt: u32| f64::from(k.wrapping_mul(2_654_435_761).wrapping_add(salt) % 1009) / 1009.0;
        let due = 10f64.powf(-9.0 + 8.5 * share(1));
        let drive = 10f64.powf(-3.0 + 5.0 * share(77)) * if k % 2 == 0 { 1.0 } else { -1.0 };
        let state = [share(5) - 0.5, share(9) - 0.5, share(13) - 0.5].map(|x| x * drive.abs().min(1.0));
        for back in [false, true] {
            let Some(edge) = period.edge(&state, drive, slope, due, back) else { continue };
            assert!(edge.abs() <= 1.2 * period.reach, "{k} {back}: {edge}");
            let time = if back { -edge } else { edge };
            let phis = Phis::new(&modes.rate, time);
            let moved: f64 = (0..3)
                .map(|j| {
                    let input = modes.pump[j] * drive + modes.leak[j];
                    modes.out[j] * (state[j] * phis.once[j] + input * phis.twice[j])
                })
                .sum();
            let moved = if back { edge - slope * moved } else { edge + slope * moved };
            assert!((moved - due).abs() <= 1e-12 * due, "{k} {back} {drive}: {moved} {due}");
            found += 1;
            steep += u32::from((edge - due).abs() > 0.05 * due);
        }
    }
    assert!(found > 2000 && steep > 20, "{found} {steep}");
}

/// On a curve that bends the phase over a leg is what many looks at the voltage sum up to: with short legs and long ones, on
/// one cubic and over several, with modes that are slow and fast beside a leg.
#[test]
fn the_phase_on_a_bent_curve_is_as_by_many_looks() {
    use super::curve::Curve;
    use crate::num::quadrature::adaptive;
    let volts = [0.0, 1.25, 2.5, 3.75, 5.0];
    let tuning = Tuning::table(&volts, &[0.86e9, 0.935e9, 1e9, 1.06e9, 1.11e9]).expect("a curve");
    let curve = Curve::new(&tuning, 2.5, 1e9);
    for (rate, c1) in [(1e6, 1e-9), (50e6, 1e-9), (1e6, 1e-11)] {
        let mut asked = question(Topology::Passive(4), 0.0, 1e3);
        asked.case.detector_frequency = rate;
        asked.case.filter.set("C1", c1);
        let motion = Motion::<4>::new(&System::new(&asked.case).expect("a filter")).expect("modes");
        for k in 0..400u32 {
            // Spread over decades, without order.
            let share =
                |salt: u32| f64::from(k.wrapping_mul(2_654_435_761).wrapping_add(salt) % 1009) / 1009.0;
            let scale = 10f64.powf(-3.0 + 3.5 * share(1));
            let drive = 2e-3 * (share(77) - 0.5);
            let state = motion.take(&[5, 9, 13, 21].map(|salt| scale * (share(salt) - 0.5)));
            let time = 10f64.powf(-4.0 * share(31));
            let (to, linear) = motion.after(&state, drive, time);
            let found = time + curve.integral(&motion, (&state, &to), drive, time, linear);
            let speed = |at: f64| 1.0 + curve.share(motion.voltage_after(&state, drive, at));
            let exact = adaptive(speed, 0.0, time, 1e-14).unwrap_or_else(|left| left.estimate);
            assert!((found - exact).abs() <= 1e-13, "{rate} {c1} {k}: {found} {exact}");
        }
    }
}

/// Periods that repeat themselves are counted and not followed: the end is the same, and comes as late. So on a tuning
/// curve that bends, where no whole periods are taken.
#[test]
fn counted_periods_end_like_followed_ones() {
    struct Followed;
    impl Divider for Followed {
        fn next_excess(&mut self, _edge: Edge) -> f64 {
            0.0
        }
    }
    let volts = [0.0, 1.25, 2.5, 3.75, 5.0];
    let bent = Tuning::table(&volts, &[0.86e9, 0.935e9, 1e9, 1.06e9, 1.11e9]).expect("a curve");
    let cases = [(0.0, 0.0), (20e6, 2e-9), (900e6, 0.0)];
    for ((step, pulse), bends) in cases.into_iter().flat_map(|case| [(case, false), (case, true)]) {
        let mut asked = question(Topology::Passive(3), step, 1e3);
        if bends {
            asked.tuning = bent.clone();
        }
        (asked.case.pump.leakage, asked.case.pump.pulse, asked.case.pump.mismatch) = (3e-9, pulse, 0.05);
        (asked.until, asked.quiet) = (0.05, f64::INFINITY);
        let counted = run(&asked, &mut Constant).expect("a loop");
        let followed = run(&asked, &mut Followed).expect("a loop");
        assert_eq!((counted.cycles, counted.slips), (followed.cycles, followed.slips));
        assert_eq!(counted.frequency, followed.frequency);
        for (a, b) in [(counted.tuning.0, followed.tuning.0), (counted.tuning.1, followed.tuning.1)] {
            assert!((a - b).abs() <= if bends { 1e-12 } else { 0.0 }, "{a} {b}");
        }
        let end = |run: &Run| *run.curve.last().expect("a curve");
        let (a, b) = (end(&counted), end(&followed));
        assert!((a.time - b.time).abs() < 1e-12 && (a.tuning - b.tuning).abs() < 1e-9, "{a:?} {b:?}");
        assert!((a.phase_error - b.phase_error).abs() < 1e-9, "{a:?} {b:?}");
        // Most periods that are taken: counted at once.
        asked.until = 19e6 / asked.case.detector_frequency;
        assert!(run(&asked, &mut Constant).expect("a loop").cycles > 18_000_000);
    }
}
