//! Discrete Fourier transform of any length.

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

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

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
}
