//! Settling of the linear loop: what a small step does while the pump never slips or reaches a limit.
//!
//! After a step of the divider the frequency is off by the step times `e(t)`, whose transform is `E(s)/s`: a sum of
//! exponentials at the poles of the closed loop, here the eigenvalues of its state space.

use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

use super::PhysicsError;
use super::event::System;
use super::part::Case;
use crate::num::decay::Decay;

/// The linear loop after a step of its frequency by one.
#[derive(Clone, Debug)]
pub struct LinearSettling {
    /// Frequency still to go, as a share of the step, over periods of the detector.
    frequency: Decay,
    /// Phase error: the integral of the above.
    phase: Decay,
    /// Period of the detector, s.
    period: f64,
}

impl LinearSettling {
    /// The loop of a case.
    ///
    /// # Errors
    /// [`PhysicsError::Degenerate`] where the loop has no gain, its parts are zero, or it is not stable.
    pub fn new(case: &Case) -> Result<Self, PhysicsError> {
        let gain = case.loop_gain();
        let period = 1.0 / case.detector_frequency;
        if !(gain > 0.0 && gain.is_finite() && period > 0.0 && period.is_finite()) {
            return Err(PhysicsError::Degenerate(
                "pump current, oscillator gain, feedback ratio and detector frequency must not be zero",
            ));
        }
        let system = System::new(case)?;
        let (size, first) = (system.size() + 1, 0);
        // Phase in detector cycles, voltages in units that move it by one cycle in a period.
        let sign = if case.filter.topology.is_active() { -1.0 } else { 1.0 };
        let mut a = DMatrix::zeros(size, size);
        a[(first, 1 + system.out)] = 1.0;
        a.view_mut((1, 1), (size - 1, size - 1)).copy_from(&system.a);
        a.view_mut((1, first), (size - 1, 1)).copy_from(&(&system.pump * (-sign * gain * period)));
        let mut start = DVector::zeros(size);
        start.rows_mut(1, size - 1).copy_from(&system.rest);
        let unstable = PhysicsError::Degenerate("the linear loop is not stable");
        let rates: Vec<Complex64> = a.complex_eigenvalues().iter().map(|rate| polish(&a, *rate)).collect();
        if rates.iter().any(|rate| rate.re >= 0.0) {
            return Err(unstable);
        }
        let phase = Decay::partial_fractions(&rates, |s| numerator(&a, &start, s));
        let frequency = Decay::partial_fractions(&rates, |s| s * numerator(&a, &start, s));
        let (phase, frequency) = phase.zip(frequency).ok_or(unstable)?;
        Ok(Self { frequency, phase, period })
    }

    /// Time (s) of the last instant at which a step of `step` Hz is off by more than `window` Hz.
    pub fn time(&self, step: f64, window: f64) -> Option<f64> {
        self.frequency.last_above(window / step.abs()).map(|t| t * self.period)
    }

    /// Time (s) of the last instant at which the phase is off by more than `window` cycles after a step of `step` Hz.
    pub fn phase_time(&self, step: f64, window: f64) -> Option<f64> {
        self.phase.last_above(window / (step.abs() * self.period)).map(|t| t * self.period)
    }

    /// Excursion beyond the frequency aimed at, as a share of the step.
    pub fn overshoot(&self) -> f64 {
        self.frequency.swing().0
    }

    /// Frequency still to go at `t` seconds, as a share of the step, and the phase error in cycles for a step of 1 Hz.
    pub fn at(&self, t: f64) -> (f64, f64) {
        let t = t / self.period;
        (self.frequency.value(t), self.phase.value(t) * self.period)
    }

    /// Time constant of the slowest mode, s.
    pub fn slowest(&self) -> f64 {
        self.frequency.slowest() * self.period
    }
}

