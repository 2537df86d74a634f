//! The loop with a series R-C filter against the closed forms of the second-order type-II loop. Sources: F. M. Gardner,
//! Phaselock Techniques, 3rd ed., 2005 (SO-BW, from memory); form as in D. H. Wolaver, Phase-Locked Loop Circuit Design,
//! 1991, derived (SO-PEAK); derived from |G| = 1 (SO-PM); generator `gen04_second_order`.

use loopcase::num::brent;
use loopcase::physics::linear::Linear;

use crate::loops::second_order;
use crate::support::{close, number, row};

/// Natural frequency of the loops built here, Hz.
const NATURAL: f64 = 10e3;

fn solved(zeta: f64) -> Linear {
    Linear::new(&second_order(NATURAL, zeta, 1000.0)).expect("a loop")
}

#[test]
fn half_power_bandwidths() {
    for case in row("SO-BW").cases {
        let linear = solved(number(&case.inputs, "zeta"));
        let low_pass = linear.margins().closed_bandwidth.expect("H falls") / NATURAL;
        close(low_pass, number(&case.expected, "w3dB_over_wn_closed_loop"), 1e-9, &case.id);
        let half = |x: f64| linear.error(x.exp() * NATURAL).norm_sqr() - 0.5;
        let high_pass =
            brent::root(half, 0.1f64.ln(), number(&case.expected, "w3dB_over_wn_error_highpass").ln() + 0.1);
        close(
            high_pass.expect("E rises").exp(),
            number(&case.expected, "w3dB_over_wn_error_highpass"),
            1e-9,
            &case.id,
        );
    }
}

#[test]
fn peaking() {
    for case in row("SO-PEAK").cases {
        let linear = solved(number(&case.inputs, "zeta"));
        close(linear.margins().peaking, number(&case.expected, "peak_dB"), 1e-8, &case.id);
        // A maximum is flat: its place is known to the square root of the precision of its height.
        close(
            linear.margins().peaking_at / NATURAL,
            number(&case.expected, "w_peak_over_wn"),
            1e-6,
            &case.id,
        );
    }
}

#[test]
fn crossover_and_phase_margin() {
    for case in row("SO-PM").cases {
        let linear = solved(number(&case.inputs, "zeta"));
        let margins = linear.margins();
        close(
            margins.bandwidth.expect("crosses") / NATURAL,
            number(&case.expected, "wc_over_wn"),
            1e-9,
            &case.id,
        );
        close(
            margins.phase_margin.expect("crosses"),
            number(&case.expected, "phase_margin_deg"),
            1e-9,
            &case.id,
        );
        assert_eq!(margins.crossings.len(), 1, "{}", case.id);
    }
}
