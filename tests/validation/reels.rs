//! Parts of one reel: marginal distribution, correlation, and what they do to a loop.

use loopcase::num::statistics::mean_and_deviation;
use loopcase::physics::part::Case;
use loopcase::physics::poles::Poles;
use loopcase::physics::reel::Reel;
use loopcase::physics::scatter::{Deviates, Distribution, Scatter, Vary};
use serde_json::Value;

use super::support::number;
use super::tolerance::{case, noisy, scatter};

const RUNS: u64 = 20_000;

/// Errors of two parts of one reel, and of one that is alone.
fn drawn(distribution: Distribution, correlation: f64) -> [Vec<f64>; 3] {
    let vary = ["C1", "C2", "R2"].map(|name| Vary::Part(name, 0.05)).to_vec();
    let mut scatter = scatter(vary, distribution, 17);
    scatter.reels = vec![Reel { members: vec![0, 1], correlation }];
    let all: Vec<Deviates> = (0..RUNS).map(|run| scatter.draw(run)).collect();
    [0, 1, 2].map(|i| all.iter().map(|one| one[i]).collect())
}

/// Places in ascending order.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    for (rank, index) in order.into_iter().enumerate() {
        ranks[index] = rank as f64;
    }
    ranks
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let ((ma, da), (mb, db)) = (mean_and_deviation(a), mean_and_deviation(b));
    let sum: f64 = a.iter().zip(b).map(|(x, y)| (x - ma) * (y - mb)).sum();
    sum / ((a.len() - 1) as f64 * da * db)
}

/// The rank correlation is the one asked for. Three standard errors: `1 / sqrt(n)` is above that of any correlation.
/// Source: for normal numbers `(1 - r^2) / sqrt n`; M. G. Kendall, Rank Correlation Methods, 1948 (from memory), has less
/// than `1 / sqrt n` for ranks.
#[test]
fn ranks_correlate_as_asked_for() {
    let bound = 3.0 / (RUNS as f64).sqrt();
    for distribution in [Distribution::Uniform, Distribution::Normal] {
        for asked in [0.0, 0.3, 0.8, 0.95] {
            let [first, second, alone] = drawn(distribution, asked);
            let found = correlation(&ranks(&first), &ranks(&second));
            assert!((found - asked).abs() < bound, "{distribution:?} {asked}: {found}");
            assert!(correlation(&first, &alone).abs() < bound, "{distribution:?} {asked}");
            // What the first order rests on.
            let reel = Reel { members: vec![0, 1], correlation: asked };
            let errors = correlation(&first, &second);
            assert!((errors - reel.of_errors(distribution)).abs() < bound, "{asked}: {errors}");
        }
    }
}

/// Whatever the correlation, each part keeps its distribution: Kolmogorov and Smirnov, significance 0.1 % for each of the
/// 12 samples; the bound of a large sample, 1.9495 / sqrt n.
/// Source: N. Smirnov, Ann. Math. Stat. 19, 1948 (from memory); `sqrt(-ln(0.0005) / 2)`.
#[test]
fn each_part_keeps_its_distribution() {
    let bound = (-0.0005f64.ln() / 2.0).sqrt() / (RUNS as f64).sqrt();
    // The normal one against its density, added up in fine steps: another route than the library's.
    let density = |u: f64| (-4.5 * u * u).exp();
    let steps = 20_000;
    let mut sums = vec![0.0];
    for k in 0..steps {
        let u = (f64::from(k) + 0.5) / f64::from(steps) * 2.0 - 1.0;
        sums.push(sums[k as usize] + density(u));
    }
    let below = |distribution: Distribution, u: f64| match distribution {
        Distribution::Uniform => 0.5 * (1.0 + u),
        Distribution::Normal => {
            let at = 0.5 * (u + 1.0) * f64::from(steps);
            let index = (at as usize).min(steps as usize - 1);
            let part = sums[index] + (at - index as f64) * (sums[index + 1] - sums[index]);
            part / sums[steps as usize]
        }
    };
    for distribution in [Distribution::Uniform, Distribution::Normal] {
        for asked in [0.3, 0.8, 1.0] {
            let [first, second, _] = drawn(distribution, asked);
            for mut values in [first, second] {
                values.sort_by(f64::total_cmp);
                let off = values.iter().enumerate().fold(0.0, |most: f64, (i, u)| {
                    let p = below(distribution, *u);
                    let (low, high) = (i as f64 / RUNS as f64, (i + 1) as f64 / RUNS as f64);
                    most.max((p - low).abs()).max((high - p).abs())
                });
                assert!(off < bound, "{distribution:?} {asked}: {off}, at most {bound}");
            }
        }
    }
}

