//! The total of a loop over a whole grid, as one fraction for each offset.
//!
//! Passive: with `y = w^2`, `v = 1/y`, filter current `D = j w C(j w)`, `P = C (1 + j w tau)` and `Q = P - g v (1 + j w T2)`,
//! everything has the denominator |Q|^2, and |C|^2 goes out of the resistors' noise:
//! `|H|^2 = g^2 v (v + T2^2) / |Q|^2`, `|E|^2 = |P|^2 / |Q|^2`, and a resistor's `|T_R E port|^2 = |B|^2 / |Q|^2` with
//! the current B of its branch over that of the whole. Nothing is branched on within the grid, so that the compiler can
//! take several offsets at a time. Active: the same with the C of its feedback, and the inputs of its op-amp.
//!
//! |B|^2 is taken as a polynomial in y, whose terms are above zero, as the roots of B are real; |Q|^2 is not, since near its
//! resonance terms of such a polynomial go out against each other.
//!
//! Source: derived here from `ladder.rs` and checked against it.

use std::f64::consts::PI;
use std::ops::Range;

use super::Node;
use super::spectrum::{Part, Prepared};
use crate::physics::part::{Case, Currents};

/// Most contributors at the detector.
const AT_DETECTOR: usize = 4;

/// What enters at each node, at the offsets that are swept.
struct Entering<'p> {
    detector: [Part<'p>; AT_DETECTOR],
    oscillator: Part<'p>,
    /// With half of the pushing squared.
    supply: Part<'p>,
    output: Part<'p>,
    voltage: Part<'p>,
    reference: Part<'p>,
    current: Part<'p>,
}

/// `v f^2`.
const TURNED: f64 = 1.0 / (4.0 * PI * PI);

/// A polynomial with real coefficients.
type Polynomial = [f64; 6];

/// `p (1 + s t)`, times `scale`.
fn lagging(p: Polynomial, t: f64, scale: f64) -> Polynomial {
    let mut product = p;
    for i in 1..p.len() {
        product[i] += t * p[i - 1];
    }
    product.map(|a| a * scale)
}

fn widened([a0, a1, a2, a3]: [f64; 4]) -> Polynomial {
    [a0, a1, a2, a3, 0.0, 0.0]
}

/// `|a(j w)|^2` of a cubic with real coefficients, by powers of y.
fn square([a0, a1, a2, a3, ..]: Polynomial) -> [f64; 4] {
    [a0 * a0, a1 * a1 - 2.0 * a0 * a2, a2 * a2 - 2.0 * a1 * a3, a3 * a3]
}

/// The fraction of an offset, of what is the same at all of them. What is of v stands over [`TURNED`], as 1/f^2 is kept.
struct Fraction {
    /// P by powers of s.
    whole: Polynomial,
    /// Loop gain g, and g T2.
    forward: (f64, f64),
    /// T2^2.
    zero: f64,
    /// (g N / O)^2.
    closed: f64,
    /// 1 / O^2.
    divided: f64,
    /// Half of (2 pi K / O)^2, which is (K / f)^2 y.
    tuning: f64,
    /// Noise of the resistors by powers of y, with that factor.
    resistors: [f64; 4],
    /// |B|^2 of the voltage at the op-amp's inputs.
    inputs: (f64, f64),
}

impl Fraction {
    /// Of what enters at the detector, the oscillator, as voltage and as current at the inputs of the op-amp, at an offset
    /// with y and 1/f^2.
    #[inline]
    fn at<const ACTIVE: bool>(
        &self,
        y: f64,
        over: f64,
        detector: f64,
        oscillator: f64,
        [voltage, current]: [f64; 2],
    ) -> f64 {
        let [p0, p1, p2, p3, p4, p5] = self.whole;
        let re = p0 - (p2 - p4 * y) * y;
        let im = if ACTIVE { p1 - (p3 - p5 * y) * y } else { p1 - p3 * y };
        let (q_re, q_im) = (re - self.forward.0 * over, im - self.forward.1 * over);
        let lead = (over + self.zero) * over;
        let [k0, k1, k2, k3] = self.resistors;
        let mut filter = k0 * over + k1 + k2 * y;
        if ACTIVE {
            filter += k3 * y * y;
            filter += voltage * (self.inputs.0 * over + self.inputs.1) + current * (lead * self.tuning);
        }
        let through = detector * (lead * self.closed) + oscillator * (re * re + y * im * im) + filter;
        through / (q_re * q_re + y * q_im * q_im)
    }
}

