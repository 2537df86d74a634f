//! The total of a loop over a whole grid, as one fraction for each offset.
//!
//! Passive: with `y = w^2`, filter current `D = j w C(j w)`, `P = -y C (1 + j w tau)` and `Q = P + g (1 + j w T2)`, everything
//! has the denominator |Q|^2, and |C|^2 goes out of the resistors' noise:
//! `|H|^2 = g^2 (1 + y T2^2) / |Q|^2`, `|E|^2 = |P|^2 / |Q|^2`, and a resistor's `|T_R E port|^2 = y^2 |B|^2 / |Q|^2` with
//! the current B of its branch over that of the whole. Nothing is branched on within the grid, so that the compiler can
//! take several offsets at a time. Active: the same with the C of its feedback, and the inputs of its op-amp.
//!
//! Source: derived here from `ladder.rs` and checked against it.

use std::f64::consts::PI;
use std::ops::Range;

use super::Node;
use super::spectrum::{Part, Prepared};
use crate::physics::part::{Case, Currents};

/// Densities at the nodes, kept from call to call.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    detector: Vec<f64>,
    oscillator: Vec<f64>,
    supply: Vec<f64>,
    voltage: Vec<f64>,
    current: Vec<f64>,
}

/// What the fraction of every offset is made of.
struct Constants {
    /// Loop gain g.
    gain: f64,
    /// T2, s.
    zero: f64,
    /// Time constant of the tuning port, s.
    tau: f64,
    /// 1 / O^2.
    divided: f64,
    /// (g N)^2.
    closed: f64,
    /// Half of (2 pi K)^2, which is (K / f)^2 y.
    tuning: f64,
    r2: f64,
    r3: f64,
    r4: f64,
}

/// |a(j w)|^2 of a cubic with real coefficients.
fn square([a0, a1, a2, a3]: [f64; 4], y: f64) -> f64 {
    let (re, im) = (a0 - a2 * y, a1 - a3 * y);
    re * re + y * im * im
}

/// Half of the pushing squared.
fn pushing(case: &Case) -> f64 {
    0.5 * case.oscillator.pushing.powi(2)
}

impl Prepared {
    fn constants(&self, case: &Case) -> Constants {
        let gain = case.loop_gain();
        Constants {
            gain,
            zero: case.filter.r2 * case.filter.c2,
            tau: case.oscillator.modulation_bandwidth.map_or(0.0, |corner| 1.0 / (2.0 * PI * corner)),
            divided: 1.0 / case.output_divider.powi(2),
            closed: (gain * case.feedback_ratio).powi(2),
            tuning: 0.5 * (2.0 * PI * case.oscillator.gain).powi(2),
            r2: self.scale_at(case, Node::R2) * case.filter.c2.powi(2),
            r3: self.scale_at(case, Node::R3),
            r4: self.scale_at(case, Node::R4),
        }
    }

    /// As [`Prepared::total_into`] with [`super::Ladder`], several times as fast.
    pub fn sweep_into(&self, case: &Case, scratch: &mut Scratch, total: &mut [f64]) {
        self.sweep_part(case, &(0..self.offsets().len()), scratch, total);
    }

    /// The same at some offsets by their positions alone.
    pub fn sweep_part(&self, case: &Case, offsets: &Range<usize>, scratch: &mut Scratch, total: &mut [f64]) {
        if case.filter.topology.is_active() {
            self.sweep_active(case, offsets, scratch, total);
        } else {
            self.sweep_passive(case, offsets, scratch, total);
        }
        self.add_density(case, Node::Output, offsets, total);
    }

    fn sweep_passive(&self, case: &Case, offsets: &Range<usize>, scratch: &mut Scratch, total: &mut [f64]) {
        self.density_into(case, Node::Detector, offsets, &mut scratch.detector);
        let of_oscillator = self.open_oscillator(case, offsets, &mut scratch.oscillator, &mut scratch.supply);
        let (open, oscillator) = of_oscillator.unwrap_or((1.0, &scratch.oscillator));
        let Currents { whole, branches: [third, fourth] } =
            case.filter.currents(case.oscillator.input_capacitance);
        let Constants { gain, zero, tau, divided, closed, tuning, r2, r3, r4 } = self.constants(case);
        let sources = scratch.detector.iter().zip(oscillator);
        for ((y, sum), (detector, oscillator)) in self.squares[offsets.clone()].iter().zip(total).zip(sources)
        {
            let (re, im) = (whole[0] - whole[2] * y, whole[1] - whole[3] * y);
            let (p_re, p_im) = (-y * (re - y * im * tau), -y * (im + re * tau));
            let (q_re, q_im) = (p_re + gain, p_im + gain * zero);
            let p = p_re * p_re + y * p_im * p_im;
            let q = q_re * q_re + y * q_im * q_im;
            let resistors = r2 + r3 * square(third, *y) + r4 * square(fourth, *y);
            let through =
                detector * closed * (1.0 + y * zero * zero) + oscillator * open * p + resistors * tuning * y;
            *sum = through * divided / q;
        }
    }

