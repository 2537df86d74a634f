//! Tolerances: distributions, bounds and the natural frequency against published values.

use std::sync::Arc;

use loopcase::num::statistics::{mean_and_deviation, share_bounds, trials_needed};
use loopcase::physics::budget::{Budget, Work};
use loopcase::physics::part::{
    Case, Filter, LevelTable, NoiseFacts, OscillatorPoint, PumpPoint, Topology, Tuning,
};
use loopcase::physics::poles::Poles;
use loopcase::physics::scatter::{Distribution, Drift, Level, Scatter, Vary};
use serde_json::Value;

use super::support::{close, number, row};

pub(super) fn case() -> Case {
    let mut filter = Filter::of(Topology::Passive(2));
    for (name, value) in [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9)] {
        filter.set(name, value);
    }
    Case {
        reference_frequency: 10e6,
        detector_frequency: 1e6,
        feedback_ratio: 200.0,
        fixed_prescaler: 1.0,
        output_divider: 1.0,
        oscillator: OscillatorPoint {
            frequency: 200e6,
            tuning_voltage: 2.5,
            gain: 30e6,
            input_capacitance: 0.0,
            input_leakage: 0.0,
            modulation_bandwidth: None,
            pushing: 0.0,
        },
        pump: PumpPoint { current: 1e-3, mismatch: 0.0, leakage: 0.0, pulse: 0.0 },
        filter,
        amplifier: None,
        noise: NoiseFacts::default(),
        temperature: 298.15,
    }
}

pub(super) fn scatter(vary: Vec<Vary>, distribution: Distribution, seed: u64) -> Scatter {
    let tuning = Tuning::line(30e6, (0.5, 4.5), (150e6, 250e6)).expect("a line");
    Scatter { vary, distribution, reels: Vec::new(), seed, drift: Drift { tuning, drift: 0.0, at: 298.15 } }
}

/// Gains drawn within `tolerance`, relative to the nominal one.
fn gains(tolerance: f64, distribution: Distribution, runs: u64) -> Vec<f64> {
    let nominal = case();
    let scatter = scatter(vec![Vary::Gain(tolerance)], distribution, 11);
    let mut drawn = nominal.clone();
    (0..runs)
        .map(|run| {
            scatter.apply(&nominal, &scatter.draw(run), &mut drawn);
            drawn.oscillator.gain / nominal.oscillator.gain - 1.0
        })
        .collect()
}

/// Source: JCGM 100:2008, 4.3.7 and 4.3.9. A sampled deviation of 40 000 runs is within 1 % (three of its own standard
/// deviations); the normal one is cut off at three deviations, which takes 1.3 % of it.
#[test]
fn deviations_are_those_of_the_distributions() {
    for case in row("TL-DIST").cases {
        let a = number(&case.inputs, "a_percent") / 100.0;
        for (name, distribution, within) in
            [("rectangular", Distribution::Uniform, 1e-12), ("normal_3sigma", Distribution::Normal, 0.0135)]
        {
            let expected = number(&case.expected, name) / 100.0;
            close(a * distribution.deviation(), expected, within, &case.id);
            let drawn = gains(a, distribution, 40_000);
            assert!(drawn.iter().all(|x| x.abs() <= a), "{}", case.id);
            let (mean, deviation) = mean_and_deviation(&drawn);
            close(deviation, a * distribution.deviation(), 0.01, &case.id);
            assert!(mean.abs() < 0.02 * a, "{}: {mean}", case.id);
        }
    }
}

