//! Cost of a detector cycle, event by event, as ratios in one run to a naive version that takes exponentials of whole
//! matrices and finds edges by bisection. Measured is the time that the thread spends on a core, so that other work of
//! the machine does not count; the ratio to the naive version is what to look at.
//!
//! What bounds it, from a profile of the third-order loop: in lock the chain from one edge to the next (a quotient, a
//! series, the step of the modes), since each needs the one before; periods that repeat to the last digit are counted
//! instead. Slipping, the number of instructions, some 900 a cycle: one look at the table and the edge from it (two fifths),
//! the two stretches of the period with what is kept for windows and extremes (two fifths).
//! Fractional, the search for edges (a quarter) and the bound on the voltage inside a period (a fifth).

#![allow(missing_docs, reason = "criterion's macros make items without docs")]
#![allow(clippy::disallowed_methods, reason = "a bench looks at the clock")]

use std::hint::black_box;
use std::time::{Duration, Instant};

use criterion::measurement::{Measurement, ValueFormatter, WallTime};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use loopcase::num::expm::expm;
use loopcase::physics::event::{Constant, Divider, Edge, Fractional, Question, run};
use loopcase::physics::modulator::Modulator;
use loopcase::physics::part::{Case, Filter, NoiseFacts, OscillatorPoint, PumpPoint, Topology, Tuning};
use nalgebra::{DMatrix, DVector};

/// Parts of the filter, F and ohm.
const C1: f64 = 1.2e-9;
const R2: f64 = 1.8e3;
const C2: f64 = 15e-9;

/// A loop of 12 kHz at 900 MHz with a detector at 1 MHz; of third order with a filter of two capacitors, of fourth with
/// three.
fn question(capacitors: u8, hop: f64, cycles: f64) -> Question {
    let mut filter = Filter::of(Topology::Passive(capacitors));
    let third = [("R3", 2.7e3), ("C3", 0.22e-9)];
    let parts = [("C1", C1), ("R2", R2), ("C2", C2)];
    for (name, value) in parts.into_iter().chain(third.into_iter().filter(|_| capacitors == 3)) {
        filter.set(name, value);
    }
    let gain = 40e6;
    let case = Case {
        reference_frequency: 1e6,
        detector_frequency: 1e6,
        feedback_ratio: 900.0,
        fixed_prescaler: 1.0,
        output_divider: 1.0,
        oscillator: OscillatorPoint {
            frequency: 900e6,
            tuning_voltage: 2.5,
            gain,
            input_capacitance: 0.0,
            input_leakage: 0.0,
            modulation_bandwidth: None,
            pushing: 0.0,
        },
        pump: PumpPoint { current: 1e-3, mismatch: 0.0, leakage: 2e-9, pulse: 0.0 },
        filter,
        amplifier: None,
        noise: NoiseFacts::default(),
        temperature: 298.15,
    };
    Question {
        case,
        tuning: Tuning::line(gain, (0.0, 5.0), (800e6, 1e9)).expect("a line"),
        start: 2.5 - hop / gain,
        limits: None,
        pin_limits: None,
        gear: None,
        frequency_window: Some(1e3),
        phase_window: None,
        until: cycles * 1e-6,
        quiet: f64::INFINITY,
    }
}

/// The same loop without leakage: two exponentials of the whole matrix in a cycle, and forty to find the edge.
fn naive(hop: f64, cycles: u32) -> f64 {
    let (c1, r2, c2, r3, c3, t) = (1.2e-9, 1.8e3, 15e-9, 2.7e3, 0.22e-9, 1e-6);
    let rates = |current: f64| {
        #[rustfmt::skip]
        let rows = [
            -(1.0 / r2 + 1.0 / r3) / c1 * t, t / (r2 * c1), t / (r3 * c1), 0.0, current / c1 * t,
            t / (r2 * c2), -t / (r2 * c2), 0.0, 0.0, 0.0,
            t / (r3 * c3), 0.0, -t / (r3 * c3), 0.0, 0.0,
            0.0, 0.0, 40e6 / 900e6, 0.0, 0.0,
            0.0, 0.0, 0.0, 0.0, 0.0,
        ];
        DMatrix::from_row_slice(5, 5, &rows)
    };
    let start = -hop / 40e6;
    let mut state = DVector::from_column_slice(&[start, start, start, 0.0, 1.0]);
    for _ in 0..cycles {
        let late = -state[3];
        let a = rates(1e-3 * late.signum());
        let after = |time: f64| expm(&(&a * time)).expect("finite") * &state;
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            let off = after(middle)[3] * late.signum() + if late > 0.0 { middle } else { 0.0 };
            if off < 0.0 { low = middle } else { high = middle }
        }
        let on = after(low);
        state = expm(&(rates(0.0) * (1.0 - low))).expect("finite") * on;
    }
    state[3]
}

