//! The sampled loop by its poles.

use num_complex::Complex64;

use super::{APART, MOST, Poles};
use crate::num::newton;

/// Partial fractions, each summed over its aliases.
pub(super) struct Terms {
    /// `g T^2 / 4`, of the double pole at zero.
    double: f64,
    /// `c T / 2`, of the single one.
    single: f64,
    /// Of each further pole; the first `count` hold.
    others: [Term; MOST],
    count: usize,
    period: f64,
}

/// `r T/2 (1 + m) / (1 - m)` with `m = d exp(-j w T)`, `d = exp(-p T)`, over `|1 - m|^2 = (1 - d)^2 + 4 d sin^2(w T/2)`.
#[derive(Clone, Copy, Default)]
struct Term {
    /// `r T/2 (1 - d^2)`.
    real: f64,
    /// `r T/2 4 d`, of `sin(w T/2) cos(w T/2)`.
    imaginary: f64,
    /// (1 - d)^2.
    least: f64,
    /// 4 d.
    turning: f64,
}

impl Term {
    fn new(residue: f64, decay: f64) -> Self {
        let gap = 1.0 - decay;
        let turning = 4.0 * decay;
        Self { real: residue * gap * (1.0 + decay), imaginary: residue * turning, least: gap * gap, turning }
    }
}

impl Terms {
    pub(super) fn new(poles: &Poles) -> Self {
        let mut p = poles.poles;
        let p = &mut p[..poles.count];
        for i in 1..p.len() {
            if let Some(j) = (0..i).find(|j| (p[i] / p[*j] - 1.0).abs() < APART) {
                // Moved both ways, so that what they do together changes with the square of the distance only.
                let middle = (p[i] * p[j]).sqrt();
                (p[i], p[j]) = (middle * (1.0 + 0.5 * APART), middle * (1.0 - 0.5 * APART));
            }
        }
        let half = 0.5 * poles.period;
        let mut others = [Term::default(); MOST];
        for (i, other) in others[..p.len()].iter_mut().enumerate() {
            let rest: f64 = (0..p.len()).filter(|j| *j != i).map(|j| 1.0 - p[i] / p[j]).product();
            let residue = poles.gain * (1.0 - p[i] * poles.zero) / (p[i] * rest);
            *other = Term::new(residue * half, (-p[i] * poles.period).exp());
        }
        let lags: f64 = p.iter().map(|p| 1.0 / p).sum();
        Self {
            double: poles.gain * half * half,
            single: poles.gain * (poles.zero - lags) * half,
            others,
            count: p.len(),
            period: poles.period,
        }
    }

    pub(super) fn at(&self, w: f64) -> Complex64 {
        let (sine, cosine) = (0.5 * w * self.period).sin_cos();
        let [re, turn] = self.parts(sine * sine).map(|(value, _)| value);
        Complex64::new(re, -sine * cosine * turn)
    }

    /// Over `u = sin^2(w T/2)`: the real part of L, and its imaginary part over `-sin(w T/2) cos(w T/2)`, each with its slope.
    fn parts(&self, u: f64) -> [(f64, f64); 2] {
        let over = 1.0 / u;
        let mut re = (-self.double * over, self.double * over * over);
        let mut turn = (self.single * over, -self.single * over * over);
        for term in &self.others[..self.count] {
            let over = 1.0 / (term.least + term.turning * u);
            let fall = term.turning * over;
            let (real, imaginary) = (term.real * over, term.imaginary * over);
            re = (re.0 + real, re.1 - real * fall);
            turn = (turn.0 + imaginary, turn.1 - imaginary * fall);
        }
        [re, turn]
    }

    /// |L|^2 over u, and its slope.
    fn power(&self, u: f64) -> (f64, f64) {
        let [re, turn] = self.parts(u);
        let both = u * (1.0 - u);
        let slope = re.0 * re.1 + both * turn.0 * turn.1;
        (re.0 * re.0 + both * turn.0 * turn.0, 2.0 * slope + (1.0 - 2.0 * u) * turn.0 * turn.0)
    }

    /// u at `w` rad/s.
    fn square(&self, w: f64) -> f64 {
        (0.5 * w * self.period).sin().powi(2)
    }

    /// Where |L| = 1 below `half` rad/s, near the crossing of the continuous loop, and the phase margin there, rad; `None`
    /// where it is not there.
    pub(super) fn crossing(&self, near: f64, half: f64) -> Option<(f64, f64)> {
        const STEP: f64 = 1.05;
        let power = |w: f64| self.power(self.square(w)).0;
        let mut high = near.min(half);
        while power(high) > 1.0 {
            if high >= half {
                return None;
            }
            high = (high * STEP).min(half);
        }
        let mut low = high / STEP;
        while power(low) <= 1.0 {
            low /= STEP * STEP;
        }
        let (low, high) = (self.square(low), self.square(high));
        // 1 - 1 / |L|^2, nearly straight where |L| falls as 1 / w; with the factor |L|^2.
        let off = |u: f64| {
            let (power, slope) = self.power(u);
            (power - 1.0, slope / power)
        };
        let u = newton::root(off, (high, low), self.square(near).max(low).min(high));
        let [re, turn] = self.parts(u).map(|(value, _)| value);
        let margin = ((u * (1.0 - u)).sqrt() * turn).atan2(-re);
        Some((2.0 * u.sqrt().asin() / self.period, margin))
    }

    /// Least gain margin, dB: at half the rate, where L is real, and where L is negative real below.
    pub(super) fn gain_margin(&self, near: f64, half: f64) -> f64 {
        let last = self.parts(1.0)[0].0;
        let mut most = if last < 0.0 { last * last } else { 0.0 };
        const STEPS: i32 = 16;
        let low = 0.25 * near.min(half);
        let ratio = (half / low).powf(1.0 / f64::from(STEPS));
        let mut w = low;
        let at = |u: f64| (u, self.turning(u).0);
        let mut before = at(self.square(low));
        for k in 1..=STEPS {
            w *= ratio;
            let next = at(if k == STEPS { 1.0 } else { self.square(w) });
            if (before.1 < 0.0) != (next.1 < 0.0)
                && [before.0, next.0].iter().all(|u| self.parts(*u)[0].0 < 0.0)
            {
                let (negative, positive) =
                    if before.1 < 0.0 { (before.0, next.0) } else { (next.0, before.0) };
                let middle = 0.5 * (before.0 + next.0);
                let root = newton::root(|u| self.turning(u), (negative, positive), middle);
                most = most.max(self.power(root).0);
            }
            before = next;
        }
        -10.0 * most.log10()
    }

    /// Zero where L is real below half the rate: as the second of [`Terms::parts`], times u, with its slope.
    fn turning(&self, u: f64) -> (f64, f64) {
        self.others[..self.count].iter().fold((self.single, 0.0), |(value, slope), term| {
            let over = 1.0 / (term.least + term.turning * u);
            let part = term.imaginary * over;
            (value + part * u, slope + part * term.least * over)
        })
    }
}