/// Natural frequency `sqrt(I K / (N C))` of the second-order loop, over its nominal value.
/// Source: JCGM 100:2008, 5.1.2 (closed forms); JCGM 101:2008 (sampling).
#[test]
fn the_natural_frequency_spreads_as_published() {
    for row in row("TL-WN").cases {
        let tolerance = |name: &str| number(&row.inputs, name);
        let (pump, gain, c) = (tolerance("tol_Icp"), tolerance("tol_Kvco"), tolerance("tol_C"));
        // Both capacitors go together as the one C of the published formula: C1 is nought here.
        let mut nominal = case();
        nominal.filter.c1 = 0.0;
        let natural = |case: &Case| (case.loop_gain() / (case.filter.c1 + case.filter.c2)).sqrt();
        let vary = vec![Vary::Pump(pump), Vary::Gain(gain), Vary::Part("C2", c)];
        let scatter = scatter(vary, Distribution::Uniform, 3);
        let mut drawn = nominal.clone();
        let home = natural(&nominal);
        let mut at = |deviates: [f64; 3]| {
            let mut all = [0.0; loopcase::physics::scatter::MOST];
            all[..3].copy_from_slice(&deviates);
            scatter.apply(&nominal, &all, &mut drawn);
            natural(&drawn) / home
        };
        close(at([-1.0, -1.0, 1.0]), number(&row.expected, "corner_min"), 1e-9, &row.id);
        close(at([1.0, 1.0, -1.0]), number(&row.expected, "corner_max"), 1e-9, &row.id);
        let step = 1e-4;
        let slope = |i: usize, at: &mut dyn FnMut([f64; 3]) -> f64| {
            let mut deviates = [0.0; 3];
            deviates[i] = step;
            let above = at(deviates);
            deviates[i] = -step;
            (above - at(deviates)) / (2.0 * step)
        };
        let slopes = [slope(0, &mut at), slope(1, &mut at), slope(2, &mut at)];
        let sum: f64 = slopes.iter().map(|s| s.abs()).sum();
        let squares: f64 = slopes.iter().map(|s| s * s).sum::<f64>().sqrt();
        close(sum, number(&row.expected, "linear_sum"), 1e-6, &row.id);
        close(squares, number(&row.expected, "rss_of_limits"), 1e-6, &row.id);
        let first_order = squares * Distribution::Uniform.deviation();
        close(first_order, number(&row.expected, "std_rectangular_linear"), 1e-6, &row.id);
        let values: Vec<f64> = (0..200_000)
            .map(|run| {
                scatter.apply(&nominal, &scatter.draw(run), &mut drawn);
                natural(&drawn) / home
            })
            .collect();
        let (mean, deviation) = mean_and_deviation(&values);
        close(deviation, number(&row.expected, "std_monte_carlo"), 5e-3, &row.id);
        close(mean, number(&row.expected, "mean_monte_carlo"), 2e-3, &row.id);
    }
}

/// Source: S. S. Wilks, Annals of Mathematical Statistics 12, 1941 (one-sided).
#[test]
fn runs_needed_are_those_of_wilks() {
    for case in row("TL-WILKS").cases {
        let needed = trials_needed(number(&case.inputs, "coverage"), number(&case.inputs, "confidence"));
        assert_eq!(needed, number(&case.expected, "n_one_sided") as usize, "{}", case.id);
    }
    assert_eq!(trials_needed(0.997, 0.95), 998);
}

/// Source: C. J. Clopper and E. S. Pearson, Biometrika 26, 1934.
#[test]
fn bounds_of_a_share_are_those_of_clopper_and_pearson() {
    for case in row("TL-CP").cases {
        let (fails, runs) = (number(&case.inputs, "fails") as usize, number(&case.inputs, "runs") as usize);
        let (low, high) = share_bounds(fails, runs, 0.025);
        close(low, number(&case.expected, "low_95"), 1e-9, &case.id);
        close(high, number(&case.expected, "high_95"), 1e-9, &case.id);
        let (_, one_sided) = share_bounds(fails, runs, 0.05);
        close(one_sided, number(&case.expected, "upper_one_sided_95"), 1e-9, &case.id);
        // What is asked for is the yield: its lower bound is the failures' upper one.
        close(1.0 - share_bounds(runs - fails, runs, 0.05).0, one_sided, 1e-9, &case.id);
    }
}

/// The true yield, known in closed form, lies inside its two-sided 95 % interval in at least 90 of 100 seeds.
#[test]
fn the_true_yield_lies_in_its_interval() {
    // Gain within +-10 % and at most 9 % above nominal: 95 % of a uniform distribution.
    let nominal = case();
    let mut inside = 0;
    for seed in 0..100 {
        let scatter = scatter(vec![Vary::Gain(0.1)], Distribution::Uniform, seed);
        let mut drawn = nominal.clone();
        let kept = (0..1000)
            .filter(|run| {
                scatter.apply(&nominal, &scatter.draw(*run), &mut drawn);
                drawn.oscillator.gain <= 1.09 * nominal.oscillator.gain
            })
            .count();
        let (low, high) = share_bounds(kept, 1000, 0.025);
        inside += usize::from(low <= 0.95 && 0.95 <= high);
    }
    assert!(inside >= 90, "{inside} of 100");
}