impl Prepared {
    /// `filter`: P but for the lag of the tuning port, and B of R2, R3, R4 and of the op-amp's inputs.
    fn fraction(&self, case: &Case, filter: [Polynomial; 5]) -> Fraction {
        let [whole, second, third, fourth, inputs] = filter;
        let gain = case.loop_gain() * TURNED;
        let zero = case.filter.r2 * case.filter.c2;
        let tau = case.oscillator.modulation_bandwidth.map_or(0.0, |corner| 1.0 / (2.0 * PI * corner));
        let divided = 1.0 / case.output_divider.powi(2);
        let tuning = 0.5 * (2.0 * PI * case.oscillator.gain).powi(2) * divided;
        let mut resistors = [0.0; 4];
        for (node, branch) in [(Node::R2, second), (Node::R3, third), (Node::R4, fourth)] {
            let scale = self.scale_at(case, node) * tuning;
            for (sum, square) in resistors.iter_mut().zip(square(branch)) {
                *sum += scale * square;
            }
        }
        resistors[0] *= TURNED;
        let inputs = square(inputs);
        Fraction {
            whole: lagging(whole, tau, 1.0),
            forward: (gain, gain * zero),
            zero: zero * zero / TURNED,
            closed: (gain * case.feedback_ratio).powi(2) * divided,
            divided,
            tuning: tuning * TURNED * TURNED,
            resistors,
            inputs: (inputs[0] * tuning * TURNED, inputs[1] * tuning),
        }
    }

    /// As [`Prepared::total_into`] with [`super::Ladder`], several times as fast.
    pub fn sweep_into(&self, case: &Case, total: &mut [f64]) {
        self.sweep_part(case, &(0..self.offsets().len()), total);
    }

    /// The same at some offsets by their positions alone.
    pub fn sweep_part(&self, case: &Case, offsets: &Range<usize>, total: &mut [f64]) {
        if case.filter.topology.is_active() {
            self.sweep::<true>(case, &self.active(case), offsets, total);
        } else {
            self.sweep::<false>(case, &self.passive(case), offsets, total);
        }
    }

    fn passive(&self, case: &Case) -> Fraction {
        let Currents { whole, branches: [third, fourth] } =
            case.filter.currents(case.oscillator.input_capacitance);
        let second = [case.filter.c2, 0.0, 0.0, 0.0];
        self.fraction(case, [whole, second, third, fourth, [0.0; 4]].map(widened))
    }

    fn sweep<const ACTIVE: bool>(
        &self,
        case: &Case,
        fraction: &Fraction,
        offsets: &Range<usize>,
        total: &mut [f64],
    ) {
        // All slices are cut to one length, which leaves nothing to check within the loop.
        let count = offsets.len();
        let cut = |part| first(part, count);
        let entering = self.entering(case, offsets, fraction.divided);
        let detector = entering.detector.map(cut);
        let (oscillator, supply, output) =
            (cut(entering.oscillator), cut(entering.supply), cut(entering.output));
        let (voltage, reference, current) =
            (cut(entering.voltage), cut(entering.reference), cut(entering.current));
        let (squares, inverse) = (&self.squares[offsets.clone()], &self.inverse[offsets.clone()]);
        let (squares, inverse) = (&squares[..count], &inverse[..count]);
        for (i, total) in total[..count].iter_mut().enumerate() {
            let of = |(scale, shape): (f64, &[f64])| scale * shape[i];
            let (y, over) = (squares[i], inverse[i]);
            let oscillator = of(oscillator) + of(supply) * over;
            let amplifier = if ACTIVE { [of(voltage) + of(reference), of(current)] } else { [0.0; 2] };
            let [a, b, c, d] = detector.map(of);
            *total = fraction.at::<ACTIVE>(y, over, a + b + (c + d), oscillator, amplifier) + of(output);
        }
    }

    /// `divided`: 1 / O^2, with which what enters before the output divider is taken.
    fn entering<'p>(&'p self, case: &Case, offsets: &Range<usize>, divided: f64) -> Entering<'p> {
        let one = |node| self.parts::<1>(case, node, offsets)[0];
        let times = |(scale, shape): Part<'p>, factor: f64| (scale * factor, shape);
        Entering {
            detector: self.parts(case, Node::Detector, offsets),
            oscillator: times(one(Node::Oscillator), divided),
            supply: times(one(Node::Supply), 0.5 * case.oscillator.pushing.powi(2) * divided),
            output: one(Node::Output),
            voltage: one(Node::AmplifierVoltage),
            reference: one(Node::AmplifierReference),
            current: one(Node::AmplifierCurrent),
        }
    }
}

