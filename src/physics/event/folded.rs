//! What the pump folds into the band: the sequence of a fractional divider, run in time with sources that do not match.
//!
//! A mismatch bends the characteristic of the detector at zero phase. The sequence, shaped to lie at high offsets, comes
//! back from the bend with lines and noise at low ones. No linear model tells; the run does.

use std::f64::consts::PI;

use num_complex::Complex64;

use super::heard::{Heard, rest};
use super::injected::averaged;
use super::{Fractional, Question};
use crate::num::flat::flat_either;
use crate::num::fourier::transform;
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
    let (density, _) = averaged(&phase, segment, rate);
    let line = |f: f64| (f * segment as f64 / rate).ceil() as usize;
    let band = &density[line(0.1 * bandwidth)..=line(bandwidth / 3.0)];
    Ok(Folded::Noise(0.5 * radians * radians * band.iter().sum::<f64>() / band.len() as f64))
}
