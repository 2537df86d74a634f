//! The filter with the pole of the tuning port as `x' = A x + b i + l`, in units of one detector period.

use std::f64::consts::PI;

use nalgebra::{DMatrix, DVector};

use crate::physics::PhysicsError;
use crate::physics::part::{Case, StateSpace};

/// Most states: filter nodes, and the voltage behind the pole of the tuning port.
pub(super) const MOST: usize = 7;

const NOT_FINITE: &str = "the filter has no finite time constants";

/// A state of `N` components.
pub(super) type Vector<const N: usize> = [f64; N];

/// The smaller of two that are numbers: one instruction, where `f64::min` also looks for what is none.
#[inline]
pub(super) fn lower(a: f64, b: f64) -> f64 {
    if b < a { b } else { a }
}

/// The larger of two that are numbers.
#[inline]
pub(super) fn higher(a: f64, b: f64) -> f64 {
    if b > a { b } else { a }
}

/// Phases (detector cycles) and shares of voltages that differ by less are the same but for rounding.
pub(super) const ROUNDING: f64 = 8.0 * f64::EPSILON;

/// Size of the voltages in a state, of which each component has its share.
#[inline]
pub(super) fn size<const N: usize>(share: &Vector<N>, state: &Vector<N>) -> f64 {
    (0..N).map(|j| (share[j] * state[j]).abs()).sum()
}

/// Largest difference of the voltages in two states.
#[inline]
pub(super) fn apart<const N: usize>(share: &Vector<N>, a: &Vector<N>, b: &Vector<N>) -> f64 {
    (0..N).fold(0.0, |most, j| higher(most, (share[j] * (a[j] - b[j])).abs()))
}

/// The filter as it moves freely, or with one node held at a voltage. Time in detector periods, states in volts
/// relative to those of the channel aimed at.
#[derive(Clone, Debug)]
pub(in crate::physics) struct System {
    pub a: DMatrix<f64>,
    /// Effect of the pump current, V/A in a period.
    pub pump: DVector<f64>,
    /// Effect of all leakage, V in a period.
    pub leak: DVector<f64>,
    /// State that is the tuning voltage.
    pub out: usize,
    /// State on which the pump's limits act.
    pub limited: Option<usize>,
    /// All states at rest, for 1 V of tuning voltage; zero where the output can't move.
    pub rest: DVector<f64>,
}

impl System {
    /// The system of a case.
    ///
    /// # Errors
    /// [`PhysicsError::Degenerate`] where the parts make no finite state space.
    pub(in crate::physics) fn new(case: &Case) -> Result<Self, PhysicsError> {
        let mut system = Self::of(case, case.network().state_space())?;
        system.rest = at_rest(&system.a, system.out).ok_or(PhysicsError::Degenerate(NOT_FINITE))?;
        Ok(system)
    }

    /// The same with the op-amp's inverting input as a state. At an ideal op-amp it stands at the reference voltage; here
    /// it is kept as one that falls back to it, for the time when the op-amp is saturated and it moves.
    ///
    /// # Errors
    /// As [`System::new`].
    pub(super) fn with_summing_node(case: &Case) -> Result<Self, PhysicsError> {
        let plain = Self::new(case)?;
        let Some(node) = case.network().ideal_summing_state() else { return Ok(plain) };
        let mut a = plain.a.insert_row(node, 0.0).insert_column(node, 0.0);
        // Apart from all other rates, and of no effect.
        a[(node, node)] = -1.0 - 2.0 * a.amax();
        let vector = |of: DVector<f64>| of.insert_row(node, 0.0);
        let shifted = |state: usize| state + usize::from(state >= node);
        if a.nrows() > MOST {
            return Err(PhysicsError::Degenerate(NOT_FINITE));
        }
        Ok(Self {
            a,
            pump: vector(plain.pump),
            leak: vector(plain.leak),
            out: shifted(plain.out),
            limited: plain.limited.map(shifted),
            rest: vector(plain.rest),
        })
    }

    /// The filter while the op-amp's output stands at the end of its swing, in the states of [`System::with_summing_node`].
    /// The limited node is the op-amp's inverting input, where the pump's limits act.
    ///
    /// # Errors
    /// As [`System::new`].
    pub(super) fn saturated(case: &Case) -> Result<Self, PhysicsError> {
        Self::of(case, case.network().saturated_space())
    }

    fn of(case: &Case, space: Option<StateSpace>) -> Result<Self, PhysicsError> {
        let degenerate = PhysicsError::Degenerate(NOT_FINITE);
        let period = 1.0 / case.detector_frequency;
        let space = space.ok_or_else(|| degenerate.clone())?;
        let nodes = space.a.nrows();
        let port = case.oscillator.modulation_bandwidth.map(|f| 2.0 * PI * f * period);
        let size = nodes + usize::from(port.is_some());
        let node = space.c.iamax();
        let mut a = DMatrix::zeros(size, size);
        a.view_mut((0, 0), (nodes, nodes)).copy_from(&(&space.a * period));
        let (mut pump, mut leak) = (DVector::zeros(size), DVector::zeros(size));
        pump.rows_mut(0, nodes).copy_from(&(&space.b * period));
        let bias = case.amplifier.map_or(0.0, |amplifier| amplifier.input_bias_current);
        let lost = &space.b * (case.pump.leakage + bias) + &space.port * case.oscillator.input_leakage;
        leak.rows_mut(0, nodes).copy_from(&(lost * -period));
        if let Some(rate) = port {
            a[(nodes, node)] = rate;
            a[(nodes, nodes)] = -rate;
        }
        let out = if port.is_some() { nodes } else { node };
        let finite = a.iter().chain(pump.iter()).chain(leak.iter()).all(|x: &f64| x.is_finite());
        if !finite || size > MOST {
            return Err(degenerate);
        }
        Ok(Self { a, pump, leak, out, limited: space.limited, rest: DVector::zeros(size) })
    }

    /// The same while a node is held where it is: the pump gives whatever current that takes. `None` where
    /// the pump has no direct hold of that node.
    pub(super) fn held(&self, node: usize) -> Option<Self> {
        if self.pump[node] == 0.0 {
            return None;
        }
        let share = &self.pump / self.pump[node];
        let mut held = self.clone();
        held.a -= &share * self.a.row(node);
        held.leak -= &share * self.leak[node];
        held.a.row_mut(node).fill(0.0);
        held.leak[node] = 0.0;
        held.pump.fill(0.0);
        Some(held)
    }

    /// Whether the matrix is finite and of the size that a vector holds.
    pub(in crate::physics) fn size(&self) -> usize {
        self.a.nrows()
    }
}

/// States that stay as they are, with 1 V at `out`. One equation of `A x = 0` follows from the others; which, depends on
/// the filter, so that each is left out in turn and the best answer is kept.
fn at_rest(a: &DMatrix<f64>, out: usize) -> Option<DVector<f64>> {
    let size = a.nrows();
    let mut right = DVector::zeros(size);
    let mut best: Option<(f64, DVector<f64>)> = None;
    for row in 0..size {
        let mut equations = a / a.amax();
        equations.row_mut(row).fill(0.0);
        equations[(row, out)] = 1.0;
        right.fill(0.0);
        right[row] = 1.0;
        let Some(x) = equations.lu().solve(&right) else { continue };
        let off = (a * &x).amax() / x.amax();
        if off.is_finite() && best.as_ref().is_none_or(|(least, _)| off < *least) {
            best = Some((off, x));
        }
    }
    best.map(|(_, x)| x)
}
