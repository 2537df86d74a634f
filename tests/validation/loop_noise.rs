//! Noise through the loop: DS-L, SO-BL, and a whole budget worked out a second time in this file.
//!
//! The second working shares nothing with the library but the numbers of the case: its own nodal
//! elimination, its own reading of tables, each resistor as a current source, sums by a plain trapezoid on a
//! dense grid. Source: the equations of a charge-pump loop as in F. M. Gardner, IEEE Trans. Commun. 28(11),
//! 1980 (from memory), and 4kTR.

use loopcase::physics::noise::{self, CONTRIBUTORS, Prepared, Spectrum, density_at};
use loopcase::physics::part::{Case, LevelTable, NoiseFacts};
use loopcase::physics::{derived, integral, twice};
use num_complex::Complex64;
use std::f64::consts::PI;
use std::sync::Arc;

use crate::loops;
use crate::support::{close, number, row};

/// Quantisation noise before the loop. Source: stated with the row (generator `gen12_mash`).
#[test]
fn ds_l() {
    for case in row("DS-L").cases {
        let rate = number(&case.inputs, "fref_Hz");
        let order = case.inputs["order"].as_u64().expect("integer") as u32;
        for (key, f) in [
            ("L_10000Hz_dBc", 1e4),
            ("L_100000Hz_dBc", 1e5),
            ("L_1000000Hz_dBc", 1e6),
            ("L_5000000Hz_dBc", 5e6),
            ("L_10000000Hz_dBc", 1e7),
            ("L_max_at_half_fref_dBc", rate / 2.0),
        ] {
            let level = 10.0 * noise::quantisation(rate, order, f).log10();
            assert!((level - number(&case.expected, key)).abs() < 1e-9, "{} {key}: {level}", case.id);
        }
    }
}

/// Noise bandwidth: a flat detector floor alone, integrated over all offsets, is `2 L B_L`.
/// Source: F. M. Gardner, Phaselock Techniques, 3rd ed. (from memory).
#[test]
fn so_bl() {
    for case in row("SO-BL").cases {
        let natural = number(&case.inputs, "fn_Hz");
        let mut lc = loops::second_order(natural, number(&case.inputs, "zeta"), 100.0);
        lc.noise = NoiseFacts::default();
        lc.noise.detector_floor = Some(-220.0);
        // |H|^2 falls with f^-2: beyond 1e6 fn less than 1e-6 of it is left.
        let range = (natural * 1e-4, natural * 1e7);
        let spectrum = Spectrum::new(&lc, &loops::transfers(&lc), range, &[]).expect("a range");
        let plateau = 1e-22 * lc.detector_frequency * lc.feedback_ratio.powi(2) / lc.output_divider.powi(2);
        let floor = spectrum.curves.iter().find(|c| c.name == "detector").expect("a floor");
        let bandwidth = integral::integrate(&spectrum.offsets, &floor.density) / plateau;
        // 1e-4 from the low and high ends and the grid's power laws.
        close(bandwidth, number(&case.expected, "B_L_Hz"), 2e-4, &case.id);
    }
}

/// What drives the filter in the second working.
#[derive(Clone, Copy)]
pub enum Drive {
    /// One ampere into the first node and out of the second (`None`: ground).
    Current(usize, Option<usize>),
    /// One volt at the op-amp's non-inverting input.
    Input,
}

