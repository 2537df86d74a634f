//! Noise of every source put into the loop, edge by edge, and the spectrum of the phase that comes out.
//!
//! What enters at the detector moves the edges; what enters at the oscillator or the filter moves its phase, with the
//! density that it has there while the loop is open. The loop itself is followed event by event, with the real sequence
//! of a fractional divider, and shapes it. Spectra are averaged periodograms.
//!
//! Source: P. D. Welch, The use of fast Fourier transform for the estimation of power spectra, IEEE Trans. Audio
//! Electroacoust. 15(2), 1967 (from memory), for averaging and for its statistical error.

use std::f64::consts::PI;

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::heard::{Heard, rest};
use super::{Fractional, Question};
use crate::num::fourier::{Plan, transform};
use crate::physics::PhysicsError;
use crate::physics::modulator::Modulator;
use crate::physics::noise::{Ladder, Open};
use crate::physics::part::Case;
use crate::physics::sampled::Sampled;

/// A band of offsets with what came out in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Its middle, Hz.
    pub offset: f64,
    /// L(f) per Hz from the run.
    pub found: f64,
    /// The same by formula, with the sampled loop.
    pub predicted: f64,
    /// Statistical error of `found` (95 %), dB.
    pub error: f64,
}

impl Band {
    /// From the prediction to what was found, dB.
    pub fn difference(&self) -> f64 {
        10.0 * (self.found / self.predicted).log10()
    }
}

/// Length of a run: periodograms of `segment` detector periods (a power of two), in `half` steps of half of that.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Length {
    /// Detector periods of one periodogram.
    pub segment: usize,
    /// Steps.
    pub halves: usize,
}

impl Length {
    /// Enough to see offsets from a thirtieth of the bandwidth on, with some `segments` averaged.
    pub fn new(case: &Case, bandwidth: f64, segments: usize) -> Self {
        let wanted = 180.0 * case.detector_frequency / bandwidth;
        Self { segment: (wanted as usize).next_power_of_two(), halves: segments }
    }

    fn periods(self) -> usize {
        (self.segment / 2 * (self.halves + 1)).next_power_of_two()
    }
}

/// Bands in an octave.
const PER_OCTAVE: f64 = 3.0;

