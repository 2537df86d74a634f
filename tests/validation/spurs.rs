//! Discrete lines: RS-LEAK, BS-FM, BS-NULL, and the pump's waveform, a modulator's sequence and a boundary line run in
//! time through filter and oscillator.

use std::f64::consts::PI;

use loopcase::num::bessel::{j0, j1};
use loopcase::num::brent;
use loopcase::physics::modulator::Modulator;
use loopcase::physics::noise::Ladder;
use loopcase::physics::part::Case;
use loopcase::physics::spurs::{
    PumpWaveform, boundary_line, level, modulator_lines, reference_index, reference_spur,
};
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

/// A passive filter of third order and its oscillator, driven by phase at the detector, by the classical fourth-order
/// rule. States: the capacitor voltages, then the oscillator's phase (rad); the mean current of the pump follows the
/// phase difference.
struct InTime<'a> {
    case: &'a Case,
    state: DVector<f64>,
    t: f64,
}

impl InTime<'_> {
    fn new(case: &Case) -> InTime<'_> {
        InTime { case, state: DVector::zeros(3 + case.filter.post.len()), t: 0.0 }
    }

    fn slope(&self, state: &DVector<f64>, wanted: f64) -> DVector<f64> {
        let divided = state[state.len() - 1] / self.case.feedback_ratio;
        let current = self.case.pump.current * (wanted - divided) / (2.0 * PI);
        slopes(self.case, state, current)
    }

    /// One step of `h` s; `wanted(t)` is the phase at the detector, rad.
    fn step(&mut self, h: f64, wanted: impl Fn(f64) -> f64) {
        let (x, t) = (self.state.clone(), self.t);
        let a = self.slope(&x, wanted(t));
        let b = self.slope(&(&x + &a * (0.5 * h)), wanted(t + 0.5 * h));
        let c = self.slope(&(&x + &b * (0.5 * h)), wanted(t + 0.5 * h));
        let d = self.slope(&(&x + &c * h), wanted(t + h));
        self.state += (a + b * 2.0 + c * 2.0 + d) * (h / 6.0);
        self.t += h;
    }

    fn phase(&self) -> f64 {
        self.state[self.state.len() - 1]
    }
}

/// Peak phase at `frequency` Hz in samples `h` s apart that hold whole periods of it.
fn peak_at(samples: &[f64], h: f64, frequency: f64) -> f64 {
    let sum: Complex64 = samples
        .iter()
        .enumerate()
        .map(|(n, value)| Complex64::from_polar(*value, -2.0 * PI * frequency * h * n as f64))
        .sum();
    2.0 * sum.norm() / samples.len() as f64
}

/// A loop of 50 kHz at a detector of 5 MHz, behind a divider by 2, with a filter of third order.
fn fractional_case() -> Case {
    let inputs = serde_json::json!({"C1": 1e-9, "R2": 900.0, "C2": 18e-9, "R3": 500.0, "C3": 200e-12});
    let mut case = loops::in_loop(&inputs, 1e-3, 50e6, 140.28, 5e6);
    case.output_divider = 2.0;
    case
}

/// The sequence of a modulator, run step by step, as kicks of charge into filter and oscillator in time.
///
/// The phase at the detector is looked at once per period, so that each value acts as a charge `I T phase / (2 pi)`; the
/// accumulators are written out anew here, and no transform of the sequence is used.
#[test]
fn lines_of_a_modulator_are_those_of_its_sequence_in_time() {
    let case = fractional_case();
    let (order, modulus, word) = (2, 25, 7);
    let modulator = Modulator::new(order, modulus, word, 0).expect("a modulator");
    let length = modulator.period() as usize;
    assert_eq!(length, 25, "short enough for lines");
    let found = modulator_lines(&case, &Ladder::new(&case), &modulator, 0.999 * case.detector_frequency);

    let period = 1.0 / case.detector_frequency;
    let (steps, settle) = (20, 60);
    let h = period / steps as f64;
    let mut run = InTime::new(&case);
    let (mut first, mut second, mut carried) = (0i64, 0i64, 0i64);
    let mut turns = 0.0;
    let mut samples = Vec::new();
    for n in 0..(settle + 1) * length {
        first += word as i64;
        let one = i64::from(first >= modulus as i64);
        first -= one * modulus as i64;
        second += first;
        let two = i64::from(second >= modulus as i64);
        second -= two * modulus as i64;
        let output = one + two - carried;
        carried = two;
        // Oscillator periods counted too many, as a phase of the divided oscillator.
        turns += output as f64 - word as f64 / modulus as f64;
        let phase = 2.0 * PI * turns / case.feedback_ratio;
        run.state[0] += case.pump.current * period * phase / (2.0 * PI) / case.filter.c1;
        for _ in 0..steps {
            if n >= settle * length {
                samples.push(run.phase() / case.output_divider);
            }
            run.step(h, |_| 0.0);
        }
    }
    for k in [1, 2, 3, 7] {
        let frequency = k as f64 * case.detector_frequency / length as f64;
        let line = found.iter().find(|line| (line.0 / frequency - 1.0).abs() < 1e-9).expect("a line");
        let expected = 20.0 * (peak_at(&samples, h, frequency) / 2.0).log10();
        let off = 10.0 * line.1.log10() - expected;
        assert!(off.abs() < 0.05, "line {k}: {} dBc, in time {expected}", 10.0 * line.1.log10());
    }
}

/// The boundary line, stated in band at the oscillator, driven through filter and oscillator in time: inside, at and
/// beyond the bandwidth.
#[test]
fn the_boundary_line_is_that_of_a_phase_at_the_detector_in_time() {
    let case = fractional_case();
    let stated: f64 = -46.0;
    let peak = 2.0 * 10f64.powf(stated / 20.0) / case.feedback_ratio;
    for distance in [10e3, 50e3, 250e3] {
        let (offset, power) = boundary_line(&case, &Ladder::new(&case), stated, distance).expect("a line");
        close(offset, distance, 1e-12, "offset");
        let (per_cycle, settle) = (2000, (distance / 10e3) as usize * 8);
        let h = 1.0 / distance / per_cycle as f64;
        let mut run = InTime::new(&case);
        let mut samples = Vec::new();
        for n in 0..(settle + 1) * per_cycle {
            if n >= settle * per_cycle {
                samples.push(run.phase() / case.output_divider);
            }
            run.step(h, |t| peak * (2.0 * PI * distance * t).sin());
        }
        let expected = 20.0 * (peak_at(&samples, h, distance) / 2.0).log10();
        let found = 10.0 * power.log10();
        assert!((found - expected).abs() < 0.02, "{distance} Hz: {found} dBc, in time {expected}");
    }
}
