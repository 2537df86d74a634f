//! Phase noise as a number: PN-DEF, PN-MASK, PN-JIT, PN-CLOSED, BS-INV, SJ-SNR, EV-PN, LE-L.

use loopcase::physics::part::LevelTable;
use loopcase::physics::{derived, integral};

use crate::support::{close, number, row};

/// Source: IEEE Std 1139-2008, 2.8 and 2.9.
#[test]
fn pn_def() {
    for case in row("PN-DEF").cases {
        // One hertz of flat noise: the variance is S_phi itself.
        let level = LevelTable::flat(number(&case.inputs, "L_dBc_Hz")).power_at(1.0);
        let rms = integral::rms_phase(&[1.0, 2.0], &[level, level]);
        close(rms * rms, number(&case.expected, "S_phi_rad2_Hz"), 1e-12, &case.id);
        close(rms, number(&case.expected, "sqrt_S_phi_rad_rtHz"), 1e-12, &case.id);
    }
}

/// Published masks; tolerance of the row. Source: stated with the row in `check-values.json`.
#[test]
fn pn_mask() {
    for case in row("PN-MASK").cases {
        let points = case.inputs["mask_Hz_dBcHz"].as_array().expect("points");
        let point = |i: usize| points.iter().map(move |p| p[i].as_f64().expect("number"));
        let offsets: Vec<f64> = point(0).collect();
        let density: Vec<f64> = point(1).map(|level| 10f64.powf(level / 10.0)).collect();
        let segments = case.expected["segment_integrals_of_L"].as_array().expect("segments");
        for (i, expected) in segments.iter().enumerate() {
            let got = integral::integrate(&offsets[i..i + 2], &density[i..i + 2]);
            close(got, expected.as_f64().expect("number"), 1e-9, &case.id);
        }
        let rms = integral::rms_phase(&offsets, &density);
        let jitter = derived::jitter(rms, number(&case.inputs, "f0_Hz"));
        close(
            integral::integrate(&offsets, &density).log10() * 10.0,
            number(&case.expected, "integrated_L_dBc"),
            1e-9,
            &case.id,
        );
        close(
            derived::integrated_dbc(rms),
            number(&case.expected, "phase_variance_rad2").log10() * 10.0,
            1e-9,
            &case.id,
        );
        close(rms, number(&case.expected, "rms_phase_rad"), 1e-9, &case.id);
        close(derived::degrees(rms), number(&case.expected, "rms_phase_deg"), 1e-9, &case.id);
        close(jitter * 1e15, number(&case.expected, "rms_jitter_fs"), 1e-9, &case.id);
        close(
            integral::residual_fm(&offsets, &density),
            number(&case.expected, "residual_FM_Hz"),
            1e-9,
            &case.id,
        );

        // The same mask read as a table and put on a fine grid: straight lines stay what they are.
        let table = LevelTable::new(offsets.iter().copied().zip(point(1)).collect()).expect("a table");
        let (from, to) = (offsets[0], offsets[offsets.len() - 1]);
        let grid = integral::Grid::new(from, to, 10, &offsets).expect("a range");
        let fine: Vec<f64> = grid.offsets().iter().map(|f| table.power_at(*f)).collect();
        close(integral::rms_phase(grid.offsets(), &fine), rms, 1e-11, &case.id);
    }
}

/// Source: IEEE Std 1139-2008, x(t) = phi(t) / (2 pi nu0).
#[test]
fn pn_jit() {
    for case in row("PN-JIT").cases {
        let degrees = case.inputs.get("phi_rms_deg").and_then(serde_json::Value::as_f64);
        let rms = degrees.map_or_else(|| number(&case.inputs, "phi_rms_rad"), f64::to_radians);
        let jitter = derived::jitter(rms, number(&case.inputs, "f0_Hz"));
        close(jitter * 1e15, number(&case.expected, "jitter_fs"), 1e-12, &case.id);
    }
}

