//! One nodal description of a filter: it serves impedance, noise, state space and netlist.
//!
//! Node 0 is ground. An op-amp's output node has no Kirchhoff equation of its own (the op-amp delivers whatever
//! current is asked); in its place stands `s / (2 pi GBW) v_out = v_plus - v_minus`, or, for an ideal one,
//! `v_minus = v_plus`.

use std::f64::consts::PI;

use nalgebra::{Const, DMatrix, DVector, DimMin, SMatrix, SVector, ToTypenum};
use num_complex::Complex64;

/// Number of a node; 0 is ground.
pub type NodeId = usize;

/// Ground.
pub const GROUND: NodeId = 0;

/// Most nodes of a filter: the active one of fourth order has them.
const MOST: usize = 5;

/// An element between two nodes.
#[derive(Clone, Debug, PartialEq)]
pub enum Element {
    /// Resistor, ohm.
    Resistor {
        /// Name.
        name: &'static str,
        /// One end.
        a: NodeId,
        /// Other end.
        b: NodeId,
        /// Resistance, ohm.
        ohms: f64,
    },
    /// Capacitor, farad.
    Capacitor {
        /// Name.
        name: &'static str,
        /// One end.
        a: NodeId,
        /// Other end.
        b: NodeId,
        /// Capacitance, F.
        farads: f64,
    },
    /// Single-pole op-amp; its non-inverting input stands at the reference voltage.
    OpAmp {
        /// Inverting input.
        minus: NodeId,
        /// Output.
        out: NodeId,
        /// Gain-bandwidth product, Hz; infinite for an ideal one.
        gain_bandwidth: f64,
    },
}

/// A filter as nodes and elements.
#[derive(Clone, Debug, PartialEq)]
pub struct Network {
    elements: Vec<Element>,
    nodes: usize,
    input: NodeId,
    output: NodeId,
}

/// Linear state space `x' = A x + B i`, `v_out = C x`, current in, voltage out.
#[derive(Clone, Debug)]
pub struct StateSpace {
    /// States by states, 1/s.
    pub a: DMatrix<f64>,
    /// Effect of the input current, V/(A s).
    pub b: DVector<f64>,
    /// Output voltage from the states.
    pub c: DVector<f64>,
    /// Effect of a current into the output node, V/(A s); zero where an op-amp drives it.
    pub port: DVector<f64>,
    /// State that is the voltage on which the pump's limits act: its own node, or the op-amp's output.
    pub limited: Option<usize>,
}

/// Where a disturbance enters the network.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// A current of 1 A into the input node: gives the transimpedance.
    Input,
    /// A voltage of 1 V in series with the named resistor.
    Resistor(&'static str),
    /// A voltage of 1 V at the op-amp's non-inverting input.
    OpAmp,
}

/// The matrices of `(G + s C) x = b`, without the rows and columns that the op-amp removes.
#[derive(Clone, Debug)]
pub struct Pencil {
    g: DMatrix<f64>,
    c: DMatrix<f64>,
    /// Node of each column.
    columns: Vec<NodeId>,
    /// Node whose Kirchhoff equation each row is; the op-amp's own row carries its output node.
    rows: Vec<NodeId>,
    /// Column of an ideal op-amp's inverting input, which is known: (G part, C part).
    known: Option<(DVector<f64>, DVector<f64>)>,
    /// Row of a single-pole op-amp.
    op_amp_row: Option<usize>,
    /// Resistors: name, ends, ohm.
    resistors: Vec<(&'static str, NodeId, NodeId, f64)>,
    input: NodeId,
    output: NodeId,
}

impl Network {
    /// An empty network with its input node.
    pub fn new(input: NodeId) -> Self {
        Self { elements: Vec::new(), nodes: input, input, output: input }
    }

    fn reach(&mut self, a: NodeId, b: NodeId) {
        self.nodes = self.nodes.max(a).max(b);
    }

    /// Adds a resistor.
    pub fn resistor(&mut self, name: &'static str, a: NodeId, b: NodeId, ohms: f64) {
        self.reach(a, b);
        self.elements.push(Element::Resistor { name, a, b, ohms });
    }