    /// Density of the free-running oscillator with that of its supply: as it is kept where it comes from one source, else
    /// left in `density`.
    fn open_oscillator<'p>(
        &'p self,
        case: &'p Case,
        offsets: &'p Range<usize>,
        density: &mut Vec<f64>,
        supply: &mut Vec<f64>,
    ) -> Option<Part<'p>> {
        let supplied = self.parts(case, Node::Supply, offsets).next().is_some();
        let mut parts = self.parts(case, Node::Oscillator, offsets);
        if let (Some(part), None, false) = (parts.next(), parts.next(), supplied) {
            return Some(part);
        }
        self.density_into(case, Node::Oscillator, offsets, density);
        if supplied {
            self.density_into(case, Node::Supply, offsets, supply);
            let pushing = pushing(case);
            for ((sum, supply), over) in density.iter_mut().zip(supply).zip(&self.inverse[offsets.clone()]) {
                *sum += *supply * pushing * over;
            }
        }
        None
    }
}

/// A polynomial with real coefficients.
type Polynomial = [f64; 5];

/// `p (1 + s t)`, times `scale`.
fn lagging(p: Polynomial, t: f64, scale: f64) -> Polynomial {
    let mut product = p;
    for i in 1..p.len() {
        product[i] += t * p[i - 1];
    }
    product.map(|a| a * scale)
}

/// |a(j w)|^2.
fn square_of([a0, a1, a2, a3, a4]: Polynomial, y: f64) -> f64 {
    let (re, im) = (a0 - (a2 - a4 * y) * y, a1 - a3 * y);
    re * re + y * im * im
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

    fn times(&self, [a0, a1, a2, a3]: [f64; 4]) -> Polynomial {
        lagging(lagging([a0, a1, a2, a3, 0.0], self.lag, self.capacitance), self.slow, 1.0)
    }
}

impl Prepared {
    /// With an active filter: `C = (C1 + C2 + s R2 C1 C2) (1 + s / GBW) D`, with D the voltage over the post filter; the
    /// noise of the op-amp's inputs stands beside the resistors', over |C|^2 as they are.
    fn sweep_active(&self, case: &Case, offsets: &Range<usize>, scratch: &mut Scratch, total: &mut [f64]) {
        self.density_into(case, Node::Detector, offsets, &mut scratch.detector);
        let of_oscillator = self.open_oscillator(case, offsets, &mut scratch.oscillator, &mut scratch.supply);
        let (open, oscillator) = of_oscillator.unwrap_or((1.0, &scratch.oscillator));
        self.density_into(case, Node::AmplifierVoltage, offsets, &mut scratch.voltage);
        self.add_density(case, Node::AmplifierReference, offsets, &mut scratch.voltage);
        self.density_into(case, Node::AmplifierCurrent, offsets, &mut scratch.current);
        let feedback = Feedback::of(case);
        let Currents { whole, branches } = case.filter.post_currents(case.oscillator.input_capacitance);
        let whole = feedback.times(whole);
        let [third, fourth] = branches.map(|branch| feedback.times(branch));
        let inputs = lagging([feedback.capacitance, 0.0, 0.0, 0.0, 0.0], feedback.lag, 1.0);
        let Constants { gain, zero, tau, divided, closed, tuning, r2, r3, r4 } = self.constants(case);
        let loops = scratch.detector.iter().zip(oscillator);
        let amplifier = scratch.voltage.iter().zip(&scratch.current);
        let sources = loops.zip(amplifier);
        let grid = self.squares[offsets.clone()].iter();
        for ((y, sum), ((detector, oscillator), (voltage, current))) in grid.zip(total).zip(sources) {
            let [a0, a1, a2, a3, a4] = whole;
            let (re, im) = (a0 - (a2 - a4 * y) * y, a1 - a3 * y);
            let (p_re, p_im) = (-y * (re - y * im * tau), -y * (im + re * tau));
            let (q_re, q_im) = (p_re + gain, p_im + gain * zero);
            let p = p_re * p_re + y * p_im * p_im;
            let q = q_re * q_re + y * q_im * q_im;
            let lead = 1.0 + y * zero * zero;
            let filter = r2
                + r3 * square_of(third, *y)
                + r4 * square_of(fourth, *y)
                + voltage * square_of(inputs, *y)
                + current * lead / y;
            let through = detector * closed * lead + oscillator * open * p + filter * tuning * y;
            *sum = through * divided / q;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::super::Ladder;
    use super::*;
    use crate::physics::integral::Grid;
    use crate::physics::linear::tests::case;
    use crate::physics::part::{AmplifierPoint, LevelTable, Topology};

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
                prepared.sweep_into(&case, &mut Scratch::default(), &mut fast);
                for (a, b) in slow.iter().zip(&fast) {
                    assert!((a / b - 1.0).abs() < 1e-10, "{topology:?} {port:?}: {a} {b}");
                }
            }
        }
    }
}
