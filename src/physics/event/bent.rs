//! What the bend of a tuning curve adds to the phase over a leg, without a look inside it.

#![allow(clippy::needless_range_loop, reason = "formulas over modes, several vectors by one index")]

use super::curve::Local;
use super::modes::Modes;
use super::motion::Way;
use super::system::Vector;

/// What is so small beside a phase, in periods of the detector, that no edge is known to it.
const NOTHING: f64 = 1e-17;

/// The last digit of a phase.
const DIGIT: f64 = 1e-16;

/// So far beyond its end (V) a cubic is as good as the next one: they part with the square.
pub(super) const SLACK: f64 = 1e-9;

/// Derivatives that are taken at either end of a leg, with the voltage itself: where its modes are slow beside it, and else.
const FEW: usize = 4;
const MANY: usize = 7;

/// Largest product of rate and time that counts as slow.
const SLOW: f64 = 0.5;

/// Weights of the two-point rules of `n` derivatives, exact to degree `2 n - 1`: of the Taylor coefficients at both ends,
/// those in the time from there into the leg. Source: P. J. Davis, P. Rabinowitz, Methods of Numerical Integration,
/// 2nd edition, 1984, section 2.13 (from memory, held by the tests).
const ENDS: [[f64; MANY]; MANY + 1] = {
    let mut weights = [[0.0; MANY]; MANY + 1];
    let mut n = 1;
    while n <= MANY {
        weights[n][0] = 0.5;
        let mut k = 1;
        while k < n {
            weights[n][k] = weights[n][k - 1] * ((n - k) * k) as f64 / ((2 * n - k) * (k + 1)) as f64;
            k += 1;
        }
        n += 1;
    }
    weights
};

/// A stretch of constant current by its ends.
#[derive(Clone, Copy)]
pub(super) struct Stretch<'s, const N: usize> {
    pub modes: &'s Modes<N>,
    pub from: &'s Vector<N>,
    pub to: &'s Vector<N>,
    /// Pump current, A.
    pub drive: f64,
    /// Length, periods.
    pub time: f64,
}

