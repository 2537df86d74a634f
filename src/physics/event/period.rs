//! Whole periods of the detector at a time, where the loop is near lock.
//!
//! Near lock the edges of the divider come close to those of the reference. What the modes do in a whole period is then
//! known beforehand, and what the short pulses add is a series in their length: no exponential is taken. A period is
//! taken this way only where nothing in it can be an extreme of the curve or lie outside a window that it was inside
//! of: each is like one that was looked at edge by edge, or stays between values that were seen already.

#![allow(clippy::needless_range_loop, reason = "formulas over modes, several vectors by one index")]

use std::array::from_fn;

use super::modes::Modes;
use super::phi::{MIDDLING, SERIES, SMALL};
use super::system::{apart, higher, lower, size};

/// Largest product of rate and pulse for which the shorter series is exact; of the longer ones it is [`SMALL`] and
/// [`MIDDLING`].
const TINY: f64 = 4e-3;

/// The same for one between.
const SMALLISH: f64 = 0.03;

/// The same for the shortest.
const SHORT: f64 = 1e-5;

/// A step to an edge after which no further one is needed, periods, where its square is made good.
const CLOSER: f64 = 1e-6;

/// Shares of the period at which the voltage is looked at, after its start.
const LOOKS: [f64; 4] = [0.125, 0.25, 0.5, 1.0];

/// Modes of one filter with what they do in a period; `N` modes.
#[derive(Clone, Debug)]
pub(super) struct Period<const N: usize> {
    rate: [f64; N],
    pump: [f64; N],
    leak: [f64; N],
    out: [f64; N],
    /// Size of each mode's share in the limited node.
    limited: [f64; N],
    /// `e^l`, and what leakage adds in a period.
    decay: [f64; N],
    leaked: [f64; N],
    /// Integral of the tuning voltage over a free period: from the modes, and from leakage.
    integral: [f64; N],
    integral_leaked: f64,
    /// `out l^k`, from `k` = 1.
    moments: [[f64; N]; 5],
    /// Decay until the looks, and what leakage adds.
    looks: [([f64; N], [f64; N]); 4],
    /// Longest pulse, and the longest for which few terms of the series do.
    pub reach: f64,
    small: f64,
    /// The time in which the fastest mode falls to a third.
    pub outlasted: f64,
    smallish: f64,
    tiny: f64,
    short: f64,
}

/// The pulse in which both sources are on, after which the detector is cleared.
#[derive(Clone, Copy, Debug)]
pub(super) struct Both<const N: usize> {
    pub length: f64,
    current: f64,
    /// Integrals of `e^(-l s)` over it.
    once: [f64; N],
    twice: [f64; N],
}

/// Phase and filter at an edge of the reference.
#[derive(Clone, Copy, Debug)]
pub(super) struct At<const N: usize> {
    pub state: [f64; N],
    pub phase: f64,
}

/// How a period begins.
#[derive(Clone, Copy, Debug)]
pub(super) enum Begin {
    /// The divider is late; it is due after so many cycles.
    Late(f64),
    /// Both edges have come.
    Both,
}

/// The first part of a period, as the filter would have had to stand to move on freely.
#[derive(Clone, Copy, Debug)]
pub(super) struct Begun<const N: usize> {
    /// When the divider's edge came.
    pub late: f64,
    /// End of the pulses.
    pulses: f64,
    free: [f64; N],
    /// Integral of the tuning voltage that the free motion has too much.
    surplus: f64,
}

/// A whole period.
#[derive(Clone, Copy, Debug)]
pub(super) struct Whole<const N: usize> {
    pub late: f64,
    /// How long before the end the divider's edge came; `None`: it has not come.
    pub early: Option<f64>,
    pulses: f64,
    free: [f64; N],
    /// At the end without the last pulse.
    before: [f64; N],
    pub to: At<N>,
}

fn dot<const N: usize>(a: &[f64; N], b: &[f64; N]) -> f64 {
    let mut sum = 0.0;
    for j in 0..N {
        sum += a[j] * b[j];
    }
    sum
}

/// `(e^(l s) - 1 - l s) / l^2` by `TERMS` terms.
#[inline]
fn twice<const TERMS: usize>(rate: f64, time: f64) -> f64 {
    let y = rate * time;
    let mut sum = SERIES[TERMS - 1];
    for k in (0..TERMS - 1).rev() {
        sum = sum * y + SERIES[k];
    }
    sum * time * time
}

