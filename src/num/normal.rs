//! The standard normal distribution and its inverse.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// Where the series gives way to the continued fraction.
const FAR: f64 = 2.5;

/// erfc(x), x >= 0, to about 3e-13 relative (where the series ends it is 1 less nearly 1).
/// Source: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, 1964: series 7.1.6 near zero, continued
/// fraction 7.1.14 further out (from memory).
fn erfc(x: f64) -> f64 {
    let peak = (-x * x).exp();
    if x < FAR {
        let (mut term, mut sum) = (x, x);
        for n in 1..200 {
            term *= 2.0 * x * x / f64::from(2 * n + 1);
            sum += term;
            if term < 1e-17 * sum {
                break;
            }
        }
        return 1.0 - 2.0 / PI.sqrt() * peak * sum;
    }
    // From the inside out; eighty terms are more than enough from 2.5 on (tested).
    let tail = (1..=80).rev().fold(x, |below, k| x + 0.5 * f64::from(k) / below);
    peak / (PI.sqrt() * tail)
}

/// Probability that a standard normal number stays below `z`.
pub fn below(z: f64) -> f64 {
    let half = 0.5 * erfc(z.abs() * FRAC_1_SQRT_2);
    if z < 0.0 { half } else { 1.0 - half }
}

/// The number that a standard normal one stays below with probability `p`, 0 < p < 1.
///
/// Source: first guess by Abramowitz and Stegun 26.2.23 (within 4.5e-4; from memory), then two steps of Halley's method.
pub fn quantile(p: f64) -> f64 {
    let tail = p.min(1.0 - p);
    let t = (-2.0 * tail.ln()).sqrt();
    let top = 2.515_517 + t * (0.802_853 + t * 0.010_328);
    let mut z = top / (1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308))) - t;
    for _ in 0..2 {
        let off = (below(z) - tail) * (2.0 * PI).sqrt() * (0.5 * z * z).exp();
        z -= off / (1.0 + 0.5 * z * off);
    }
    if p <= 0.5 { z } else { -z }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Abramowitz and Stegun, tables 26.1 and 26.5 (from memory).
    #[test]
    fn probabilities_are_those_of_the_tables() {
        for (z, p) in [
            (0.0, 0.5),
            (1.0, 0.841_344_746_068_543),
            (1.959_963_984_540_054, 0.975),
            (-1.281_551_565_544_600_4, 0.1),
            (-3.0, 1.349_898_031_630_095e-3),
            (-6.0, 9.865_876_450_376_98e-10),
        ] {
            assert!((below(z) / p - 1.0).abs() < 1e-12, "{z}: {}", below(z));
            assert!((quantile(p) - z).abs() < 1e-9 * z.abs().max(1.0), "{p}: {}", quantile(p));
        }
    }

    #[test]
    fn series_and_fraction_meet_and_the_inverse_inverts() {
        let seam = FAR / FRAC_1_SQRT_2;
        let (low, high) = (below(-seam * (1.0 + 1e-12)), below(-seam * (1.0 - 1e-12)));
        assert!((low / high - 1.0).abs() < 1e-10, "{low} {high}");
        for k in 1..1000 {
            let p = f64::from(k) / 1000.0;
            assert!((below(quantile(p)) - p).abs() < 1e-14, "{p}");
        }
        assert!((below(quantile(1e-15)) / 1e-15 - 1.0).abs() < 1e-10);
    }
}
