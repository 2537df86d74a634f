//! Response of a loop and its filter in closed form, fast enough for thousands of trials.
//!
//! Passive: one recursion from the pump's node to the output gives everything. With the output driven by a
//! current and the scale chosen so that the voltage at the pump is `V1 = 1 + s R2 C2`:
//! `J1 = s C1 V1 + s C2` flows through R3, `V2 = V1 + R3 J1`, `J2 = J1 + s C3 V2` through R4, and so on; the
//! last J is the driving current D. By reciprocity the transimpedance from pump to output is `V1 / D`, and
//! the transfer from a voltage in series with a resistor is that resistor's current over D (for R2: `s C2 / D`).
//!
//! Active: the op-amp holds its output against the post filter, so that the same recursion starts there with
//! no voltage and a current of 1. Its feedback `Zf` (R2 + C2, C1 across both) carries the pump's current; with
//! open-loop gain `A = GBW / (j f)` every transfer to its output is over `1 + 1/A`: `Zf` from a current, 1
//! from a voltage at either input (an ideal pump draws nothing), and `C2 / (C1 + C2 + s R2 C1 C2)` from R2.
//!
//! Source: reciprocity of networks of resistors and capacitors, and the op-amp's equation; derived here.
//! Checked by a nodal elimination and by a circuit simulator's densities (LF-N) in `tests/validation`.

use std::f64::consts::PI;

use num_complex::Complex64;

use super::transfer::{NodePowers, Response, Transfers, port_power};
use crate::physics::part::Case;

/// A loop in closed form; borrows the case and copies its parts.
pub struct Ladder<'c> {
    case: &'c Case,
    c1: f64,
    r2: f64,
    c2: f64,
    /// R3, C3 and R4, C4; the tuning port's capacitance is in the last capacitor.
    post: [(f64, f64); 2],
    /// How many of them there are.
    sections: usize,
    /// Gain-bandwidth of an active filter's op-amp, Hz.
    gain_bandwidth: Option<f64>,
    /// `I K / N`, 1/s per ohm.
    gain: f64,
}

/// `x * j w c`.
fn charging(x: Complex64, wc: f64) -> Complex64 {
    Complex64::new(-wc * x.im, wc * x.re)
}

impl<'c> Ladder<'c> {
    /// The loop of `case`.
    pub fn new(case: &'c Case) -> Self {
        let filter = &case.filter;
        let mut post = [(0.0, 0.0); 2];
        let sections = filter.post.len().min(post.len());
        post[..sections].copy_from_slice(&filter.post[..sections]);
        let active = filter.topology.is_active();
        let mut c1 = filter.c1;
        match sections {
            0 if active => {}
            0 => c1 += case.oscillator.input_capacitance,
            n => post[n - 1].1 += case.oscillator.input_capacitance,
        }
        let gain_bandwidth = active
            .then(|| case.amplifier.as_ref().map_or(f64::INFINITY, |amplifier| amplifier.gain_bandwidth));
        Self {
            case,
            c1,
            r2: filter.r2,
            c2: filter.c2,
            post,
            sections,
            gain_bandwidth,
            gain: case.loop_gain(),
        }
    }

    /// What loop and filter do at `f` Hz.
    pub fn response(&self, f: f64) -> Response {
        let w = 2.0 * PI * f;
        let (transimpedance, resistors, amplifier) = self.filter(f);
        // G = I K Z / (N s), with the pole of the tuning port.
        let lag = self.case.oscillator.modulation_bandwidth.map_or(0.0, |corner| f / corner);
        let open = self.gain * transimpedance / Complex64::new(-w * lag, w);
        let error = 1.0 / (1.0 + open).norm_sqr();
        Response {
            closed: open.norm_sqr() * error,
            error,
            resistors,
            amplifier,
            port: port_power(self.case, f),
        }
    }

    /// Peak deviation of the oscillator per peak current into the filter at `f` Hz, loop open: `|Z| |K|` with the
    /// pole of the tuning port, Hz/A.
    pub fn tuning_gain(&self, f: f64) -> f64 {
        let port = port_power(self.case, f).sqrt();
        self.filter(f).0.norm() * self.case.oscillator.gain.abs() * port
    }

    /// Transimpedance and the squared transfers of [`Response`] at `f` Hz.
    fn filter(&self, f: f64) -> (Complex64, [f64; 3], [f64; 3]) {
        let w = 2.0 * PI * f;
        match self.gain_bandwidth {
            None => self.passive(w),
            Some(gain_bandwidth) => self.active(w, f / gain_bandwidth),
        }
    }

    /// As [`Ladder::filter`], at `w` rad/s.
    fn passive(&self, w: f64) -> (Complex64, [f64; 3], [f64; 3]) {
        let top = Complex64::new(1.0, w * self.r2 * self.c2);
        let mut start = charging(top, w * self.c1);
        start.im += w * self.c2;
        let (driving, branches) = self.post_filter(w, top, start);
        let over = 1.0 / driving.norm_sqr();
        let resistors = [(w * self.c2).powi(2) * over, branches[0] * over, branches[1] * over];
        (top / driving, resistors, [0.0; 3])
    }

    /// As [`Ladder::passive`]; `inverse_gain` is `|1/A|`, of an A that lags by a right angle.
    fn active(&self, w: f64, inverse_gain: f64) -> (Complex64, [f64; 3], [f64; 3]) {
        let held = Complex64::new(1.0, inverse_gain);
        let both = Complex64::new(self.c1 + self.c2, w * self.r2 * self.c1 * self.c2);
        let feedback = Complex64::new(1.0, w * self.r2 * self.c2) / charging(both, w);
        let (driving, branches) = self.post_filter(w, Complex64::ZERO, Complex64::ONE);
        let over = 1.0 / driving.norm_sqr();
        let from_input = over / held.norm_sqr();
        let from_current = feedback.norm_sqr() * from_input;
        let from_r2 = self.c2 * self.c2 / both.norm_sqr() * from_input;
        let resistors = [from_r2, branches[0] * over, branches[1] * over];
        (feedback / (held * driving), resistors, [from_input, from_current, from_input])
    }

    /// The recursion through R3, C3, R4, C4: driving current D, and the squared current in each resistor.
    fn post_filter(&self, w: f64, mut voltage: Complex64, mut current: Complex64) -> (Complex64, [f64; 2]) {
        let mut branches = [0.0; 2];
        for ((r, c), branch) in self.post[..self.sections].iter().zip(&mut branches) {
            *branch = current.norm_sqr();
            voltage += *r * current;
            current += charging(voltage, w * c);
        }
        (current, branches)
    }
}

impl Transfers for Ladder<'_> {
    fn at(&self, f: f64) -> NodePowers {
        NodePowers::new(self.case, f, &self.response(f))
    }
}
