//! Parts of a passive filter: C1 | R2 + C2, then R3-C3, then R4-C4, with the largest last capacitor.
//!
//! Everything is in units of T2 and A0, the sum of the capacitors: a, b, c are T1, T3, T4 over T2, all below 1.

use super::{Shape, SynthesisError};
use crate::num::brent;
use crate::physics::part::{Filter, Topology};

/// Width at which the searches end, relative to their ranges: a maximum is flat, its value is then exact.
const WIDTH: f64 = 1e-9;

pub(super) fn parts(topology: Topology, shape: Shape) -> Result<Filter, SynthesisError> {
    let Shape { times, a0 } = shape;
    let [a, b, c] = [times.t1, times.t3, times.t4].map(|t| t / times.t2);
    let ohm = times.t2 / a0;
    let (c1, c2, post) = match topology.order() {
        2 => (a, 1.0 - a, vec![]),
        3 => third(a, b)?,
        _ => fourth(a, b, c)?,
    };
    let post = post.into_iter().map(|(r, c)| (r * ohm, c * a0)).collect();
    Ok(Filter { topology, c1: c1 * a0, r2: ohm / c2, c2: c2 * a0, post })
}

type Normalised = (f64, f64, Vec<(f64, f64)>);

/// Third order, in closed form.
///
/// With `C1` free, `C3 = const - C1 - k / (C1 - a b)`, `k = a b (1 - a)(1 - b)`: concave, its maximum at
/// `C1 = a b + sqrt k`. With `a = sin^2 A` and `b = sin^2 B` that is `C1 = sin A sin B cos(A - B)`,
/// `C2 = cos A cos B cos(A - B)`, `C3 = sin^2(A - B)`: positive for any a > b.
fn third(a: f64, b: f64) -> Result<Normalised, SynthesisError> {
    let (sin_a, cos_a) = (a.sqrt(), (1.0 - a).sqrt());
    let (sin_b, cos_b) = (b.sqrt(), (1.0 - b).sqrt());
    let cos = cos_a * cos_b + sin_a * sin_b;
    let sin = sin_a * cos_b - cos_a * sin_b;
    let (c1, c2, c3) = (sin_a * sin_b * cos, cos_a * cos_b * cos, sin * sin);
    if c3 <= 0.0 {
        return Err(SynthesisError::NotRealisable { part: "C3" });
    }
    Ok((c1, c2, vec![(a * b / (c1 * c3), c3)]))
}

/// Fourth order. Current in over voltage out is `s P / (1 + s)` with
/// `P = (1 + a s)(1 + b s)(1 + c s) = (C1 + C2 + s C1) V + (1 + s) Q`, where `Q = C3 + C4 + s C3 R4 C4` and
/// `V = 1 + s R4 C4 + s R3 Q` are current (over s) and voltage at the node of R3 per volt at the output.
///
/// At `s = -w`, `w = 1 + C2/C1`, the first term vanishes: w and `p = C3 + C4` give Q from two of its points, then V by
/// division, then all parts without solving anything. Q at -w is positive for w in 1/a .. 1/b, where the filter is.
struct Fourth {
    /// Sum, sum of products of two and product of a, b, c.
    sums: [f64; 3],
    w: f64,
    /// Q at -w.
    q: f64,
}

impl Fourth {
    fn new([a, b, c]: [f64; 3], w: f64) -> Self {
        let q = (a * w - 1.0) * (1.0 - b * w) * (1.0 - c * w) / (w - 1.0);
        Self { sums: [a + b + c, a * b + b * c + c * a, a * b * c], w, q }
    }

    /// The range of p in which R4 C4 is positive.
    fn range(&self) -> Option<(f64, f64)> {
        // R4 C4 is positive where p^2 - half p + product < 0.
        let sum = self.sums[0] - (1.0 - self.q) / self.w;
        let (double, product) = (sum + self.q - self.sums[2] * self.w * self.w, sum * self.q);
        let root = (double * double - 4.0 * product).sqrt();
        let high = 0.5 * (double + root);
        let (low, high) = ((product / high).max(self.q), high.min(1.0));
        (low < high).then_some((low, high))
    }