/// The loop of `generators/tolerance_runs.py`.
pub(super) fn noisy() -> Case {
    let table = |points: &[(f64, f64)]| LevelTable::new(points.to_vec()).map(Arc::new);
    let mut case = case();
    case.filter = Filter::of(Topology::Passive(3));
    for (name, value) in [("C1", 8.2e-9), ("R2", 220.0), ("C2", 120e-9), ("R3", 680.0), ("C3", 1.5e-9)] {
        case.filter.set(name, value);
    }
    (case.reference_frequency, case.detector_frequency, case.feedback_ratio) = (80e6, 2.5e6, 1120.0);
    case.oscillator = OscillatorPoint {
        frequency: 2.8e9,
        gain: 80e6,
        input_capacitance: 47e-12,
        modulation_bandwidth: Some(12e6),
        pushing: 8e6,
        ..case.oscillator
    };
    case.pump.current = 2.5e-3;
    case.noise = NoiseFacts {
        reference: table(&[(10.0, -110.0), (1e3, -155.0), (1e5, -165.0)]),
        oscillator: table(&[(1e3, -62.0), (1e4, -91.0), (1e5, -114.0), (1e6, -135.0), (1e7, -154.0)]),
        supply: table(&[(10.0, -144.0), (1e5, -164.0)]),
        detector_floor: Some(-222.0),
        flicker: Some((-118.0, 1e4, 1e9)),
        output_floor: table(&[(1e4, -158.0), (1e6, -161.0)]),
        ..NoiseFacts::default()
    };
    case
}

/// Means and deviations against a plain numpy Monte Carlo of the same loop, which shares no code and no random numbers
/// with the library: within three standard errors of both samples together.
/// Source of the errors: of a mean `s / sqrt n`, of a deviation `s sqrt((kurtosis - 1) / 4 n)`; H. Cramer, Mathematical
/// Methods of Statistics, 1946, 27.4 and 28.3 (from memory).
#[test]
fn runs_spread_as_in_a_plain_monte_carlo() {
    const RUNS: u64 = 4000;
    let stored: Value = serde_json::from_str(include_str!("tolerance-runs.json")).expect("JSON");
    let nominal = noisy();
    let budget = Budget::new(&nominal, (1e3, 1e7), None).expect("a range");
    let parts = ["C1", "R2", "C2", "R3", "C3"].map(|name| Vary::Part(name, 0.05));
    let levels = Level::ALL.map(|level| Vary::Level(level, 1.0));
    let rest = [Vary::Gain(0.1), Vary::Pump(0.05), Vary::Temperature(253.15, 333.15)];
    let vary: Vec<Vary> = parts.into_iter().chain(levels).chain(rest).collect();
    for (name, distribution) in [("uniform", Distribution::Uniform), ("normal", Distribution::Normal)] {
        let tuning = Tuning::line(80e6, (0.5, 4.5), (2.64e9, 2.96e9)).expect("a line");
        let drift = Drift { tuning, drift: -120e3, at: 298.15 };
        let scatter = Scatter { vary: vary.clone(), distribution, reels: Vec::new(), seed: 5, drift };
        let (mut case, mut work) = (nominal.clone(), Work::default());
        let mut columns: [Vec<f64>; 4] = Default::default();
        for run in 0..RUNS {
            scatter.apply(&nominal, &scatter.draw(run), &mut case);
            let read = Poles::new(&case).read();
            let rms_phase = budget.read(&case, &mut work).rms_phase;
            let values = [case.oscillator.tuning_voltage, read.bandwidth, read.phase_margin, rms_phase];
            for (column, value) in columns.iter_mut().zip(values) {
                column.push(value);
            }
        }
        for (metric, values) in
            ["tuning_voltage", "bandwidth", "phase_margin", "rms_phase"].iter().zip(&columns)
        {
            let expected = &stored[name][metric];
            let (mean, deviation) = mean_and_deviation(values);
            let wanted = number(expected, "deviation");
            let share = (1.0 / RUNS as f64 + 1.0 / number(&stored, "runs")).sqrt();
            let off = (mean - number(expected, "mean")) / (wanted * share);
            assert!(off.abs() < 3.0, "{name} {metric}: mean {mean}, {off} standard errors off");
            let error = wanted * share * ((number(expected, "kurtosis") - 1.0) / 4.0).sqrt();
            let off = (deviation - wanted) / error;
            assert!(off.abs() < 3.0, "{name} {metric}: deviation {deviation}, {off} standard errors off");
        }
    }
}
