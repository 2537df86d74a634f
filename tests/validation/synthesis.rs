//! Filters from bandwidth and margin. Source: standard result, stated e.g. in F. M. Gardner, Phaselock Techniques,
//! 3rd ed. (SY-2, SY-PMB, SO-PARAM); crossover and margin of the rounded parts by python-control (SY-2R).

use std::f64::consts::PI;

use loopcase::physics::linear::Linear;
use loopcase::physics::part::Topology;
use loopcase::physics::series::Series;
use loopcase::physics::synthesis::{Goal, design, time_constants};
use loopcase::physics::twice;
use serde_json::Value;

use crate::loops::{passive_in_loop, series_branch};
use crate::support::{close, number, row};

fn goal(inputs: &Value) -> Goal {
    Goal {
        bandwidth: number(inputs, "fc_Hz"),
        phase_margin: number(inputs, "phase_margin_deg"),
        pole_ratios: vec![],
        topology: Topology::Passive(2),
        slope: number(inputs, "Kvco_Hz_per_V") / number(inputs, "N"),
        input_capacitance: 0.0,
        modulation_bandwidth: None,
        gain_bandwidth: None,
        max_capacitance: 1e-6,
    }
}

/// Check value SY-2.
#[test]
fn second_order_parts() {
    for case in row("SY-2").cases {
        let goal = goal(&case.inputs);
        let times = time_constants(&goal).expect("time constants");
        let filter = design(&goal, number(&case.inputs, "Icp_A")).expect("a filter");
        for (key, found) in [
            ("T1_s", times.t1),
            ("T2_s", times.t2),
            ("T2_over_T1", times.t2 / times.t1),
            ("b", 1.0 + filter.c2 / filter.c1),
            ("A0_F", filter.c1 + filter.c2),
            ("C1_F", filter.c1),
            ("C2_F", filter.c2),
            ("R2_ohm", filter.r2),
        ] {
            close(found, number(&case.expected, key), 1e-9, &format!("{} {key}", case.id));
        }
    }
}

/// Check value SY-2R: standard values chosen, then margins by both routes.
#[test]
fn parts_rounded_to_a_series() {
    for case in row("SY-2R").cases {
        let mut goal = goal(&case.inputs);
        goal.max_capacitance = f64::INFINITY;
        let current = number(&case.inputs, "Icp_A");
        let filter = design(&goal, current).expect("a filter");
        let [c1, r2, c2] = [filter.c1, filter.r2, filter.c2].map(|value| Series::E24.nearest(value));
        for (key, found) in [("C1_F", c1), ("R2_ohm", r2), ("C2_F", c2)] {
            close(found, number(&case.inputs, key), 1e-12, &format!("{} {key}", case.id));
        }
        let gain = number(&case.inputs, "Kvco_Hz_per_V");
        let rounded = passive_in_loop([c1, r2, c2], current, gain, number(&case.inputs, "N"), 1e9);
        let linear = Linear::new(&rounded).expect("a loop");
        let second = twice::impedance::margins(&rounded).expect("a loop");
        let first = linear.margins();
        for (crossing, margin) in
            [(first.bandwidth, first.phase_margin), (second.crossings.first().copied(), second.phase_margin)]
        {
            close(crossing.expect("a crossing"), number(&case.expected, "actual_fc_Hz"), 1e-8, &case.id);
            let expected = number(&case.expected, "actual_phase_margin_deg");
            close(margin.expect("a margin"), expected, 1e-8, &case.id);
        }
    }
}

/// Check value SY-PMB: the margin that a capacitor ratio allows is the one whose design has that ratio.
#[test]
fn margin_of_a_capacitor_ratio() {
    for case in row("SY-PMB").cases {
        let (b, margin) = (number(&case.inputs, "b"), number(&case.expected, "pm_max_deg"));
        let goal = Goal {
            bandwidth: 1e4,
            phase_margin: margin,
            pole_ratios: vec![],
            topology: Topology::Passive(2),
            slope: 1e5,
            input_capacitance: 0.0,
            modulation_bandwidth: None,
            gain_bandwidth: None,
            max_capacitance: 1.0,
        };
        let filter = design(&goal, 1e-3).expect("a filter");
        close(1.0 + filter.c2 / filter.c1, b, 1e-12, &case.id);
        close(2.0 * PI * goal.bandwidth * filter.r2 * filter.c2, b.sqrt(), 1e-12, &case.id);
    }
}

/// Check value SO-PARAM: natural frequency and damping are read off the continuous loop with a capacitor C1 that is
/// next to nothing, from its crossover: `(wc/wn)^2 = 2 zeta^2 + sqrt(4 zeta^4 + 1)` (SO-PM), and `wn tau = 2 zeta`.
#[test]
fn natural_frequency_and_damping() {
    for case in row("SO-PARAM").cases {
        let input = |key: &str| number(&case.inputs, key);
        let (wn, zeta) = (number(&case.expected, "wn_rad_s"), number(&case.expected, "zeta"));
        let tau = input("R_ohm") * input("C_F");
        close(wn * tau, 2.0 * zeta, 1e-12, &case.id);
        close(wn / (2.0 * PI), number(&case.expected, "fn_Hz"), 1e-12, &case.id);
        let k = number(&case.expected, "K_rad_s");
        let gain = input("Icp_A") * input("R_ohm") * input("Kvco_Hz_per_V") / input("N");
        close(gain, k, 1e-12, &case.id);
        let looped = passive_in_loop(
            [1e-13 * input("C_F"), input("R_ohm"), input("C_F")],
            input("Icp_A"),
            input("Kvco_Hz_per_V"),
            input("N"),
            1e9,
        );
        let expected = wn * (2.0 * zeta * zeta + (4.0 * zeta.powi(4) + 1.0).sqrt()).sqrt() / (2.0 * PI);
        let same = Linear::new(&series_branch(k, tau, 1e-13, 1e9)).expect("a loop");
        let linear = Linear::new(&looped).expect("a loop");
        for loop_margins in [linear.margins(), same.margins()] {
            close(loop_margins.bandwidth.expect("a crossing"), expected, 1e-9, &case.id);
        }
    }
}