    /// Adds a capacitor.
    pub fn capacitor(&mut self, name: &'static str, a: NodeId, b: NodeId, farads: f64) {
        self.reach(a, b);
        self.elements.push(Element::Capacitor { name, a, b, farads });
    }

    /// Adds the op-amp; a network has at most one.
    pub fn op_amp(&mut self, minus: NodeId, out: NodeId, gain_bandwidth: f64) {
        self.reach(minus, out);
        self.elements.push(Element::OpAmp { minus, out, gain_bandwidth });
    }

    /// Sets the output node.
    pub fn set_output(&mut self, output: NodeId) {
        self.output = output;
    }

    /// Elements, in the order added.
    pub fn elements(&self) -> &[Element] {
        &self.elements
    }

    /// Input node.
    pub fn input(&self) -> NodeId {
        self.input
    }

    /// Output node.
    pub fn output(&self) -> NodeId {
        self.output
    }

    /// The nodal matrices.
    pub fn pencil(&self) -> Pencil {
        let n = self.nodes;
        let (mut g, mut c) = (DMatrix::<f64>::zeros(n, n), DMatrix::<f64>::zeros(n, n));
        let mut resistors = Vec::new();
        let mut op_amp = None;
        for element in &self.elements {
            match *element {
                Element::Resistor { name, a, b, ohms } => {
                    stamp(&mut g, a, b, 1.0 / ohms);
                    resistors.push((name, a, b, ohms));
                }
                Element::Capacitor { a, b, farads, .. } => stamp(&mut c, a, b, farads),
                Element::OpAmp { minus, out, gain_bandwidth } => op_amp = Some((minus, out, gain_bandwidth)),
            }
        }
        let mut columns: Vec<NodeId> = (1..=n).collect();
        let mut rows = columns.clone();
        let (mut known, mut op_amp_row) = (None, None);
        if let Some((minus, out, gain_bandwidth)) = op_amp {
            if gain_bandwidth.is_finite() {
                let row = out - 1;
                g.row_mut(row).fill(0.0);
                c.row_mut(row).fill(0.0);
                g[(row, minus - 1)] = 1.0;
                c[(row, row)] = 1.0 / (2.0 * PI * gain_bandwidth);
                op_amp_row = Some(row);
            } else {
                g = g.remove_row(out - 1);
                c = c.remove_row(out - 1);
                rows.remove(out - 1);
                known = Some((g.column(minus - 1).into_owned(), c.column(minus - 1).into_owned()));
                g = g.remove_column(minus - 1);
                c = c.remove_column(minus - 1);
                columns.remove(minus - 1);
            }
        }
        Pencil { g, c, columns, rows, known, op_amp_row, resistors, input: self.input, output: self.output }
    }

    /// The state space: node voltages are the states. `None` where the capacitors do not fix them all.
    pub fn state_space(&self) -> Option<StateSpace> {
        let op_amp = self.elements.iter().find_map(|element| match element {
            Element::OpAmp { out, .. } => Some(*out),
            _ => None,
        });
        self.space_of(&self.pencil(), op_amp.unwrap_or(self.input))
    }

    /// The same while the op-amp's output stands still, whatever its inputs do. Its inverting input is a state, and the
    /// limited one. `None` also without an op-amp.
    pub fn saturated_space(&self) -> Option<StateSpace> {
        let mut still = self.clone();
        let mut op_amp = None;
        for element in &mut still.elements {
            if let Element::OpAmp { minus, out, gain_bandwidth } = element {
                *gain_bandwidth = 1.0;
                op_amp = Some((*minus, *out));
            }
        }
        let (minus, out) = op_amp?;
        let mut pencil = still.pencil();
        pencil.g.row_mut(out - 1).fill(0.0);
        self.space_of(&pencil, minus)
    }

    /// Which state the inverting input of an ideal op-amp would be, if it could move. `None` without an ideal op-amp.
    pub fn ideal_summing_state(&self) -> Option<usize> {
        self.elements.iter().find_map(|element| match element {
            Element::OpAmp { minus, gain_bandwidth, .. } if gain_bandwidth.is_infinite() => Some(minus - 1),
            _ => None,
        })
    }

