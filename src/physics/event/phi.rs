//! The integrals of an exponential: what one mode does in a given time.

#![allow(clippy::needless_range_loop, reason = "formulas over modes, several vectors by one index")]

use super::system::Vector;

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

/// Up to this one the whole of [`SERIES`] is exact.
pub(super) const MIDDLING: f64 = 0.75;

/// Terms of [`SERIES`] that are enough for [`SMALL`].
const ENOUGH: usize = 11;

/// `1 / (k + 2)!`, from the constant term up: `(e^x - 1 - x) / x^2`.
pub(super) const SERIES: [f64; 15] = [
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
    1.0 / 6_227_020_800.0,
    1.0 / 87_178_291_200.0,
    1.0 / 1_307_674_368_000.0,
    1.0 / 20_922_789_888_000.0,
];

impl Phi {
    /// Of a mode of rate `rate` after `time`.
    #[inline]
    pub(super) fn new(rate: f64, time: f64) -> Self {
        let x = rate * time;
        if x == 0.0 {
            return Self { decay: 1.0, once: time, twice: 0.5 * time * time };
        }
        if x.abs() < SMALL {
            let terms = if x.abs() < TINY { &SERIES[..5] } else { &SERIES[..ENOUGH] };
            let sum = terms.iter().rev().fold(0.0, |sum, c| sum * x + c);
            let once = 1.0 + x * sum;
            return Self { decay: 1.0 + x * once, once: time * once, twice: time * time * sum };
        }
        let decay = x.exp();
        let grown = decay - 1.0;
        Self { decay, once: grown / rate, twice: (grown - x) / (rate * rate) }
    }
}

/// Up to this `|l s|` six terms of the series are exact.
const NEAR: f64 = 0.01;

/// Largest `|l s|` for which the shorter series is exact beside the state.
pub(super) const NUDGE: f64 = 1e-3;

/// Most points of a table.
const MOST_POINTS: usize = 1024;

/// What all modes do in one time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Phis<const N: usize> {
    /// As [`Phi::decay`].
    pub decay: Vector<N>,
    /// As [`Phi::once`].
    pub once: Vector<N>,
    /// As [`Phi::twice`].
    pub twice: Vector<N>,
}

impl<const N: usize> Phis<N> {
    /// For modes of these rates.
    pub(super) fn new(rates: &Vector<N>, time: f64) -> Self {
        let phis = rates.map(|rate| Phi::new(rate, time));
        Self {
            decay: phis.map(|phi| phi.decay),
            once: phis.map(|phi| phi.once),
            twice: phis.map(|phi| phi.twice),
        }
    }

    /// The same a little later (or earlier): exact, and without another exponential. For `|l s|` up to [`NEAR`].
    #[inline]
    fn later(&self, rates: &Vector<N>, time: f64) -> Self {
        let mut later = *self;
        for j in 0..N {
            let x = rates[j] * time;
            // In pairs, which do not wait for each other.
            let (low, middle, high) =
                (SERIES[0] + x * SERIES[1], SERIES[2] + x * SERIES[3], SERIES[4] + x * SERIES[5]);
            let sum = low + x * x * (middle + x * x * high);
            let once = time * (1.0 + x * sum);
            later.decay[j] += self.decay[j] * (rates[j] * once);
            later.twice[j] += self.once[j] * time + self.decay[j] * (time * time * sum);
            later.once[j] += self.decay[j] * once;
        }
        later
    }
}

impl<const N: usize> Phis<N> {
    /// The same a very little later, or earlier, for `|l s|` up to [`NUDGE`].
    #[inline]
    pub(super) fn nudged(&self, rates: &Vector<N>, time: f64) -> Self {
        let mut later = *self;
        for j in 0..N {
            let x = rates[j] * time;
            let sum = SERIES[0] + x * (SERIES[1] + x * (SERIES[2] + x * SERIES[3]));
            let once = time * (1.0 + x * sum);
            later.decay[j] += self.decay[j] * (rates[j] * once);
            later.twice[j] += time * (self.once[j] + self.decay[j] * (time * sum));
            later.once[j] += self.decay[j] * once;
        }
        later
    }

    /// What is left of a time after a part of it: without another exponential, but to the last digit of the whole only.
    #[inline]
    pub(super) fn less(&self, part: &Self) -> Self {
        let mut left = *self;
        for j in 0..N {
            left.decay[j] = self.decay[j] / part.decay[j];
            left.once[j] = self.once[j] - left.decay[j] * part.once[j];
            left.twice[j] = self.twice[j] - part.twice[j] - part.once[j] * left.once[j];
        }
        left
    }
}

/// What each mode does up to the points of a grid over one period: in between, a short series.
#[derive(Clone, Debug)]
pub(super) struct Table<const N: usize> {
    rates: Vector<N>,
    points: Vec<Phis<N>>,
    /// Points in a period.
    per: f64,
    /// Periods between them: a power of two, so that products with it are exact.
    step: f64,
    /// Whether the grid is close enough for every mode.
    close: bool,
}

impl<const N: usize> Table<N> {
    /// For modes of these rates, per period.
    pub(super) fn new(rates: &Vector<N>) -> Self {
        let fastest = rates.iter().fold(0.0_f64, |fastest, rate| fastest.max(rate.abs()));
        let wanted = (0.5 * fastest / NEAR).clamp(16.0, MOST_POINTS as f64).log2().ceil().exp2();
        Self {
            rates: *rates,
            points: (0..=wanted as u32).map(|k| Phis::new(rates, f64::from(k) / wanted)).collect(),
            per: wanted,
            step: 1.0 / wanted,
            close: fastest <= 2.0 * NEAR * wanted,
        }
    }

    /// Integrals of all modes after `time`, at most one period.
    #[inline]
    pub(super) fn at(&self, time: f64) -> Phis<N> {
        let index = (time * self.per + 0.5) as usize;
        let Some(point) = self.points.get(index) else { return Phis::new(&self.rates, time) };
        let away = time - index as f64 * self.step;
        let mut phis = point.later(&self.rates, away);
        if !self.close {
            for (j, rate) in self.rates.iter().enumerate() {
                if rate.abs() * self.step > 2.0 * NEAR {
                    let phi = Phi::new(*rate, time);
                    (phis.decay[j], phis.once[j], phis.twice[j]) = (phi.decay, phi.once, phi.twice);
                }
            }
        }
        phis
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_points_is_what_is_computed() {
        let rates = [0.0, -0.7, -9.0, -35.0];
        let table = Table::new(&rates);
        for time in [0.9, 0.900_02, 0.899_99, 1e-5, 1e-12, 0.0, 0.3, 0.300_01, 0.999_999, 1.0] {
            let found = table.at(time);
            for (j, rate) in rates.iter().enumerate() {
                let exact = Phi::new(*rate, time);
                let pairs =
                    [(found.decay, exact.decay), (found.once, exact.once), (found.twice, exact.twice)];
                for (a, b) in pairs.map(|(found, exact)| (found[j], exact)) {
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