/// Power laws exact (c, d, e); a Lorentzian (a, b) on the standard grid within the 1e-4 promised for a loop.
/// Source: elementary calculus.
#[test]
fn pn_closed() {
    for case in row("PN-CLOSED").cases {
        let input = |key: &str| number(&case.inputs, key);
        let (_, letter) = case.id.split_once(' ').expect("row and case");
        let (grid, density, tolerance): (_, Vec<f64>, _) = match letter {
            "a" | "b" => {
                let (s0, corner) = (input("S0"), input("fc_Hz"));
                // Case a runs from 0 to infinity: ten decades either side leave 1e-10 of it out.
                let (from, to) = if letter == "a" { (1e-5, 1e15) } else { (input("f1_Hz"), input("f2_Hz")) };
                let grid = integral::Grid::fine(from, to, &[]).expect("a range");
                let density =
                    grid.offsets().iter().map(|f| s0 / 2.0 / (1.0 + (f / corner).powi(2))).collect();
                (grid, density, 1e-4)
            }
            id => {
                let (key, at, slope) = match id {
                    "c" => ("L_at_1MHz_dBc_Hz", 1e6, -2),
                    "d" => ("L_at_1kHz_dBc_Hz", 1e3, -1),
                    _ => ("L_at_1kHz_dBc_Hz", 1e3, -3),
                };
                let level = 10f64.powf(input(key) / 10.0);
                let grid = integral::Grid::new(input("f1_Hz"), input("f2_Hz"), 3, &[]).expect("a range");
                let density = grid.offsets().iter().map(|f| level * (f / at).powi(slope)).collect();
                (grid, density, 1e-9)
            }
        };
        let rms = integral::rms_phase(grid.offsets(), &density);
        close(rms * rms, number(&case.expected, "variance_rad2"), tolerance, &case.id);
    }
}

/// Source: small-angle inverse of narrow-band FM (BS-FM), derived.
#[test]
fn bs_inv() {
    for case in row("BS-INV").cases {
        let rms = derived::rms_phase_with_lines(0.0, [number(&case.inputs, "spur_dBc")]);
        close(rms, number(&case.expected, "rms_phase_rad_pair"), 1e-12, &case.id);
        close(rms * 2f64.sqrt(), number(&case.expected, "beta_peak_rad"), 1e-12, &case.id);
    }
}

/// Source: IEEE Std 1241 (small-angle form).
#[test]
fn sj_snr() {
    for case in row("SJ-SNR").cases {
        let snr = derived::sampling_snr(number(&case.inputs, "f_Hz"), number(&case.inputs, "sigma_s"));
        close(snr, number(&case.expected, "snr_small_angle_dB"), 1e-9, &case.id);
        close(
            derived::total_snr(number(&case.inputs, "f_Hz"), number(&case.inputs, "sigma_s"), 0.0, None),
            snr,
            1e-12,
            &case.id,
        );
    }
}

/// Source: K. Sankar, EVM with phase noise, 2012 (small-angle column).
#[test]
fn ev_pn() {
    for case in row("EV-PN").cases {
        let evm = derived::error_vector(number(&case.inputs, "phase_rms_deg").to_radians());
        close(100.0 * evm, number(&case.expected, "evm_small_angle_percent"), 1e-9, &case.id);
    }
}

/// The Leeson model's levels as a table: the asymptotes' slopes survive interpolation and continuation.
/// Source: D. B. Leeson, Proc. IEEE 54(2), 1966, pp. 329-330.
#[test]
fn le_l() {
    for case in row("LE-L").cases {
        let decades = [100.0, 1e3, 1e4, 1e5, 1e6, 1e7f64];
        let level = |f: &f64| number(&case.expected, &format!("L_{f}Hz_dBc"));
        let table = LevelTable::new(decades.iter().map(|f| (*f, level(f))).collect()).expect("a table");
        for f in &decades {
            assert!((table.level_at(*f) - level(f)).abs() < 1e-9, "{} at {f}", case.id);
        }
        // Half-way between the points the model itself is the judge.
        let (f0, q) = (number(&case.inputs, "f0_Hz"), number(&case.inputs, "Q_loaded"));
        let corner = number(&case.inputs, "flicker_corner_Hz");
        let shape = |f: f64| 10.0 * ((1.0 + (f0 / (2.0 * q * f)).powi(2)) * (1.0 + corner / f)).log10();
        for f in [300.0, 3e3, 3e4, 3e5, 3e6] {
            let model = shape(f) - shape(100.0) + level(&100.0);
            // A bend of 20 dB per decade at a corner lies 3 dB off its asymptotes, and less off their chord.
            let off = table.level_at(f) - model;
            assert!(off.abs() < 3.0, "{} at {f}: {off}", case.id);
        }
    }
}