impl<const N: usize> Period<N> {
    /// Of a filter with `N` modes.
    pub(super) fn new(modes: &Modes<N>) -> Self {
        let (rate, out, leak) = (modes.rate, modes.out, modes.leak);
        let after = |time: f64| rate.map(|rate| super::phi::Phi::new(rate, time));
        let whole = after(1.0);
        let fastest = rate.iter().fold(0.0_f64, |fastest, rate| fastest.max(rate.abs()));
        Self {
            rate,
            pump: modes.pump,
            leak,
            out,
            limited: from_fn(|j| modes.limited[j].abs()),
            decay: from_fn(|j| whole[j].decay),
            leaked: from_fn(|j| leak[j] * whole[j].once),
            integral: from_fn(|j| out[j] * whole[j].once),
            integral_leaked: (0..N).map(|j| out[j] * leak[j] * whole[j].twice).sum(),
            moments: [1, 2, 3, 4, 5].map(|k| from_fn(|j| out[j] * rate[j].powi(k))),
            looks: LOOKS.map(|time| {
                let phis = after(time);
                (from_fn(|j| phis[j].decay), from_fn(|j| leak[j] * phis[j].once))
            }),
            reach: (MIDDLING / fastest.max(MIDDLING)).min(0.25),
            small: SMALL / fastest.max(SMALL),
            outlasted: 1.0 / fastest,
            smallish: SMALLISH / fastest.max(SMALLISH),
            tiny: TINY / fastest.max(TINY),
            short: SHORT / fastest.max(SHORT),
        }
    }

    /// A pulse of so many periods with both sources on.
    pub(super) fn both(&self, length: f64, current: f64) -> Both<N> {
        let phis = self.rate.map(|rate| super::phi::Phi::new(-rate, length));
        Both { length, current, once: from_fn(|j| phis[j].once), twice: from_fn(|j| phis[j].twice) }
    }

    /// Tuning voltage.
    #[inline]
    pub(super) fn voltage(&self, state: &[f64; N]) -> f64 {
        dot(&self.out, state)
    }

    /// When the phase has moved on by `due` cycles from here, under a current, on the curve's slope. `back`: before
    /// now. `None` where it is not near.
    #[inline]
    pub(super) fn edge(&self, state: &[f64; N], drive: f64, slope: f64, due: f64, back: bool) -> Option<f64> {
        let sign = if back { -1.0 } else { 1.0 };
        let rise: [f64; N] = from_fn(|j| self.rate[j] * state[j] + self.pump[j] * drive + self.leak[j]);
        let inverse = 1.0 / (1.0 + slope * dot(&self.out, state));
        let bend = sign * slope * inverse * dot(&self.out, &rise);
        let third = slope * inverse * dot(&self.moments[0], &rise);
        let first = due * inverse;
        // The series turned round; its next term is of fourth order.
        let square = first * first;
        let guess = first - square * (0.5 * bend) + square * first * (0.5 * bend * bend - third / 6.0);
        // Far from the first step the series says nothing.
        let near = |share: f64| (guess - first).abs() <= share * first.abs();
        if first.abs() <= self.short && near(SHORT) {
            return Some(guess);
        }
        if first.is_nan() || first.abs() > self.reach {
            return None;
        }
        if first.abs() <= self.smallish && near(0.1) {
            let [fourth, fifth, sixth, seventh] =
                [1, 2, 3, 4].map(|k| slope * inverse * dot(&self.moments[k], &rise));
            // In pairs, which do not wait for each other.
            let (t, square) = (guess, guess * guess);
            let (low, middle, high) = (
                bend * (1.0 / 2.0) + t * (third * (1.0 / 6.0)),
                sign * fourth * (1.0 / 24.0) + t * (fifth * (1.0 / 120.0)),
                sign * sixth * (1.0 / 720.0) + t * (seventh * (1.0 / 5040.0)),
            );
            let off = (t - first) + square * (low + square * (middle + square * high));
            let step = off / (1.0 + t * (bend + t * (third * 0.5)));
            if step.abs() <= super::arrival::CLOSE {
                return Some(t - step);
            }
        }
        let guess = if near(0.5) { guess } else { first };
        if guess.abs() <= self.small {
            self.edge_farther::<11>(state, drive, slope, due, (sign, guess))
        } else {
            self.edge_farther::<15>(state, drive, slope, due, (sign, guess))
        }
    }

