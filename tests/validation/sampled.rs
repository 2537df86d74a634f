//! The loop as the detector samples it. Sources: F. M. Gardner, Charge-Pump Phase-Lock Loops, IEEE Trans. Commun.
//! COM-28(11), 1980 (GS-2, GS-2Z, GS-3); method of P. K. Hanumolu et al., IEEE Trans. CAS-I 51(9), 2004 (GS-N).

use std::f64::consts::PI;

use loopcase::physics::linear::Linear;
use loopcase::physics::part::Case;
use loopcase::physics::sampled::Sampled;
use loopcase::physics::twice;

use crate::loops::{constants, in_loop, series_branch};
use crate::support::{close, number, row};

/// A capacitor so small against C2 that the loop is one of second order, as the check values are.
const NO_C1: f64 = 1e-13;

/// Where a loop that is stable at one end of a range of `x` turns unstable.
fn limit(mut stable: f64, mut unstable: f64, at: impl Fn(f64) -> Case) -> f64 {
    let is_stable = |x: f64| Sampled::new(&at(x)).expect("a loop").is_stable();
    assert!(is_stable(stable) && !is_stable(unstable), "the range holds no limit");
    for _ in 0..60 {
        let middle = 0.5 * (stable + unstable);
        if is_stable(middle) { stable = middle } else { unstable = middle }
    }
    0.5 * (stable + unstable)
}

/// Check value GS-2.
#[test]
fn second_order_limit() {
    for case in row("GS-2").cases {
        let (wi_tau, expected) = (number(&case.inputs, "wi_tau"), number(&case.expected, "K_tau_limit"));
        let tau = 1e-4;
        let at = |k_tau: f64| series_branch(k_tau / tau, tau, NO_C1, wi_tau / (2.0 * PI * tau));
        let found = limit(0.5 * expected, 2.0 * expected, at);
        close(found, expected, 1e-9, &case.id);
        close(found / wi_tau * 2.0 * PI, number(&case.expected, "K_T_limit"), 1e-9, &case.id);
        let sampled = Sampled::new(&at(found)).expect("a loop");
        let second = number(&case.expected, "second_root_at_limit");
        for root in [-1.0, second] {
            let off = sampled.poles().iter().map(|p| (p - root).norm()).fold(f64::INFINITY, f64::min);
            assert!(off < 1e-8, "{}: no pole at {root}: {:?}", case.id, sampled.poles());
        }
    }
}

/// Check value GS-2Z, derived from GS-2.
#[test]
fn lowest_rate_for_a_damping() {
    for case in row("GS-2Z").cases {
        let (zeta, expected) = (number(&case.inputs, "zeta"), number(&case.expected, "wi_over_wn_min"));
        // K tau = 4 zeta^2 and tau = 2 zeta / wn.
        let wn = 1e4;
        let tau = 2.0 * zeta / wn;
        let at = |ratio: f64| series_branch(4.0 * zeta * zeta / tau, tau, NO_C1, ratio * wn / (2.0 * PI));
        let found = limit(2.0 * expected, 0.7 * expected, at);
        close(found, expected, 1e-9, &case.id);
        let crossing = Linear::new(&at(found)).expect("a loop").margins().bandwidth.expect("a crossing");
        close(found * wn / (2.0 * PI) / crossing, number(&case.expected, "fref_over_fc_min"), 1e-9, &case.id);
    }
}

/// Check value GS-3.
#[test]
fn third_order_limit() {
    for case in row("GS-3").cases {
        let [b, wi_tau] = ["b", "wi_tau"].map(|key| number(&case.inputs, key));
        let expected = number(&case.expected, "K_tau_limit");
        let tau = 1e-4;
        let at = |k_tau: f64| series_branch(k_tau / tau, tau, 1.0 / (b - 1.0), wi_tau / (2.0 * PI * tau));
        let found = limit(0.5 * expected, 2.0 * expected, at);
        close(found, expected, 1e-9, &case.id);
        close(found * (b - 1.0) / b, number(&case.expected, "Kprime_tau_limit"), 1e-9, &case.id);
    }
}

/// Check value GS-N; the margin by both routes.
#[test]
fn complete_loops() {
    for case in row("GS-N").cases {
        let expect = |key: &str| number(&case.expected, key);
        let (current, gain, ratio) = constants(&case.inputs);
        let at = |rate: f64| in_loop(&case.inputs, current, gain, ratio, rate);
        let rate = expect("at_fref_Hz");
        let linear = Linear::new(&at(rate)).expect("a loop");
        let crossing = linear.margins().bandwidth.expect("a crossing");
        close(crossing, expect("fc_continuous_Hz"), 1e-8, &case.id);
        close(linear.margins().phase_margin.expect("a margin"), expect("pm_continuous_deg"), 1e-8, &case.id);
        let lowest = limit(rate, crossing, at);
        close(lowest, expect("fref_min_stable_Hz"), 1e-6, &case.id);
        close(lowest / crossing, expect("fref_min_over_fc"), 1e-6, &case.id);
        let sampled = Sampled::new(&at(rate)).expect("a loop");
        close(sampled.margins().bandwidth.expect("a crossing"), expect("fc_sampled_Hz"), 1e-6, &case.id);
        let first = sampled.margins().phase_margin.expect("a margin");
        let second = twice::sampled::phase_margin(&at(rate)).expect("a margin");
        for margin in [first, second] {
            assert!((margin - expect("pm_sampled_deg")).abs() < 0.01, "{}: {margin}", case.id);
        }
    }
}
