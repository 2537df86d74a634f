//! Roots and minima of a function of one variable.
//!
//! Source: R. P. Brent, Algorithms for Minimization without Derivatives, Prentice-Hall, 1973, chapters 4 and 5.

#![allow(clippy::float_cmp, reason = "points are compared with stored copies of themselves")]

/// A root of `f` between `a` and `b`, to the last bits. `None` where the signs at the ends do not differ.
pub fn root(mut f: impl FnMut(f64) -> f64, mut a: f64, mut b: f64) -> Option<f64> {
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return Some(a);
    }
    if fb == 0.0 {
        return Some(b);
    }
    // Not by the sign of a product, which underflows for small values.
    let same_side = |x: f64, y: f64| (x > 0.0) == (y > 0.0);
    if same_side(fa, fb) || fa.is_nan() || fb.is_nan() {
        return None;
    }
    let (mut c, mut fc) = (a, fa);
    let mut last = b - a;
    let mut step = last;
    for _ in 0..200 {
        if same_side(fb, fc) {
            (c, fc) = (a, fa);
            step = b - a;
            last = step;
        }
        if fc.abs() < fb.abs() {
            (a, b, c) = (b, c, b);
            (fa, fb, fc) = (fb, fc, fb);
        }
        let tolerance = 2.0 * f64::EPSILON * b.abs();
        let half = 0.5 * (c - b);
        if half.abs() <= tolerance || fb == 0.0 {
            return Some(b);
        }
        if last.abs() >= tolerance && fa.abs() > fb.abs() {
            let s = fb / fa;
            let (p, q) = if a == c {
                (2.0 * half * s, 1.0 - s)
            } else {
                let (q, r) = (fa / fc, fb / fc);
                (s * (2.0 * half * q * (q - r) - (b - a) * (r - 1.0)), (q - 1.0) * (r - 1.0) * (s - 1.0))
            };
            let (p, q) = if p > 0.0 { (p, -q) } else { (-p, q) };
            if 2.0 * p < (3.0 * half * q - (tolerance * q).abs()).min((last * q).abs()) {
                (last, step) = (step, p / q);
            } else {
                (last, step) = (half, half);
            }
        } else {
            (last, step) = (half, half);
        }
        (a, fa) = (b, fb);
        b += if step.abs() > tolerance { step } else { tolerance.copysign(half) };
        fb = f(b);
    }
    Some(b)
}

/// Where `f` is least between `a` and `b`, and its value there; `relative` is the width at which to stop.
///
/// One minimum is assumed; where there are several, one of them is found.
pub fn minimum(mut f: impl FnMut(f64) -> f64, mut a: f64, mut b: f64, relative: f64) -> (f64, f64) {
    const GOLDEN: f64 = 0.381_966_011_250_105_1;
    let mut x = a + GOLDEN * (b - a);
    let (mut w, mut v) = (x, x);
    let mut fx = f(x);
    let (mut fw, mut fv) = (fx, fx);
    let (mut d, mut e) = (0.0f64, 0.0f64);
    for _ in 0..200 {
        let middle = 0.5 * (a + b);
        let tolerance = relative * x.abs() + 1e-300;
        if (x - middle).abs() <= 2.0 * tolerance - 0.5 * (b - a) {
            break;
        }
        let mut golden = true;
        if e.abs() > tolerance {
            let r = (x - w) * (fx - fv);
            let q = (x - v) * (fx - fw);
            let p = (x - v) * q - (x - w) * r;
            let q = 2.0 * (q - r);
            let (p, q) = if q > 0.0 { (-p, q) } else { (p, -q) };
            if p.abs() < (0.5 * q * e).abs() && p > q * (a - x) && p < q * (b - x) {
                (e, d) = (d, p / q);
                let u = x + d;
                if u - a < 2.0 * tolerance || b - u < 2.0 * tolerance {
                    d = tolerance.copysign(middle - x);
                }
                golden = false;
            }
        }
        if golden {
            e = if x < middle { b - x } else { a - x };
            d = GOLDEN * e;
        }
        let u = if d.abs() >= tolerance { x + d } else { x + tolerance.copysign(d) };
        let fu = f(u);
        if fu <= fx {
            if u < x {
                b = x;
            } else {
                a = x;
            }
            (v, fv, w, fw, x, fx) = (w, fw, x, fx, u, fu);
        } else {
            if u < x {
                a = u;
            } else {
                b = u;
            }
            if fu <= fw || w == x {
                (v, fv, w, fw) = (w, fw, u, fu);
            } else if fu <= fv || v == x || v == w {
                (v, fv) = (u, fu);
            }
        }
    }
    (x, fx)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_to_the_last_bits() {
        let found = root(|x| x.cos() - x, 0.0, 1.0).expect("the signs differ");
        assert!((found - 0.739_085_133_215_160_6).abs() < 1e-15);
        let steep = root(|x| x.powi(9) - 1e-9, 0.0, 10.0).expect("the signs differ");
        assert!((steep - 0.1).abs() < 1e-14);
        assert_eq!(root(|x| x * x + 1.0, -1.0, 1.0), None);
        assert_eq!(root(|x| x, 0.0, 1.0), Some(0.0));
        // The product of the values is nought.
        assert_eq!(root(|x| (x - 0.25) * 1e-200, 0.0, 1.0), Some(0.25));
    }

    #[test]
    fn the_least_value_is_found() {
        let (x, value) = minimum(|x| (x - 2.0).powi(2) + 3.0, 0.0, 10.0, 1e-9);
        assert!((x - 2.0).abs() < 1e-7 && (value - 3.0).abs() < 1e-13);
    }
}
