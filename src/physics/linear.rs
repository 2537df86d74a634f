//! The continuous loop: `G(s) = I K Z(s) M(s) / (N s)`, `H = G/(1+G)`, `E = 1/(1+G)`, and its margins.
//!
//! `s` in rad/s, frequencies in Hz, K in Hz/V: the two factors 2 pi cancel. M is the pole of the tuning port, where
//! one is stated. The feedback is negative whatever the sign of K: the polarity of the pump sees to it.

use std::f64::consts::PI;

use nalgebra::DMatrix;
use num_complex::Complex64;

use super::PhysicsError;
use super::part::{Case, Pencil};
use crate::num::brent;

/// The loop in the frequency domain.
#[derive(Clone, Debug)]
pub struct Linear {
    pencil: Pencil,
    /// Sign of Z that makes the feedback negative: an active filter turns it.
    turned: f64,
    /// `I |K| / N`, A Hz/V.
    gain: f64,
    /// Pole of the tuning port, rad/s.
    port_pole: Option<f64>,
    margins: Margins,
}

/// Crossings and what is read there. All lists ascend in frequency; frequencies in Hz.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Margins {
    /// Where |G| = 1.
    pub crossings: Vec<f64>,
    /// Phase margin at each crossing, deg, in -180 .. 180.
    pub phase_margins: Vec<f64>,
    /// Open-loop bandwidth: the crossing of the least phase margin; `None` where |G| never is 1.
    pub bandwidth: Option<f64>,
    /// Least phase margin, deg.
    pub phase_margin: Option<f64>,
    /// Where the phase of G is -180 deg.
    pub phase_crossovers: Vec<f64>,
    /// Gain margin at each of them, dB.
    pub gain_margins: Vec<f64>,
    /// Least gain margin, dB; `None` where the phase never is -180 deg.
    pub gain_margin: Option<f64>,
    /// Highest gain of H, dB.
    pub peaking: f64,
    /// Where that is.
    pub peaking_at: f64,
    /// Highest frequency at which |H|^2 falls through 1/2.
    pub closed_bandwidth: Option<f64>,
}

/// Points per decade of the scan for crossings: far closer than two corners of a filter can tell apart.
const SCAN: f64 = 100.0;

impl Linear {
    /// The loop of a case, with its margins.
    ///
    /// # Errors
    /// [`PhysicsError::Degenerate`] where gain, current or parts are zero or the network has no solution.
    pub fn new(case: &Case) -> Result<Self, PhysicsError> {
        let network = case.network();
        let corners =
            corners(case).ok_or(PhysicsError::Degenerate("the filter has no finite time constants"))?;
        let gain = case.loop_gain();
        if !(gain.is_finite() && gain > 0.0) {
            return Err(PhysicsError::Degenerate(
                "pump current, oscillator gain and feedback ratio must not be zero",
            ));
        }
        let mut linear = Self {
            pencil: network.pencil(),
            turned: if case.filter.topology.is_active() { -1.0 } else { 1.0 },
            gain,
            port_pole: case.oscillator.modulation_bandwidth.map(|f| 2.0 * PI * f),
            margins: Margins::default(),
        };
        linear.margins = linear.find_margins(&corners)?;
        Ok(linear)
    }

    /// Margins.
    pub fn margins(&self) -> &Margins {
        &self.margins
    }

    /// Transimpedance of the filter at `f` Hz, V/A.
    pub fn impedance(&self, f: f64) -> Complex64 {
        self.pencil.impedance(Complex64::new(0.0, 2.0 * PI * f)).unwrap_or(Complex64::new(f64::NAN, f64::NAN))
    }

    /// Transfer of the tuning port (1 where no pole is stated).
    pub fn port(&self, f: f64) -> Complex64 {
        self.port_pole.map_or(Complex64::new(1.0, 0.0), |pole| 1.0 / Complex64::new(1.0, 2.0 * PI * f / pole))
    }

    /// Open loop G at `f` Hz.
    pub fn open_loop(&self, f: f64) -> Complex64 {
        self.impedance(f) * self.turned * self.port(f) * self.gain / Complex64::new(0.0, 2.0 * PI * f)
    }

    /// Closed loop H at `f` Hz.
    pub fn closed_loop(&self, f: f64) -> Complex64 {
        let g = self.open_loop(f);
        g / (1.0 + g)
    }

    /// Error E at `f` Hz.
    pub fn error(&self, f: f64) -> Complex64 {
        1.0 / (1.0 + self.open_loop(f))
    }

