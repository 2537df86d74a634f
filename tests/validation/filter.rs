//! Transimpedance of the passive filters. Source: nodal equations, checked with a SPICE run (generator
//! `gen06_filter_spice`); stated with the row LF-Z.

use std::f64::consts::PI;

use loopcase::physics::part::Filter;
use num_complex::Complex64;

use crate::loops::filter;
use crate::support::{close, number, row};

#[test]
fn transimpedance_at_five_frequencies() {
    for case in row("LF-Z").cases {
        let pencil = filter(&case.inputs).network(0.0, None).pencil();
        for point in case.expected["transimpedance"].as_array().expect("points") {
            let s = Complex64::new(0.0, 2.0 * PI * number(point, "f_Hz"));
            let z = pencil.impedance(s).expect("regular");
            let expected = Complex64::new(number(point, "re_ohm"), number(point, "im_ohm"));
            assert!((z - expected).norm() <= 1e-9 * expected.norm(), "{}: {z}, expected {expected}", case.id);
            close(z.norm(), number(point, "abs_ohm"), 1e-9, &case.id);
            close(z.arg().to_degrees(), number(point, "phase_deg"), 1e-9, &case.id);
        }
    }
}

/// The nodal description against an elimination that shares no code with it, loaded by a tuning port, off the axis too.
#[test]
fn transimpedance_by_an_elimination_of_its_own() {
    let port = 33e-12;
    for case in row("LF-Z").cases {
        let bare = filter(&case.inputs);
        let mut loaded = bare.clone();
        let last = *bare
            .part_names()
            .iter()
            .rfind(|name| name.starts_with('C') && **name != "C2")
            .expect("a capacitor");
        loaded.set(last, bare.last_capacitor() + port);
        let pencil = bare.network(port, None).pencil();
        for exponent in -2..=16 {
            let w = 10f64.powf(1.0 + 0.5 * f64::from(exponent));
            for s in [Complex64::new(0.0, w), Complex64::new(0.3 * w, -w)] {
                let (found, expected) =
                    (pencil.impedance(s).expect("regular"), impedance_by_hand(&loaded, s));
                assert!(
                    (found - expected).norm() <= 1e-9 * expected.norm(),
                    "{} at {s}: {found} {expected}",
                    case.id
                );
            }
        }
    }
}

/// Impedance of a passive filter at `s` (rad/s), by a nodal matrix and an elimination written for this check alone.
fn impedance_by_hand(parts: &Filter, s: Complex64) -> Complex64 {
    let part = |name: &str| parts.get(name).unwrap_or(0.0);
    let nodes = parts.part_names().len() / 2 + 1;
    let mut rows = vec![vec![Complex64::new(0.0, 0.0); nodes + 1]; nodes];
    let mut join = |a: usize, b: Option<usize>, admittance: Complex64| {
        rows[a][a] += admittance;
        if let Some(b) = b {
            rows[b][b] += admittance;
            rows[a][b] -= admittance;
            rows[b][a] -= admittance;
        }
    };
    join(0, None, s * part("C1"));
    join(0, Some(1), Complex64::from(1.0 / part("R2")));
    join(1, None, s * part("C2"));
    let mut end = 0;
    for (k, (r, c)) in [("R3", "C3"), ("R4", "C4")].into_iter().take(nodes - 2).enumerate() {
        join(end, Some(k + 2), Complex64::from(1.0 / part(r)));
        join(k + 2, None, s * part(c));
        end = k + 2;
    }
    rows[0][nodes] = Complex64::new(1.0, 0.0);
    for k in 0..nodes {
        let pivot =
            (k..nodes).max_by(|a, b| rows[*a][k].norm().total_cmp(&rows[*b][k].norm())).expect("a row");
        rows.swap(k, pivot);
        let above = rows[k].clone();
        for row in rows.iter_mut().skip(k + 1) {
            let factor = row[k] / above[k];
            for (x, y) in row.iter_mut().zip(&above) {
                *x -= factor * y;
            }
        }
    }
    let mut voltages = vec![Complex64::new(0.0, 0.0); nodes];
    for k in (0..nodes).rev() {
        let known: Complex64 = (k + 1..nodes).map(|j| rows[k][j] * voltages[j]).sum();
        voltages[k] = (rows[k][nodes] - known) / rows[k][k];
    }
    voltages[end]
}