    fn space_of(&self, pencil: &Pencil, limited: NodeId) -> Option<StateSpace> {
        let inverse = pencil.c.clone().lu();
        let a = inverse.solve(&(-&pencil.g))?;
        let into = |node: NodeId| {
            let mut current = DVector::zeros(pencil.rows.len());
            let row = pencil.rows.iter().position(|n| *n == node && pencil.op_amp_row != Some(node - 1));
            if let Some(row) = row {
                current[row] = 1.0;
            }
            inverse.solve(&current)
        };
        let (b, port) = (into(self.input)?, into(self.output)?);
        let mut c = DVector::zeros(pencil.columns.len());
        c[pencil.columns.iter().position(|node| *node == self.output)?] = 1.0;
        let finite = a.iter().chain(b.iter()).all(|x| x.is_finite());
        let limited = pencil.columns.iter().position(|node| *node == limited);
        finite.then_some(StateSpace { a, b, c, port, limited })
    }
}

fn stamp(matrix: &mut DMatrix<f64>, a: NodeId, b: NodeId, value: f64) {
    for node in [a, b] {
        if node != GROUND {
            matrix[(node - 1, node - 1)] += value;
        }
    }
    if a != GROUND && b != GROUND {
        matrix[(a - 1, b - 1)] -= value;
        matrix[(b - 1, a - 1)] -= value;
    }
}

impl Pencil {
    /// The solution of the transposed system with one at the output.
    fn weights<const N: usize>(&self, s: Complex64, output: usize) -> Option<[Complex64; MOST]>
    where
        Const<N>: ToTypenum + DimMin<Const<N>, Output = Const<N>>,
    {
        let matrix = SMatrix::<_, N, N>::from_fn(|i, j| Complex64::from(self.g[(j, i)]) + s * self.c[(j, i)]);
        let mut pick = SVector::<Complex64, N>::zeros();
        pick[output] = Complex64::ONE;
        let found = matrix.lu().solve(&pick)?;
        let mut weights = [Complex64::ZERO; MOST];
        weights[..N].copy_from_slice(found.as_slice());
        Some(weights)
    }

    /// Voltage at the output from each source, at `s` in rad/s; `None` where the matrix is singular there
    /// or larger than a filter's.
    ///
    /// One solution of the transposed system serves all sources.
    pub fn transfers<const M: usize>(&self, s: Complex64, sources: [Source; M]) -> Option<[Complex64; M]> {
        let n = self.columns.len();
        let output = self.columns.iter().position(|node| *node == self.output)?;
        // Matrices of a known size need no memory of their own.
        let weights = match n {
            1 => self.weights::<1>(s, output),
            2 => self.weights::<2>(s, output),
            3 => self.weights::<3>(s, output),
            4 => self.weights::<4>(s, output),
            MOST => self.weights::<MOST>(s, output),
            _ => None,
        }?;
        let weight = |node: NodeId| {
            let row = self.rows.iter().position(|r| *r == node && self.op_amp_row != Some(node - 1));
            row.map_or(Complex64::new(0.0, 0.0), |row| weights[row])
        };
        Some(sources.map(|source| {
            match source {
                Source::Input => weight(self.input),
                Source::Resistor(name) => match self.resistors.iter().find(|r| r.0 == name) {
                    // A voltage in series with R is a current of 1/R across it.
                    Some(&(_, a, b, ohms)) => {
                        let one = |node| if node == GROUND { Complex64::new(0.0, 0.0) } else { weight(node) };
                        (one(a) - one(b)) / ohms
                    }
                    None => Complex64::new(0.0, 0.0),
                },
                Source::OpAmp => match (&self.known, self.op_amp_row) {
                    (Some((g, c)), _) => -(0..n)
                        .map(|row| weights[row] * (Complex64::from(g[row]) + s * c[row]))
                        .sum::<Complex64>(),
                    (None, Some(row)) => weights[row],
                    (None, None) => Complex64::new(0.0, 0.0),
                },
            }
        }))
    }

