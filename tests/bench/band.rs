//! How long a band of 2000 channels and a tolerance run of 10 000 trials take, each with its full budget.

#![allow(missing_docs, reason = "criterion's macros make items without docs")]

use std::hint::black_box;
use std::sync::Arc;

use criterion::{Criterion, criterion_group, criterion_main};
use loopcase::physics::budget::{Budget, Work};
use loopcase::physics::part::{
    AmplifierPoint, Case, Filter, LevelTable, NoiseFacts, OscillatorPoint, PumpPoint, Topology, Tuning,
};
use loopcase::physics::poles::Poles;
use loopcase::physics::scatter::{Distribution, Drift, Level, Scatter, Vary};
use rayon::prelude::*;

/// A loop at 2.8 GHz with every contributor of a passive filter of order 3.
fn case() -> Case {
    let table = |points: &[(f64, f64)]| LevelTable::new(points.to_vec()).map(Arc::new);
    let mut filter = Filter::of(Topology::Passive(3));
    for (name, value) in [("C1", 8.2e-9), ("R2", 220.0), ("C2", 120e-9), ("R3", 680.0), ("C3", 1.5e-9)] {
        filter.set(name, value);
    }
    Case {
        reference_frequency: 80e6,
        detector_frequency: 2.5e6,
        feedback_ratio: 1120.0,
        fixed_prescaler: 1.0,
        output_divider: 1.0,
        oscillator: OscillatorPoint {
            frequency: 2.8e9,
            tuning_voltage: 2.5,
            gain: 80e6,
            input_capacitance: 47e-12,
            input_leakage: 0.0,
            modulation_bandwidth: Some(12e6),
            pushing: 8e6,
        },
        pump: PumpPoint { current: 2.5e-3, mismatch: 0.03, leakage: 2e-9, pulse: 2e-9 },
        filter,
        amplifier: None,
        noise: NoiseFacts {
            reference: table(&[(10.0, -110.0), (1e3, -155.0), (1e5, -165.0)]),
            oscillator: table(&[(1e3, -62.0), (1e4, -91.0), (1e5, -114.0), (1e6, -135.0), (1e7, -154.0)]),
            oscillator_at: Some(2.8e9),
            supply: table(&[(10.0, -144.0), (1e5, -164.0)]),
            detector_floor: Some(-222.0),
            flicker: Some((-118.0, 1e4, 1e9)),
            output_floor: table(&[(1e4, -158.0), (1e6, -161.0)]),
            ..NoiseFacts::default()
        },
        temperature: 298.15,
    }
}

fn scatter() -> Scatter {
    let parts = ["C1", "R2", "C2", "R3", "C3"].map(|name| Vary::Part(name, 0.05));
    let levels = Level::ALL.map(|level| Vary::Level(level, 1.0));
    let rest = [Vary::Gain(0.1), Vary::Pump(0.05), Vary::Temperature(253.15, 333.15)];
    let vary = parts.into_iter().chain(levels).chain(rest).collect();
    let tuning = Tuning::line(80e6, (0.5, 4.5), (2.64e9, 2.96e9)).expect("a line");
    let drift = Drift { tuning, drift: -120e3, at: 298.15 };
    Scatter { vary, distribution: Distribution::Normal, reels: Vec::new(), seed: 1, drift }
}

fn repeated(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("repeated");
    group.sample_size(10);
    let nominal = case();
    let budget = Budget::new(&nominal, (1e3, 1e7), Some(30e-6)).expect("a range");
    assert!(budget.offsets().len() >= 400);
    group.bench_function("one trial, margins", |b| b.iter(|| Poles::new(black_box(&nominal)).read()));
    let mut active = case();
    active.filter.topology = Topology::Active(3);
    active.amplifier = Some(AmplifierPoint {
        voltage_noise: (4e-9, 100.0),
        current_noise: (2e-12, 1e3),
        gain_bandwidth: 50e6,
        reference_noise: 20e-9,
        input_bias_current: 0.0,
    });
    let budget_of_active = Budget::new(&active, (1e3, 1e7), Some(30e-6)).expect("a range");
    let mut work = Work::default();
    group.bench_function("one trial, noise, active filter", |b| {
        b.iter(|| budget_of_active.read(black_box(&active), &mut work));
    });
    group.bench_function("one trial, noise", |b| b.iter(|| budget.read(black_box(&nominal), &mut work)));
    group.bench_function("band, 2000 channels", |b| {
        b.iter(|| {
            let channels = 0..2000u32;
            let worst = channels.into_par_iter().map_init(
                || (nominal.clone(), Work::default()),
                |(case, work), k| {
                    case.feedback_ratio = 1080.0 + 0.04 * f64::from(k);
                    case.oscillator.frequency = case.feedback_ratio * case.detector_frequency;
                    case.oscillator.gain = 80e6 - 1e4 * f64::from(k);
                    let margin = Poles::new(case).read().sampled_phase_margin;
                    (budget.read(case, work).rms_phase, margin)
                },
            );
            worst.reduce(|| (0.0, 180.0), |a, b| (a.0.max(b.0), a.1.min(b.1)))
        });
    });
    let scatter = scatter();
    group.bench_function("tolerance, 10 000 trials", |b| {
        b.iter(|| {
            let mut values = vec![0.0; 20_000];
            values.par_chunks_mut(2).enumerate().for_each_init(
                || (nominal.clone(), Work::default()),
                |(case, work), (trial, row)| {
                    scatter.apply(&nominal, &scatter.draw(trial as u64), case);
                    row[0] = Poles::new(case).read().sampled_phase_margin;
                    row[1] = budget.read(case, work).rms_phase;
                },
            );
            values
        });
    });
    group.finish();
}

criterion_group!(benches, repeated);
criterion_main!(benches);
