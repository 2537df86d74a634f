//! What a mismatched pump folds into the band, against the sequence bent by hand and passed through H: the loop is slow, so
//! that the error at the detector is the sequence's, and what the bend adds acts as one more phase there. Source: the
//! characteristic of the detector with unequal sources, quasi-static; common practice, no source for the method.

use std::f64::consts::PI;

use loopcase::physics::event::Question;
use loopcase::physics::event::folded::{Folded, folded};
use loopcase::physics::modulator::Modulator;
use loopcase::physics::noise::Ladder;
use loopcase::physics::part::Case;
use loopcase::physics::spurs::modulator_lines;
use num_complex::Complex64;

use crate::loops;

/// A bandwidth of about 30 kHz at a detector frequency of 20 MHz.
fn slow(mismatch: f64, leakage: f64) -> (Case, f64) {
    let inputs = serde_json::json!({"C1": 1e-9, "R2": 900.0, "C2": 18e-9, "R3": 500.0, "C3": 200e-12});
    let mut case = loops::in_loop(&inputs, 1e-3, 20e6, 100.28, 20e6);
    (case.pump.mismatch, case.pump.leakage) = (mismatch, leakage);
    let ladder = Ladder::new(&case);
    let closed = |f: f64| ladder.response(f).closed;
    let bandwidth = (1..400).map(|k| f64::from(k) * 1e3).find(|f| closed(*f) < 0.5).expect("a bandwidth");
    (case, bandwidth)
}

/// Oscillator periods counted too many after each step, written out anew.
fn excess(order: usize, modulus: i64, word: i64, start: i64, length: usize) -> Vec<f64> {
    let (mut contents, mut carries) = (vec![0; order], vec![vec![0i64; order + 1]; order + 1]);
    contents[0] = start;
    let (mut sum, mut sums) = (0.0, Vec::new());
    for _ in 0..length {
        let mut input = word;
        let mut now = vec![0; order];
        for stage in 0..order {
            contents[stage] += input;
            now[stage] = contents[stage] / modulus;
            contents[stage] %= modulus;
            input = contents[stage];
        }
        // Each stage's carry is differenced once more than that of the one before it.
        let mut out = 0;
        for stage in (0..order).rev() {
            let below = out;
            let before = std::mem::replace(&mut carries[stage][0], below);
            out = now[stage] + below - before;
        }
        sum += out as f64 - word as f64 / modulus as f64;
        sums.push(sum);
    }
    sums
}

/// The error at the detector, of mean charge zero, and what the bend adds to it, detector cycles.
fn bent(excess: &[f64], ratio: f64, mismatch: f64) -> (Vec<f64>, Vec<f64>) {
    let charge = |tau: f64| tau + 0.5 * mismatch * tau.abs();
    let mean = |shift: f64| excess.iter().map(|x| charge(x / ratio - shift)).sum::<f64>();
    let (mut low, mut high) = (-1.0, 1.0);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if mean(middle) > 0.0 { low = middle } else { high = middle }
    }
    excess.iter().map(|x| x / ratio - low).map(|tau| (tau, 0.5 * mismatch * tau.abs())).unzip()
}

fn amplitude(values: &[f64], cycles: usize) -> Complex64 {
    let turn = 2.0 * PI * cycles as f64 / values.len() as f64;
    let sum: Complex64 =
        values.iter().enumerate().map(|(n, x)| Complex64::from_polar(*x, -turn * n as f64)).sum();
    sum / values.len() as f64
}

fn lines(case: &Case, bandwidth: f64, modulator: &Modulator) -> Vec<(f64, f64)> {
    let question = Question::in_lock(case.clone()).expect("a gain");
    match folded(&question, modulator, bandwidth).expect("a loop") {
        Folded::Lines(lines) => lines,
        Folded::Noise(_) => panic!("a short sequence"),
    }
}

/// Equal sources fold nothing: the run gives the lines of the linear loop. So does a bleed that keeps the error on one side
/// of the bend.
#[test]
fn equal_sources_and_a_bleed_fold_nothing() {
    let modulator = Modulator::new(3, 125, 34, 1).expect("a modulator");
    for (mismatch, leakage) in [(0.0, 0.0), (0.06, 80e-6)] {
        let (case, bandwidth) = slow(mismatch, leakage);
        let linear = modulator_lines(&case, &Ladder::new(&case), &modulator, 10.0 * bandwidth);
        let found = lines(&case, bandwidth, &modulator);
        assert!(linear.len() >= 2);
        for (offset, power) in &linear {
            let run = found.iter().find(|line| (line.0 / offset - 1.0).abs() < 1e-9).expect("a line").1;
            let off = (run.sqrt() - power.sqrt()).abs();
            // -94 dBc: edges that the sequence moves look at the loop at uneven times. The bend makes -61 dBc here.
            assert!(off < 2e-5, "{mismatch} {offset}: {off}");
        }
    }
}