/// Voltage on the tuning port for a unit drive. Nodes: 0 pump, 1 between R2 and C2, 2 the bottom of C2 and C1
/// (the op-amp's output, or ground), then the post filter's.
pub fn filter_output(case: &Case, f: f64, drive: Drive) -> Complex64 {
    let parts = loops::parts(case);
    let s = Complex64::new(0.0, 2.0 * PI * f);
    let n = 3 + parts.post.len();
    let mut y = vec![vec![Complex64::ZERO; n + 1]; n];
    let mut branch = |a: usize, b: usize, g: Complex64| {
        y[a][a] += g;
        y[b][b] += g;
        y[a][b] -= g;
        y[b][a] -= g;
    };
    let one = |r: f64| Complex64::from(1.0 / r);
    branch(0, 2, s * parts.c1);
    branch(0, 1, one(parts.r2));
    branch(1, 2, s * parts.c2);
    let mut last = if case.amplifier.is_some() { 2 } else { 0 };
    let mut shunts = vec![];
    for (i, (r, c)) in parts.post.iter().enumerate() {
        branch(last, 3 + i, one(*r));
        last = 3 + i;
        shunts.push((last, s * *c));
    }
    shunts.push((last, s * case.oscillator.input_capacitance));
    for (node, g) in shunts {
        y[node][node] += g;
    }
    if let Drive::Current(to, from) = drive {
        y[to][n] += 1.0;
        if let Some(from) = from {
            y[from][n] -= 1.0;
        }
    }
    // Node 2 is held: at zero, or by the op-amp at A (V+ - V0) with A = GBW / (j f).
    y[2].fill(Complex64::ZERO);
    y[2][2] = Complex64::ONE;
    if let Some(amplifier) = &case.amplifier {
        let gain = amplifier.gain_bandwidth / Complex64::new(0.0, f);
        y[2][0] += gain;
        if matches!(drive, Drive::Input) {
            y[2][n] = gain;
        }
    }
    for column in 0..n {
        let pivot =
            (column..n).max_by(|a, b| y[*a][column].norm().total_cmp(&y[*b][column].norm())).expect("rows");
        y.swap(column, pivot);
        for r in (0..n).filter(|r| *r != column) {
            let factor = y[r][column] / y[column][column];
            let above = y[column].clone();
            for (entry, above) in y[r].iter_mut().zip(above) {
                *entry -= factor * above;
            }
        }
    }
    y[last][n] / y[last][last]
}

/// Straight lines over log10 f, written again.
fn table(points: &[(f64, f64)], f: f64) -> f64 {
    let last = points[points.len() - 1];
    if f >= last.0 || points.len() == 1 {
        return last.1;
    }
    let i = points[1..].iter().position(|p| f < p.0).expect("f is below the last point");
    let (a, b) = (points[i], points[i + 1]);
    a.1 + (b.1 - a.1) * (f.log10() - a.0.log10()) / (b.0.log10() - a.0.log10())
}

