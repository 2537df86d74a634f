use super::*;
use crate::physics::linear::{Linear, tests::case};
use crate::physics::part::{AmplifierPoint, Topology};
use crate::physics::sampled::Sampled;

const PARTS: [(&str, f64); 7] =
    [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9), ("R3", 2e3), ("C3", 0.2e-9), ("R4", 3e3), ("C4", 0.1e-9)];

fn close(a: f64, b: f64, within: f64, what: &str) {
    assert!((a - b).abs() <= within * b.abs().max(1.0), "{what}: {a} is not {b}");
}

fn cases() -> Vec<Case> {
    let mut all = Vec::new();
    for topology in [
        Topology::Passive(2),
        Topology::Passive(3),
        Topology::Passive(4),
        Topology::Active(3),
        Topology::Active(4),
    ] {
        for (current, rate) in [(1e-3, 1e6), (0.3e-3, 2e6), (4e-3, 25e6)] {
            let mut plain = case(current, 30e6, 200.0, rate, topology, &PARTS);
            plain.oscillator.input_capacitance = 20e-12;
            let mut slow = plain.clone();
            slow.oscillator.modulation_bandwidth = Some(3e6);
            slow.amplifier = topology.is_active().then_some(AmplifierPoint {
                voltage_noise: (0.0, 0.0),
                current_noise: (0.0, 0.0),
                gain_bandwidth: 20e6,
                reference_noise: 0.0,
                input_bias_current: 0.0,
            });
            all.extend([plain, slow]);
        }
    }
    all
}

#[test]
fn margins_are_those_of_the_nodal_solution() {
    for case in cases() {
        let reading = Poles::new(&case).read();
        let linear = Linear::new(&case).expect("a loop");
        let margins = linear.margins();
        assert_eq!(margins.crossings.len(), 1);
        close(reading.bandwidth, margins.bandwidth.expect("one"), 1e-9, "bandwidth");
        close(reading.phase_margin, margins.phase_margin.expect("one"), 1e-8, "phase margin");
        close(reading.peaking, margins.peaking, 1e-6, "peaking");
        close(reading.closed_bandwidth, margins.closed_bandwidth.expect("one"), 1e-8, "closed");
        match margins.gain_margin {
            Some(gain) => {
                close(reading.gain_margin, gain, 1e-8, "gain margin");
                close(reading.phase_crossover, margins.phase_crossovers[0], 1e-8, "crossover");
            }
            None => assert!(reading.gain_margin.is_infinite()),
        }
    }
}

#[test]
fn the_open_loop_alone_is_read_as_with_all_else() {
    for case in cases() {
        let poles = Poles::new(&case);
        let reading = poles.read();
        let open = poles.open().expect("a loop");
        close(open.bandwidth, reading.bandwidth, 1e-15, "bandwidth");
        close(open.phase_margin, reading.phase_margin, 1e-15, "phase margin");
        let margins = Linear::new(&case).expect("a loop");
        let margins = margins.margins();
        let turn = poles.turn().expect("one at most");
        assert_eq!(turn.is_some(), margins.gain_margin.is_some(), "{case:?}");
        if let Some((at, gain)) = turn {
            close(at, margins.phase_crossovers[0], 1e-10, "crossover");
            close(gain, margins.gain_margin.expect("one"), 1e-10, "gain margin");
        }
    }
    let mut none = cases().remove(0);
    none.pump.current = 0.0;
    assert_eq!(Poles::new(&none).open(), None);
}

#[test]
fn sampled_margins_are_those_of_the_state_space() {
    for case in cases() {
        let reading = Poles::new(&case).read();
        let sampled = Sampled::new(&case).expect("a loop");
        let margins = sampled.margins();
        close(reading.sampled_bandwidth, margins.bandwidth.expect("one"), 1e-7, "bandwidth");
        close(reading.sampled_phase_margin, margins.phase_margin.expect("one"), 1e-6, "margin");
        close(reading.sampled_gain_margin, margins.gain_margin.expect("one"), 1e-6, "gain margin");
        let alone = Poles::new(&case).sampled_phase_margin().expect("one");
        close(alone, margins.phase_margin.expect("one"), 1e-6, "margin alone");
    }
}

#[test]
fn equal_poles_are_told_apart() {
    let mut equal = cases().into_iter().find(|c| c.filter.topology == Topology::Active(3)).expect("one");
    equal.oscillator.input_capacitance = 0.0;
    let filter = &mut equal.filter;
    filter.post[0] = (filter.r2, filter.c1 * filter.c2 / (filter.c1 + filter.c2));
    let reading = Poles::new(&equal).read();
    let margins = Sampled::new(&equal).expect("a loop");
    let wanted = margins.margins().phase_margin.expect("one");
    assert!((reading.sampled_phase_margin - wanted).abs() < 1e-6, "{reading:?} {wanted}");
}

/// Also where the lead of the zero is hardly more than the lag of the poles, and the phase turns far below them.
#[test]
fn the_phase_turns_where_lead_and_lag_are_equal() {
    for extra in [1e-6, 1e-3, 0.05, 0.5, 3.0, 40.0] {
        for poles in [vec![1e5, 3e5], vec![1e5, 1.1e5, 9e7], vec![2e4, 5e6, 6e6, 7e6], vec![1e6; 5]] {
            let lags: f64 = poles.iter().map(|p| 1.0 / p).sum();
            let zero = lags * (1.0 + extra);
            let off = |w: f64| (w * zero).atan() - poles.iter().map(|p| (w / p).atan()).sum::<f64>();
            let mut found = Poles::new(&cases()[0]);
            found.zero = zero;
            found.count = poles.len();
            found.poles[..poles.len()].copy_from_slice(&poles);
            let crossover = found.phase_crossover();
            // On either side by a millionth the phase is on either side of -180 deg.
            let (before, after) = (off(crossover * (1.0 - 1e-6)), off(crossover * (1.0 + 1e-6)));
            assert!(before > 0.0 && after < 0.0, "{extra} {poles:?}: {crossover} {before} {after}");
        }
    }
}
