//! Impedance and margins a second time: from poles and zeros in closed product form.
//!
//! `Z(s) = (1 + s T2) / (s A0 prod(1 - s/p))`: the poles are eigenvalues of the state space, the zero is R2 C2, and A0
//! is the capacitance that a slow charge finds. Phases are sums of arcs, so that no nodal solution is needed anywhere.

use std::f64::consts::PI;

use nalgebra::DMatrix;
use num_complex::Complex64;

use crate::num::brent;
use crate::physics::part::Case;

/// Margins by the second route; frequencies in Hz, margins in deg and dB, lists ascending in frequency.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TwiceMargins {
    /// Where |G| = 1.
    pub crossings: Vec<f64>,
    /// Least phase margin.
    pub phase_margin: Option<f64>,
    /// Phase margin at each crossing.
    pub phase_margins: Vec<f64>,
    /// Where the phase of G is -180 deg.
    pub phase_crossovers: Vec<f64>,
    /// Least gain margin.
    pub gain_margin: Option<f64>,
    /// Gain margin at each phase crossover.
    pub gain_margins: Vec<f64>,
}

/// The open loop `gain (1 + s T2) / (s^2 A0 prod(1 - s/p))`.
pub(super) struct Factored {
    /// `I |K| / N`, A Hz/V.
    pub(super) gain: f64,
    /// Sum of the capacitors that a slow charge finds, F.
    pub(super) a0: f64,
    /// T2, s.
    pub(super) zero: f64,
    /// Poles other than those at zero, rad/s; that of the tuning port comes last.
    pub(super) poles: Vec<Complex64>,
    ports: usize,
}

impl Factored {
    /// `None` where the filter has no state space or a part is zero.
    pub(super) fn new(case: &Case) -> Option<Self> {
        let space = case.network().state_space()?;
        let largest = space.a.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
        let scaled: DMatrix<f64> = &space.a / largest;
        let mut poles: Vec<Complex64> = scaled.complex_eigenvalues().iter().map(|p| p * largest).collect();
        // The charge never leaves the filter: one eigenvalue is zero, and comes out as rounding.
        let charge = (0..poles.len()).min_by(|a, b| poles[*a].norm().total_cmp(&poles[*b].norm()))?;
        poles.swap_remove(charge);
        let filter = &case.filter;
        let a0 = if filter.topology.is_active() {
            filter.c1 + filter.c2
        } else {
            let post: f64 = filter.post.iter().map(|(_, c)| c).sum();
            filter.c1 + filter.c2 + post + case.oscillator.input_capacitance
        };
        let port = case.oscillator.modulation_bandwidth.map(|f| Complex64::from(-2.0 * PI * f));
        poles.extend(port);
        let gain = case.loop_gain();
        let sound = gain > 0.0 && gain.is_finite() && a0 > 0.0 && poles.iter().all(|p| p.is_finite());
        let ports = usize::from(port.is_some());
        sound.then_some(Self { gain, a0, zero: filter.r2 * filter.c2, poles, ports })
    }

    /// Transimpedance up to the node of the tuning port, its sign apart.
    fn impedance(&self, f: f64) -> Complex64 {
        let s = Complex64::new(0.0, 2.0 * PI * f);
        let poles = &self.poles[..self.poles.len() - self.ports];
        (1.0 + s * self.zero) / (s * self.a0 * poles.iter().map(|p| 1.0 - s / p).product::<Complex64>())
    }

    /// ln |G|.
    fn log_gain(&self, f: f64) -> f64 {
        let w = 2.0 * PI * f;
        let poles: f64 = self.poles.iter().map(|p| (1.0 - Complex64::new(0.0, w) / p).norm().ln()).sum();
        (self.gain / self.a0).ln() - 2.0 * w.ln() + 1.0_f64.hypot(w * self.zero).ln() - poles
    }

    /// Phase of G above -180 deg, in degrees, without jumps.
    fn margin(&self, f: f64) -> f64 {
        let w = 2.0 * PI * f;
        let poles: f64 = self.poles.iter().map(|p| (1.0 - Complex64::new(0.0, w) / p).arg()).sum();
        ((w * self.zero).atan() - poles).to_degrees()
    }

