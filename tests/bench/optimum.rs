//! How long the search for the loop of least jitter takes.

#![allow(missing_docs, reason = "criterion's macros make items without docs")]

use std::hint::black_box;
use std::sync::Arc;

use criterion::{Criterion, criterion_group, criterion_main};
use loopcase::physics::optimum::{Aim, Limits, Question, Step, optimum};
use loopcase::physics::part::{Case, Filter, LevelTable, NoiseFacts, OscillatorPoint, PumpPoint, Topology};
use loopcase::physics::synthesis::Goal;

/// A synthesizer at 500 MHz with a detector at 10 MHz.
fn question(open: bool) -> Question {
    let topology = Topology::Passive(3);
    let table = |points: &[(f64, f64)]| LevelTable::new(points.to_vec()).map(Arc::new);
    let case = Case {
        reference_frequency: 10e6,
        detector_frequency: 10e6,
        feedback_ratio: 50.0,
        fixed_prescaler: 1.0,
        output_divider: 1.0,
        oscillator: OscillatorPoint {
            frequency: 500e6,
            tuning_voltage: 2.5,
            gain: 20e6,
            input_capacitance: 15e-12,
            input_leakage: 0.0,
            modulation_bandwidth: None,
            pushing: 0.0,
        },
        pump: PumpPoint { current: 4e-3, mismatch: 0.0, leakage: 0.0, pulse: 0.0 },
        filter: Filter::of(topology),
        amplifier: None,
        noise: NoiseFacts {
            reference: table(&[(100.0, -135.0), (1e3, -150.0), (1e4, -158.0)]),
            oscillator: table(&[(1e3, -70.0), (1e5, -115.0), (1e6, -136.0), (1e7, -155.0)]),
            detector_floor: Some(-222.0),
            ..NoiseFacts::default()
        },
        temperature: 298.15,
    };
    let goal = Goal {
        bandwidth: 0.0,
        phase_margin: 55.0,
        pole_ratios: vec![0.3],
        topology,
        slope: 20e6 / 50.0,
        input_capacitance: 15e-12,
        modulation_bandwidth: None,
        gain_bandwidth: None,
        max_capacitance: 1e-6,
    };
    let steps = [4e-3, 3e-3, 2e-3, 1e-3].map(|current| Step { current, floor: Some(-222.0) }).to_vec();
    Question {
        case,
        goal,
        open_margin: open,
        open_ratio: open,
        over: (1e3, 1e7),
        steps,
        port_multiple: 3.0,
        aim: Aim::Jitter,
        limits: Limits::default(),
        hop: None,
    }
}

fn search(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("optimum");
    group.sample_size(10);
    for (name, open) in [("bandwidth alone", false), ("margin and pole ratio open", true)] {
        let question = question(open);
        group.bench_function(name, |b| b.iter(|| optimum(black_box(&question))));
    }
    group.finish();
}

criterion_group!(benches, search);
criterion_main!(benches);
