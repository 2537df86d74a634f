//! Exact motion by the modes of the filter, each an exponential of its own.

#![allow(clippy::needless_range_loop, reason = "formulas over modes, several vectors by one index")]

use nalgebra::{DMatrix, DVector};

use super::motion::{SAMPLES, Way};
use super::phi::{NUDGE, Phis, SERIES, Table};
use super::system::{System, Vector, higher, lower};

/// The system in the coordinates of its modes.
#[derive(Clone, Debug)]
pub(super) struct Modes<const N: usize> {
    /// Rates, per period.
    pub rate: Vector<N>,
    /// Size of the largest.
    pub fastest: f64,
    /// Effect of the pump current.
    pub pump: Vector<N>,
    /// Effect of leakage.
    pub leak: Vector<N>,
    /// Share of each in the tuning voltage.
    pub out: Vector<N>,
    /// Share of each in the limited node's voltage.
    pub limited: Vector<N>,
    /// What each does in a time.
    table: Table<N>,
    /// From modes to states and back.
    to_states: DMatrix<f64>,
    to_modes: DMatrix<f64>,
}

/// Modes nearer than this, relative to the larger, are taken as one: the change of coordinates would lose digits.
const APART: f64 = 1e-4;

/// A step of Newton's rule after which no further one is needed, periods: what is looked for is level there, or the error, of
/// the order of the step squared, is the last digit of a time. How many are tried.
const CLOSE: f64 = 1e-8;
const LOOKS: usize = 8;

impl<const N: usize> Modes<N> {
    /// `None` where modes coincide or are not real.
    pub(super) fn new(system: &System) -> Option<Self> {
        let size = N;
        debug_assert_eq!(size, system.size(), "as many modes as states");
        let scale = system.a.amax();
        let a = &system.a / scale;
        let found = a.clone().schur().complex_eigenvalues();
        let mut rates: Vec<f64> = found.iter().map(|l| l.re).collect();
        if found.iter().any(|l| l.im.abs() > 1e-12 * l.norm().max(1e-12)) {
            return None;
        }
        rates.sort_by(|x, y| x.abs().total_cmp(&y.abs()));
        // The charge never leaves by itself: one rate is zero, and comes out as rounding.
        if rates[0].abs() > 1e-9 {
            return None;
        }
        rates[0] = 0.0;
        let near = |x: f64, y: f64| (x - y).abs() <= APART * x.abs().max(y.abs());
        if rates.iter().enumerate().any(|(i, x)| rates[..i].iter().any(|y| near(*x, *y))) {
            return None;
        }
        let mut to_states = DMatrix::zeros(size, size);
        for (column, rate) in rates.iter_mut().enumerate() {
            let vector = eigenvector(&a, *rate)?;
            to_states.set_column(column, &vector);
        }
        let to_modes = to_states.clone().try_inverse()?;
        // A second look at the rates: errors of the vectors enter squared only.
        let refined = &to_modes * &a * &to_states;
        for (k, rate) in rates.iter_mut().enumerate().skip(1) {
            *rate = refined[(k, k)];
        }
        let vector = |values: &DVector<f64>| {
            let mut filled = [0.0; N];
            filled.copy_from_slice(values.as_slice());
            filled
        };
        let mut rate = [0.0; N];
        for (to, from) in rate.iter_mut().zip(&rates) {
            *to = from * scale;
        }
        let row = |state: usize| vector(&to_states.row(state).transpose());
        let modes = Self {
            table: Table::new(&rate),
            fastest: rate.iter().fold(0.0, |fastest, rate| higher(fastest, rate.abs())),
            rate,
            pump: vector(&(&to_modes * &system.pump)),
            leak: vector(&(&to_modes * &system.leak)),
            out: row(system.out),
            limited: system.limited.map_or([0.0; N], row),
            to_states,
            to_modes,
        };
        let all = [modes.rate, modes.pump, modes.leak, modes.out];
        all.iter().flatten().all(|x| x.is_finite()).then_some(modes)
    }

    /// What all modes do in a time, at most one period.
    #[inline]
    pub(super) fn phis(&self, time: f64) -> Phis<N> {
        self.table.at(time)
    }