    fn find_margins(&self, corners: &[f64]) -> Result<Margins, PhysicsError> {
        let (low, high) = self.scan_range(corners)?;
        let steps = ((high / low).log10() * SCAN).ceil() as usize;
        // The very numbers that the roots are sought between: a crossing may lie on a point of the scan.
        let log: Vec<f64> =
            (0..=steps).map(|k| low.ln() + (high / low).ln() * k as f64 / steps as f64).collect();
        let at: Vec<f64> = log.iter().map(|x| x.exp()).collect();
        let g: Vec<Complex64> = at.iter().map(|f| self.open_loop(*f)).collect();
        let log_gain = |x: f64| self.open_loop(x.exp()).norm().ln();
        // On the negative real axis the imaginary part changes sign; dividing by |G| keeps it well scaled.
        let turn = |x: f64| {
            let g = self.open_loop(x.exp());
            g.im / g.norm()
        };
        let mut m = Margins::default();
        for k in 1..at.len() {
            let ends = (log[k - 1], log[k]);
            if (g[k - 1].norm() < 1.0) != (g[k].norm() < 1.0) {
                m.crossings.extend(brent::root(log_gain, ends.0, ends.1).map(f64::exp));
            }
            let left = g[k - 1].re < 0.0 && g[k].re < 0.0;
            if left && g[k - 1].im * g[k].im < 0.0 {
                m.phase_crossovers.extend(brent::root(turn, ends.0, ends.1).map(f64::exp));
            }
        }
        m.phase_margins = m.crossings.iter().map(|f| phase_margin(self.open_loop(*f))).collect();
        m.gain_margins =
            m.phase_crossovers.iter().map(|f| -20.0 * self.open_loop(*f).norm().log10()).collect();
        let least = (0..m.crossings.len()).min_by(|a, b| m.phase_margins[*a].total_cmp(&m.phase_margins[*b]));
        m.bandwidth = least.map(|i| m.crossings[i]);
        m.phase_margin = least.map(|i| m.phase_margins[i]);
        m.gain_margin = m.gain_margins.iter().copied().min_by(f64::total_cmp);
        let closed: Vec<f64> = g.iter().map(|g| (g / (1.0 + g)).norm()).collect();
        let top = (0..closed.len()).max_by(|a, b| closed[*a].total_cmp(&closed[*b])).unwrap_or(0);
        let around = (log[top.saturating_sub(1)], log[(top + 1).min(log.len() - 1)]);
        let (x, negative) = brent::minimum(|x| -self.closed_loop(x.exp()).norm(), around.0, around.1, 1e-10);
        (m.peaking_at, m.peaking) = (x.exp(), 20.0 * (-negative).log10());
        let half = |x: f64| self.closed_loop(x.exp()).norm_sqr() - 0.5;
        let falls =
            (1..closed.len()).rev().find(|&k| closed[k - 1].powi(2) >= 0.5 && closed[k].powi(2) < 0.5);
        m.closed_bandwidth = falls.and_then(|k| brent::root(half, log[k - 1], log[k])).map(f64::exp);
        Ok(m)
    }

    /// From well below every corner and the last crossing to well above.
    fn scan_range(&self, corners: &[f64]) -> Result<(f64, f64), PhysicsError> {
        let least = corners.iter().copied().fold(f64::INFINITY, f64::min);
        let most = corners.iter().copied().fold(0.0, f64::max);
        let (mut low, mut high) = (least / 100.0, most * 100.0);
        for _ in 0..40 {
            if self.open_loop(low).norm() > 100.0 {
                break;
            }
            low /= 10.0;
        }
        for _ in 0..40 {
            if self.open_loop(high).norm() < 0.01 {
                break;
            }
            high *= 10.0;
        }
        let sound = self.open_loop(low).norm() > 100.0 && self.open_loop(high).norm() < 0.01;
        if sound {
            Ok((low, high))
        } else {
            Err(PhysicsError::Degenerate("the open loop has no finite gain"))
        }
    }
}

/// Distance of the phase from -180 deg, in -180 .. 180 deg.
fn phase_margin(g: Complex64) -> f64 {
    let margin = g.arg().to_degrees() + 180.0;
    if margin > 180.0 { margin - 360.0 } else { margin }
}

