//! Exact motion by the modes of the filter, each an exponential of its own.

use nalgebra::{DMatrix, DVector};

use super::phi::{Memo, Phi};
use super::system::{MOST, System, Vector};

/// The system in the coordinates of its modes.
#[derive(Clone, Debug)]
pub(super) struct Modes {
    pub size: usize,
    /// Rates, per period.
    pub rate: Vector,
    /// Effect of the pump current.
    pub pump: Vector,
    /// Effect of leakage.
    pub leak: Vector,
    /// Share of each in the tuning voltage.
    pub out: Vector,
    /// Share of each in the limited node's voltage.
    pub limited: Vector,
    /// From modes to states and back.
    to_states: DMatrix<f64>,
    to_modes: DMatrix<f64>,
}

/// Modes nearer than this, relative to the larger, are taken as one: the change of coordinates would lose digits.
const APART: f64 = 1e-4;

impl Modes {
    /// `None` where modes coincide or are not real.
    pub(super) fn new(system: &System) -> Option<Self> {
        let size = system.size();
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
            let mut filled = [0.0; MOST];
            filled[..size].copy_from_slice(values.as_slice());
            filled
        };
        let mut rate = [0.0; MOST];
        for (to, from) in rate.iter_mut().zip(&rates) {
            *to = from * scale;
        }
        let row = |state: usize| vector(&to_states.row(state).transpose());
        let modes = Self {
            size,
            rate,
            pump: vector(&(&to_modes * &system.pump)),
            leak: vector(&(&to_modes * &system.leak)),
            out: row(system.out),
            limited: system.limited.map_or([0.0; MOST], row),
            to_states,
            to_modes,
        };
        let all = [modes.rate, modes.pump, modes.leak, modes.out];
        all.iter().flatten().all(|x| x.is_finite()).then_some(modes)
    }

    /// State after `time` and the integral of the tuning voltage until then.
    pub(super) fn after(&self, from: &Vector, drive: f64, time: f64) -> (Vector, f64) {
        let mut phis = [Phi::NONE; MOST];
        for (phi, rate) in phis.iter_mut().zip(&self.rate).take(self.size) {
            *phi = Phi::new(*rate, time);
        }
        self.moved(from, drive, &phis)
    }

    /// The same, with a memory for times that lie close together.
    #[inline]
    pub(super) fn soon(&self, memo: &mut Memo, from: &Vector, drive: f64, time: f64) -> (Vector, f64) {
        self.moved(from, drive, &memo.at(&self.rate, self.size, time))
    }

    #[inline]
    fn moved(&self, from: &Vector, drive: f64, phis: &[Phi; MOST]) -> (Vector, f64) {
        let (mut to, mut integral) = (*from, 0.0);
        for j in 0..self.size {
            let phi = phis[j];
            let input = self.pump[j] * drive + self.leak[j];
            to[j] = from[j] * phi.decay + input * phi.once;
            integral += self.out[j] * (from[j] * phi.once + input * phi.twice);
        }
        (to, integral)
    }

    /// Tuning voltage.
    #[inline]
    pub(super) fn voltage(&self, state: &Vector) -> f64 {
        (0..self.size).map(|j| self.out[j] * state[j]).sum()
    }

    /// How fast the tuning voltage moves, V in a period.
    #[inline]
    pub(super) fn slope(&self, state: &Vector, drive: f64) -> f64 {
        (0..self.size)
            .map(|j| self.out[j] * (self.rate[j] * state[j] + self.pump[j] * drive + self.leak[j]))
            .sum()
    }

    /// Slopes at no time, an eighth, a quarter, half and the whole of a time: one exponential serves all.
    #[inline]
    pub(super) fn slopes(&self, state: &Vector, drive: f64, time: f64) -> [f64; 5] {
        let mut slopes = [0.0; 5];
        for (j, value) in state.iter().enumerate().take(self.size) {
            let first = self.out[j] * (self.rate[j] * value + self.pump[j] * drive + self.leak[j]);
            let eighth = (0.125 * self.rate[j] * time).exp();
            let quarter = eighth * eighth;
            let half = quarter * quarter;
            for (slope, decay) in slopes.iter_mut().zip([1.0, eighth, quarter, half, half * half]) {
                *slope += first * decay;
            }
        }
        slopes
    }

    /// Voltage of the limited node.
    pub(super) fn limited(&self, state: &Vector) -> f64 {
        (0..self.size).map(|j| self.limited[j] * state[j]).sum()
    }

    /// Between these the tuning voltage stays on the way from one state to another under a constant current: each
    /// mode moves from its first to its last value without turning back.
    pub(super) fn bounds(&self, from: &Vector, to: &Vector) -> (f64, f64) {
        let (mut low, mut high) = (0.0, 0.0);
        for j in 0..self.size {
            let (x, y) = (self.out[j] * from[j], self.out[j] * to[j]);
            low += x.min(y);
            high += x.max(y);
        }
        (low, high)
    }

    pub(super) fn to_states(&self, modes: &Vector) -> Vector {
        multiply(&self.to_states, modes)
    }

    pub(super) fn to_modes(&self, states: &Vector) -> Vector {
        multiply(&self.to_modes, states)
    }
}

fn multiply(matrix: &DMatrix<f64>, vector: &Vector) -> Vector {
    let mut product = [0.0; MOST];
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