/// Two equal capacitors in parallel, uniform within a, ranks correlated by r: the deviation of their sum is
/// `C a sqrt(2 (1 + r) / 3)`, a closed form, since for uniform errors the ordinary correlation is that of the ranks.
#[test]
fn the_sum_of_two_equal_capacitors_spreads_by_its_closed_form() {
    let mut nominal = case();
    (nominal.filter.c1, nominal.filter.c2) = (10e-9, 10e-9);
    let vary = vec![Vary::Part("C1", 0.05), Vary::Part("C2", 0.05)];
    for asked in [0.0, 0.5, 1.0] {
        let mut scatter = scatter(vary.clone(), Distribution::Uniform, 23);
        scatter.reels = vec![Reel { members: vec![0, 1], correlation: asked }];
        let mut drawn = nominal.clone();
        let sums: Vec<f64> = (0..RUNS)
            .map(|run| {
                scatter.apply(&nominal, &scatter.draw(run), &mut drawn);
                drawn.filter.c1 + drawn.filter.c2
            })
            .collect();
        let wanted = 10e-9 * 0.05 * (2.0 * (1.0 + asked) / 3.0).sqrt();
        let effects = [10e-9 * 0.05 / 3f64.sqrt(); 2];
        assert!((scatter.first_order(&effects) / wanted - 1.0).abs() < 1e-12);
        // A deviation is known to 1 / sqrt(2 n) at most (the sum is flatter than a normal number); three of them.
        let (_, deviation) = mean_and_deviation(&sums);
        let bound = 3.0 / (2.0 * RUNS as f64).sqrt();
        assert!((deviation / wanted - 1.0).abs() < bound, "{asked}: {deviation}, wanted {wanted}");
    }
}

fn metrics(scatter: &Scatter, nominal: &Case) -> [Vec<f64>; 2] {
    let mut case = nominal.clone();
    let mut columns: [Vec<f64>; 2] = Default::default();
    for run in 0..4000 {
        scatter.apply(nominal, &scatter.draw(run), &mut case);
        let read = Poles::new(&case).read();
        columns[0].push(read.bandwidth);
        columns[1].push(read.phase_margin);
    }
    columns
}

/// A loop with two equal resistors and two equal capacitors against a numpy Monte Carlo with its own copula
/// (`generators/tolerance_reels.py`): means and deviations within three standard errors of both samples together, as in
/// `tolerance.rs`; with independent parts the deviation of the bandwidth is another one.
#[test]
fn a_loop_with_parts_of_one_reel_spreads_as_in_numpy() {
    let stored: Value = serde_json::from_str(include_str!("tolerance-reels.json")).expect("JSON");
    let mut nominal = noisy();
    for (name, value) in [("C1", 1.5e-9), ("R2", 680.0), ("C2", 120e-9), ("R3", 680.0), ("C3", 1.5e-9)] {
        nominal.filter.set(name, value);
    }
    let vary = ["C1", "R2", "C2", "R3", "C3"].map(|name| Vary::Part(name, 0.05)).to_vec();
    let correlation = number(&stored, "rank");
    let share = (1.0 / 4000.0 + 1.0 / number(&stored, "runs")).sqrt();
    for (name, distribution) in [("uniform", Distribution::Uniform), ("normal", Distribution::Normal)] {
        let alone = scatter(vary.clone(), distribution, 5);
        let mut reeled = alone.clone();
        reeled.reels =
            vec![Reel { members: vec![1, 3], correlation }, Reel { members: vec![0, 4], correlation }];
        let off = |values: &[f64], expected: &Value| {
            let (mean, deviation) = mean_and_deviation(values);
            let wanted = number(expected, "deviation");
            let error = wanted * share * ((number(expected, "kurtosis") - 1.0) / 4.0).sqrt();
            [(mean - number(expected, "mean")) / (wanted * share), (deviation - wanted) / error]
        };
        for (metric, values) in ["bandwidth", "phase_margin"].iter().zip(&metrics(&reeled, &nominal)) {
            let found = off(values, &stored[name][metric]);
            assert!(
                found.iter().all(|off| off.abs() < 3.0),
                "{name} {metric}: {found:?} standard errors off"
            );
        }
        let margin = off(&metrics(&alone, &nominal)[1], &stored[name]["phase_margin"]);
        assert!(margin[1].abs() > 4.0, "{name}: independent parts would pass, {margin:?}");
    }
}
