use num_complex::Complex64;

use super::*;
use crate::physics::part::AmplifierPoint;

/// Splitmix64, uniform in 0 .. 1: cases that are the same in every run.
struct Random(u64);

impl Random {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        low + (high - low) * ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn decades(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }
}

const TOPOLOGIES: [Topology; 5] = [
    Topology::Passive(2),
    Topology::Passive(3),
    Topology::Passive(4),
    Topology::Active(3),
    Topology::Active(4),
];

fn goal(topology: Topology) -> Goal {
    Goal {
        bandwidth: 50e3,
        phase_margin: 50.0,
        pole_ratios: vec![0.3; topology.pole_ratios()],
        topology,
        slope: 1e5,
        input_capacitance: 0.0,
        modulation_bandwidth: None,
        gain_bandwidth: None,
        max_capacitance: 1.0,
    }
}

fn random_goal(topology: Topology, random: &mut Random) -> (Goal, f64) {
    let bandwidth = random.decades(1e2, 1e6);
    let mut goal = Goal {
        bandwidth,
        phase_margin: random.between(20.0, 70.0),
        pole_ratios: (0..topology.pole_ratios()).map(|_| random.between(0.03, 0.9)).collect(),
        topology,
        slope: random.decades(1e3, 1e7),
        input_capacitance: 0.0,
        modulation_bandwidth: (random.between(0.0, 1.0) < 0.5)
            .then(|| bandwidth * random.between(10.0, 100.0)),
        gain_bandwidth: (topology.is_active() && random.between(0.0, 1.0) < 0.5)
            .then(|| bandwidth * random.between(10.0, 100.0)),
        max_capacitance: f64::INFINITY,
    };
    let current = random.decades(1e-5, 1e-2);
    let filter = design(&goal, current).expect("a filter without a tuning port");
    goal.input_capacitance = random.between(0.0, 0.9) * filter.last_capacitor();
    (goal, current)
}

/// The open loop from the parts, by the nodal solution.
fn open_loop(goal: &Goal, current: f64, filter: &Filter, f: f64) -> Complex64 {
    let s = Complex64::new(0.0, 2.0 * PI * f);
    let amplifier = goal.gain_bandwidth.map(|gain_bandwidth| AmplifierPoint {
        voltage_noise: (0.0, 0.0),
        current_noise: (0.0, 0.0),
        gain_bandwidth,
        reference_noise: 0.0,
        input_bias_current: 0.0,
    });
    let z =
        filter.network(goal.input_capacitance, amplifier.as_ref()).pencil().impedance(s).expect("regular");
    let sign = if goal.topology.is_active() { -1.0 } else { 1.0 };
    let port = goal.modulation_bandwidth.map_or(Complex64::from(1.0), |b| 1.0 / Complex64::new(1.0, f / b));
    sign * current * goal.slope * z * port / s
}

#[test]
fn the_parts_give_back_bandwidth_margin_and_extremum() {
    for topology in TOPOLOGIES {
        let mut random = Random(u64::from(topology.order()));
        for case in 0..500 {
            let (goal, current) = random_goal(topology, &mut random);
            let filter = design(&goal, current).expect("a filter");
            let g = |f: f64| open_loop(&goal, current, &filter, f);
            let at = g(goal.bandwidth);
            assert!((at.norm() - 1.0).abs() < 1e-9, "{topology:?} {case}: |G| = {}", at.norm());
            let margin = (-at).arg().to_degrees();
            assert!((margin - goal.phase_margin).abs() < 1e-7, "{topology:?} {case}: {margin} {goal:?}");
            let step = 1e-4;
            let turn = (g(goal.bandwidth * (1.0 + step)) / g(goal.bandwidth * (1.0 - step))).arg();
            assert!((turn / (2.0 * step)).abs() < 1e-6, "{topology:?} {case}: phase slope {turn:e}");
            for name in filter.part_names() {
                assert!(filter.get(name).is_some_and(|v| v > 0.0 && v.is_finite()), "{name} {filter:?}");
            }
        }
    }
}

