//! The integrals of an exponential: what one mode does in a given time.

use super::system::{MOST, Vector};

/// For a mode of rate `l` after time `s`: `e^(l s)`, its integral, and the integral of that.
#[derive(Clone, Copy, Debug)]
pub(super) struct Phi {
    /// `e^(l s)`.
    pub decay: f64,
    /// `(e^(l s) - 1) / l`.
    pub once: f64,
    /// `(e^(l s) - 1 - l s) / l^2`.
    pub twice: f64,
}

/// Below this `|l s|` the last integral is summed as a series: the closed form would lose digits.
pub(super) const SMALL: f64 = 0.3;

/// Below this, few terms do.
const TINY: f64 = 2e-3;

/// `1 / (k + 2)!`, from the constant term up: `(e^x - 1 - x) / x^2`; enough for `SMALL`.
pub(super) const SERIES: [f64; 11] = [
    1.0 / 2.0,
    1.0 / 6.0,
    1.0 / 24.0,
    1.0 / 120.0,
    1.0 / 720.0,
    1.0 / 5040.0,
    1.0 / 40_320.0,
    1.0 / 362_880.0,
    1.0 / 3_628_800.0,
    1.0 / 39_916_800.0,
    1.0 / 479_001_600.0,
];

impl Phi {
    /// Of no mode.
    pub(super) const NONE: Self = Self { decay: 0.0, once: 0.0, twice: 0.0 };

    /// Of a mode of rate `rate` after `time`.
    #[inline]
    pub(super) fn new(rate: f64, time: f64) -> Self {
        let x = rate * time;
        if x == 0.0 {
            return Self { decay: 1.0, once: time, twice: 0.5 * time * time };
        }
        if x.abs() < SMALL {
            let terms = if x.abs() < TINY { &SERIES[..5] } else { &SERIES };
            let sum = terms.iter().rev().fold(0.0, |sum, c| sum * x + c);
            let once = 1.0 + x * sum;
            return Self { decay: 1.0 + x * once, once: time * once, twice: time * time * sum };
        }
        let decay = x.exp();
        let grown = decay - 1.0;
        Self { decay, once: grown / rate, twice: (grown - x) / (rate * rate) }
    }

    /// The same a little later (or earlier): exact, and without another exponential.
    #[inline]
    fn later(&self, rate: f64, time: f64) -> Self {
        let more = Self::new(rate, time);
        Self {
            decay: self.decay * more.decay,
            once: self.once + self.decay * more.once,
            twice: self.twice + self.once * time + self.decay * more.twice,
        }
    }
}

/// Integrals of all modes at the time last asked for: in lock the next time lies close by.
#[derive(Clone, Debug)]
pub(super) struct Memo {
    time: f64,
    phis: [Phi; MOST],
    /// How far a time may lie away.
    reach: f64,
}

impl Memo {
    /// For modes of these rates.
    pub(super) fn new(rates: &Vector) -> Self {
        let fastest = rates.iter().fold(0.0_f64, |fastest, rate| fastest.max(rate.abs()));
        let phis = rates.map(|rate| Phi::new(rate, 1.0));
        Self { time: 1.0, phis, reach: TINY / fastest.max(TINY) }
    }

    /// Integrals of all modes after `time`.
    #[inline]
    pub(super) fn at(&mut self, rates: &Vector, size: usize, time: f64) -> [Phi; MOST] {
        let away = time - self.time;
        let mut phis = self.phis;
        if away.abs() < self.reach {
            for j in 0..size {
                phis[j] = self.phis[j].later(rates[j], away);
            }
        } else if time > self.reach {
            for j in 0..size {
                phis[j] = Phi::new(rates[j], time);
            }
            (self.phis, self.time) = (phis, time);
        } else {
            // Pulses are as short as they are: they need no memory, and the long stretches keep theirs.
            for j in 0..size {
                phis[j] = Phi::new(rates[j], time);
            }
        }
        phis
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_remembered_is_what_is_computed() {
        let mut rates = [0.0; MOST];
        rates[..3].copy_from_slice(&[0.0, -0.7, -35.0]);
        let mut memo = Memo::new(&rates);
        for time in [0.9, 0.900_02, 0.899_99, 1e-5, 0.9, 0.3, 0.300_01, 1.0] {
            let found = memo.at(&rates, 3, time);
            for (rate, phi) in rates.iter().zip(&found).take(3) {
                let exact = Phi::new(*rate, time);
                for (a, b) in [(phi.decay, exact.decay), (phi.once, exact.once), (phi.twice, exact.twice)] {
                    assert!((a - b).abs() <= 1e-14 * b.abs(), "{rate} {time}: {a} {b}");
                }
            }
        }
    }

    /// Both branches against sums of 40 terms.
    #[test]
    fn integrals_of_an_exponential() {
        for (rate, time) in [(-3.0, 1e-9), (-1.0, 0.299), (-1.0, 0.301), (-40.0, 0.1), (2.0, 0.5), (0.0, 0.7)]
        {
            let x: f64 = rate * time;
            let (mut term, mut sums) = (1.0, [0.0; 3]);
            for k in 0..40 {
                let n = f64::from(k);
                sums[0] += term;
                sums[1] += term / (n + 1.0);
                sums[2] += term / ((n + 1.0) * (n + 2.0));
                term *= x / (n + 1.0);
            }
            let phi = Phi::new(rate, time);
            let exact = [x.exp(), time * sums[1], time * time * sums[2]];
            for (got, want) in [phi.decay, phi.once, phi.twice].into_iter().zip(exact) {
                assert!((got - want).abs() <= 1e-14 * want.abs(), "{rate} {time}: {got} {want}");
            }
        }
    }
}
