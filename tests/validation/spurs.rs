//! Discrete lines: RS-LEAK, BS-FM, BS-NULL, and the pump's waveform run in time through filter and oscillator.

use std::f64::consts::PI;

use loopcase::num::bessel::{j0, j1};
use loopcase::num::brent;
use loopcase::physics::noise::Ladder;
use loopcase::physics::part::Case;
use loopcase::physics::spurs::{PumpWaveform, level, reference_index, reference_spur};
use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

use crate::loops;
use crate::support::{close, number, row};

/// Source: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, 1964, table 9.1.
#[test]
fn bs_fm() {
    let mut beyond = 0;
    for case in row("BS-FM").cases {
        let index = number(&case.inputs, "beta_rad");
        close(j0(index), number(&case.expected, "J0"), 1e-9, &case.id);
        close(j1(index), number(&case.expected, "J1"), 1e-9, &case.id);
        // J2 by the recurrence of 9.1.27.
        close(2.0 / index * j1(index) - j0(index), number(&case.expected, "J2"), 1e-7, &case.id);
        close(level(index), number(&case.expected, "sideband_to_carrier_dBc"), 1e-9, &case.id);
        let error = 20.0 * (index / 2.0).log10() - level(index);
        let expected = number(&case.expected, "small_angle_error_dB");
        assert!((error - expected).abs() < 1e-9, "{}: {error}, expected {expected}", case.id);
        beyond += usize::from(level(index) > 0.0);
    }
    assert_eq!(beyond, 1, "the line above its carrier is among them");
}

/// Source: Abramowitz and Stegun, table 9.5 (from memory).
#[test]
fn bs_null() {
    for case in row("BS-NULL").cases {
        for (name, low, high) in [("beta_1", 2.0, 3.0), ("beta_2", 5.0, 6.0)] {
            let root = brent::root(j0, low, high).expect("a change of sign");
            close(root, number(&case.expected, name), 1e-9, &case.id);
            assert!(level(root) > 150.0, "the carrier vanishes");
        }
    }
}

fn leaking(case: &crate::support::Case) -> Case {
    let (current, gain, ratio) = loops::constants(&case.inputs);
    let mut made = loops::in_loop(&case.inputs, current, gain, ratio, number(&case.inputs, "fref_Hz"));
    made.pump.leakage = number(&case.inputs, "Ileak_A");
    made
}

/// Source: Fourier series of the pulses and narrow-band FM, the procedure of R. E. Best, Phase-Locked Loops, p. 156;
/// the simulated values are of an independent event-driven program (generator `gen14_refspur`).
#[test]
fn rs_leak() {
    for case in row("RS-LEAK").cases {
        let made = leaking(&case);
        let ladder = Ladder::new(&made);
        let rate = made.detector_frequency;
        let offset = 2.0 * PI * rate * PumpWaveform::new(&made).lead;
        close(offset, number(&case.expected, "static_phase_offset_rad"), 1e-9, &case.id);
        close(
            ladder.tuning_gain(rate) / made.oscillator.gain,
            number(&case.expected, "Z_at_fref_ohm"),
            1e-9,
            &case.id,
        );
        for (harmonic, name) in [(1, "spur_1_dBc"), (2, "spur_2_dBc")] {
            let index = reference_index(&made, &ladder, harmonic).expect("a line");
            let small = 20.0 * (index / 2.0).log10();
            close(small, number(&case.expected, name), 1e-9, &case.id);
            if harmonic == 1 {
                close(index, number(&case.expected, "beta_1_rad"), 1e-9, &case.id);
            }
        }
        let found = reference_spur(&made, &ladder).expect("a line");
        for name in ["sim_periodic_upper_dBc", "sim_periodic_lower_dBc", "sim_closed_loop_upper_dBc"] {
            let simulated = number(&case.expected, name);
            assert!((found - simulated).abs() < 0.02, "{}: {found}, {name} {simulated}", case.id);
        }
    }
}

