//! Sums of decaying exponentials: when they come to rest, and how far they swing.

use num_complex::Complex64;

use super::brent;

/// `sum of weight e^(rate t)`, real for real t: complex terms come in pairs.
#[derive(Clone, Debug, PartialEq)]
pub struct Decay {
    terms: Vec<(Complex64, Complex64)>,
}

/// Samples in the time in which the fastest term that still counts turns by one radian.
const SAMPLES: f64 = 12.0;

/// Most steps of a search: what is slower than this many samples of its own fastest term is not found.
const MOST_STEPS: usize = 2_000_000;

impl Decay {
    /// From rates and weights; `None` where a term does not decay or is not finite.
    pub fn new(terms: Vec<(Complex64, Complex64)>) -> Option<Self> {
        let sound =
            terms.iter().all(|(rate, weight)| rate.re < 0.0 && rate.is_finite() && weight.is_finite());
        (sound && !terms.is_empty()).then_some(Self { terms })
    }

    /// Partial fractions of `of(s) / prod(s - rate)`; roots that coincide are as far apart as they are given.
    pub fn partial_fractions(rates: &[Complex64], of: impl Fn(Complex64) -> Complex64) -> Option<Self> {
        let weight = |k: usize| {
            let others = rates.iter().enumerate().filter(|(j, _)| *j != k);
            of(rates[k]) / others.map(|(_, rate)| rates[k] - rate).product::<Complex64>()
        };
        Self::new((0..rates.len()).map(|k| (rates[k], weight(k))).collect())
    }

    /// Value at `t`.
    pub fn value(&self, t: f64) -> f64 {
        self.terms.iter().map(|(rate, weight)| (weight * (rate * t).exp()).re).sum()
    }

    /// What it can't exceed at `t` and later.
    fn envelope(&self, t: f64) -> f64 {
        self.terms.iter().map(|(rate, weight)| weight.norm() * (rate.re * t).exp()).sum()
    }

    /// Time constant of the slowest term.
    pub fn slowest(&self) -> f64 {
        self.terms.iter().map(|(rate, _)| -1.0 / rate.re).fold(0.0, f64::max)
    }

    /// A step in which no term that counts against `level` moves far.
    fn step(&self, t: f64, level: f64) -> f64 {
        let counts = |term: &&(Complex64, Complex64)| term.1.norm() * (term.0.re * t).exp() > 1e-7 * level;
        let fastest = self.terms.iter().filter(counts).map(|(rate, _)| rate.norm()).fold(0.0, f64::max);
        1.0 / (SAMPLES * fastest.max(1.0 / self.slowest()))
    }

    /// The last time at which the magnitude is above `level`; zero where it never is.
    ///
    /// `None` where `level` is not above zero or the search would not end.
    pub fn last_above(&self, level: f64) -> Option<f64> {
        if !(level > 0.0 && level.is_finite()) {
            return None;
        }
        let over = |t: f64| self.value(t).abs() - level;
        let mut end = self.slowest();
        if self.envelope(0.0) <= level {
            return Some(0.0);
        }
        while self.envelope(end) > level {
            end *= 2.0;
        }
        let mut high = brent::root(|t| self.envelope(t) - level, 0.0, end)?;
        let mut after = high;
        for _ in 0..MOST_STEPS {
            if over(high) > 0.0 {
                return if after > high { brent::root(over, high, after) } else { Some(high) };
            }
            if high <= 0.0 {
                return Some(0.0);
            }
            let step = self.step(high, level);
            let low = (high - step).max(0.0);
            // A peak between samples may just reach out.
            let middle = 0.5 * (low + high);
            if over(low) <= 0.0 && over(middle) > over(low).max(over(high)) {
                let (peak, below) = brent::minimum(|t| -over(t), low, high, 1e-9);
                if below < 0.0 {
                    return brent::root(over, peak, high);
                }
            }
            (after, high) = (high, low);
        }
        None
    }

    /// The farthest value of the other sign than at the start, from zero up; and when.
    pub fn swing(&self) -> (f64, f64) {
        let start = self.value(0.0);
        let sign = -start.signum();
        let level = 1e-6 * start.abs();
        let (mut best, mut at, mut t) = (0.0, 0.0, 0.0);
        for _ in 0..MOST_STEPS {
            let step = self.step(t, level);
            let value = sign * self.value(t);
            if value > best {
                (best, at) = (value, t);
            }
            t += step;
            if self.envelope(t) <= best.max(level) {
                break;
            }
        }
        if best > 0.0 {
            let step = self.step(at, level);
            let (peak, below) =
                brent::minimum(|t| -sign * self.value(t), (at - step).max(0.0), at + step, 1e-9);
            (best, at) = (best.max(-below), peak);
        }
        (best, at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(decay: f64, turn: f64) -> Decay {
        // e^(-decay t) cos(turn t)
        let half = Complex64::new(0.5, 0.0);
        Decay::new(vec![(Complex64::new(-decay, turn), half), (Complex64::new(-decay, -turn), half)])
            .expect("decays")
    }

    #[test]
    fn the_last_time_above_a_level() {
        let one = Decay::new(vec![(Complex64::from(-2.0), Complex64::from(3.0))]).expect("decays");
        assert!((one.last_above(0.3).expect("found") - 10f64.ln() / 2.0).abs() < 1e-12);
        assert_eq!(one.last_above(4.0), Some(0.0));
        assert_eq!(one.last_above(0.0), None);
        // The peaks are e^(-t) at multiples of pi / 50: the last above 0.1 lies just before ln 10.
        let wave = pair(1.0, 50.0);
        let last = wave.last_above(0.1).expect("found");
        assert!((wave.value(last).abs() - 0.1).abs() < 1e-9);
        assert!(last < 10f64.ln() && last > 10f64.ln() - std::f64::consts::PI / 50.0);
    }

    #[test]
    fn the_farthest_swing() {
        let wave = pair(0.5, 3.0);
        let (swing, at) = wave.swing();
        // The slope is zero where tan(3 t) = -1/6.
        let exact = (std::f64::consts::PI - (1.0f64 / 6.0).atan()) / 3.0;
        assert!((at - exact).abs() < 1e-6 && (swing + wave.value(exact)).abs() < 1e-12);
        let falling = Decay::new(vec![(Complex64::from(-1.0), Complex64::from(1.0))]).expect("decays");
        assert!(falling.swing().0.abs() < 1e-300);
    }

    #[test]
    fn partial_fractions_of_a_second_order() {
        // 1 / ((s + 1)(s + 3)) = (e^-t - e^-3t) / 2
        let rates = [Complex64::from(-1.0), Complex64::from(-3.0)];
        let found = Decay::partial_fractions(&rates, |_| Complex64::from(1.0)).expect("decays");
        for t in [0.0f64, 0.4, 2.0] {
            assert!((found.value(t) - 0.5 * ((-t).exp() - (-3.0 * t).exp())).abs() < 1e-15);
        }
        assert!(Decay::partial_fractions(&[Complex64::from(1.0)], |_| Complex64::from(1.0)).is_none());
    }
}