    /// Where a function of frequency changes sign, between well below and well above every corner.
    fn sign_changes(&self, of: impl Fn(f64) -> f64) -> Vec<f64> {
        let middle = (self.gain / self.a0).sqrt() / (2.0 * PI);
        let corners: Vec<f64> = self.poles.iter().map(|p| p.norm() / (2.0 * PI)).chain([middle]).collect();
        let low = corners.iter().copied().fold(1.0 / (2.0 * PI * self.zero), f64::min) * 1e-4;
        let high = corners.iter().copied().fold(1.0 / (2.0 * PI * self.zero), f64::max) * 1e4;
        let steps = (60.0 * (high / low).log10()).ceil();
        let at = |k: f64| low * (high / low).powf(k / steps);
        let mut found = Vec::new();
        let (mut f, mut value) = (low, of(low));
        for k in 1..=steps as usize {
            let (next, after) = (at(k as f64), of(at(k as f64)));
            if (value < 0.0) != (after < 0.0) {
                found.extend(brent::root(&of, f, next));
            }
            (f, value) = (next, after);
        }
        found
    }
}

/// Transimpedance of the filter at `f` Hz, V/A, with the sign of the nodal solution; `None` where there is none.
pub fn impedance(case: &Case, f: f64) -> Option<Complex64> {
    let sign = if case.filter.topology.is_active() { -1.0 } else { 1.0 };
    Factored::new(case).map(|factored| sign * factored.impedance(f)).filter(|z| z.is_finite())
}

/// Margins of the continuous loop; `None` where it has no finite gain.
pub fn margins(case: &Case) -> Option<TwiceMargins> {
    let factored = Factored::new(case)?;
    let crossings = factored.sign_changes(|f| factored.log_gain(f));
    let wrapped = |f: &f64| (factored.margin(*f) + 180.0).rem_euclid(360.0) - 180.0;
    let phase_margins: Vec<f64> = crossings.iter().map(wrapped).collect();
    let phase_crossovers = factored.sign_changes(|f| factored.margin(f));
    let gain_margins: Vec<f64> =
        phase_crossovers.iter().map(|f| -20.0 / std::f64::consts::LN_10 * factored.log_gain(*f)).collect();
    Some(TwiceMargins {
        phase_margin: phase_margins.iter().copied().min_by(f64::total_cmp),
        gain_margin: gain_margins.iter().copied().min_by(f64::total_cmp),
        crossings,
        phase_margins,
        phase_crossovers,
        gain_margins,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::linear::Linear;
    use crate::physics::linear::tests::case;
    use crate::physics::part::{AmplifierPoint, Topology};

    const PARTS: [(&str, f64); 7] = [
        ("C1", 1e-8),
        ("R2", 470.0),
        ("C2", 150e-9),
        ("R3", 1e3),
        ("C3", 2.2e-9),
        ("R4", 2.2e3),
        ("C4", 0.47e-9),
    ];

    #[test]
    fn both_routes_agree() {
        let amplifier = AmplifierPoint {
            voltage_noise: (0.0, 0.0),
            current_noise: (0.0, 0.0),
            gain_bandwidth: 3e6,
            reference_noise: 0.0,
            input_bias_current: 0.0,
        };
        for topology in [
            Topology::Passive(2),
            Topology::Passive(3),
            Topology::Passive(4),
            Topology::Active(3),
            Topology::Active(4),
        ] {
            for (port, amplifier) in [(None, None), (Some(200e3), Some(amplifier))] {
                let mut loop_case = case(5e-3, -20e6, 400.0, 1e6, topology, &PARTS);
                loop_case.oscillator.modulation_bandwidth = port;
                loop_case.oscillator.input_capacitance = 33e-12;
                loop_case.amplifier = amplifier;
                let linear = Linear::new(&loop_case).expect("a loop");
                for f in [10.0, 3e3, 4e4, 2e6] {
                    let (a, b) = (linear.impedance(f), impedance(&loop_case, f).expect("an impedance"));
                    assert!((a - b).norm() < 1e-8 * a.norm(), "{topology:?} {f}: {a} {b}");
                }
                let (a, b) = (linear.margins(), margins(&loop_case).expect("margins"));
                let pairs =
                    a.crossings.iter().zip(&b.crossings).chain(a.gain_margins.iter().zip(&b.gain_margins));
                assert_eq!(
                    (a.crossings.len(), a.gain_margins.len()),
                    (b.crossings.len(), b.gain_margins.len())
                );
                for (x, y) in pairs.chain(a.phase_margins.iter().zip(&b.phase_margins)) {
                    assert!((x / y - 1.0).abs() < 1e-7, "{topology:?} {x} {y}");
                }
            }
        }
    }

    #[test]
    fn no_filter_no_margins() {
        assert_eq!(margins(&case(5e-3, 20e6, 400.0, 1e6, Topology::Passive(4), &PARTS[..3])), None);
        assert_eq!(margins(&case(0.0, 20e6, 400.0, 1e6, Topology::Passive(4), &PARTS)), None);
    }
}