fn ratio(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// L(f) of the budget by contributor, worked out from the case's numbers.
pub fn second_working(case: &Case, f: f64) -> Vec<(&'static str, f64)> {
    let (n, k, o) = (case.feedback_ratio, case.oscillator.gain, case.output_divider);
    let s = Complex64::new(0.0, 2.0 * PI * f);
    // The op-amp inverts, and the pump's polarity is turned for it.
    let polarity = if case.amplifier.is_some() { -1.0 } else { 1.0 };
    let g = polarity * case.pump.current * k * filter_output(case, f, Drive::Current(0, None)) / (n * s);
    let h2 = (g / (1.0 + g)).norm_sqr() / (o * o);
    let e2 = (1.0 / (1.0 + g)).norm_sqr() / (o * o);
    let points = |t: &Arc<LevelTable>| -> Vec<(f64, f64)> {
        t.at.iter().copied().zip(t.level.iter().copied()).collect()
    };
    let facts = &case.noise;
    let mut list = Vec::new();
    let vco = case.oscillator.frequency;
    if let Some(t) = &facts.reference {
        list.push(("reference", ratio(table(&points(t), f)) * (vco / case.reference_frequency).powi(2) * h2));
    }
    if let Some(t) = &facts.oscillator {
        let at = facts.oscillator_at.unwrap_or(vco);
        list.push(("oscillator", ratio(table(&points(t), f)) * (vco / at).powi(2) * e2));
    }
    if let Some(t) = &facts.supply {
        let volts = ratio(table(&points(t), f));
        list.push(("supply", volts * (case.oscillator.pushing / f).powi(2) / 2.0 * e2));
    }
    if let Some(floor) = facts.detector_floor {
        list.push(("detector", ratio(floor + facts.slew_rise) * case.detector_frequency * n * n * h2));
    }
    if let Some((level, offset, carrier)) = facts.flicker {
        list.push(("flicker", ratio(level) * (vco / carrier).powi(2) * offset / f * h2));
    }
    if let Some(order) = facts.modulator_order {
        let p = case.fixed_prescaler;
        let shape = (2.0 * (PI * f / case.detector_frequency).sin()).powi(2 * (order as i32 - 1));
        list.push(("modulator", p * p * 4.0 * PI * PI / (12.0 * case.detector_frequency) * shape * h2));
    }
    let parts = loops::parts(case);
    let mut resistors = vec![("R2", parts.r2, 0, 1)];
    let mut before = if case.amplifier.is_some() { 2 } else { 0 };
    for (i, name) in ["R3", "R4"].into_iter().enumerate().take(parts.post.len()) {
        resistors.push((name, parts.post[i].0, before, 3 + i));
        before = 3 + i;
    }
    let volts = |square: f64| square * (k / f).powi(2) / 2.0 * e2;
    for (name, r, a, b) in resistors {
        let transfer = filter_output(case, f, Drive::Current(a, Some(b))).norm_sqr();
        list.push((name, volts(4.0 * 1.380649e-23 * case.temperature / r * transfer)));
    }
    if let Some(amplifier) = &case.amplifier {
        let input = filter_output(case, f, Drive::Input).norm_sqr();
        let current = filter_output(case, f, Drive::Current(0, None)).norm_sqr();
        let with_corner = |(white, corner): (f64, f64)| white * white * (1.0 + corner / f);
        let voltage = with_corner(amplifier.voltage_noise) + amplifier.reference_noise.powi(2);
        list.push(("amplifier", volts(voltage * input + with_corner(amplifier.current_noise) * current)));
    }
    if let Some(t) = &facts.output_floor {
        list.push(("output", ratio(table(&points(t), f))));
    }
    list
}

/// Every contributor and the total within 0.01 dB.
fn spots_agree(case: &Case, what: &str) {
    let transfers = loops::transfers(case);
    for f in [10.0, 123.0, 1e3, 4.7e3, 2e4, 1e5, 7.7e5, 3e6] {
        let spot = density_at(case, &transfers, f);
        let second = second_working(case, f);
        let names: Vec<_> = spot.parts.iter().map(|(name, _)| *name).collect();
        assert_eq!(names, second.iter().map(|(name, _)| *name).collect::<Vec<_>>());
        for ((name, first), (_, second)) in spot.parts.iter().zip(&second) {
            let apart = 10.0 * (first / second).log10();
            assert!(apart.abs() < 0.01, "{what} {name} at {f}: {apart} dB");
        }
        let total: f64 = second.iter().map(|(_, density)| density).sum();
        assert!((spot.level() - 10.0 * total.log10()).abs() < 0.01, "{what} at {f}");
    }
}

/// Jitter within 0.1 %.
fn jitter_agrees(case: &Case, what: &str) {
    let (from, to) = (100.0, 1e7f64);
    let spectrum = Spectrum::new(case, &loops::transfers(case), (from, to), &[]).expect("a range");
    let output = case.oscillator.frequency / case.output_divider;
    let jitter = derived::jitter(spectrum.rms_phase(), output);

    let points = 20_000;
    let at = |i: usize| from * (to / from).powf(i as f64 / f64::from(points));
    let level = |f: f64| second_working(case, f).iter().map(|(_, density)| density).sum::<f64>();
    let mut sum = 0.0;
    let mut left = level(from);
    for i in 1..=points as usize {
        let right = level(at(i));
        sum += 0.5 * (left + right) * (at(i) - at(i - 1));
        left = right;
    }
    close(jitter, (2.0 * sum).sqrt() / (2.0 * PI * output), 1e-3, what);
}

/// Orders 2 to 4, with output divider, doubler and fixed prescaler, integer and fractional.
#[test]
fn whole_budget_against_a_second_working() {
    for set in ["F1", "F2", "F3", "F4", "F5", "F6"] {
        for (output_divider, prescaler, order) in [(1.0, 1.0, None), (4.0, 2.0, Some(3)), (0.5, 8.0, Some(2))]
        {
            let case = loops::noisy(set, output_divider, prescaler, order);
            spots_agree(&case, set);
            jitter_agrees(&case, set);
        }
    }
}

/// Active filters of order 3 and 4, with the op-amp's finite gain and its noise.
#[test]
fn active_filters_against_a_second_working() {
    for set in ["F2", "F4", "F6"] {
        let case = loops::active(set);
        spots_agree(&case, set);
        jitter_agrees(&case, set);
    }
}

#[test]
fn contributors_have_names_of_their_own_and_add_up() {
    let case = loops::noisy("F4", 4.0, 2.0, Some(3));
    let spectrum =
        Spectrum::new(&case, &loops::transfers(&case), (100.0, 1e7), &[12_345.0]).expect("a range");
    assert!(spectrum.offsets.contains(&12_345.0));
    let mut names: Vec<_> = CONTRIBUTORS.iter().map(|c| c.name()).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), CONTRIBUTORS.len());
    for (i, total) in spectrum.total.iter().enumerate() {
        let sum: f64 = spectrum.curves.iter().map(|c| c.density[i]).sum();
        close(sum, *total, 1e-12, "sum of the curves");
        assert!(spectrum.curves.iter().all(|c| c.density[i] >= 0.0 && c.density[i].is_finite()));
    }
    let shares = spectrum.shares();
    close(shares.iter().map(|(_, share)| share).sum::<f64>(), 1.0, 1e-12, "shares");
}

