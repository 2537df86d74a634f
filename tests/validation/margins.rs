//! Margins and closed-loop figures of complete loops. Source: definitions of K. J. Astrom and R. M. Murray, Feedback
//! Systems, ch. 10, worked out with python-control; stated with the row OL-MARGIN (generator `gen07_margins`).

use loopcase::num::brent;
use loopcase::physics::linear::Linear;
use num_complex::Complex64;

use crate::loops::complete;
use crate::support::{close, number, row};

#[test]
fn crossover_phase_margin_and_delay_margin() {
    for case in row("OL-MARGIN").cases {
        let linear = Linear::new(&complete(&case.inputs)).expect("a loop");
        let margins = linear.margins();
        let bandwidth = margins.bandwidth.expect("crosses");
        let phase_margin = margins.phase_margin.expect("crosses");
        assert_eq!(margins.crossings, [bandwidth], "{}", case.id);
        close(bandwidth, number(&case.expected, "fc_Hz"), 1e-8, &case.id);
        close(phase_margin, number(&case.expected, "phase_margin_deg"), 1e-8, &case.id);
        close(phase_margin / (360.0 * bandwidth), number(&case.expected, "delay_margin_s"), 1e-8, &case.id);
    }
}

#[test]
fn gain_margin_is_there_or_is_not() {
    for case in row("OL-MARGIN").cases {
        let linear = Linear::new(&complete(&case.inputs)).expect("a loop");
        let margins = linear.margins();
        if case.expected["gain_margin_dB"].is_null() {
            assert_eq!((margins.gain_margin, margins.phase_crossovers.len()), (None, 0), "{}", case.id);
            continue;
        }
        close(
            margins.gain_margin.expect("crosses"),
            number(&case.expected, "gain_margin_dB"),
            1e-8,
            &case.id,
        );
        assert_eq!(margins.phase_crossovers.len(), 1, "{}", case.id);
        close(margins.phase_crossovers[0], number(&case.expected, "phase_crossover_Hz"), 1e-8, &case.id);
    }
}

#[test]
fn closed_loop_peak_and_bandwidth() {
    for case in row("OL-MARGIN").cases {
        let linear = Linear::new(&complete(&case.inputs)).expect("a loop");
        let margins = linear.margins();
        close(margins.peaking, number(&case.expected, "closed_loop_peak_dB"), 1e-6, &case.id);
        close(margins.peaking_at, number(&case.expected, "closed_loop_peak_at_Hz"), 1e-6, &case.id);
        let closed = margins.closed_bandwidth.expect("falls");
        close(closed, number(&case.expected, "closed_loop_3dB_Hz"), 1e-6, &case.id);
    }
}

/// The modulus margin, min |1 + G|, is one over the peak of E.
#[test]
fn modulus_margin() {
    for case in row("OL-MARGIN").cases {
        let linear = Linear::new(&complete(&case.inputs)).expect("a loop");
        let fc = number(&case.expected, "fc_Hz").ln();
        let (at, least) = brent::minimum(|x| 1.0 / linear.error(x.exp()).norm(), fc - 0.5, fc + 1.5, 1e-12);
        close(least, number(&case.expected, "modulus_margin"), 1e-8, &case.id);
        close(at.exp(), number(&case.expected, "modulus_margin_at_Hz"), 1e-6, &case.id);
    }
}

/// At each pole of the closed loop that the row states, `1 + G` of the nodal description is zero.
#[test]
fn closed_loop_poles() {
    for case in row("OL-MARGIN").cases {
        let looped = complete(&case.inputs);
        let pencil = looped.network().pencil();
        for pole in case.expected["closed_loop_poles_rad_s"].as_array().expect("poles") {
            let s = Complex64::new(number(pole, "re"), number(pole, "im"));
            let g = looped.loop_gain() * pencil.impedance(s).expect("regular") / s;
            // Nearly a pole of G, where some of these lie, makes it steep: hence 1e-6 and not rounding.
            assert!((g + 1.0).norm() < 1e-6, "{}: 1 + G = {} at {s}", case.id, g + 1.0);
        }
    }
}
