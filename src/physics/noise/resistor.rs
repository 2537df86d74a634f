//! Thermal noise of the filter's resistors.

use std::f64::consts::PI;

use super::transfer::Response;
use super::{Contributor, Node};
use crate::physics::BOLTZMANN;
use crate::physics::part::Case;

/// `4 k T R`, V^2/Hz one-sided, of `resistance` ohm at `temperature` K. Source: H. Nyquist, Phys. Rev. 32, 1928.
pub fn thermal_voltage(resistance: f64, temperature: f64) -> f64 {
    4.0 * BOLTZMANN * temperature * resistance
}

/// One resistor of the filter, as a voltage of `4 k T R` in series with it.
pub(super) struct Resistor {
    name: &'static str,
    says: &'static str,
    nodes: &'static [Node],
}

pub(super) const R2: Resistor = Resistor {
    name: "R2",
    says: "thermal noise of R2, in series with the zero's capacitor: |E|^2",
    nodes: &[Node::R2],
};
pub(super) const R3: Resistor =
    Resistor { name: "R3", says: "thermal noise of R3, the first post section: |E|^2", nodes: &[Node::R3] };
pub(super) const R4: Resistor =
    Resistor { name: "R4", says: "thermal noise of R4, the second post section: |E|^2", nodes: &[Node::R4] };

fn resistance(case: &Case, node: Node) -> Option<f64> {
    match node {
        Node::R2 => Some(case.filter.r2),
        Node::R3 => case.filter.post.first().map(|(r, _)| *r),
        Node::R4 => case.filter.post.get(1).map(|(r, _)| *r),
        _ => None,
    }
}

impl Contributor for Resistor {
    fn name(&self) -> &'static str {
        self.name
    }

    fn says(&self) -> &'static str {
        self.says
    }

    fn nodes(&self) -> &'static [Node] {
        self.nodes
    }

    fn present(&self, case: &Case) -> bool {
        self.nodes.iter().all(|node| resistance(case, *node).is_some())
    }

    fn scale(&self, case: &Case, node: Node) -> f64 {
        resistance(case, node).map_or(0.0, |r| thermal_voltage(r, case.temperature))
    }

    fn shape(&self, _: &Case, _: Node, _: f64) -> f64 {
        1.0
    }
}

/// Bounds of the filter's time constants, s: all resistance with all capacitance, the least with the least.
fn time_constant_bounds(case: &Case) -> (f64, f64) {
    let filter = &case.filter;
    let resistors = [filter.r2].into_iter().chain(filter.post.iter().map(|(r, _)| *r));
    let capacitors = [filter.c1, filter.c2].into_iter().chain(filter.post.iter().map(|(_, c)| *c));
    let slow = resistors.clone().sum::<f64>()
        * (capacitors.clone().sum::<f64>() + case.oscillator.input_capacitance);
    let fast = resistors.fold(f64::INFINITY, f64::min) * capacitors.fold(f64::INFINITY, f64::min);
    (slow, fast)
}

/// Noise of each resistor on the tuning port, loop open, integrated over all frequencies, V^2 each.
/// `response`: of the filter of `case`, at a frequency in Hz.
///
/// First route of the check in `physics/twice/thermal.rs`. Over ln f the integrand is analytic in a strip of
/// half-width pi/2 (poles on the imaginary f axis), so that the trapezoid of step h is off by `exp(-pi^2/h)`;
/// the range reaches a factor 1e6 beyond the slowest and fastest time constants there can be, where the
/// integrand has fallen as f and 1/f.
pub fn integrated_voltages(case: &Case, response: impl Fn(f64) -> Response) -> Vec<(&'static str, f64)> {
    const STEP: f64 = 0.1;
    let resistors: Vec<(&Resistor, usize, f64)> = [&R2, &R3, &R4]
        .into_iter()
        .enumerate()
        .filter_map(|(i, part)| Some((part, i, resistance(case, part.nodes[0])?)))
        .collect();
    let (slow, fast) = time_constant_bounds(case);
    let from = (1e-6 / (2.0 * PI * slow)).ln();
    let to = (1e6 / (2.0 * PI * fast)).ln();
    let mut sums = vec![0.0; resistors.len()];
    for k in 0..=((to - from) / STEP).ceil() as usize {
        let f = (from + STEP * k as f64).exp();
        let powers = response(f).resistors;
        for (sum, (_, i, _)) in sums.iter_mut().zip(&resistors) {
            *sum += f * powers[*i];
        }
    }
    let variance = |((part, _, r), sum): (&(&Resistor, usize, f64), f64)| {
        (part.name, thermal_voltage(*r, case.temperature) * sum * STEP)
    };
    resistors.iter().zip(sums).map(variance).collect()
}
