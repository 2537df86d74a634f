//! Monotone cubic interpolation.
//!
//! Source: F. N. Fritsch and R. E. Carlson, Monotone piecewise cubic interpolation, SIAM J. Numer. Anal. 17(2), 1980;
//! slopes by the weighted harmonic mean of F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5(2), 1984.

use super::newton;

/// A piecewise cubic through points, monotone where they are, with a continuous derivative.
#[derive(Clone, Debug, PartialEq)]
pub struct MonotoneCubic {
    x: Vec<f64>,
    y: Vec<f64>,
    slope: Vec<f64>,
}

impl MonotoneCubic {
    /// Through points with ascending `x`; at least two. `None` otherwise.
    pub fn new(x: Vec<f64>, y: Vec<f64>) -> Option<Self> {
        if x.len() < 2 || x.len() != y.len() || x.windows(2).any(|p| p[0] >= p[1]) {
            return None;
        }
        let n = x.len();
        let width: Vec<f64> = x.windows(2).map(|p| p[1] - p[0]).collect();
        let secant: Vec<f64> = y.windows(2).zip(&width).map(|(p, h)| (p[1] - p[0]) / h).collect();
        let mut slope = vec![0.0; n];
        for i in 1..n - 1 {
            let (before, after) = (secant[i - 1], secant[i]);
            if before * after > 0.0 {
                let (w1, w2) = (2.0 * width[i] + width[i - 1], width[i] + 2.0 * width[i - 1]);
                slope[i] = (w1 + w2) / (w1 / before + w2 / after);
            }
        }
        slope[0] = end_slope(width[0], width.get(1).copied(), secant[0], secant.get(1).copied());
        slope[n - 1] = end_slope(
            width[n - 2],
            n.checked_sub(3).map(|i| width[i]),
            secant[n - 2],
            n.checked_sub(3).map(|i| secant[i]),
        );
        Some(Self { x, y, slope })
    }

    /// First and last abscissa.
    pub fn domain(&self) -> (f64, f64) {
        (self.x[0], self.x[self.x.len() - 1])
    }

    /// How many points it goes through.
    pub fn points(&self) -> usize {
        self.x.len()
    }

    /// Ordinates at the first and last abscissa.
    pub fn ends(&self) -> (f64, f64) {
        (self.y[0], self.y[self.y.len() - 1])
    }

    fn piece(&self, at: f64) -> usize {
        self.x.partition_point(|x| *x <= at).clamp(1, self.x.len() - 1) - 1
    }

    /// Width of a piece, and where an abscissa stands in it, 0 .. 1.
    fn within(&self, i: usize, at: f64) -> (f64, f64) {
        let h = self.x[i + 1] - self.x[i];
        (h, (at - self.x[i]) / h)
    }

    fn value_in(&self, i: usize, at: f64) -> f64 {
        let (h, t) = self.within(i, at);
        let s = 1.0 - t;
        self.y[i] * (1.0 + 2.0 * t) * s * s
            + self.slope[i] * h * t * s * s
            + self.y[i + 1] * t * t * (3.0 - 2.0 * t)
            - self.slope[i + 1] * h * t * t * s
    }

    fn derivative_in(&self, i: usize, at: f64) -> f64 {
        let (h, t) = self.within(i, at);
        let secant = (self.y[i + 1] - self.y[i]) / h;
        6.0 * t * (1.0 - t) * secant
            + self.slope[i] * (1.0 - t) * (1.0 - 3.0 * t)
            + self.slope[i + 1] * t * (3.0 * t - 2.0)
    }

    /// Value; beyond the ends the end's straight line goes on.
    pub fn value(&self, at: f64) -> f64 {
        let (first, last) = self.domain();
        if at < first || at > last {
            let end = if at < first { 0 } else { self.x.len() - 1 };
            return self.y[end] + self.slope[end] * (at - self.x[end]);
        }
        self.value_in(self.piece(at), at)
    }

    /// Value and all derivatives, and the abscissae between which the cubic that has them holds.
    pub fn jet(&self, at: f64) -> ([f64; 4], (f64, f64)) {
        let (first, last) = self.domain();
        if at < first || at > last {
            let (end, span) = if at < first {
                (0, (f64::NEG_INFINITY, first))
            } else {
                (self.x.len() - 1, (last, f64::INFINITY))
            };
            return ([self.value(at), self.slope[end], 0.0, 0.0], span);
        }
        let i = self.piece(at);
        let (h, t) = self.within(i, at);
        let secant = (self.y[i + 1] - self.y[i]) / h;
        let (a, b) = (self.slope[i], self.slope[i + 1]);
        let second = 6.0 * (1.0 - 2.0 * t) * secant + (6.0 * t - 4.0) * a + (6.0 * t - 2.0) * b;
        let third = 6.0 * (a + b - 2.0 * secant);
        let jet = [self.value_in(i, at), self.derivative_in(i, at), second / h, third / (h * h)];
        (jet, (self.x[i], self.x[i + 1]))
    }