/// The passive network's own polynomial against the time constants.
#[test]
fn the_network_has_the_poles_asked_for() {
    for topology in [Topology::Passive(2), Topology::Passive(3), Topology::Passive(4)] {
        let mut random = Random(7);
        for _ in 0..500 {
            let (mut goal, current) = random_goal(topology, &mut random);
            goal.input_capacitance = 0.0;
            let times = time_constants(&goal).expect("time constants");
            let f = design(&goal, current).expect("a filter");
            let (r3, c3) = f.post.first().copied().unwrap_or_default();
            let (r4, c4) = f.post.get(1).copied().unwrap_or_default();
            let (c1, c2, t2) = (f.c1, f.c2, f.r2 * f.c2);
            let a0 = c1 + c2 + c3 + c4;
            let a1 = t2 * (c1 + c3 + c4) + r3 * (c1 + c2) * (c3 + c4) + r4 * c4 * (c1 + c2 + c3);
            let a2 = t2 * (c1 * (r3 * (c3 + c4) + r4 * c4) + r4 * c4 * c3) + (c1 + c2) * r3 * c3 * r4 * c4;
            let a3 = c1 * t2 * r3 * c3 * r4 * c4;
            let TimeConstants { t1, t3, t4, .. } = times;
            let close =
                |found: f64, asked: f64| assert!((found - asked).abs() <= 1e-12 * asked, "{goal:?} {f:?}");
            close(t2, times.t2);
            close(a1 / a0, t1 + t3 + t4);
            close(a2 / a0, t1 * t3 + t1 * t4 + t3 * t4);
            close(a3 / a0, t1 * t3 * t4);
            assert!(t1 >= t3 && t3 >= t4);
        }
    }
}

#[test]
fn a_tuning_port_is_taken_off_the_last_capacitor() {
    for topology in TOPOLOGIES {
        let bare = design(&goal(topology), 1e-3).expect("a filter");
        let port = 0.25 * bare.last_capacitor();
        let loaded = design(&Goal { input_capacitance: port, ..goal(topology) }, 1e-3).expect("a filter");
        assert!((loaded.last_capacitor() / (bare.last_capacitor() - port) - 1.0).abs() < 1e-12);
        let too_much = Goal { input_capacitance: 1.01 * bare.last_capacitor(), ..goal(topology) };
        assert!(matches!(design(&too_much, 1e-3), Err(SynthesisError::LastCapacitor { .. })));
    }
}

#[test]
fn a_margin_out_of_reach_names_the_limits() {
    let mut wide = goal(Topology::Passive(4));
    wide.modulation_bandwidth = Some(4.0 * wide.bandwidth);
    let limit = 90.0 - 2.0 * 0.25_f64.atan().to_degrees();
    wide.phase_margin = limit + 0.01;
    let Err(SynthesisError::PhaseMargin { largest, least, .. }) = design(&wide, 1e-3) else {
        panic!("a margin beyond the limit was designed")
    };
    assert!((largest - limit).abs() < 1e-9 && least < 20.0);
    for reachable in [least + 1e-3, largest - 1e-3] {
        wide.phase_margin = reachable;
        assert!(time_constants(&wide).is_ok(), "{reachable}");
    }
    wide.phase_margin = least - 1e-3;
    assert!(matches!(time_constants(&wide), Err(SynthesisError::PhaseMargin { .. })));
}

#[test]
fn refusals_say_why() {
    let of = |change: fn(&mut Goal)| {
        let mut goal = goal(Topology::Passive(3));
        change(&mut goal);
        design(&goal, 1e-3).expect_err("refused").to_string()
    };
    assert!(of(|g| g.max_capacitance = 1e-9).starts_with("C2 would have to be"));
    assert!(of(|g| g.pole_ratios = vec![1.0]).contains("C3 would be zero"));
    assert!(of(|g| g.pole_ratios = vec![0.3, 0.3]).contains("one pole ratio"));
    assert!(of(|g| g.topology = Topology::Active(2)).contains("orders"));
    assert!(of(|g| g.modulation_bandwidth = Some(10e3)).contains("must stay below their own"));
    assert!(of(|g| g.bandwidth = f64::NAN).contains("bandwidth"));
    assert!(of(|g| g.slope = 0.0).contains("gain"));
    assert!(design(&goal(Topology::Passive(2)), 0.0).is_err());
}
