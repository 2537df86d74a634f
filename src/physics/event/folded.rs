//! What the pump folds into the band: the sequence of a fractional divider, run in time with sources that do not match.
//!
//! A mismatch bends the characteristic of the detector at zero phase. The sequence, shaped to lie at high offsets, comes
//! back from the bend with lines and noise at low ones. No linear model tells; the run does.

use std::f64::consts::PI;
use std::ops::Range;

use num_complex::Complex64;

use super::heard::{Heard, rest};
use super::{Fractional, Question};
use crate::num::flat::flat_either;
use crate::num::fourier::{Lowest, transform};
use crate::physics::PhysicsError;
use crate::physics::modulator::{Counted, Modulator};
use crate::physics::part::Case;

/// What a run of the sequence leaves at the output.
#[derive(Clone, Debug, PartialEq)]
pub enum Folded {
    /// Of a short sequence: offset (Hz) and power of one sideband over that of the carrier, up to half the detector
    /// frequency.
    Lines(Vec<(f64, f64)>),
    /// Of a long one: mean L(f) per Hz from a tenth of the bandwidth to a third of it.
    Noise(f64),
}

flat_either!(Folded: Lines, Noise);

/// Detector periods that are heard at least.
const HEARD: u64 = 1 << 13;

/// Periods of one periodogram for every one of the bandwidth, and periodograms that are averaged.
const PERIODS: (f64, usize) = (64.0, 12);

/// Detector periods that are waited for, those of one periodogram, and those that are heard.
fn periods(case: &Case, modulator: &Modulator, bandwidth: f64) -> (usize, usize, usize) {
    let ratio = case.detector_frequency / bandwidth;
    let skipped = rest(case.detector_frequency, bandwidth);
    let segment = ((PERIODS.0 * ratio) as usize).next_power_of_two();
    let count = if modulator.counted() == Counted::Lines {
        // Whole sequences, so that each line falls into one bin.
        let length = modulator.period();
        (length * HEARD.div_ceil(length)) as usize
    } else {
        segment / 2 * (PERIODS.1 + 1)
    };
    (skipped, segment, count)
}

/// Detector periods that a run takes.
pub fn cost(case: &Case, modulator: &Modulator, bandwidth: f64) -> usize {
    let (skipped, _, count) = periods(case, modulator, bandwidth);
    skipped + count
}

/// Runs a loop in lock with the sequence of its divider and the pump as it is, and listens to the output.
///
/// # Errors
/// [`PhysicsError::Degenerate`] where the loop has no gain or its filter no finite parts, or where it does not stay in lock.
pub fn folded(question: &Question, modulator: &Modulator, bandwidth: f64) -> Result<Folded, PhysicsError> {
    let case = &question.case;
    let rate = case.detector_frequency;
    let lines = modulator.counted() == Counted::Lines;
    let (skipped, segment, count) = periods(case, modulator, bandwidth);
    let inner = Fractional::new(modulator, case.fixed_prescaler);
    let phase = Heard::new(Some(inner), case.feedback_ratio, skipped, count).listen(question)?;
    if phase.len() < count {
        return Err(PhysicsError::Degenerate("the loop does not stay in lock"));
    }
    // From cycles of the detector to radians at the output.
    let radians = 2.0 * PI * case.feedback_ratio / case.output_divider;
    if lines {
        let values: Vec<Complex64> = phase.iter().map(|phase| Complex64::from(phase * radians)).collect();
        let found = transform(&values);
        let step = (count as u64 / modulator.period()) as usize;
        let line = |k: usize| (rate * k as f64 / count as f64, (found[k].norm() / count as f64).powi(2));
        return Ok(Folded::Lines((1..=count / 2).filter(|k| k % step == 0).map(line).collect()));
    }
    let line = |f: f64| (f * segment as f64 / rate).ceil() as usize;
    let band = density(&phase, segment, rate, line(0.1 * bandwidth)..line(bandwidth / 3.0) + 1);
    Ok(Folded::Noise(0.5 * radians * radians * band.iter().sum::<f64>() / band.len() as f64))
}

/// Some lines of [`super::injected::averaged`], from the second on: one-sided density (per Hz) at those multiples of `rate / segment`.
fn density(values: &[f64], segment: usize, rate: f64, lines: Range<usize>) -> Vec<f64> {
    let half = segment / 2;
    // With both neighbours: the window mixes them in, and takes off what is left of the mean.
    let plan = Lowest::new(segment, half, lines.start - 1..lines.end + 1);
    let halves: Vec<Vec<Complex64>> = values.chunks_exact(half).map(|half| plan.run(half)).collect();
    let power = 0.375 * segment as f64;
    let average = |k: usize| -> f64 {
        let sums = halves.windows(2).map(|pair| {
            // Half a segment later a wave stands as it stood, or the other way round.
            let whole = |k: usize| {
                let sign = if (lines.start + k).is_multiple_of(2) { -1.0 } else { 1.0 };
                pair[0][k] + sign * pair[1][k]
            };
            (0.5 * whole(k + 1) - 0.25 * (whole(k) + whole(k + 2))).norm_sqr()
        });
        2.0 * sums.sum::<f64>() / (rate * power * (halves.len() - 1) as f64)
    };
    (0..lines.len()).map(average).collect()
}

#[cfg(test)]
mod tests {
    use super::super::injected::averaged;
    use super::*;

    #[test]
    fn a_few_lines_are_those_of_whole_spectra() {
        let values: Vec<f64> =
            (0..2048 * 5 / 2).map(|n| 0.7 + 1e-3 * f64::from(n * n % 101) + 1e-5 * f64::from(n)).collect();
        let (all, _) = averaged(&values, 2048, 1e6);
        let some = density(&values, 2048, 1e6, 7..44);
        assert_eq!(some.len(), 37);
        for (k, (a, b)) in some.iter().zip(&all[7..44]).enumerate() {
            assert!((a - b).abs() < 1e-9 * b, "{k}: {a} {b}");
        }
    }
}