    /// State after `time`, at most one period, and the integral of the tuning voltage until then.
    #[inline]
    pub(super) fn after(&self, from: &Vector<N>, drive: f64, time: f64) -> (Vector<N>, f64) {
        let phis = self.table.at(time);
        let (mut to, mut integral) = (*from, 0.0);
        for j in 0..N {
            let input = self.pump[j] * drive + self.leak[j];
            to[j] = from[j] * phis.decay[j] + input * phis.once[j];
            integral += self.out[j] * (from[j] * phis.once[j] + input * phis.twice[j]);
        }
        (to, integral)
    }

    /// State a very little later, or earlier; `None` where the series would have to be longer.
    #[inline]
    pub(super) fn nudged(&self, from: &Vector<N>, drive: f64, time: f64) -> Option<Vector<N>> {
        let mut to = *from;
        let mut largest = 0.0_f64;
        for j in 0..N {
            let x = self.rate[j] * time;
            largest = largest.max(x.abs());
            let rise = self.rate[j] * from[j] + self.pump[j] * drive + self.leak[j];
            to[j] += rise * time * (1.0 + x * (SERIES[0] + x * (SERIES[1] + x * SERIES[2])));
        }
        (largest <= NUDGE).then_some(to)
    }

    /// Tuning voltage.
    #[inline]
    pub(super) fn voltage(&self, state: &Vector<N>) -> f64 {
        (0..N).map(|j| self.out[j] * state[j]).sum()
    }

    /// Tuning voltage after `time`, at most one period.
    #[inline]
    pub(super) fn voltage_after(&self, from: &Vector<N>, drive: f64, time: f64) -> f64 {
        let phis = self.table.at(time);
        let mode = |j: usize| {
            self.out[j] * (from[j] * phis.decay[j] + (self.pump[j] * drive + self.leak[j]) * phis.once[j])
        };
        (0..N).map(mode).sum()
    }

    /// Slope after `time`.
    #[inline]
    pub(super) fn slope_after(&self, state: &Vector<N>, drive: f64, time: f64) -> f64 {
        (0..N).map(|j| self.first(state, drive, j) * (self.rate[j] * time).exp()).sum()
    }

    /// When the tuning voltage turns back, near a guess; `None` where that is not soon found.
    pub(super) fn turns(&self, state: &Vector<N>, drive: f64, guess: f64) -> Option<f64> {
        let first: Vector<N> = std::array::from_fn(|j| self.first(state, drive, j));
        self.near(guess, |phis| {
            let (mut slope, mut bend) = (0.0, 0.0);
            for j in 0..N {
                let one = first[j] * phis.decay[j];
                slope += one;
                bend += one * self.rate[j];
            }
            slope / bend
        })
    }

    /// When it passes a voltage, likewise.
    pub(super) fn passes(&self, state: &Vector<N>, drive: f64, volts: f64, guess: f64) -> Option<f64> {
        let first: Vector<N> = std::array::from_fn(|j| self.first(state, drive, j));
        let away = self.voltage(state) - volts;
        self.near(guess, |phis| {
            let (mut away, mut slope) = (away, 0.0);
            for j in 0..N {
                away += first[j] * phis.once[j];
                slope += first[j] * phis.decay[j];
            }
            away / slope
        })
    }

    /// A time in the period by Newton's rule; `step`: what is too much in a time in which the modes do so much.
    #[inline]
    fn near(&self, guess: f64, step: impl Fn(&Phis<N>) -> f64) -> Option<f64> {
        let mut at = guess;
        for _ in 0..LOOKS {
            if !(0.0..=1.0).contains(&at) {
                return None;
            }
            let step = step(&self.table.at(at));
            at -= step;
            if step.abs() <= CLOSE {
                return Some(at);
            }
        }
        None
    }

    /// What a mode adds to the slope of the tuning voltage.
    #[inline]
    pub(super) fn first(&self, state: &Vector<N>, drive: f64, j: usize) -> f64 {
        self.out[j] * (self.rate[j] * state[j] + self.pump[j] * drive + self.leak[j])
    }

    /// Tuning voltage and its derivatives.
    #[inline]
    pub(super) fn derivatives<const ORDERS: usize>(&self, state: &Vector<N>, drive: f64) -> [f64; ORDERS] {
        let mut sums = [0.0; ORDERS];
        sums[0] = self.voltage(state);
        let mut terms: Vector<N> = std::array::from_fn(|j| self.first(state, drive, j));
        for sum in &mut sums[1..] {
            *sum = terms.iter().sum();
            for (term, rate) in terms.iter_mut().zip(&self.rate) {
                *term *= rate;
            }
        }
        sums
    }

