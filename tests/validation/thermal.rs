//! Thermal noise of resistors: TN-4KTR, TN-KT, LF-N, LF-KTC.

use loopcase::physics::noise::{integrated_voltages, thermal_voltage};
use loopcase::physics::{BOLTZMANN, twice};

use crate::loops;
use crate::support::{close, number, row};

/// Source: H. Nyquist, Phys. Rev. 32, 1928; k from the SI brochure.
#[test]
fn tn_4ktr() {
    for case in row("TN-4KTR").cases {
        let r = number(&case.inputs, "R_ohm");
        let square = thermal_voltage(r, number(&case.inputs, "T_K"));
        close(square, number(&case.expected, "4kTR_V2_Hz"), 1e-9, &case.id);
        close(square.sqrt(), number(&case.expected, "e_n_V_rtHz"), 1e-9, &case.id);
        close(square.sqrt() / r, number(&case.expected, "i_n_A_rtHz"), 1e-9, &case.id);
    }
}

/// Source: k from the SI brochure; 290 K is the IEEE standard noise temperature.
#[test]
fn tn_kt() {
    for case in row("TN-KT").cases {
        let power = BOLTZMANN * number(&case.inputs, "T_K");
        close(power, number(&case.expected, "kT_W_Hz"), 1e-9, &case.id);
        close(10.0 * (power / 1e-3).log10(), number(&case.expected, "kT_dBm_Hz"), 1e-9, &case.id);
    }
}

/// Source: nodal density by another program and a circuit simulator (generator `gen06_filter_spice`).
#[test]
fn lf_n() {
    for row_case in row("LF-N").cases {
        let case = loops::passive(&row_case.inputs);
        let parts = loops::parts(&case);
        let mut resistors = vec![parts.r2];
        resistors.extend(parts.post.iter().map(|(r, _)| *r));
        let transfers = loops::transfers(&case);
        for spot in row_case.expected["noise"].as_array().expect("spots") {
            let response = transfers.response(number(spot, "f_Hz"));
            let mut total = 0.0;
            for (i, r) in resistors.iter().enumerate() {
                let density = thermal_voltage(*r, case.temperature) * response.resistors[i];
                total += density;
                let name = format!("R{}_V_rtHz", i + 2);
                close(density.sqrt(), number(spot, &name), 1e-9, &row_case.id);
            }
            close(total.sqrt(), number(spot, "total_V_rtHz"), 1e-9, &row_case.id);
        }
    }
}

/// Both routes of the resistor noise against the closed form. Source: equipartition, derived in the row.
#[test]
fn lf_ktc() {
    for row_case in row("LF-KTC").cases {
        let case = loops::passive(&row_case.inputs);
        let transfers = loops::transfers(&case);
        let first: f64 = integrated_voltages(&case, |f| transfers.response(f)).iter().map(|(_, v)| v).sum();
        let second = twice::thermal::output_variance(&case).expect("a passive filter");
        let expected = number(&row_case.expected, "variance_V2");
        close(second, expected, 1e-9, &row_case.id);
        // The first route leaves 1e-6 at either end out.
        close(first, expected, 5e-6, &row_case.id);
    }
}