/// The third-order loop with leakage, in lock, as one would write it at first: exact, by `exp` and Newton's rule; what
/// the phase has come to. No windows, no limits, no curve, the divider always late.
fn plain(cycles: u32) -> f64 {
    let (c1, r2, c2, t, gain) = (C1, R2, C2, 1e-6, 40e6 / 900e6);
    let (all, k) = (c1 + c2, (1.0 / c1 + 1.0 / c2) / r2 * t);
    let share = c2 / all;
    // Mean voltage of the charge, what the first capacitor has more than the second, and the integral of the voltage.
    let after = |(mean, more): (f64, f64), current: f64, time: f64| {
        let (charge, step) = (current * t / all, current * t / c1 / k);
        let decay = (-k * time).exp();
        let integral = (1.0 - decay) / k;
        let state = (mean + charge * time, step + (more - step) * decay);
        let moved =
            mean * time + 0.5 * charge * time * time + share * (step * time + (more - step) * integral);
        (state, time + gain * moved)
    };
    let (leak, pump) = (-2e-9, 1e-3);
    let (mut state, mut phase) = ((0.0, 0.0), leak / pump);
    for _ in 0..cycles {
        let mut late = -phase;
        for _ in 0..8 {
            let (at, moved) = after(state, pump + leak, late);
            let step = (moved + phase) / (1.0 + gain * (at.0 + share * at.1));
            late -= step;
            if step.abs() < 1e-16 {
                break;
            }
        }
        let on = after(state, pump + leak, late);
        let off = after(on.0, leak, 1.0 - late);
        phase += on.1 + off.1 - 1.0;
        state = off.0;
    }
    phase
}

/// A divider that may change, and does not.
struct Followed;

impl Divider for Followed {
    fn next_excess(&mut self, _edge: Edge) -> f64 {
        0.0
    }
}

/// Time of the thread on a core; where the system does not tell, time as it passes.
struct OnCore(Instant);

impl Measurement for OnCore {
    type Intermediate = Duration;
    type Value = Duration;

    fn start(&self) -> Duration {
        let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
        let spent = told.and_then(|text| text.split(' ').next()?.parse().ok());
        spent.map_or_else(|| self.0.elapsed(), Duration::from_nanos)
    }
    fn end(&self, start: Duration) -> Duration {
        self.start().saturating_sub(start)
    }
    fn add(&self, a: &Duration, b: &Duration) -> Duration {
        *a + *b
    }
    fn zero(&self) -> Duration {
        Duration::ZERO
    }
    fn to_f64(&self, value: &Duration) -> f64 {
        WallTime.to_f64(value)
    }
    fn formatter(&self) -> &dyn ValueFormatter {
        WallTime.formatter()
    }
}

fn cycles(criterion: &mut Criterion<OnCore>) {
    for (order, capacitors) in [("third", 2), ("fourth", 3)] {
        let mut group = criterion.benchmark_group(format!("detector cycle, {order} order"));
        group.sample_size(10);
        for (name, hop, count) in
            [("in lock", 0.0, 100_000), ("slipping", 90e6, 20_000), ("settling", 90e6, 1_000_000)]
        {
            let mut question = question(capacitors, hop, f64::from(count));
            if name == "slipping" {
                // So little current that the loop slips all the time.
                question.case.pump.current = 1e-6;
            }
            group.throughput(Throughput::Elements(u64::try_from(count).unwrap_or(1)));
            group.bench_function(name, |b| b.iter(|| run(black_box(&question), &mut Constant)));
        }
        // In lock, where no period is taken for a repetition of the one before.
        let locked = question(capacitors, 0.0, 100_000.0);
        group.throughput(Throughput::Elements(100_000));
        group.bench_function("in lock, each followed", |b| b.iter(|| run(black_box(&locked), &mut Followed)));
        let modulator = Modulator::new(3, 1 << 20, 349_525, 1).expect("a modulator");
        let mut fractional = question(capacitors, 90e6, 100_000.0);
        fractional.frequency_window = Some(1e6);
        fractional.case.feedback_ratio += 1.0 / 3.0;
        fractional.case.oscillator.frequency = 1e6 * fractional.case.feedback_ratio;
        group.bench_function("fractional", |b| {
            b.iter(|| run(black_box(&fractional), &mut Fractional::new(&modulator, 1.0)));
        });
        group.finish();
    }
    let mut group = criterion.benchmark_group("detector cycle, in lock, without the program");
    group.sample_size(10);
    group.throughput(Throughput::Elements(100_000));
    group.bench_function("third order, by exp and Newton's rule", |b| b.iter(|| plain(black_box(100_000))));
    group.throughput(Throughput::Elements(200));
    group.bench_function("fourth order, by matrices", |b| b.iter(|| naive(black_box(1e3), 200)));
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default().with_measurement(OnCore(Instant::now()));
    targets = cycles
}
criterion_main!(benches);
