//! A filter as polynomials: what flows where, with its output driven.

use super::Filter;

/// Polynomials in s, coefficients A0 .. A3, of currents over s, on the scale on which the voltage at the pump is
/// `1 + s R2 C2`; the recursion of `noise/ladder.rs`, multiplied out. The transimpedance is `(1 + s R2 C2) / (s whole)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Currents {
    /// The driving current.
    pub whole: [f64; 4],
    /// What flows through R3 and R4; 0 where there is none.
    pub branches: [[f64; 4]; 2],
}

impl Filter {
    /// Of the filter with a capacitance `port` (F) across its output, taken as passive.
    pub fn currents(&self, port: f64) -> Currents {
        let sections = self.post.len();
        let c1 = self.c1 + if sections == 0 { port } else { 0.0 };
        let mut voltage = [1.0, self.r2 * self.c2, 0.0, 0.0];
        let mut current = [c1 + self.c2, c1 * self.r2 * self.c2, 0.0, 0.0];
        let mut branches = [[0.0; 4]; 2];
        for (k, ((r, c), branch)) in self.post.iter().zip(&mut branches).enumerate() {
            *branch = current;
            let c = c + if k + 1 == sections { port } else { 0.0 };
            for i in (1..4).rev() {
                voltage[i] += r * current[i - 1];
            }
            for i in 0..4 {
                current[i] += c * voltage[i];
            }
        }
        Currents { whole: current, branches }
    }

    /// Of the post filter alone, driven by a voltage, as an op-amp does: the voltage over the output as `whole`, the current
    /// in each resistor over that of the last as `branches`; the recursion of `noise/ladder.rs` again.
    pub fn post_currents(&self, port: f64) -> Currents {
        let sections = self.post.len();
        let mut voltage = [0.0; 4];
        let mut current = [1.0, 0.0, 0.0, 0.0];
        let mut branches = [[0.0; 4]; 2];
        for (k, ((r, c), branch)) in self.post.iter().zip(&mut branches).enumerate() {
            *branch = current;
            let c = c + if k + 1 == sections { port } else { 0.0 };
            for i in 0..4 {
                voltage[i] += r * current[i];
            }
            for i in (1..4).rev() {
                current[i] += c * voltage[i - 1];
            }
        }
        Currents { whole: current, branches }
    }
}
