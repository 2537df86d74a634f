//! A stretch of constant current from where it begins: where it leads, and when the divider's edge comes in it.

#![allow(clippy::needless_range_loop, reason = "formulas over modes, several vectors by one index")]

use super::arrival::turned_round;
use super::modes::Modes;
use super::motion::Way;
use super::phi::{NUDGE, Phis};
use super::system::{Vector, higher, lower};

/// Looks at one edge.
const LOOKS: usize = 4;

/// Where a stretch of constant current begins, and how the tuning voltage sets out.
#[derive(Clone, Copy, Debug)]
pub(super) struct Start<const N: usize> {
    state: Vector<N>,
    pub drive: f64,
    volts: f64,
    /// What each mode adds to its slope.
    slopes: Vector<N>,
}

impl<const N: usize> Start<N> {
    #[inline]
    pub(super) fn new(modes: &Modes<N>, state: &Vector<N>, drive: f64) -> Self {
        let slopes = std::array::from_fn(|j| modes.first(state, drive, j));
        Self { state: *state, drive, volts: modes.voltage(state), slopes }
    }

    /// State and integral of the tuning voltage after a time.
    #[inline]
    pub(super) fn after(&self, modes: &Modes<N>, phis: &Phis<N>, time: f64) -> (Vector<N>, f64) {
        let (mut to, mut integral) = (self.state, self.volts * time);
        for j in 0..N {
            let input = modes.pump[j] * self.drive + modes.leak[j];
            to[j] = self.state[j] * phis.decay[j] + input * phis.once[j];
            integral += self.slopes[j] * phis.twice[j];
        }
        (to, integral)
    }

    /// The way to where it leads.
    #[inline]
    pub(super) fn way(&self, modes: &Modes<N>, to: &Vector<N>, time: f64) -> Way {
        let one_way =
            self.slopes.iter().all(|slope| *slope >= 0.0) || self.slopes.iter().all(|slope| *slope <= 0.0);
        if !one_way {
            return modes.way(&self.state, to, self.drive, time);
        }
        let (start, end) = (self.volts, modes.voltage(to));
        Way { start, end, low: lower(start, end), high: higher(start, end) }
    }

    /// About when the phase has moved on by `due` cycles.
    #[inline]
    pub(super) fn guess(&self, slope: f64, due: f64) -> f64 {
        let inverse = 1.0 / (1.0 + slope * self.volts);
        let rise: f64 = self.slopes.iter().sum();
        let first = due * inverse;
        first - 0.5 * slope * rise * inverse * first * first
    }

    /// When the phase has moved on by `due` cycles, with what the modes have done by then; from a guess.
    #[inline]
    pub(super) fn edge(&self, modes: &Modes<N>, slope: f64, due: f64, guess: f64) -> Option<(f64, Phis<N>)> {
        let mut guess = guess;
        for _ in 0..LOOKS {
            if !(guess > 0.0 && guess < 1.0) {
                return None;
            }
            let phis = modes.phis(guess);
            let (mut volts, mut integral) = (self.volts, self.volts * guess);
            let (mut rise, mut bend, mut third) = (0.0, 0.0, 0.0);
            for j in 0..N {
                volts += self.slopes[j] * phis.once[j];
                integral += self.slopes[j] * phis.twice[j];
                let first = self.slopes[j] * phis.decay[j];
                let second = first * modes.rate[j];
                rise += first;
                bend += second;
                third += second * modes.rate[j];
            }
            let inverse = 1.0 / (1.0 + slope * volts);
            let off = (guess + slope * integral - due) * inverse;
            let (two, three) = (0.5 * slope * rise * inverse, slope * bend * inverse / 6.0);
            let (step, left) = turned_round(off, two, three, slope * third * inverse);
            let edge = guess + step;
            if left <= f64::EPSILON * 0.1 * edge && modes.fastest * step.abs() <= NUDGE {
                return Some((edge, phis.nudged(&modes.rate, step)));
            }
            guess = edge;
        }
        None
    }
}