    /// The same by Newton's rule alone, with a term of second order in the step.
    #[inline(never)]
    fn edge_farther<const TERMS: usize>(
        &self,
        state: &[f64; N],
        drive: f64,
        slope: f64,
        due: f64,
        (sign, guess): (f64, f64),
    ) -> Option<f64> {
        let mut at = guess;
        for _ in 0..4 {
            let (mut moved, mut volts, mut rise) = (0.0, 0.0, 0.0);
            for j in 0..N {
                // Back in time the integral of `x e^(-l s) - input once(-l, s)`.
                let rate = sign * self.rate[j];
                let input = sign * (self.pump[j] * drive + self.leak[j]);
                let second = twice::<TERMS>(rate, at);
                let once = at + rate * second;
                let then = state[j] * (1.0 + rate * once) + input * once;
                moved += self.out[j] * (state[j] * once + input * second);
                volts += self.out[j] * then;
                rise += self.out[j] * (rate * then + input);
            }
            let inverse = 1.0 / (1.0 + slope * volts);
            let step = (at + slope * moved - due) * inverse;
            let bend = 0.5 * slope * rise * inverse * step;
            at -= step * (1.0 + bend);
            // What is left is of third order.
            if step.abs() <= CLOSER && bend.abs() <= CLOSER {
                // Beyond its reach the series is steep, and any step is small.
                return (at.abs() <= 1.2 * self.reach).then_some(at);
            }
        }
        None
    }

    /// The first part of a period.
    #[inline]
    pub(super) fn begin(
        &self,
        from: &At<N>,
        begin: Begin,
        up: f64,
        both: &Both<N>,
        slope: f64,
    ) -> Option<Begun<N>> {
        match begin {
            Begin::Both => {
                let (mut free, mut surplus) = (from.state, 0.0);
                for j in 0..N {
                    let input = self.pump[j] * both.current;
                    free[j] += input * both.once[j];
                    surplus += self.out[j] * input * both.twice[j];
                }
                Some(Begun { late: 0.0, pulses: both.length, free, surplus })
            }
            Begin::Late(due) => {
                let late = self.edge(&from.state, up, slope, due, false)?;
                if late.is_nan() || late < 0.0 {
                    return None;
                }
                Some(if late <= self.short {
                    self.pulsed::<3>(&from.state, late, up, both)
                } else if late <= self.tiny {
                    self.pulsed::<5>(&from.state, late, up, both)
                } else if late <= self.smallish {
                    self.pulsed::<7>(&from.state, late, up, both)
                } else if late <= self.small {
                    self.pulsed::<11>(&from.state, late, up, both)
                } else {
                    self.pulsed::<15>(&from.state, late, up, both)
                })
            }
        }
    }

    #[inline]
    fn pulsed<const TERMS: usize>(&self, state: &[f64; N], late: f64, up: f64, both: &Both<N>) -> Begun<N> {
        let (mut free, mut surplus) = (*state, 0.0);
        for j in 0..N {
            let second = twice::<TERMS>(-self.rate[j], late);
            let once = late - self.rate[j] * second;
            let decay = 1.0 - self.rate[j] * once;
            let (added, moved) = (
                up * once + both.current * decay * both.once[j],
                up * second + both.current * (both.length * once + decay * both.twice[j]),
            );
            free[j] += self.pump[j] * added;
            surplus += self.out[j] * self.pump[j] * moved;
        }
        Begun { late, pulses: late + both.length, free, surplus }
    }

    /// The rest of the period; `due`: phase at which the divider's next edge comes, less the phase of the channel at
    /// the period's end.
    #[inline]
    pub(super) fn end(
        &self,
        from: &At<N>,
        begun: &Begun<N>,
        due: f64,
        down: f64,
        slope: f64,
    ) -> Option<Whole<N>> {
        let before: [f64; N] = from_fn(|j| self.decay[j] * begun.free[j] + self.leaked[j]);
        let moved = dot(&self.integral, &begun.free) + self.integral_leaked - begun.surplus;
        let mut to = At { state: before, phase: from.phase + slope * moved };
        let over = to.phase - due;
        let mut early = None;
        if over >= 0.0 {
            let length = self.edge(&before, 0.0, slope, over, true)?;
            if length.is_nan() || length < 0.0 {
                return None;
            }
            let second = if length <= self.short {
                self.pulled::<3>(&mut to.state, length, down)
            } else if length <= self.tiny {
                self.pulled::<5>(&mut to.state, length, down)
            } else if length <= self.smallish {
                self.pulled::<7>(&mut to.state, length, down)
            } else if length <= self.small {
                self.pulled::<11>(&mut to.state, length, down)
            } else {
                self.pulled::<15>(&mut to.state, length, down)
            };
            to.phase += slope * second;
            early = Some(length);
        }
        Some(Whole { late: begun.late, early, pulses: begun.pulses, free: begun.free, before, to })
    }

