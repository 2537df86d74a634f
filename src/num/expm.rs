//! Exponential of a real square matrix.

use nalgebra::DMatrix;

/// Coefficients of the Padé approximant of degree 13, ascending.
const PADE: [f64; 14] = [
    64_764_752_532_480_000.0,
    32_382_376_266_240_000.0,
    7_771_770_303_897_600.0,
    1_187_353_796_428_800.0,
    129_060_195_264_000.0,
    10_559_470_521_600.0,
    670_442_572_800.0,
    33_522_128_640.0,
    1_323_241_920.0,
    40_840_800.0,
    960_960.0,
    16_380.0,
    182.0,
    1.0,
];

/// Largest 1-norm for which degree 13 is exact to double precision.
const THETA: f64 = 5.371_920_351_148_152;

/// `exp(a)` by the Padé approximant of degree 13 with scaling and squaring; `None` where an entry of `a` is not
/// finite or the result overflows.
///
/// Source: N. J. Higham, The scaling and squaring method for the matrix exponential revisited, SIAM J. Matrix
/// Anal. Appl. 26(4), 2005, algorithm 2.3 (coefficients and bound from memory, held by the tests).
///
/// # Panics
/// If `a` is not square.
pub fn expm(a: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    assert!(a.is_square(), "the exponential is that of a square matrix");
    let norm = a.column_iter().map(|c| c.iter().map(|x| x.abs()).sum::<f64>()).fold(0.0, f64::max);
    if !norm.is_finite() || a.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let squarings = if norm > THETA { (norm / THETA).log2().ceil() as i32 } else { 0 };
    let a = a * 0.5_f64.powi(squarings);
    let identity = DMatrix::identity(a.nrows(), a.nrows());
    let a2 = &a * &a;
    let a4 = &a2 * &a2;
    let a6 = &a2 * &a4;
    let high = |k: usize| &a6 * PADE[k + 6] + &a4 * PADE[k + 4] + &a2 * PADE[k + 2];
    let low = |k: usize| &a6 * PADE[k + 6] + &a4 * PADE[k + 4] + &a2 * PADE[k + 2] + &identity * PADE[k];
    let odd = &a * (&a6 * high(7) + low(1));
    let even = &a6 * high(6) + low(0);
    let mut result = (&even - &odd).lu().solve(&(even + odd))?;
    for _ in 0..squarings {
        result = &result * &result;
    }
    result.iter().all(|x| x.is_finite()).then_some(result)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn matrix(size: usize, rows: &[f64]) -> DMatrix<f64> {
        DMatrix::from_row_slice(size, size, rows)
    }

    fn diagonal(values: &[f64]) -> DMatrix<f64> {
        DMatrix::from_fn(values.len(), values.len(), |i, j| if i == j { values[i] } else { 0.0 })
    }

    fn close(a: &DMatrix<f64>, b: &DMatrix<f64>, relative: f64) {
        let off = (a - b).norm() / b.norm();
        assert!(off < relative, "off by {off:e}\n{a}{b}");
    }

    #[test]
    fn a_diagonal_gives_scalar_exponentials() {
        let a = diagonal(&[-40.0, -1e-3, 0.0, 3.0]);
        let b = diagonal(&[(-40.0_f64).exp(), (-1e-3_f64).exp(), 1.0, 3.0_f64.exp()]);
        close(&expm(&a).expect("finite"), &b, 1e-14);
    }

    #[test]
    fn a_nilpotent_matrix_gives_its_finite_series() {
        let a = matrix(3, &[0.0, 3.0, 5.0, 0.0, 0.0, 7.0, 0.0, 0.0, 0.0]);
        let b = matrix(3, &[1.0, 3.0, 5.0 + 10.5, 0.0, 1.0, 7.0, 0.0, 0.0, 1.0]);
        close(&expm(&a).expect("finite"), &b, 1e-15);
    }

    #[test]
    fn a_rotation_generator_gives_the_rotation() {
        for angle in [1e-6_f64, 0.5, 3.0, 60.0] {
            let a = matrix(2, &[0.0, -angle, angle, 0.0]);
            let b = matrix(2, &[angle.cos(), -angle.sin(), angle.sin(), angle.cos()]);
            close(&expm(&a).expect("finite"), &b, 1e-13);
        }
    }

    #[test]
    fn the_exponential_of_the_negative_is_the_inverse() {
        let a = matrix(3, &[1.0, -2.0, 0.3, 0.7, 4.0, -1.1, -3.0, 0.2, -0.5]);
        let product = expm(&a).expect("finite") * expm(&-&a).expect("finite");
        close(&product, &DMatrix::identity(3, 3), 1e-13);
    }

    #[test]
    fn what_is_not_finite_is_refused() {
        assert!(expm(&matrix(1, &[f64::NAN])).is_none());
        assert!(expm(&matrix(1, &[1e4])).is_none());
    }
}
