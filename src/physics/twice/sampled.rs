//! The sampled loop's phase margin a second time: from the sum of the continuous loop's images at the detector rate.
//!
//! `L(f) = sum over k of G(f + k f_pd)`, as for any sampler that acts like an impulse.

use std::f64::consts::PI;

use num_complex::Complex64;

use super::impedance::Factored;
use crate::num::brent;
use crate::physics::part::Case;

/// Images on either side that are summed one by one.
const EXACT: u32 = 64;

/// Points per decade of the scan for crossings.
const SCAN: usize = 24;

/// Least phase margin, deg, of the sampled loop over its crossings of |L| = 1 below half the detector rate, good to
/// 0.01 deg; `None` where there is no crossing or no loop.
pub fn phase_margin(case: &Case) -> Option<f64> {
    let factored = Factored::new(case)?;
    let rate = case.detector_frequency;
    if !(rate.is_finite() && rate > 0.0) {
        return None;
    }
    let level = |f: f64| sum_of_images(&factored, f, rate).norm().ln();
    let mut least: Option<f64> = None;
    let (mut above, mut high) = (0.5 * rate, level(0.5 * rate));
    for k in 1..=8 * SCAN {
        let below = 0.5 * rate * 10f64.powf(-(k as f64) / SCAN as f64);
        let low = level(below);
        if high * low < 0.0 {
            let crossing = brent::root(level, below, above)?;
            let margin = (-sum_of_images(&factored, crossing, rate)).arg().to_degrees();
            least = Some(least.map_or(margin, |m| m.min(margin)));
        }
        if low > 1e3_f64.ln() {
            break;
        }
        (above, high) = (below, low);
    }
    least
}

/// The sum at `f` Hz. Far images are nearly alike: beyond the first 64 they are taken in groups, each standing for a
/// number that doubles as the distance does, until a doubling adds nothing.
fn sum_of_images(factored: &Factored, f: f64, rate: f64) -> Complex64 {
    let pair = |k: f64| factored.open_loop(f + k * rate) + factored.open_loop(f - k * rate);
    let mut sum = factored.open_loop(f);
    for k in 1..=EXACT {
        sum += pair(f64::from(k));
    }
    let mut from = f64::from(EXACT) + 0.5;
    let mut group = 1.0;
    loop {
        let part: Complex64 = (0..EXACT).map(|i| pair(from + group * (f64::from(i) + 0.5)) * group).sum();
        sum += part;
        // G falls as 1/f^2 at least, so that what is left is no more than the last part.
        if part.norm() <= 1e-7 * sum.norm() || !part.is_finite() {
            return sum;
        }
        from += group * f64::from(EXACT);
        group *= 2.0;
    }
}

impl Factored {
    /// Open loop G at `f` Hz, of either sign.
    fn open_loop(&self, f: f64) -> Complex64 {
        let s = Complex64::new(0.0, 2.0 * PI * f);
        let poles = self.poles.iter().map(|p| 1.0 - s / p).product::<Complex64>();
        self.gain * (1.0 + s * self.zero) / (s * s * self.a0 * poles)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::linear::tests::case;
    use crate::physics::part::Topology;
    use crate::physics::sampled::Sampled;

    #[test]
    fn both_routes_agree() {
        let parts = [
            ("C1", 1e-8),
            ("R2", 470.0),
            ("C2", 150e-9),
            ("R3", 1e3),
            ("C3", 2.2e-9),
            ("R4", 2.2e3),
            ("C4", 0.47e-9),
        ];
        for topology in
            [Topology::Passive(2), Topology::Passive(3), Topology::Passive(4), Topology::Active(4)]
        {
            for rate in [80e3, 147e3, 1e6, 30e6] {
                for port in [None, Some(150e3)] {
                    let mut sampled_case = case(5e-3, 20e6, 400.0, rate, topology, &parts);
                    sampled_case.oscillator.modulation_bandwidth = port;
                    let first = Sampled::new(&sampled_case).expect("a loop").margins().phase_margin;
                    let second = phase_margin(&sampled_case);
                    let off = first.expect("crosses") - second.expect("crosses");
                    assert!(off.abs() < 0.01, "{topology:?} {rate} {port:?}: {first:?} {second:?}");
                }
            }
        }
    }

    #[test]
    fn no_rate_no_margin() {
        let parts = [("C1", 1e-8), ("R2", 470.0), ("C2", 150e-9)];
        assert_eq!(phase_margin(&case(5e-3, 20e6, 400.0, 0.0, Topology::Passive(2), &parts)), None);
    }
}