    /// Adds what a current does in the time before the end; returns the integral of the tuning voltage.
    #[inline]
    fn pulled<const TERMS: usize>(&self, state: &mut [f64; N], length: f64, down: f64) -> f64 {
        let mut moved = 0.0;
        for j in 0..N {
            let second = twice::<TERMS>(self.rate[j], length);
            let input = self.pump[j] * down;
            state[j] += input * (length + self.rate[j] * second);
            moved += self.out[j] * input * second;
        }
        moved
    }

    /// Between these the tuning voltage stays over a period.
    pub(super) fn span(&self, from: &At<N>, whole: &Whole<N>, currents: f64) -> (f64, f64) {
        let start = dot(&self.out, &from.state);
        let mut last = dot(&self.out, &whole.free);
        let (mut low, mut high) = (start.min(last), start.max(last));
        // On the way through a pulse each mode moves from one value to the other, but not all alike.
        let pulse = whole.pulses.max(whole.early.unwrap_or(0.0));
        let mut room = 0.0;
        for j in 0..N {
            let large = from.state[j].abs().max(whole.free[j].abs());
            room += self.moments[0][j].abs() * (large + (self.pump[j] * currents).abs() * pulse) * pulse;
            room += (self.out[j] * self.leak[j]).abs() * pulse;
        }
        low -= room;
        high += room;
        let mut bend = 0.0;
        for j in 0..N {
            bend += (self.moments[0][j] * (self.rate[j] * whole.free[j] + self.leak[j])).abs();
        }
        let mut before = 0.0;
        for (time, (decay, leaked)) in LOOKS.iter().zip(&self.looks) {
            let (mut volts, mut next) = (0.0, 0.0);
            for j in 0..N {
                let state = whole.free[j] * decay[j] + leaked[j];
                volts += self.out[j] * state;
                next += (self.moments[0][j] * (self.rate[j] * whole.free[j] + self.leak[j]) * decay[j]).abs();
            }
            // An arc leaves the span of its ends by an eighth of its bend at most.
            let room = 0.125 * (time - before) * (time - before) * bend;
            low = lower(low, lower(last, volts) - room);
            high = higher(high, higher(last, volts) + room);
            (last, bend, before) = (volts, next, *time);
        }
        if whole.early.is_some() {
            let end = dot(&self.out, &whole.to.state);
            low = low.min(end - room);
            high = high.max(end + room);
        }
        (low, high)
    }

    /// No voltage of the limited node is larger than this in a period.
    pub(super) fn limited(&self, from: &At<N>, whole: &Whole<N>) -> f64 {
        (0..N)
            .map(|j| {
                let ends = [from.state[j], whole.free[j], whole.before[j], whole.to.state[j]];
                self.limited[j]
                    * (ends.iter().fold(0.0_f64, |most, x| most.max(x.abs())) + self.leak[j].abs())
            })
            .sum()
    }

    /// Whether two periods are alike, each mode within so many volts and each time within so many periods.
    #[inline]
    pub(super) fn alike(
        &self,
        a: (&At<N>, &Whole<N>),
        b: (&At<N>, &Whole<N>),
        volts: f64,
        time: f64,
    ) -> bool {
        let off = self.moved(a.0, b.0);
        let pair = |x: Option<f64>, y: Option<f64>| match (x, y) {
            (Some(x), Some(y)) => (x - y).abs() <= time,
            (None, None) => true,
            _ => false,
        };
        off <= volts && (a.1.late - b.1.late).abs() <= time && pair(a.1.early, b.1.early)
    }

    /// Largest difference of the voltages in two states.
    pub(super) fn moved(&self, a: &At<N>, b: &At<N>) -> f64 {
        apart(&self.out, &a.state, &b.state)
    }

    /// Most that a current moves any mode, V in a period.
    pub(super) fn pulled_by(&self, current: f64) -> f64 {
        (0..N).fold(0.0, |most, j| most.max((self.out[j] * self.pump[j] * current).abs()))
    }

    /// Size of the voltages in a state.
    pub(super) fn scale(&self, at: &At<N>) -> f64 {
        size(&self.out, &at.state)
    }
}