/// Lines of a short sequence of third order.
#[test]
fn lines_come_back_from_the_bend() {
    let (mismatch, modulus, word) = (0.06, 125, 34);
    let (case, bandwidth) = slow(mismatch, 0.0);
    let modulator = Modulator::new(3, modulus, word, 1).expect("a modulator");
    let found = lines(&case, bandwidth, &modulator);
    let length = modulator.period() as usize;
    let sums = excess(3, modulus as i64, word as i64, 1, length + 3)[3..].to_vec();
    let (straight, added) = bent(&sums, case.feedback_ratio, mismatch);
    let ladder = Ladder::new(&case);
    let formula = modulator_lines(&case, &ladder, &modulator, 1e6);
    let mut folded = 0;
    for cycles in 1..=6 {
        let offset = case.detector_frequency * cycles as f64 / length as f64;
        let closed = ladder.response(offset).closed;
        let size = |a: Complex64| {
            20.0 * (2.0 * PI * case.feedback_ratio * a.norm() * closed.sqrt() / case.output_divider).log10()
        };
        let (linear, expected) = (
            size(amplitude(&straight, cycles)),
            size(amplitude(&straight, cycles) + amplitude(&added, cycles)),
        );
        let run =
            10.0 * found.iter().find(|line| (line.0 / offset - 1.0).abs() < 1e-9).expect("a line").1.log10();
        let formula = 10.0
            * formula.iter().find(|line| (line.0 / offset - 1.0).abs() < 1e-9).expect("a line").1.log10();
        assert!((formula - expected).abs() < 1e-6, "line {cycles}: {formula} dBc, by hand {expected}");
        assert!((run - expected).abs() < 1.0, "line {cycles} at {offset}: {run} dBc, by hand {expected}");
        folded += usize::from(expected > linear + 3.0);
    }
    assert!(folded >= 2, "{folded} lines are made by the bend");
}

/// The bend turns with the polarity of the pump: formula and run agree for a rising and a falling oscillator, with the drain
/// and the pulse that shift the mean.
#[test]
fn the_bend_turns_with_the_polarity() {
    for (gain, leakage, pulse) in
        [(20e6, 0.0, 0.0), (-20e6, 0.0, 0.0), (20e6, 5e-6, 0.3e-9), (-20e6, 5e-6, 0.3e-9)]
    {
        let (mut case, bandwidth) = slow(0.08, leakage);
        (case.oscillator.gain, case.pump.pulse) = (gain, pulse);
        let modulator = Modulator::new(3, 100, 37, 0).expect("a modulator");
        let formula = modulator_lines(&case, &Ladder::new(&case), &modulator, 4.0 * bandwidth);
        let found = lines(&case, bandwidth, &modulator);
        let highest = formula.iter().max_by(|a, b| a.1.total_cmp(&b.1)).expect("a line");
        let run = found.iter().find(|line| (line.0 / highest.0 - 1.0).abs() < 1e-9).expect("a line");
        let off = 10.0 * (run.1 / highest.1).log10();
        assert!(off.abs() < 1.0, "{gain} {leakage} {pulse}: {off} dB at {}", highest.0);
    }
}

/// Noise of a long sequence.
#[test]
fn noise_comes_back_from_the_bend() {
    let (mismatch, modulus, word) = (0.06, 1 << 20, 293_601);
    let (case, bandwidth) = slow(mismatch, 0.0);
    let modulator = Modulator::new(3, modulus, word, 1).expect("a modulator");
    let question = Question::in_lock(case.clone()).expect("a gain");
    let Folded::Noise(found) = folded(&question, &modulator, bandwidth).expect("a loop") else {
        panic!("a long sequence")
    };
    let (segment, segments) = (1 << 13, 60);
    let sums = excess(3, modulus as i64, word as i64, 1, segment * segments);
    let (_, added) = bent(&sums, case.feedback_ratio, mismatch);
    // The bend adds white noise at these offsets, and hardly anything else is there.
    let (mut sum, mut count) = (0.0, 0.0);
    for part in added.chunks(segment) {
        let mean = part.iter().sum::<f64>() / segment as f64;
        let part: Vec<f64> = part.iter().map(|x| x - mean).collect();
        for cycles in 2..6 {
            sum += amplitude(&part, cycles).norm_sqr() * segment as f64 / case.detector_frequency;
            count += 1.0;
        }
    }
    let ratio = 2.0 * PI * case.feedback_ratio / case.output_divider;
    let closed = Ladder::new(&case).response(0.2 * bandwidth).closed;
    let expected = 10.0 * (sum / count * ratio * ratio * closed).log10();
    let found = 10.0 * found.log10();
    assert!((found - expected).abs() < 1.0, "{found} dBc/Hz, by hand {expected}");
}