    /// Transimpedance, V/A, at `s` in rad/s.
    pub fn impedance(&self, s: Complex64) -> Option<Complex64> {
        self.transfers(s, [Source::Input]).map(|[z]| z)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::part::{Filter, Topology};

    fn at(f: f64) -> Complex64 {
        Complex64::new(0.0, 2.0 * PI * f)
    }

    fn filter(topology: Topology) -> Filter {
        let mut filter = Filter::of(topology);
        for (name, value) in [
            ("C1", 1e-9),
            ("R2", 1e3),
            ("C2", 15e-9),
            ("R3", 2e3),
            ("C3", 0.2e-9),
            ("R4", 3e3),
            ("C4", 0.1e-9),
        ] {
            filter.set(name, value);
        }
        filter
    }

    /// Second order by hand: Z = (1 + s R2 C2) / (s (C1 + C2) (1 + s R2 C1 C2 / (C1 + C2))).
    #[test]
    fn second_order_in_closed_form() {
        let f = filter(Topology::Passive(2));
        let pencil = f.network(0.0, None).pencil();
        for hz in [10.0, 1e4, 1e6] {
            let s = at(hz);
            let sum = f.c1 + f.c2;
            let exact = (1.0 + s * f.r2 * f.c2) / (s * sum * (1.0 + s * f.r2 * f.c1 * f.c2 / sum));
            let found = pencil.impedance(s).expect("regular");
            assert!((found - exact).norm() < 1e-11 * exact.norm(), "{hz}");
        }
    }

    /// The ideal active filter is the feedback impedance, turned in sign.
    #[test]
    fn ideal_active_filter_in_closed_form() {
        let f = filter(Topology::Active(3));
        let pencil = f.network(0.0, None).pencil();
        for hz in [10.0, 1e4, 1e6] {
            let s = at(hz);
            let feedback = 1.0 / (s * f.c1 + 1.0 / (f.r2 + 1.0 / (s * f.c2)));
            let exact = -feedback / (1.0 + s * f.post[0].0 * f.post[0].1);
            let found = pencil.impedance(s).expect("regular");
            assert!((found - exact).norm() < 1e-12 * exact.norm(), "{hz}");
        }
    }

    #[test]
    fn a_fast_op_amp_is_nearly_ideal_and_noise_at_its_input_is_amplified() {
        let f = filter(Topology::Active(4));
        let ideal = f.network(10e-12, None).pencil();
        let mut net = f.network(10e-12, None);
        net.elements.retain(|e| !matches!(e, Element::OpAmp { .. }));
        net.op_amp(1, 3, 1e12);
        let real = net.pencil();
        for source in [Source::Input, Source::OpAmp, Source::Resistor("R2"), Source::Resistor("R4")] {
            let s = at(2e4);
            let ([a], [b]) = (
                ideal.transfers(s, [source]).expect("regular"),
                real.transfers(s, [source]).expect("regular"),
            );
            assert!((a - b).norm() < 1e-5 * a.norm(), "{source:?} {a} {b}");
        }
        // With the pump open the amplifier follows its non-inverting input.
        let [low] = ideal.transfers(at(1e-3), [Source::OpAmp]).expect("regular");
        assert!((low.norm() - 1.0).abs() < 1e-6);
    }

    #[test]
    fn state_space_and_nodal_solution_agree() {
        for topology in [
            Topology::Passive(2),
            Topology::Passive(3),
            Topology::Passive(4),
            Topology::Active(3),
            Topology::Active(4),
        ] {
            let net = filter(topology).network(20e-12, None);
            let space = net.state_space().expect("states");
            let n = space.a.nrows();
            for hz in [100.0, 1e4, 1e6] {
                let s = at(hz);
                let matrix = DMatrix::from_fn(n, n, |i, j| {
                    let unit = if i == j { s } else { Complex64::new(0.0, 0.0) };
                    unit - Complex64::from(space.a[(i, j)])
                });
                let x = matrix.lu().solve(&space.b.map(Complex64::from)).expect("regular");
                let z: Complex64 = x.iter().zip(space.c.iter()).map(|(x, c)| x * *c).sum();
                let nodal = net.pencil().impedance(s).expect("regular");
                assert!((z - nodal).norm() < 1e-10 * nodal.norm(), "{topology:?} {hz} {z} {nodal}");
            }
        }
    }
}