/// An eigenvalue by Newton's rule on the characteristic polynomial, whose logarithm has the trace of `(s - A)^-1` as its
/// slope: the eigenvalues of a stiff matrix come out with the rounding of its fastest.
fn polish(a: &DMatrix<f64>, mut rate: Complex64) -> Complex64 {
    let size = a.nrows();
    for _ in 0..3 {
        let shifted = DMatrix::from_fn(size, size, |i, j| {
            let unit = if i == j { rate } else { Complex64::new(0.0, 0.0) };
            unit - Complex64::from(a[(i, j)])
        });
        let Some(inverse) = shifted.try_inverse() else { break };
        let step = 1.0 / inverse.trace();
        // Where two coincide the rule does not settle, and a step means nothing.
        if !step.is_finite() || step.norm() > 1e-6 * rate.norm() {
            break;
        }
        rate -= step;
    }
    rate
}

/// Numerator of the first state's transform, `(adj(s - A) x0)` there, as the determinant of a bordered matrix: it is
/// regular at the poles too.
fn numerator(a: &DMatrix<f64>, start: &DVector<f64>, s: Complex64) -> Complex64 {
    let size = a.nrows();
    let bordered = DMatrix::from_fn(size + 1, size + 1, |i, j| {
        let plain = if i == size {
            if j == 0 { -1.0 } else { 0.0 }
        } else if j == size {
            start[i]
        } else {
            -a[(i, j)]
        };
        Complex64::from(plain) + if i == j && i < size { s } else { Complex64::new(0.0, 0.0) }
    });
    bordered.determinant()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::expm::expm;
    use crate::physics::linear::tests::case;
    use crate::physics::part::Topology;

    const PARTS: [(&str, f64); 7] = [
        ("C1", 1e-8),
        ("R2", 470.0),
        ("C2", 150e-9),
        ("R3", 1e3),
        ("C3", 2.2e-9),
        ("R4", 2.2e3),
        ("C4", 0.47e-9),
    ];

    /// Against the matrix exponential of a loop put together by hand.
    #[test]
    fn modes_are_those_of_the_matrix_exponential() {
        let (current, gain, n, rate) = (5e-3, 20e6, 400.0, 1e6);
        let linear =
            LinearSettling::new(&case(current, gain, n, rate, Topology::Passive(3), &PARTS)).expect("a loop");
        let (c1, r2, c2, r3, c3) = (1e-8, 470.0, 150e-9, 1e3, 2.2e-9);
        #[rustfmt::skip]
        let a = DMatrix::from_row_slice(4, 4, &[
            0.0, 0.0, 0.0, rate,
            -current * gain / n / c1 / rate, -(1.0 / r2 + 1.0 / r3) / c1, 1.0 / (r2 * c1), 1.0 / (r3 * c1),
            0.0, 1.0 / (r2 * c2), -1.0 / (r2 * c2), 0.0,
            0.0, 1.0 / (r3 * c3), 0.0, -1.0 / (r3 * c3),
        ]);
        let start = DVector::from_column_slice(&[0.0, 1.0, 1.0, 1.0]);
        for t in [0.0, 2e-6, 2e-5, 1e-4, 4e-4] {
            let x = expm(&(&a * t)).expect("finite") * &start;
            let (frequency, phase) = linear.at(t);
            assert!((frequency - x[3]).abs() < 1e-9, "{t}: {frequency} {}", x[3]);
            let x = &x / rate;
            assert!((phase - x[0]).abs() < 1e-14, "{t}: {phase} {}", x[0]);
        }
        let time = linear.time(-1e6, 100.0).expect("found");
        assert!((linear.at(time).0.abs() - 1e-4).abs() < 1e-12);
    }

    #[test]
    fn what_does_not_settle_is_refused() {
        let dead = case(0.0, 20e6, 400.0, 1e6, Topology::Passive(3), &PARTS);
        assert!(LinearSettling::new(&dead).is_err());
        let wild = case(5.0, 20e6, 400.0, 1e6, Topology::Passive(4), &PARTS);
        assert!(LinearSettling::new(&wild).is_err());
    }
}
