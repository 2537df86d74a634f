//! The loop filter by its parts.

use super::network::{GROUND, Network};
use super::{AmplifierPoint, Case};
use crate::num::flat::{flat, flat_either};

/// Kind and order of a loop filter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Topology {
    /// C1 across R2 + C2, then R3-C3, R4-C4: orders 2 to 4.
    Passive(u8),
    /// Op-amp with C1 across R2 + C2 in its feedback, then R3-C3, R4-C4: orders 3 and 4.
    Active(u8),
}

impl Topology {
    /// Whether an op-amp stands in it.
    pub fn is_active(self) -> bool {
        matches!(self, Topology::Active(_))
    }

    /// Order: the number of capacitors.
    pub fn order(self) -> u8 {
        match self {
            Topology::Passive(order) | Topology::Active(order) => order,
        }
    }

    /// How many pole ratios (T3/T1, T4/T3) it has.
    pub fn pole_ratios(self) -> usize {
        usize::from(self.order()).saturating_sub(2)
    }
}

/// A loop filter, ohm and farad.
#[derive(Clone, Debug, PartialEq)]
pub struct Filter {
    /// Kind and order.
    pub topology: Topology,
    /// Shunt capacitor C1.
    pub c1: f64,
    /// Resistor R2 of the zero.
    pub r2: f64,
    /// Capacitor C2 of the zero.
    pub c2: f64,
    /// Post sections (R3, C3), (R4, C4).
    pub post: Vec<(f64, f64)>,
}

flat!(Filter { topology, c1, r2, c2, post });

flat_either!(Topology: Passive, Active);

impl Filter {
    /// A filter of that topology whose parts are still zero.
    pub fn of(topology: Topology) -> Self {
        Self { topology, c1: 0.0, r2: 0.0, c2: 0.0, post: vec![(0.0, 0.0); topology.pole_ratios()] }
    }

    /// Names of its parts, from the pump to the oscillator.
    pub fn part_names(&self) -> Vec<&'static str> {
        const POST: [[&str; 2]; 2] = [["R3", "C3"], ["R4", "C4"]];
        let mut names = vec!["C1", "R2", "C2"];
        names.extend(POST.iter().take(self.post.len()).flatten());
        names
    }

    /// Value of a part by its name; `None` where there is no such part.
    pub fn get(&self, name: &str) -> Option<f64> {
        match name {
            "C1" => Some(self.c1),
            "R2" => Some(self.r2),
            "C2" => Some(self.c2),
            "R3" => self.post.first().map(|p| p.0),
            "C3" => self.post.first().map(|p| p.1),
            "R4" => self.post.get(1).map(|p| p.0),
            "C4" => self.post.get(1).map(|p| p.1),
            _ => None,
        }
    }

    /// Sets a part by its name; a name that it does not have changes nothing.
    pub fn set(&mut self, name: &str, value: f64) {
        match (name, self.post.as_mut_slice()) {
            ("C1", _) => self.c1 = value,
            ("R2", _) => self.r2 = value,
            ("C2", _) => self.c2 = value,
            ("R3", [p, ..]) => p.0 = value,
            ("C3", [p, ..]) => p.1 = value,
            ("R4", [_, p, ..]) => p.0 = value,
            ("C4", [_, p, ..]) => p.1 = value,
            _ => {}
        }
    }

    /// The capacitor at the tuning port, F.
    pub fn last_capacitor(&self) -> f64 {
        self.post.last().map_or(self.c1, |p| p.1)
    }

    /// The nodal description: current into node 1, voltage at the tuning port.
    ///
    /// `input_capacitance`: of the tuning port, in parallel with the last capacitor. `amplifier`: of an active
    /// filter; without one the op-amp is ideal.
    pub fn network(&self, input_capacitance: f64, amplifier: Option<&AmplifierPoint>) -> Network {
        let mut net = Network::new(1);
        let mut port = 1;
        if self.topology.is_active() {
            // The feedback runs from the inverting input (1) over R2 and C2 (2) to the output (3).
            net.capacitor("C1", 1, 3, self.c1);
            net.resistor("R2", 1, 2, self.r2);
            net.capacitor("C2", 2, 3, self.c2);
            net.op_amp(1, 3, amplifier.map_or(f64::INFINITY, |a| a.gain_bandwidth));
            port = 3;
        } else {
            net.capacitor("C1", 1, GROUND, self.c1);
            net.resistor("R2", 1, 2, self.r2);
            net.capacitor("C2", 2, GROUND, self.c2);
        }
        let first = if self.topology.is_active() { 4 } else { 3 };
        for (index, ((ohms, farads), [r, c])) in
            self.post.iter().zip([["R3", "C3"], ["R4", "C4"]]).enumerate()
        {
            let node = first + index;
            net.resistor(r, port, node, *ohms);
            net.capacitor(c, node, GROUND, *farads);
            port = node;
        }
        if input_capacitance > 0.0 && !(self.topology.is_active() && self.post.is_empty()) {
            net.capacitor("port", port, GROUND, input_capacitance);
        }
        net.set_output(port);
        net
    }
}

impl Case {
    /// The nodal description of the filter with the tuning port across it.
    pub fn network(&self) -> Network {
        self.filter.network(self.oscillator.input_capacitance, self.amplifier.as_ref())
    }

    /// Highest gain of the open loop's constant part, `I |K| / N`, in A Hz/V.
    pub fn loop_gain(&self) -> f64 {
        self.pump.current * self.oscillator.gain.abs() / self.feedback_ratio
    }

    /// Polarity of the pump, 1 or -1: the sign of the gain, turned by an active filter. It keeps the feedback negative.
    pub fn polarity(&self) -> f64 {
        self.oscillator.gain.signum() * if self.filter.topology.is_active() { -1.0 } else { 1.0 }
    }

    /// Constant current that drains the filter, A, with its sign. What leaks at the tuning port of an active filter is made up
    /// for by its op-amp.
    pub fn drain(&self) -> f64 {
        let port = if self.filter.topology.is_active() { 0.0 } else { self.oscillator.input_leakage };
        let bias = self.amplifier.map_or(0.0, |amplifier| amplifier.input_bias_current);
        self.pump.leakage + bias + port
    }
}