    /// Where it has a value, of points that rise or fall throughout; `None` beyond the values at the ends.
    pub fn inverse(&self, value: f64) -> Option<f64> {
        let (first, last) = self.ends();
        let rising = last > first;
        if !(value >= first.min(last) && value <= first.max(last)) {
            return None;
        }
        let before = self.y.partition_point(|y| if rising { *y <= value } else { *y >= value });
        let i = before.clamp(1, self.y.len() - 1) - 1;
        let (low, high) = (self.x[i], self.x[i + 1]);
        let off = |at: f64| (self.value_in(i, at) - value, self.derivative_in(i, at));
        let share = (value - self.y[i]) / (self.y[i + 1] - self.y[i]);
        let bracket = if rising { (low, high) } else { (high, low) };
        Some(newton::root(off, bracket, low + share * (high - low)))
    }

    /// Derivative; beyond the ends that of the end.
    pub fn derivative(&self, at: f64) -> f64 {
        let (first, last) = self.domain();
        if at < first || at > last {
            return self.slope[if at < first { 0 } else { self.x.len() - 1 }];
        }
        self.derivative_in(self.piece(at), at)
    }
}

/// Three-point slope at an end, kept from overshooting.
fn end_slope(h0: f64, h1: Option<f64>, d0: f64, d1: Option<f64>) -> f64 {
    let (Some(h1), Some(d1)) = (h1, d1) else { return d0 };
    let slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
    if slope * d0 <= 0.0 {
        0.0
    } else if d0 * d1 <= 0.0 && slope.abs() > 3.0 * d0.abs() {
        3.0 * d0
    } else {
        slope
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_jet_is_the_cubic_of_its_piece() {
        let curve = MonotoneCubic::new(vec![0.0, 1.0, 2.5, 4.0], vec![1.0, 3.0, 3.5, 9.0]).expect("a curve");
        for at in [-1.0, 0.0, 0.3, 1.0, 2.2, 3.9, 4.0, 5.0] {
            let ([value, slope, second, third], (low, high)) = curve.jet(at);
            assert!(low <= at && at <= high);
            for to in [low.max(at - 1.0), high.min(at + 1.0)] {
                let away = to - at;
                let there = value + away * (slope + away * (second / 2.0 + away * third / 6.0));
                assert!((there - curve.value(to)).abs() < 1e-12, "{at} {to}");
            }
        }
    }

    #[test]
    fn a_straight_line_stays_one() {
        let line = MonotoneCubic::new(vec![0.0, 1.0, 4.0], vec![1.0, 3.0, 9.0]).expect("points");
        for at in [-1.0, 0.0, 0.3, 2.7, 4.0, 6.0] {
            assert!((line.value(at) - (1.0 + 2.0 * at)).abs() < 1e-12);
            assert!((line.derivative(at) - 2.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_value_is_found_again() {
        let rising = MonotoneCubic::new(vec![0.0, 1.0, 2.0, 4.0], vec![0.0, 0.1, 5.0, 5.1]).expect("points");
        let falling = MonotoneCubic::new(vec![-3.0, 1.0, 2.0], vec![4.0, 0.5, -7.0]).expect("points");
        for curve in [rising, falling] {
            let (from, to) = curve.domain();
            for k in 0..=60 {
                let at = from + (to - from) * f64::from(k) / 60.0;
                let value = curve.value(at);
                let found = curve.value(curve.inverse(value).expect("inside"));
                assert!((found - value).abs() < 1e-14, "{at}: {found} {value}");
            }
            let (first, last) = curve.ends();
            assert_eq!((curve.inverse(2.0 * first - last), curve.inverse(2.0 * last - first)), (None, None));
        }
    }

    #[test]
    fn it_is_monotone_and_its_derivative_is_right() {
        let curve = MonotoneCubic::new(vec![0.0, 1.0, 2.0, 3.0], vec![0.0, 0.1, 5.0, 5.1]).expect("points");
        let mut before = curve.value(0.0);
        for k in 1..=300 {
            let at = f64::from(k) * 0.01;
            let value = curve.value(at);
            assert!(value >= before);
            before = value;
            let step = 1e-6;
            let numeric = (curve.value(at + step) - curve.value(at - step)) / (2.0 * step);
            assert!((numeric - curve.derivative(at)).abs() < 1e-4, "{at}");
        }
        assert!(MonotoneCubic::new(vec![0.0, 0.0], vec![0.0, 1.0]).is_none());
    }
}
