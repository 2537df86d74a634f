//! Adaptive quadrature of a smooth function over a finite interval.

use std::cmp::Ordering;
use std::collections::BinaryHeap;
use std::fmt;

/// Nodes of the 15-point Kronrod rule in (0, 1), descending, then the centre; the odd ones are Gauss nodes.
const NODES: [f64; 8] = [
    0.991_455_371_120_812_6,
    0.949_107_912_342_758_5,
    0.864_864_423_359_769_1,
    0.741_531_185_599_394_5,
    0.586_087_235_467_691_1,
    0.405_845_151_377_397_2,
    0.207_784_955_007_898_48,
    0.0,
];
const KRONROD: [f64; 8] = [
    0.022_935_322_010_529_224,
    0.063_092_092_629_978_56,
    0.104_790_010_322_250_19,
    0.140_653_259_715_525_92,
    0.169_004_726_639_267_9,
    0.190_350_578_064_785_42,
    0.204_432_940_075_298_89,
    0.209_482_141_084_727_82,
];
const GAUSS: [f64; 4] =
    [0.129_484_966_168_869_7, 0.279_705_391_489_276_64, 0.381_830_050_505_118_9, 0.417_959_183_673_469_4];

/// More pieces than this means the integrand is not what the rule is for.
const MOST_PIECES: usize = 4000;

/// The integral was not found to the accuracy asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct QuadratureError {
    /// Best estimate so far.
    pub estimate: f64,
    /// Its estimated absolute error.
    pub error: f64,
}

impl fmt::Display for QuadratureError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the integral is {:e} with an error of up to {:e}", self.estimate, self.error)
    }
}

impl std::error::Error for QuadratureError {}

struct Piece {
    from: f64,
    to: f64,
    estimate: f64,
    error: f64,
}

impl PartialEq for Piece {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Piece {}

impl PartialOrd for Piece {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Piece {
    fn cmp(&self, other: &Self) -> Ordering {
        self.error.total_cmp(&other.error)
    }
}

/// Integral of `f` from `a` to `b` to a relative accuracy, by the Gauss-Kronrod pair of 7 and 15 points; the piece
/// with the largest error is halved until the sum of the errors is small enough.
///
/// Source: R. Piessens et al., QUADPACK, Springer, 1983 (rule and error estimate; nodes from memory, held by the
/// tests).
///
/// # Errors
/// With the best estimate, where `f` is not finite, or too wild for 4000 pieces.
pub fn adaptive(
    mut f: impl FnMut(f64) -> f64,
    a: f64,
    b: f64,
    relative: f64,
) -> Result<f64, QuadratureError> {
    let mut pieces = BinaryHeap::new();
    pieces.push(rule(&mut f, a, b));
    loop {
        // Summed afresh, so that no rounding of pieces long gone is left in the total.
        let estimate: f64 = pieces.iter().map(|p| p.estimate).sum();
        let error: f64 = pieces.iter().map(|p| p.error).sum();
        if !estimate.is_finite() {
            return Err(QuadratureError { estimate, error });
        }
        if error <= relative * estimate.abs() {
            return Ok(estimate);
        }
        let full = pieces.len() >= MOST_PIECES;
        let Some(worst) = pieces.pop().filter(|_| !full) else {
            return Err(QuadratureError { estimate, error });
        };
        let middle = 0.5 * (worst.from + worst.to);
        pieces.push(rule(&mut f, worst.from, middle));
        pieces.push(rule(&mut f, middle, worst.to));
    }
}

fn rule(f: &mut impl FnMut(f64) -> f64, from: f64, to: f64) -> Piece {
    let centre = 0.5 * (from + to);
    let half = 0.5 * (to - from);
    let middle = f(centre);
    let mut kronrod = KRONROD[7] * middle;
    let mut gauss = GAUSS[3] * middle;
    let mut values = [(0.0, 0.0); 7];
    for (k, pair) in values.iter_mut().enumerate() {
        *pair = (f(centre - half * NODES[k]), f(centre + half * NODES[k]));
        let both = pair.0 + pair.1;
        kronrod += KRONROD[k] * both;
        if k % 2 == 1 {
            gauss += GAUSS[k / 2] * both;
        }
    }
    let mean = 0.5 * kronrod;
    let spread = KRONROD[7] * (middle - mean).abs()
        + values.iter().zip(KRONROD).map(|(v, w)| w * ((v.0 - mean).abs() + (v.1 - mean).abs())).sum::<f64>();
    let difference = (kronrod - gauss).abs();
    // The difference of the rules is the error of the poorer one; QUADPACK's scaling makes it that of the better.
    let error =
        if spread > 0.0 { spread * (200.0 * difference / spread).powf(1.5).min(1.0) } else { difference };
    Piece { from, to, estimate: half * kronrod, error: (half * error).abs() }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    #[test]
    fn closed_forms_are_met() {
        type Closed = (fn(f64) -> f64, f64, f64, f64);
        let cases: [Closed; 6] = [
            (|x| x.powi(22), 0.0, 1.0, 1.0 / 23.0),
            (f64::exp, -1.0, 2.0, 2.0_f64.exp() - (-1.0_f64).exp()),
            (f64::sin, 0.0, PI, 2.0),
            (|x| 1.0 / x, 1.0, 1e6, 1e6_f64.ln()),
            (|x| 1.0 / (1.0 + x * x), -1000.0, 1000.0, 2.0 * 1000.0_f64.atan()),
            (f64::sqrt, 0.0, 1.0, 2.0 / 3.0),
        ];
        for (k, (f, a, b, exact)) in cases.into_iter().enumerate() {
            let found = adaptive(f, a, b, 1e-11).expect("an integral");
            assert!((found / exact - 1.0).abs() < 1e-11, "case {k}: {found} is not {exact}");
        }
    }

    #[test]
    fn a_narrow_peak_is_found() {
        let width = 1e-6;
        let found = adaptive(|x| width / (width * width + (x - 0.3) * (x - 0.3)), 0.0, 1.0, 1e-9);
        let exact = (0.7 / width).atan() + (0.3 / width).atan();
        assert!((found.expect("an integral") / exact - 1.0).abs() < 1e-9);
    }

    #[test]
    fn bounds_swapped_turn_the_sign() {
        assert!((adaptive(|x| x, 1.0, 0.0, 1e-9).expect("an integral") + 0.5).abs() < 1e-15);
    }

    #[test]
    fn nothing_gives_nothing() {
        assert!(adaptive(|_| 0.0, 0.0, 1.0, 1e-9).expect("an integral").abs() < f64::MIN_POSITIVE);
    }

    #[test]
    fn a_pole_is_refused() {
        assert!(adaptive(|x| 1.0 / x, 0.0, 1.0, 1e-9).is_err());
        assert!(adaptive(|x| if x > 0.5 { f64::NAN } else { 1.0 }, 0.0, 1.0, 1e-9).is_err());
    }
}
