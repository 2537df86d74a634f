//! Exact motion where modes coincide: stored exponentials for the digits of a time, and a series for what is left.

use nalgebra::DMatrix;

use super::system::{MOST, System, Vector};
use crate::num::expm::expm;

/// States, pump current, one, and the integral of the tuning voltage.
const WIDE: usize = MOST + 3;
type Row = [f64; WIDE];
type Matrix = [Row; WIDE];

/// The system in its own states.
#[derive(Clone, Debug)]
pub(super) struct Dense {
    out: usize,
    limited: Option<usize>,
    rates: Matrix,
    /// `digits[k][d - 1]`: the motion in `d / 16^k` of a period.
    digits: Vec<Vec<Matrix>>,
}

/// What is left after the last digit moves the state by no more than this share: the series then needs few terms.
const LEFT: f64 = 0.25;

impl Dense {
    /// `None` where an exponential overflows.
    pub(super) fn new(system: &System) -> Option<Self> {
        let size = system.size();
        let mut rates = DMatrix::zeros(WIDE, WIDE);
        rates.view_mut((0, 0), (size, size)).copy_from(&system.a);
        rates.view_mut((0, MOST), (size, 1)).copy_from(&system.pump);
        rates.view_mut((0, MOST + 1), (size, 1)).copy_from(&system.leak);
        rates[(MOST + 2, system.out)] = 1.0;
        let norm =
            system.a.row_iter().map(|row| row.iter().map(|x| x.abs()).sum::<f64>()).fold(1.0, f64::max);
        let (mut digits, mut step) = (Vec::new(), 1.0);
        while step * norm > LEFT || digits.is_empty() {
            let count = if digits.is_empty() { 1 } else { 15 };
            let one = (1..=count).map(|d| expm(&(&rates * (f64::from(d) * step))).map(|m| plain(&m)));
            digits.push(one.collect::<Option<Vec<_>>>()?);
            step /= 16.0;
        }
        Some(Self { out: system.out, limited: system.limited, rates: plain(&rates), digits })
    }

    /// State after `time` (at most one period) and the integral of the tuning voltage until then.
    pub(super) fn after<const N: usize>(&self, from: &Vector<N>, drive: f64, time: f64) -> (Vector<N>, f64) {
        let mut state = [0.0; WIDE];
        state[..N].copy_from_slice(from);
        (state[MOST], state[MOST + 1]) = (drive, 1.0);
        let (mut left, mut step) = (time, 1.0);
        for level in &self.digits {
            let digit = ((left / step) as usize).min(level.len());
            if digit > 0 {
                state = multiply(&level[digit - 1], &state);
                left -= step * digit as f64;
            }
            step /= 16.0;
        }
        let mut term = state;
        for k in 1..=16 {
            term = multiply(&self.rates, &term).map(|x| x * left / f64::from(k));
            state.iter_mut().zip(&term).for_each(|(x, add)| *x += add);
        }
        let mut to = [0.0; N];
        to.copy_from_slice(&state[..N]);
        (to, state[MOST + 2])
    }

    /// Tuning voltage.
    pub(super) fn voltage(&self, state: &[f64]) -> f64 {
        state[self.out]
    }

    /// How fast the tuning voltage moves, V in a period.
    pub(super) fn slope(&self, state: &[f64], drive: f64) -> f64 {
        let row = &self.rates[self.out];
        let free: f64 = row.iter().zip(state).map(|(a, x)| a * x).sum();
        free + row[MOST] * drive + row[MOST + 1]
    }

    /// Voltage of the limited node.
    pub(super) fn limited(&self, state: &[f64]) -> f64 {
        self.limited.map_or(0.0, |node| state[node])
    }
}

fn plain(matrix: &DMatrix<f64>) -> Matrix {
    let mut rows = [[0.0; WIDE]; WIDE];
    for (i, row) in rows.iter_mut().enumerate() {
        for (j, x) in row.iter_mut().enumerate() {
            *x = matrix[(i, j)];
        }
    }
    rows
}

fn multiply(matrix: &Matrix, vector: &Row) -> Row {
    matrix.map(|row| row.iter().zip(vector).map(|(a, x)| a * x).sum())
}