fn first((scale, shape): Part<'_>, count: usize) -> Part<'_> {
    (scale, &shape[..count])
}

/// What the op-amp is to an active filter's sweep: each current of the post filter times its feedback's capacitors and the
/// lag of its gain.
struct Feedback {
    /// C1 + C2, F.
    capacitance: f64,
    /// Time constant of R2 with C1 and C2 in series, s.
    lag: f64,
    /// Time constant of the op-amp's unity gain, s.
    slow: f64,
}

impl Feedback {
    fn of(case: &Case) -> Self {
        let filter = &case.filter;
        let capacitance = filter.c1 + filter.c2;
        let bandwidth = case.amplifier.as_ref().map_or(f64::INFINITY, |amplifier| amplifier.gain_bandwidth);
        Self {
            capacitance,
            lag: filter.r2 * filter.c1 * filter.c2 / capacitance,
            slow: 1.0 / (2.0 * PI * bandwidth),
        }
    }

    fn times(&self, current: [f64; 4]) -> Polynomial {
        lagging(lagging(widened(current), self.lag, self.capacitance), self.slow, 1.0)
    }
}

impl Prepared {
    /// With an active filter: `C = (C1 + C2 + s R2 C1 C2) (1 + s / GBW) D`, with D the voltage over the post filter; the
    /// noise of the op-amp's inputs stands beside the resistors', over |C|^2 as they are.
    fn active(&self, case: &Case) -> Fraction {
        let feedback = Feedback::of(case);
        let Currents { whole, branches } = case.filter.post_currents(case.oscillator.input_capacitance);
        let [third, fourth] = branches.map(|branch| feedback.times(branch));
        let second = widened([case.filter.c2, 0.0, 0.0, 0.0]);
        let inputs = lagging(widened([feedback.capacitance, 0.0, 0.0, 0.0]), feedback.lag, 1.0);
        self.fraction(case, [feedback.times(whole), second, third, fourth, inputs])
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::super::{CONTRIBUTORS, Ladder};
    use super::*;
    use crate::physics::integral::Grid;
    use crate::physics::linear::tests::case;
    use crate::physics::part::{AmplifierPoint, LevelTable, Topology};

    /// A source beyond them would be left out.
    #[test]
    fn every_node_has_room_for_its_contributors() {
        for node in CONTRIBUTORS.iter().flat_map(|contributor| contributor.nodes()) {
            let here = CONTRIBUTORS.iter().filter(|contributor| contributor.nodes().contains(node)).count();
            let summed = [Node::R2, Node::R3, Node::R4].contains(node);
            assert!(summed || here <= if *node == Node::Detector { AT_DETECTOR } else { 1 }, "{node:?}");
        }
    }

    #[test]
    fn the_sweep_is_the_sum_over_the_ladder() {
        let parts = [
            ("C1", 1e-9),
            ("R2", 1e3),
            ("C2", 15e-9),
            ("R3", 2e3),
            ("C3", 0.2e-9),
            ("R4", 3e3),
            ("C4", 0.1e-9),
        ];
        let table = |points: &[(f64, f64)]| LevelTable::new(points.to_vec()).map(Arc::new);
        let passive = (2..=4).map(Topology::Passive);
        for topology in passive.chain([Topology::Active(3), Topology::Active(4)]) {
            for port in [None, Some(2e6)] {
                let mut case = case(1e-3, 30e6, 200.0, 1e6, topology, &parts);
                // Without an op-amp's facts the gain is infinite.
                case.amplifier = port.map(|_| AmplifierPoint {
                    voltage_noise: (4e-9, 100.0),
                    current_noise: (2e-12, 1e3),
                    gain_bandwidth: 5e6,
                    reference_noise: 20e-9,
                    input_bias_current: 0.0,
                });
                case.output_divider = 2.0;
                case.oscillator.input_capacitance = 20e-12;
                case.oscillator.modulation_bandwidth = port;
                case.oscillator.pushing = 5e6;
                case.noise.oscillator = table(&[(1e3, -62.0), (1e7, -154.0)]);
                case.noise.reference = table(&[(1e2, -120.0), (1e4, -150.0)]);
                case.noise.supply = table(&[(1e2, -150.0), (1e4, -160.0)]);
                case.noise.output_floor = table(&[(1e2, -155.0), (1e4, -165.0)]);
                case.noise.detector_floor = Some(-220.0);
                case.noise.flicker = Some((-118.0, 1e4, 1e9));
                case.noise.modulator_order = Some(3);
                let grid = Grid::new(10.0, 3e7, 30, &[]).expect("a range");
                let prepared = Prepared::new(&case, grid.clone());
                let mut slow = vec![0.0; grid.offsets().len()];
                let mut fast = slow.clone();
                prepared.total_into(&case, &Ladder::new(&case), &mut slow);
                prepared.sweep_into(&case, &mut fast);
                for (a, b) in slow.iter().zip(&fast) {
                    assert!((a / b - 1.0).abs() < 1e-10, "{topology:?} {port:?}: {a} {b}");
                }
            }
        }
    }
}