impl<const N: usize> Stretch<'_, N> {
    /// Integral over the stretch, which begins where the cubic is taken, of what the cubic has beyond its tangent there.
    /// `None` where it may leave the cubic, or where neither way tells to the last digit.
    #[inline]
    pub(super) fn bent(&self, local: &Local) -> Option<f64> {
        if !self.stays(local) {
            return None;
        }
        let bend = (0.5 * local.share[2], local.share[3] / 6.0);
        let few = (self.modes.fastest * self.time <= SLOW).then(|| self.by_ends::<FEW>(bend));
        few.flatten().or_else(|| self.by_ends::<MANY>(bend)).or_else(|| self.by_modes(bend))
    }

    /// Whether the voltage stays on a cubic.
    #[inline]
    fn stays(&self, local: &Local) -> bool {
        let Self { modes, from, to, drive, time } = *self;
        let within = |low: f64, high: f64| local.holds(local.volts + low) && local.holds(local.volts + high);
        // Each mode moves from its first to its last value without turning back.
        let room: f64 = (0..N).map(|j| (modes.out[j] * (to[j] - from[j])).abs()).sum();
        within(-room, room) || {
            let Way { low, high, .. } = modes.way(from, to, drive, time);
            within(low - local.volts + SLACK, high - local.volts - SLACK)
        }
    }

    /// By the derivatives at both ends, where all modes are slow beside it.
    #[inline]
    fn by_ends<const ORDERS: usize>(&self, (two, three): (f64, f64)) -> Option<f64> {
        let Self { modes, from, to, drive, time } = *self;
        let (start, end) = (modes.derivatives::<ORDERS>(from, drive), modes.derivatives::<ORDERS>(to, drive));
        let away = end[0] - start[0];
        let first = composed([0.0, 0.0, two, three], start, time);
        // The same cubic round where the leg ends.
        let third = three * away;
        let last = [away * away * (two + third), away * (2.0 * two + 3.0 * third), two + 3.0 * third, three];
        let last = composed(last, end, -time);
        let sum = |orders: usize| -> f64 {
            time * (0..orders).map(|k| ENDS[orders][k] * (first[k] + last[k])).sum::<f64>()
        };
        let (whole, less, least) = (sum(ORDERS), sum(ORDERS - 1), sum(ORDERS - 2));
        // What one order more changes falls ever faster.
        let (off, before) = ((whole - less).abs(), (less - least).abs());
        (off <= NOTHING || 8.0 * off <= before && 4.0 * off * off <= NOTHING * before).then_some(whole)
    }

    /// By the products of the modes in closed form, where none but the one at rest is slow beside it.
    fn by_modes(&self, (two, three): (f64, f64)) -> Option<f64> {
        let Self { modes, from, to, drive, time } = *self;
        let rate = &modes.rate;
        // Each mode's slope at the start, how far it moves, and the integral of that.
        let slope: Vector<N> = std::array::from_fn(|j| modes.first(from, drive, j));
        let moved: Vector<N> = std::array::from_fn(|j| modes.out[j] * (to[j] - from[j]));
        let once: Vector<N> = std::array::from_fn(|j| {
            if rate[j] == 0.0 { 0.5 * slope[j] * time * time } else { (moved[j] - slope[j] * time) / rate[j] }
        });
        let slowest =
            rate.iter().filter(|rate| **rate != 0.0).fold(f64::INFINITY, |least, rate| least.min(rate.abs()));
        let most = slope.iter().map(|slope| slope.abs()).sum::<f64>() * time;
        // Differences of terms that are nearly alike: every quotient by a rate loses digits.
        let lost = most * most * (two.abs() + three.abs() * most / (slowest * time)) / slowest;
        if lost.is_nan() || lost * 8.0 * f64::EPSILON > DIGIT {
            return None;
        }
        // `(x y)' = (l + m) x y + a y + b x` for `x' = a + l x`, `y' = b + m y`; so for three.
        let mut pairs = [[0.0; N]; N];
        for i in 0..N {
            for j in 0..=i {
                let sum = rate[i] + rate[j];
                pairs[i][j] = if sum == 0.0 {
                    slope[i] * slope[j] * time * time * time / 3.0
                } else {
                    (moved[i] * moved[j] - slope[i] * once[j] - slope[j] * once[i]) / sum
                };
                pairs[j][i] = pairs[i][j];
            }
        }
        let (mut squares, mut cubes) = (0.0, 0.0);
        for i in 0..N {
            for j in 0..=i {
                let times = if i == j { 1.0 } else { 2.0 };
                squares += times * pairs[i][j];
                for k in 0..=j {
                    let times = match (i == j, j == k) {
                        (true, true) => 1.0,
                        (false, false) => 6.0,
                        _ => 3.0,
                    };
                    let sum = rate[i] + rate[j] + rate[k];
                    cubes += times
                        * if sum == 0.0 {
                            0.25 * slope[i] * slope[j] * slope[k] * (time * time) * (time * time)
                        } else {
                            let left =
                                slope[i] * pairs[j][k] + slope[j] * pairs[i][k] + slope[k] * pairs[i][j];
                            (moved[i] * moved[j] * moved[k] - left) / sum
                        };
                }
            }
        }
        Some(two * squares + three * cubes)
    }
}

/// Taylor coefficients of a cubic in how far a function is from its value, from the derivatives of that function; each times
/// its power of `time`.
#[inline]
fn composed<const ORDERS: usize>(cubic: [f64; 4], derivatives: [f64; ORDERS], time: f64) -> [f64; ORDERS] {
    let mut series = derivatives;
    let mut scale = 1.0;
    for k in 1..ORDERS {
        scale *= time / k as f64;
        series[k] *= scale;
    }
    let (mut square, mut all) = ([0.0; ORDERS], [cubic[0]; ORDERS]);
    for k in 1..ORDERS {
        square[k] = (1..k).map(|i| series[i] * series[k - i]).sum();
        let cube: f64 = (1..k).map(|i| series[i] * square[k - i]).sum();
        all[k] = cubic[1] * series[k] + cubic[2] * square[k] + cubic[3] * cube;
    }
    all
}