/// Normal numbers in pairs. Source: G. E. P. Box, M. E. Muller, Ann. Math. Stat. 29(2), 1958.
fn normal(random: &mut ChaCha8Rng) -> Complex64 {
    let uniform = |random: &mut ChaCha8Rng| ((random.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
    let (size, angle) = (uniform(random), uniform(random));
    Complex64::from_polar((-2.0 * size.ln()).sqrt(), 2.0 * PI * angle)
}

/// Normal noise of a one-sided density (per Hz) at `count` instants of this rate.
fn noise(density: impl Fn(f64) -> f64, rate: f64, count: usize, random: &mut ChaCha8Rng) -> Vec<f64> {
    let lines = (0..count).map(|k| {
        if k == 0 || k > count / 2 {
            return Complex64::ZERO;
        }
        let f = rate * k as f64 / count as f64;
        normal(random) * (0.25 * density(f) * rate * count as f64).sqrt()
    });
    let lines: Vec<Complex64> = lines.collect();
    transform(&lines).iter().map(|value| 2.0 * value.re / count as f64).collect()
}

/// Averaged periodograms: one-sided density (per Hz) at multiples of `rate / segment`.
pub(super) fn averaged(values: &[f64], segment: usize, rate: f64) -> (Vec<f64>, usize) {
    let hann: Vec<f64> =
        (0..segment).map(|k| 0.5 - 0.5 * (2.0 * PI * k as f64 / segment as f64).cos()).collect();
    let power: f64 = hann.iter().map(|w| w * w).sum();
    let room = (values.len() + 1).saturating_sub(segment);
    let starts: Vec<usize> = (0..room).step_by(segment / 2).collect();
    let plan = Plan::new(segment);
    let mut sums = vec![0.0; segment / 2];
    let mut both = vec![Complex64::ZERO; segment];
    // Two at a time, one of them as the imaginary part: what both have in a line is what it and its mirror image have.
    for pair in starts.chunks(2) {
        both.fill(Complex64::ZERO);
        for (start, unit) in pair.iter().zip([Complex64::ONE, Complex64::I]) {
            let part = &values[*start..start + segment];
            let mean = part.iter().sum::<f64>() / segment as f64;
            for ((to, x), w) in both.iter_mut().zip(part).zip(&hann) {
                *to += unit * ((x - mean) * w);
            }
        }
        plan.run(&mut both);
        for (k, sum) in sums.iter_mut().enumerate() {
            let mirror = if k == 0 { 0 } else { segment - k };
            *sum += (both[k].norm_sqr() + both[mirror].norm_sqr()) / (rate * power);
        }
    }
    let count = starts.len();
    (sums.iter().map(|sum| sum / count as f64).collect(), count)
}

/// Puts noise into a loop that is in lock, and compares the spectrum at its output with the formula, from a thirtieth of
/// the bandwidth (Hz) to ten bandwidths, at most half the detector rate. The same seed gives the same numbers.
///
/// # Errors
/// [`PhysicsError::Degenerate`] where the loop has no gain or its filter no finite parts.
pub fn injected(
    question: &Question,
    modulator: Option<&Modulator>,
    bandwidth: f64,
    length: Length,
    seed: u64,
) -> Result<Vec<Band>, PhysicsError> {
    let case = &question.case;
    let (rate, ratio) = (case.detector_frequency, case.feedback_ratio);
    let sampled = Sampled::new(case)?;
    let ladder = Ladder::new(case);
    // From L at the output to the density of phase in cycles of the detector.
    let cycles = 2.0 * (case.output_divider / (2.0 * PI * ratio)).powi(2);
    let count = length.periods();
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let detector = noise(|f| cycles * Open::new(case, &ladder, f).detector, rate, count, &mut random);
    let oscillator = noise(|f| cycles * Open::new(case, &ladder, f).oscillator, rate, count, &mut random);
    let inner = modulator.map(|modulator| Fractional::new(modulator, case.fixed_prescaler));
    let heard = Heard::new(inner, ratio, rest(rate, bandwidth), count).with_noise(detector, oscillator);
    let (density, averages) = averaged(&heard.listen(question)?, length.segment, rate);
    let (low, high) = (bandwidth / 30.0, (10.0 * bandwidth).min(0.5 * rate));
    let step = rate / length.segment as f64;
    let predicted = |f: f64| {
        let open = Open::new(case, &ladder, f);
        let gain = sampled.open_loop(f);
        let error = 1.0 / (1.0 + gain);
        (open.detector + open.modulator) * (gain * error).norm_sqr() + open.oscillator * error.norm_sqr()
    };
    let bands = ((high / low).log2() * PER_OCTAVE).floor().max(1.0) as i32;
    let edge = |k: i32| low * (high / low).powf(f64::from(k) / f64::from(bands));
    let band = |k: i32| {
        let (from, to) = ((edge(k) / step).ceil() as usize, (edge(k + 1) / step).ceil() as usize);
        let lines = from.max(1)..to.min(density.len());
        let wide = lines.len() as f64;
        let shares = lines.map(|line| density[line] / cycles / predicted(step * line as f64));
        let share = shares.sum::<f64>() / wide;
        let offset = (edge(k) * edge(k + 1)).sqrt();
        // Neighbours in frequency and overlapping segments share a part of what they see, under this window: squares of
        // 2/3 and 1/6, and of 1/6.
        let shared = (1.0 + 2.0 * (4.0 / 9.0 * (1.0 - 1.0 / wide) + 1.0 / 36.0)) * (1.0 + 2.0 / 36.0);
        let deviation = (shared / (wide * averages as f64)).sqrt();
        let predicted = predicted(offset);
        Band { offset, found: share * predicted, predicted, error: 20.0 * (1.0 + deviation).log10() }
    };
    let wide = |k: &i32| (edge(*k) / step).ceil() < (edge(*k + 1) / step).ceil();
    Ok((0..bands).filter(wide).map(band).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// White noise of a known density, and its spread, are found again.
    #[test]
    fn a_density_is_found_again() {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let values = noise(|f| 1e-3 / f, 1e6, 1 << 16, &mut random);
        let (density, count) = averaged(&values, 1024, 1e6);
        assert_eq!(count, 127);
        for line in (20..500).step_by(60) {
            let mean = density[line - 8..=line + 8]
                .iter()
                .zip(line - 8..)
                .map(|(found, k)| found / (1e-3 / (1e6 / 1024.0 * k as f64)))
                .sum::<f64>()
                / 17.0;
            assert!((mean - 1.0).abs() < 0.12, "{line}: {mean}");
        }
    }
}
