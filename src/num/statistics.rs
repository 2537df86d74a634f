//! Statistics of counted and of measured trials.

/// ln of the gamma function, x > 0, to about 1e-15.
/// Source: C. Lanczos, SIAM J. Numer. Anal. B 1, 1964; coefficients for g = 7, n = 9 (P. Godfrey, from memory).
fn ln_gamma(x: f64) -> f64 {
    const C: [f64; 9] = [
        0.999_999_999_999_809_9,
        676.520_368_121_885_1,
        -1_259.139_216_722_402_8,
        771.323_428_777_653_1,
        -176.615_029_162_140_6,
        12.507_343_278_686_905,
        -0.138_571_095_265_720_12,
        9.984_369_578_019_572e-6,
        1.505_632_735_149_311_6e-7,
    ];
    let x = x - 1.0;
    let sum = (1..9).fold(C[0], |sum, i| sum + C[i] / (x + i as f64));
    let t = x + 7.5;
    0.5 * (2.0 * std::f64::consts::PI).ln() + (x + 0.5) * t.ln() - t + sum.ln()
}

/// Regularised incomplete beta function I_x(a, b), 0 <= x <= 1.
/// Source: continued fraction of Abramowitz and Stegun, 26.5.8, by the method of W. J. Lentz, Applied Optics 15, 1976.
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 || x >= 1.0 {
        return x.clamp(0.0, 1.0);
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(b, a, 1.0 - x);
    }
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp() / a;
    let away = |y: f64| if y.abs() < 1e-300 { 1e-300 } else { y };
    let (mut c, mut d) = (1.0, 1.0 / away(1.0 - (a + b) * x / (a + 1.0)));
    let mut all = d;
    for m in 1..10_000 {
        let m = f64::from(m);
        for factor in [
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0)),
        ] {
            d = 1.0 / away(1.0 + factor * d);
            c = away(1.0 + factor / c);
            all *= c * d;
        }
        if (c * d - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front * all
}

/// Quantile of the beta distribution.
fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    // Small quantiles are found over their logarithm, so that they keep their digits.
    let off = |x: f64| incomplete_beta(a, b, x.exp()) - p;
    super::brent::root(off, -700.0, 0.0).map_or(f64::NAN, f64::exp)
}

/// Clopper-Pearson bounds of a share of which `count` of `trials` were seen, each missed with probability `tail`
/// (0.025 each for a two-sided 95 % interval, 0.05 for a one-sided bound).
/// Source: C. J. Clopper and E. S. Pearson, Biometrika 26, 1934.
pub fn share_bounds(count: usize, trials: usize, tail: f64) -> (f64, f64) {
    let (k, n) = (count as f64, trials as f64);
    let low = if count == 0 { 0.0 } else { beta_quantile(tail, k, n - k + 1.0) };
    let high = if count >= trials { 1.0 } else { beta_quantile(1.0 - tail, k + 1.0, n - k) };
    (low, high)
}

/// Confidence of the bounds that tolerance runs are judged by, one-sided.
pub const CONFIDENCE: f64 = 0.95;

/// Least number of trials that, all passed, show a share of at least `coverage` at the one-sided confidence.
/// Source: S. S. Wilks, Ann. Math. Stat. 12, 1941.
pub fn trials_needed(coverage: f64, confidence: f64) -> usize {
    let exact = (1.0 - confidence).ln() / coverage.ln();
    // A whole number comes out with rounding of its own.
    (exact - 1e-9).ceil().max(1.0) as usize
}

/// Most failures of `trials` with which the lower bound of the yield still reaches `coverage`; `None` where even
/// none are too many.
pub fn failures_allowed(trials: usize, coverage: f64, confidence: f64) -> Option<usize> {
    let reached = |fails: usize| {
        // With no failure the bound has a closed form, free of rounding.
        if fails == 0 {
            return trials >= trials_needed(coverage, confidence);
        }
        share_bounds(trials - fails, trials, 1.0 - confidence).0 >= coverage
    };
    if trials == 0 || !reached(0) {
        return None;
    }
    let (mut good, mut bad) = (0, trials);
    while bad - good > 1 {
        let middle = usize::midpoint(good, bad);
        if reached(middle) { good = middle } else { bad = middle }
    }
    Some(good)
}

/// Mean and standard deviation of a sample (n - 1).
pub fn mean_and_deviation(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|x| (x - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0).max(1.0)).sqrt())
}

/// Quantile of ascending values, linear between order statistics: number 7 of R. J. Hyndman and Y. Fan, The American
/// Statistician 50, 1996. `None` where there are no values.
pub fn quantile(ascending: &[f64], p: f64) -> Option<f64> {
    let last = ascending.len().checked_sub(1)?;
    let at = p.clamp(0.0, 1.0) * last as f64;
    let below = (at.floor() as usize).min(last);
    let share = at - below as f64;
    let (value, next) = (ascending[below], ascending[last.min(below + 1)]);
    // Equal infinities have no difference.
    Some(if share > 0.0 && next.total_cmp(&value).is_gt() { value + share * (next - value) } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn incomplete_beta_has_its_closed_forms() {
        // I_x(1, b) = 1 - (1 - x)^b; I_x(a, 1) = x^a; I_x(2, 2) = x^2 (3 - 2 x).
        for x in [1e-6, 0.01, 0.3, 0.77, 0.999] {
            assert!((incomplete_beta(1.0, 7.0, x) - (1.0 - (1.0 - x).powi(7))).abs() < 1e-14);
            assert!((incomplete_beta(2.5, 1.0, x) - x.powf(2.5)).abs() < 1e-14);
            assert!((incomplete_beta(2.0, 2.0, x) - x * x * (3.0 - 2.0 * x)).abs() < 1e-14);
        }
    }

    #[test]
    fn failures_allowed_are_those_of_the_bound() {
        assert_eq!(failures_allowed(997, 0.997, CONFIDENCE), None);
        assert_eq!(failures_allowed(998, 0.997, CONFIDENCE), Some(0));
        for runs in [1000, 2000, 10_000] {
            let most = failures_allowed(runs, 0.997, CONFIDENCE).expect("enough runs");
            assert!(share_bounds(runs - most, runs, 0.05).0 >= 0.997);
            assert!(share_bounds(runs - most - 1, runs, 0.05).0 < 0.997);
        }
    }

    #[test]
    fn quantiles_and_moments_of_a_small_sample() {
        let values = [1.0, 2.0, 4.0, 8.0];
        assert_eq!(quantile(&values, 0.0), Some(1.0));
        assert_eq!(quantile(&values, 1.0), Some(8.0));
        assert_eq!(quantile(&values, 0.5), Some(3.0));
        assert_eq!(quantile(&[], 0.5), None);
        assert_eq!(quantile(&[f64::NEG_INFINITY; 2], 0.5), Some(f64::NEG_INFINITY));
        let (mean, deviation) = mean_and_deviation(&values);
        assert!((mean - 3.75).abs() < 1e-15 && (deviation.powi(2) - 28.75 / 3.0).abs() < 1e-12);
    }
}