/// The standard grid keeps its promise: power-law segments within 1e-4 of adaptive quadrature, also with a
/// resonance (the sets have margins from 30 deg up) and to offsets beyond f_pd, where the modulator has nulls.
#[test]
fn segments_against_quadrature() {
    for set in ["F1", "F2", "F3", "F4", "F5", "F6"] {
        for (from, to) in [(10.0, 1e6), (100.0, 4e7), (12e3, 20e6)] {
            let case = loops::noisy(set, 2.0, 1.0, Some(3));
            let transfers = loops::transfers(&case);
            let first = Spectrum::new(&case, &transfers, (from, to), &[]).expect("a range").rms_phase();
            let density = |f: f64| density_at(&case, &transfers, f).total;
            let second =
                twice::jitter::rms_phase(density, from, to, &noise::table_points(&case)).expect("converges");
            let off = first / second - 1.0;
            assert!(off.abs() < 1e-4, "{set} {from}..{to}: {off:e}");
        }
    }
}

/// Trials on a fixed grid follow the case: what a fresh preparation of the varied case gives.
#[test]
fn prepared_shapes_serve_a_varied_case() {
    let nominal = loops::noisy("F2", 2.0, 1.0, Some(2));
    let grid = integral::Grid::new(100.0, 1e7, 80, &noise::table_points(&nominal)).expect("a range");
    let prepared = Prepared::new(&nominal, grid.clone());
    let mut varied = nominal.clone();
    varied.oscillator.gain *= 1.2;
    varied.pump.current *= 0.9;
    varied.temperature = 358.0;
    varied.noise.detector_floor = Some(-219.0);
    let mut total = vec![0.0; grid.offsets().len()];
    prepared.total_into(&varied, &loops::transfers(&varied), &mut total);
    let fresh = Prepared::new(&varied, grid).spectrum(&varied, &loops::transfers(&varied));
    for (kept, fresh) in total.iter().zip(&fresh.total) {
        close(*kept, *fresh, 1e-12, "total");
    }
    // The comparison says something only where the variation shows: below the crossing the reference rules
    // and stays, above it the loop's gain and the floor tell.
    let before = prepared.spectrum(&nominal, &loops::transfers(&nominal)).total;
    let apart = total.iter().zip(&before).map(|(after, before)| (after / before - 1.0).abs());
    assert!(apart.fold(0.0, f64::max) > 0.1, "the variation shows");
}

/// Tables that end early are told, with the share that rests on their continuation.
#[test]
fn integrals_outside_a_table_are_reported() {
    let mut case = loops::noisy("F1", 1.0, 1.0, None);
    let table = |points: &[(f64, f64)]| Some(Arc::new(LevelTable::new(points.to_vec()).expect("points")));
    case.noise = NoiseFacts::default();
    case.temperature = 0.0;
    case.noise.output_floor = table(&[(1e4, -100.0), (1e5, -100.0)]);
    case.noise.detector_floor = Some(-300.0);
    let spectrum = Spectrum::new(&case, &loops::transfers(&case), (5e3, 1e6), &[]).expect("a range");
    let outside = spectrum.outside(&case);
    assert_eq!(outside.len(), 1);
    assert_eq!(outside[0].name, "output");
    close(outside[0].below, 5e3 / 995e3, 1e-6, "below");
    close(outside[0].above, 900e3 / 995e3, 1e-6, "above");
    // A single level has no outside; a table that covers the range has none either.
    case.noise.output_floor = table(&[(1e4, -100.0)]);
    let covered = Spectrum::new(&case, &loops::transfers(&case), (5e3, 1e6), &[]).expect("a range");
    assert!(covered.outside(&case).is_empty());
}