    /// Tuning voltage and its slope at no time, an eighth, a quarter, half and the whole of a time: one look at the
    /// table serves all. The voltages are good for bounds, not to the last digit.
    #[inline]
    pub(super) fn samples(&self, state: &Vector<N>, drive: f64, time: f64) -> [(f64, f64); 5] {
        let mut samples = [(self.voltage(state), 0.0); 5];
        let eighths = self.table.at(0.125 * time).decay;
        for (j, eighth) in eighths.into_iter().enumerate() {
            let (first, rate) = (self.first(state, drive, j), self.rate[j]);
            let quarter = eighth * eighth;
            let half = quarter * quarter;
            let decays = [1.0, eighth, quarter, half, half * half];
            for ((sample, decay), share) in samples.iter_mut().zip(decays).zip(SAMPLES) {
                sample.0 += first * if rate == 0.0 { share * time } else { (decay - 1.0) / rate };
                sample.1 += first * decay;
            }
        }
        samples
    }

    /// Voltage of the limited node.
    pub(super) fn limited(&self, state: &Vector<N>) -> f64 {
        (0..N).map(|j| self.limited[j] * state[j]).sum()
    }

    /// Between these the limited node stays: each mode moves from its first to its last value without turning back.
    pub(super) fn limited_bounds(&self, from: &Vector<N>, to: &Vector<N>) -> (f64, f64) {
        (0..N).fold((0.0, 0.0), |(low, high), j| {
            let (x, y) = (self.limited[j] * from[j], self.limited[j] * to[j]);
            (low + x.min(y), high + x.max(y))
        })
    }

    /// Way of the tuning voltage from one state to another under a constant current.
    #[inline]
    pub(super) fn way(&self, from: &Vector<N>, to: &Vector<N>, drive: f64, time: f64) -> Way {
        let (mut start, mut end, mut rise, mut fall) = (0.0, 0.0, 0.0, 0.0);
        let (mut least, mut most, mut bend) = (0.0, 0.0, 0.0);
        for j in 0..N {
            let (x, y) = (self.out[j] * from[j], self.out[j] * to[j]);
            start += x;
            end += y;
            // Each mode moves from its first to its last value without turning back, and ever more slowly.
            rise += higher(y - x, 0.0);
            fall += lower(y - x, 0.0);
            let first = self.first(from, drive, j);
            let last = first + self.rate[j] * (y - x);
            least += lower(first, last);
            most += higher(first, last);
            bend += (first * self.rate[j]).abs();
        }
        let (low, high) = (lower(start, end), higher(start, end));
        if least >= 0.0 || most <= 0.0 {
            // The whole moves one way.
            return Way { start, end, low, high };
        }
        // And an arc leaves the span of its ends by an eighth of its bend at most; modes die away.
        let room = 0.125 * time * time * bend;
        Way { start, end, low: higher(start + fall, low - room), high: lower(start + rise, high + room) }
    }

    pub(super) fn to_states(&self, modes: &Vector<N>) -> Vector<N> {
        multiply(&self.to_states, modes)
    }

    pub(super) fn to_modes(&self, states: &Vector<N>) -> Vector<N> {
        multiply(&self.to_modes, states)
    }
}

fn multiply<const N: usize>(matrix: &DMatrix<f64>, vector: &Vector<N>) -> Vector<N> {
    let mut product = [0.0; N];
    for (i, row) in matrix.row_iter().enumerate() {
        product[i] = row.iter().zip(vector).map(|(a, x)| a * x).sum();
    }
    product
}

/// The eigenvector of a rate by inverse iteration, of largest component 1.
fn eigenvector(a: &DMatrix<f64>, rate: f64) -> Option<DVector<f64>> {
    let size = a.nrows();
    // Exactly at the rate the matrix is singular: a little beside it the vector grows by a large factor each time.
    let shifted = a - DMatrix::identity(size, size) * (rate + 1e-11 * rate.abs().max(1e-4));
    let lu = shifted.lu();
    let mut vector = DVector::from_fn(size, |i, _| 1.0 + 0.1 * i as f64);
    for _ in 0..4 {
        vector = lu.solve(&vector)?;
        let largest = vector[vector.iamax()];
        vector /= largest;
    }
    vector.iter().all(|x| x.is_finite()).then_some(vector)
}