/// Capacitor voltages of a passive filter, then the oscillator's phase: their rates of change.
fn slopes(case: &Case, state: &DVector<f64>, current: f64) -> DVector<f64> {
    let filter = &case.filter;
    let mut rate = DVector::zeros(state.len());
    let into_zero = (state[0] - state[1]) / filter.r2;
    let mut left = current - into_zero;
    let mut node = 0;
    for (k, (r, _)) in filter.post.iter().enumerate() {
        let through = (state[node] - state[2 + k]) / r;
        let farads = if node == 0 { filter.c1 } else { filter.post[k - 1].1 };
        rate[node] = (left - through) / farads;
        (left, node) = (through, 2 + k);
    }
    rate[node] = left / if node == 0 { filter.c1 } else { filter.last_capacitor() };
    rate[1] = into_zero / filter.c2;
    rate[state.len() - 1] = 2.0 * PI * case.oscillator.gain * state[node];
    rate
}

/// One period by the classical fourth-order rule, each piece of the waveform in steps of its own: times and states.
fn period(case: &Case, start: DVector<f64>, pieces: &[(f64, f64, usize)]) -> Vec<(f64, DVector<f64>)> {
    let (mut t, mut x) = (0.0, start);
    let mut path = vec![(t, x.clone())];
    for (length, current, steps) in pieces {
        let h = length / *steps as f64;
        for _ in 0..*steps {
            let a = slopes(case, &x, *current);
            let b = slopes(case, &(&x + &a * (0.5 * h)), *current);
            let c = slopes(case, &(&x + &b * (0.5 * h)), *current);
            let d = slopes(case, &(&x + &c * h), *current);
            x += (a + b * 2.0 + c * 2.0 + d) * (h / 6.0);
            t += h;
            path.push((t, x.clone()));
        }
    }
    path
}

/// Level of the upper and lower line at the detector frequency from the phase over one period of the steady state.
fn brute_force(case: &Case) -> (f64, f64) {
    let pump = PumpWaveform::new(case);
    let rest = pump.period - pump.lead - pump.pulse;
    let pieces = [
        (pump.lead, pump.current - pump.leakage, 200),
        (pump.pulse.max(1e-15), -pump.excess - pump.leakage, 200),
        (rest, -pump.leakage, 20_000),
    ];
    let silent = pieces.map(|(length, _, steps)| (length, 0.0, steps));
    let states = 3 + case.filter.post.len();
    let last = |path: Vec<(f64, DVector<f64>)>| path.last().expect("a path").1.clone();
    let drive = last(period(case, DVector::zeros(states), &pieces));
    let mut rise = DMatrix::identity(states, states);
    for k in 0..states {
        let mut unit = DVector::zeros(states);
        unit[k] = 1.0;
        let moved = last(period(case, unit, &silent));
        for i in 0..states {
            rise[(i, k)] -= moved[i];
        }
    }
    // Periodic but for a common shift of all voltages, which is set so that the phase comes back as well.
    let solution = rise.svd(true, true).solve(&drive, 1e-9).expect("a solution");
    let mut start = solution;
    start[states - 1] = 0.0;
    let drift = last(period(case, start.clone(), &pieces))[states - 1];
    let shift = drift / (2.0 * PI * case.oscillator.gain * pump.period);
    for k in 0..states - 1 {
        start[k] -= shift;
    }
    let path = period(case, start, &pieces);
    let part = |k: f64| -> Complex64 {
        let value = |(t, x): &(f64, DVector<f64>)| {
            Complex64::from_polar(1.0, x[states - 1] - k * 2.0 * PI * t / pump.period)
        };
        path.windows(2).map(|pair| (value(&pair[0]) + value(&pair[1])) * 0.5 * (pair[1].0 - pair[0].0)).sum()
    };
    let level = |k: f64| 20.0 * (part(k).norm() / part(0.0).norm()).log10();
    (level(1.0), level(-1.0))
}

/// The waveform through filter and oscillator in time, with no Fourier series and no small angle; within 0.1 dB.
#[test]
fn the_line_is_that_of_the_waveform_in_time() {
    for row_case in row("RS-LEAK").cases {
        let leakage = leaking(&row_case);
        let mut both = leakage.clone();
        (both.pump.mismatch, both.pump.pulse) = (0.05, 2e-3 / both.detector_frequency);
        let mut mismatch = both.clone();
        mismatch.pump.leakage = 0.0;
        for (what, case) in [("leakage", leakage), ("mismatch", mismatch), ("both", both)] {
            let found = reference_spur(&case, &Ladder::new(&case)).expect("a line");
            let (upper, lower) = brute_force(&case);
            let worst = (found - upper).abs().max((found - lower).abs());
            assert!(worst < 0.1, "{} {what}: {found}, in time {upper} and {lower}", row_case.id);
        }
    }
}