    /// C1, C2, R3, C3, R4, C4 for `p`.
    fn parts(&self, p: f64) -> [f64; 6] {
        let w = self.w;
        let c1 = (1.0 - p) / w;
        let slope = (p - self.q) / w;
        let first = (self.sums[0] - c1 - p - slope) / (1.0 - p);
        let r3 = self.sums[2] / (c1 * slope);
        let fourth = first - r3 * p;
        let c3 = slope / fourth;
        let c4 = p - c3;
        [c1, 1.0 - p - c1, r3, c3, fourth / c4, c4]
    }

    /// The p with the largest C4, and that C4.
    fn best(&self) -> Option<(f64, f64)> {
        let (low, high) = self.range()?;
        let at = |t: f64| low + (high - low) * t;
        let (t, negative) = brent::minimum(|t| -self.parts(at(t))[5], 0.0, 1.0, WIDTH);
        Some((at(t), -negative))
    }
}

fn fourth(a: f64, b: f64, c: f64) -> Result<Normalised, SynthesisError> {
    let at = |t: f64| Fourth::new([a, b, c], (a / b).powf(t) / a);
    let worth = |t: f64| at(t).best().map_or(f64::INFINITY, |(_, c4)| -c4);
    let (t, _) = brent::minimum(worth, 0.0, 1.0, WIDTH);
    let chosen = at(t);
    let (p, _) = chosen.best().ok_or(SynthesisError::NotRealisable { part: "C4" })?;
    let [c1, c2, r3, c3, r4, c4] = chosen.parts(p);
    Ok((c1, c2, vec![(r3, c3), (r4, c4)]))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHAPES: [[f64; 3]; 5] =
        [[0.1, 0.03, 0.009], [0.3, 0.24, 0.2], [0.02, 0.019, 0.001], [0.6, 0.05, 0.049], [0.1, 0.097, 0.094]];

    /// C3 for any C1, from the polynomial of the network, against the closed form.
    #[test]
    fn no_third_order_filter_has_a_larger_last_capacitor() {
        for [a, b, _] in SHAPES {
            let (c1, _, post) = third(a, b).expect("a filter");
            let c3 = |c1: f64| (a + b - c1 - a * b / c1) / (1.0 - a * b / c1);
            assert!((c3(c1) / post[0].1 - 1.0).abs() < 1e-9, "{} {}", c3(c1), post[0].1);
            for k in 1..20_000 {
                let other = a * b + (1.0 - a * b) * k as f64 / 20_000.0;
                let realisable = other + c3(other) < 1.0;
                assert!(!realisable || c3(other) <= post[0].1 * (1.0 + 1e-9), "C1 = {other}");
            }
        }
    }

    #[test]
    fn no_fourth_order_filter_has_a_larger_last_capacitor() {
        for [a, b, c] in SHAPES {
            let (.., post) = fourth(a, b, c).expect("a filter");
            let best = post[1].1;
            let mut seen = 0.0_f64;
            // Over all w, not only where the search looks.
            for i in 0..2000 {
                let w = 1.0 + 1e-3 * (1e3 / c * 10.0).powf(f64::from(i) / 2000.0);
                let trial = Fourth::new([a, b, c], w);
                for k in 1..2000 {
                    let parts = trial.parts(f64::from(k) / 2000.0);
                    if parts.iter().all(|x| *x > 0.0) {
                        seen = seen.max(parts[5]);
                    }
                }
            }
            assert!(seen <= best * (1.0 + 1e-9), "{seen} > {best} for {a} {b} {c}");
        }
    }

    /// Around the maximum, every change of the two free parameters makes C4 smaller.
    #[test]
    fn the_last_capacitor_is_at_its_maximum() {
        for [a, b, c] in SHAPES {
            let (c1, c2, post) = fourth(a, b, c).expect("a filter");
            let (w, p) = (1.0 + c2 / c1, post[0].1 + post[1].1);
            for (dw, dp) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0), (1.0, 1.0), (-1.0, -1.0)] {
                let near = Fourth::new([a, b, c], w * (1.0 + 1e-3 * dw)).parts(p * (1.0 + 1e-3 * dp))[5];
                assert!(near < post[1].1, "{a} {b} {c}: {near} {}", post[1].1);
            }
        }
    }
}
