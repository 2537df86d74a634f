//! Discrete Fourier transform of any length.

use std::f64::consts::PI;
use std::ops::Range;
use std::sync::Arc;

use num_complex::Complex64;
use rustfft::{Fft, FftPlanner};

/// What is the same for every transform of one length.
#[derive(Clone)]
pub struct Plan(Arc<dyn Fft<f64>>);

impl Plan {
    /// For a length.
    pub fn new(length: usize) -> Self {
        Self(FftPlanner::new().plan_fft_forward(length))
    }

    /// As [`transform`], in place.
    ///
    /// # Panics
    /// Where it is of another length.
    pub fn run(&self, x: &mut [Complex64]) {
        self.0.process(x);
    }
}

/// `sum of x[n] exp(-2 pi i j n / L)` for every `j` below the length L; any L, in `L log L` steps. Without the processor's
/// vector units, so that every machine gives the same bits.
pub fn transform(x: &[Complex64]) -> Vec<Complex64> {
    let mut all = x.to_vec();
    if !all.is_empty() {
        Plan::new(all.len()).run(&mut all);
    }
    all
}

/// Powers of the place in a block that are summed up, and the largest angle over half of one with which these are exact.
const POWERS: usize = 10;
const ANGLE: f64 = 0.15;

/// A few of the lowest lines of transforms of one length, far cheaper than all of them: over a short block a slow wave is a
/// short series, so that all lines share the sums of powers.
pub struct Lowest {
    /// Samples in a block.
    block: usize,
    /// Of each line: the angle over half a block.
    angles: Vec<f64>,
    /// And the wave at the middle of each block.
    waves: Vec<Vec<Complex64>>,
}

impl Lowest {
    /// Of transforms of `length`, of which only the first `count` samples are not zero.
    pub fn new(length: usize, count: usize, lines: Range<usize>) -> Self {
        let angle = |line: usize, samples: f64| 2.0 * PI * line as f64 * samples / length as f64;
        let block = ((ANGLE / angle(lines.end.max(1), 0.5)) as usize).clamp(1, count.max(1));
        let wave = |line: usize| -> Vec<Complex64> {
            let middles = (0..count.div_ceil(block)).map(|k| (k * block) as f64 + middle(block));
            middles.map(|samples| Complex64::from_polar(1.0, -angle(line, samples))).collect()
        };
        Self {
            block,
            angles: lines.clone().map(|line| angle(line, 0.5 * block as f64)).collect(),
            waves: lines.map(wave).collect(),
        }
    }

    /// The lines of one; `x`: its first samples.
    pub fn run(&self, x: &[f64]) -> Vec<Complex64> {
        let places: Vec<f64> =
            (0..self.block).map(|n| (n as f64 - middle(self.block)) * 2.0 / self.block as f64).collect();
        let sums = x.chunks(self.block).map(|block| {
            let mut sums = [0.0; POWERS];
            for (x, place) in block.iter().zip(&places) {
                let mut term = *x;
                for sum in &mut sums {
                    *sum += term;
                    term *= place;
                }
            }
            sums
        });
        let sums: Vec<[f64; POWERS]> = sums.collect();
        let line = |(angle, waves): (&f64, &Vec<Complex64>)| -> Complex64 {
            // `(-i angle)^k / k!`
            let mut series = [Complex64::ONE; POWERS];
            for k in 1..POWERS {
                series[k] = series[k - 1] * Complex64::new(0.0, -angle / k as f64);
            }
            let block = |sums: &[f64; POWERS]| -> Complex64 {
                let (mut even, mut odd) = (0.0, 0.0);
                for k in (0..POWERS).step_by(2) {
                    even += series[k].re * sums[k];
                    odd += series[k + 1].im * sums[k + 1];
                }
                Complex64::new(even, odd)
            };
            sums.iter().zip(waves).map(|(sums, wave)| wave * block(sums)).sum()
        };
        self.angles.iter().zip(&self.waves).map(line).collect()
    }
}

/// The middle of a block, samples from its first.
fn middle(block: usize) -> f64 {
    0.5 * (block - 1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sum as it is defined.
    fn plain(x: &[Complex64]) -> Vec<Complex64> {
        let length = x.len();
        let term = |j: usize, n: usize| {
            x[n] * Complex64::from_polar(1.0, -2.0 * PI * (j * n % length) as f64 / length as f64)
        };
        (0..length).map(|j| (0..length).map(|n| term(j, n)).sum()).collect()
    }

    #[test]
    fn any_length_agrees_with_the_sum() {
        for length in [0, 1, 2, 3, 5, 8, 12, 64, 97, 125, 360] {
            let x: Vec<Complex64> =
                (0..length).map(|n| Complex64::new((n * n % 17) as f64 - 8.0, (n * 7 % 11) as f64)).collect();
            for (a, b) in transform(&x).iter().zip(plain(&x)) {
                assert!((a - b).norm() < 1e-9 * length as f64, "length {length}: {a} {b}");
            }
        }
    }

    #[test]
    fn the_lowest_lines_are_those_of_the_whole_transform() {
        for (length, count, lines) in
            [(4096, 4096, 0..40), (4096, 2048, 3..21), (1000, 777, 5..9), (64, 5, 0..64)]
        {
            let x: Vec<f64> = (0..count).map(|n| ((n * n % 97) as f64 - 48.0) / 48.0).collect();
            let mut all: Vec<Complex64> = x.iter().map(Complex64::from).collect();
            all.resize(length, Complex64::ZERO);
            let all = transform(&all);
            let found = Lowest::new(length, count, lines.clone()).run(&x);
            assert_eq!(found.len(), lines.len());
            for (a, b) in found.iter().zip(&all[lines]) {
                assert!((a - b).norm() < 1e-14 * count as f64, "length {length}: {a} {b}");
            }
        }
    }
}
