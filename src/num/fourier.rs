//! Discrete Fourier transform of any length.

use std::f64::consts::PI;

use num_complex::Complex64;

/// `sum of x[n] exp(-2 pi i j n / L)` for every `j` below the length L; any L, in `L log L` steps.
///
/// Source: L. I. Bluestein, IEEE Trans. Audio Electroacoust. 18(4), 1970 (from memory): `j n = (j^2 + n^2 -
/// (j - n)^2) / 2` turns the sum into a convolution, which is done with lengths that are powers of two.
pub fn transform(x: &[Complex64]) -> Vec<Complex64> {
    let length = x.len();
    if length < 2 {
        return x.to_vec();
    }
    if length.is_power_of_two() {
        let mut all = x.to_vec();
        radix_two(&mut all, -1.0);
        return all;
    }
    // exp(-pi i n^2 / L): the square is reduced first, so that the angle stays exact.
    let double = 2 * length as u128;
    let chirp: Vec<Complex64> = (0..length as u128)
        .map(|n| Complex64::from_polar(1.0, -PI * (n * n % double) as f64 / length as f64))
        .collect();
    let padded = (2 * length - 1).next_power_of_two();
    let mut a = vec![Complex64::ZERO; padded];
    let mut b = vec![Complex64::ZERO; padded];
    for (n, (value, turn)) in x.iter().zip(&chirp).enumerate() {
        a[n] = value * turn;
        b[n] = turn.conj();
        b[(padded - n) % padded] = turn.conj();
    }
    radix_two(&mut a, -1.0);
    radix_two(&mut b, -1.0);
    for (a, b) in a.iter_mut().zip(&b) {
        *a *= b;
    }
    radix_two(&mut a, 1.0);
    a.iter().zip(&chirp).map(|(value, turn)| value * turn / padded as f64).collect()
}

/// In place, length a power of two; `sign` of the exponent, no scaling.
fn radix_two(x: &mut [Complex64], sign: f64) {
    let length = x.len();
    let shift = usize::BITS - length.trailing_zeros();
    for i in 0..length {
        let j = if shift == usize::BITS { i } else { i.reverse_bits() >> shift };
        if i < j {
            x.swap(i, j);
        }
    }
    let turns: Vec<Complex64> = (0..length / 2)
        .map(|k| Complex64::from_polar(1.0, sign * 2.0 * PI * k as f64 / length as f64))
        .collect();
    let mut half = 1;
    while half < length {
        let stride = length / (2 * half);
        for block in x.chunks_exact_mut(2 * half) {
            let (low, high) = block.split_at_mut(half);
            for ((a, b), turn) in low.iter_mut().zip(high).zip(turns.iter().step_by(stride)) {
                let turned = *b * turn;
                (*a, *b) = (*a + turned, *a - turned);
            }
        }
        half *= 2;
    }
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
        for length in [1, 2, 3, 5, 8, 12, 64, 97, 125, 360] {
            let x: Vec<Complex64> =
                (0..length).map(|n| Complex64::new((n * n % 17) as f64 - 8.0, (n * 7 % 11) as f64)).collect();
            for (a, b) in transform(&x).iter().zip(plain(&x)) {
                assert!((a - b).norm() < 1e-9 * length as f64, "length {length}: {a} {b}");
            }
        }
    }
}