/// Corner frequencies of filter and tuning port, Hz: magnitudes of the poles, and the zero.
fn corners(case: &Case) -> Option<Vec<f64>> {
    let space = case.network().state_space()?;
    let largest = space.a.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    if !(largest > 0.0 && largest.is_finite()) {
        return None;
    }
    let scaled: DMatrix<f64> = &space.a / largest;
    let poles = scaled.complex_eigenvalues();
    // The integrator's own pole comes out as rounding.
    let mut corners: Vec<f64> =
        poles.iter().map(|p| p.norm() * largest / (2.0 * PI)).filter(|f| *f > largest * 1e-13).collect();
    corners.push(1.0 / (2.0 * PI * case.filter.r2 * case.filter.c2));
    corners.extend(case.oscillator.modulation_bandwidth);
    corners.iter().all(|f| f.is_finite() && *f > 0.0).then_some(corners)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::physics::part::{Filter, NoiseFacts, OscillatorPoint, PumpPoint, Topology};

    /// A case with given parts and otherwise nothing that disturbs.
    pub(crate) fn case(
        current: f64,
        gain: f64,
        n: f64,
        detector: f64,
        topology: Topology,
        parts: &[(&str, f64)],
    ) -> Case {
        let mut filter = Filter::of(topology);
        for (name, value) in parts {
            filter.set(name, *value);
        }
        Case {
            reference_frequency: detector,
            detector_frequency: detector,
            feedback_ratio: n,
            fixed_prescaler: 1.0,
            output_divider: 1.0,
            oscillator: OscillatorPoint {
                frequency: n * detector,
                tuning_voltage: 2.0,
                gain,
                input_capacitance: 0.0,
                input_leakage: 0.0,
                modulation_bandwidth: None,
                pushing: 0.0,
            },
            pump: PumpPoint { current, mismatch: 0.0, leakage: 0.0, pulse: 0.0 },
            filter,
            amplifier: None,
            noise: NoiseFacts::default(),
            temperature: 300.15,
        }
    }

    /// Check value OL-MARGIN, case F2, here only to guard the file; all cases are in tests/validation.
    #[test]
    fn margins_of_a_known_loop() {
        let parts = [("C1", 4.7e-9), ("R2", 2.2e3), ("C2", 68e-9), ("R3", 4.7e3), ("C3", 1e-9)];
        let linear =
            Linear::new(&case(0.0025, 12e6, 800.0, 1e6, Topology::Passive(3), &parts)).expect("a loop");
        let m = linear.margins();
        assert!((m.bandwidth.expect("crosses") / 9_509.850_69 - 1.0).abs() < 1e-8);
        assert!((m.phase_margin.expect("crosses") - 34.553_468_9).abs() < 1e-6);
        assert!((m.gain_margin.expect("crosses") - 12.534_684_4).abs() < 1e-6);
        assert!((m.peaking - 4.564_695_32).abs() < 1e-6);
        assert!((m.closed_bandwidth.expect("falls") / 16_406.028_5 - 1.0).abs() < 1e-6);
    }

    /// The crossover of a second-order filter lies halfway between its corners, and so on a point of the scan.
    #[test]
    fn a_crossing_on_a_point_of_the_scan_is_found() {
        for k in 0..200 {
            let bandwidth = 10e3 * 1.02f64.powi(k);
            let goal = crate::physics::synthesis::Goal {
                bandwidth,
                phase_margin: 50.0,
                pole_ratios: Vec::new(),
                topology: Topology::Passive(2),
                slope: 400e3,
                input_capacitance: 0.0,
                modulation_bandwidth: None,
                gain_bandwidth: None,
                max_capacitance: 1e-3,
            };
            let filter = crate::physics::synthesis::design(&goal, 4e-3).expect("parts");
            let parts = [("C1", filter.c1), ("R2", filter.r2), ("C2", filter.c2)];
            let linear =
                Linear::new(&case(4e-3, 20e6, 50.0, 10e6, Topology::Passive(2), &parts)).expect("a loop");
            let found = linear.margins().bandwidth.expect("a crossing");
            assert!((found / bandwidth - 1.0).abs() < 1e-9, "{found} {bandwidth}");
        }
    }

    #[test]
    fn polarity_and_a_pole_of_the_tuning_port() {
        let parts = [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9)];
        let rising = case(1e-3, 30e6, 200.0, 1e6, Topology::Passive(2), &parts);
        let falling = case(1e-3, -30e6, 200.0, 1e6, Topology::Passive(2), &parts);
        let a = Linear::new(&rising).expect("a loop");
        assert_eq!(a.margins(), Linear::new(&falling).expect("a loop").margins());
        assert_eq!(a.margins().gain_margin, None);
        let mut slow = rising.clone();
        slow.oscillator.modulation_bandwidth = Some(200e3);
        let b = Linear::new(&slow).expect("a loop");
        let lost = a.margins().phase_margin.expect("crosses") - b.margins().phase_margin.expect("crosses");
        assert!(lost > 6.0 && lost < 8.0, "{lost}");
        assert!(b.margins().gain_margin.is_some());
    }

    #[test]
    fn an_active_loop_is_closed_with_the_right_sign() {
        let parts = [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9), ("R3", 100.0), ("C3", 1e-9)];
        let linear = Linear::new(&case(1e-3, 30e6, 200.0, 1e6, Topology::Active(3), &parts)).expect("a loop");
        assert!(linear.margins().phase_margin.expect("crosses") > 40.0);
        assert!((linear.closed_loop(1.0).re - 1.0).abs() < 1e-3);
    }

    #[test]
    fn nothing_to_close_is_refused() {
        let parts = [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9)];
        assert!(Linear::new(&case(0.0, 30e6, 200.0, 1e6, Topology::Passive(2), &parts)).is_err());
        assert!(Linear::new(&case(1e-3, 30e6, 200.0, 1e6, Topology::Passive(2), &[])).is_err());
    }
}
