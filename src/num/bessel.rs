//! Bessel functions of the first kind, orders 0 and 1.
//!
//! Source: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, 1964: 9.1.10 (power series) and 9.1.21
//! (integral); numbers from memory, values checked in `tests/validation`.

use std::f64::consts::PI;

/// Up to here the power series loses no more than three digits to cancellation.
const SERIES: f64 = 5.0;

/// `J0(x)` for finite x.
pub fn j0(x: f64) -> f64 {
    if x.abs() <= SERIES { series(0, x) } else { integral(0, x) }
}

/// `J1(x)` for finite x; near zero exact to the last digits of a small number.
pub fn j1(x: f64) -> f64 {
    if x.abs() <= SERIES { series(1, x) } else { integral(1, x) }
}

/// `(x/2)^n sum over k of (-x^2/4)^k / (k! (n+k)!)`.
fn series(order: u32, x: f64) -> f64 {
    let step = -0.25 * x * x;
    let mut term = if order == 0 { 1.0 } else { 0.5 * x };
    let mut sum = term;
    for k in 1..40u32 {
        term *= step / f64::from(k * (order + k));
        sum += term;
        if term.abs() <= f64::EPSILON * sum.abs() {
            break;
        }
    }
    sum
}

/// `1/pi int_0^pi cos(n t - x sin t) dt` by the trapezoidal rule, which converges faster than any power here.
fn integral(order: u32, x: f64) -> f64 {
    let count = 40 + 2 * x.abs().ceil() as usize;
    let at = |k: usize| {
        let t = PI * k as f64 / count as f64;
        (f64::from(order) * t - x * t.sin()).cos()
    };
    let inner: f64 = (1..count).map(at).sum();
    (inner + 0.5 * (at(0) + at(count))) / count as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn series_and_integral_meet() {
        for x in [3.0, 4.9, -4.0] {
            for order in [0, 1] {
                assert!((series(order, x) - integral(order, x)).abs() < 1e-14, "J{order}({x})");
            }
        }
    }

    #[test]
    fn small_arguments_keep_their_digits() {
        assert!((j1(2e-9) / 1e-9 - 1.0).abs() < 1e-15);
        assert!((j0(1e-9) - 1.0).abs() < 1e-15);
        assert!((j1(-0.3) + j1(0.3)).abs() < 1e-16);
    }

    #[test]
    fn far_out_they_fall_as_waves_do() {
        let x = 400.0_f64;
        let wave = (2.0 / (PI * x)).sqrt() * (x - PI / 4.0).cos();
        assert!((j0(x) - wave).abs() < 2e-5);
    }
}
