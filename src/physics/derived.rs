//! Figures that follow from an rms phase or a jitter.
//!
//! All in rad, s and Hz unless a name says otherwise; ratios of signal to noise in dB.

use std::f64::consts::PI;

/// rms jitter, s, of `rms_phase` rad at `carrier` Hz.
/// Source: IEEE Std 1139, x(t) = phi(t) / (2 pi nu0).
pub fn jitter(rms_phase: f64, carrier: f64) -> f64 {
    rms_phase / (2.0 * PI * carrier)
}

/// rms phase in degrees.
pub fn degrees(rms_phase: f64) -> f64 {
    rms_phase.to_degrees()
}

/// Integrated phase noise of both sidebands, dBc: `10 log10(2 int L df)`.
pub fn integrated_dbc(rms_phase: f64) -> f64 {
    20.0 * rms_phase.log10()
}

/// rms phase with discrete lines added, rad. `lines_dbc`: level of each line (one sideband of a symmetric
/// pair), dBc. Each adds `2 * 10^(level/10)` rad^2: a pair at `20 log10(beta / 2)` has an rms of
/// `beta / sqrt 2` (small-angle phase modulation).
pub fn rms_phase_with_lines(rms_phase: f64, lines_dbc: impl IntoIterator<Item = f64>) -> f64 {
    let lines: f64 = lines_dbc.into_iter().map(line_variance).sum();
    (rms_phase * rms_phase + lines).sqrt()
}

/// Phase variance of a symmetric pair of lines, rad^2. `level`: dBc, one sideband.
pub fn line_variance(level: f64) -> f64 {
    pair_variance(10f64.powf(level / 10.0))
}

/// The same from the power of one sideband over that of the carrier.
pub fn pair_variance(power: f64) -> f64 {
    2.0 * power
}

/// Error vector magnitude, as a ratio, of a constellation turned by phase noise: the rms phase.
/// The small-angle form of `sqrt(2 (1 - exp(-phi^2 / 2)))`, 1 part in 800 high at 0.1 rad.
/// Source: K. Sankar, EVM with phase noise, 2012 (Gaussian form).
pub fn error_vector(rms_phase: f64) -> f64 {
    rms_phase
}

/// Signal to noise, dB, of a full-scale sine at `signal` Hz sampled with `jitter` s rms:
/// `-20 log10(2 pi f jitter)`. Source: IEEE Std 1241. Small-angle form, 0.01 dB while 2 pi f jitter < 0.1.
pub fn sampling_snr(signal: f64, jitter: f64) -> f64 {
    -20.0 * (2.0 * PI * signal * jitter).log10()
}

/// Signal to noise, dB, of a converter with its clock: aperture jitter (s rms) adds to the clock's in
/// squares, the converter's own noise (`converter_snr` dB with a perfect clock) in power.
pub fn total_snr(signal: f64, clock_jitter: f64, aperture_jitter: f64, converter_snr: Option<f64>) -> f64 {
    let sampling = sampling_snr(signal, clock_jitter.hypot(aperture_jitter));
    let noise = |snr: f64| 10f64.powf(-snr / 10.0);
    -10.0 * (noise(sampling) + converter_snr.map_or(0.0, noise)).log10()
}

/// Frequency error at `output` Hz from a reference off by `stability` (a ratio: 1 ppm is 1e-6), Hz.
/// Independent of the dividers: phase and frequency multiply alike.
pub fn reference_error(output: f64, stability: f64) -> f64 {
    output * stability
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn line_levels_and_phase_agree_with_the_modulation_index() {
        // beta = 2 mrad: lines of 20 log10(beta / 2) = -60 dBc, rms phase beta / sqrt 2.
        let rms = rms_phase_with_lines(0.0, [-60.0]);
        assert!((rms - 2e-3 / 2f64.sqrt()).abs() < 1e-15);
        assert!((rms_phase_with_lines(3e-3, [-60.0, -60.0]) - 13e-6f64.sqrt()).abs() < 1e-15);
    }

    #[test]
    fn total_snr_is_below_each_part_and_falls_back_to_one() {
        let clock = sampling_snr(150e6, 250e-15);
        assert!((total_snr(150e6, 250e-15, 0.0, None) - clock).abs() < 1e-12);
        // Equal powers: 3.01 dB down.
        assert!((total_snr(150e6, 250e-15, 0.0, Some(clock)) - (clock - 10.0 * 2f64.log10())).abs() < 1e-9);
        assert!((total_snr(150e6, 3e-13, 4e-13, None) - sampling_snr(150e6, 5e-13)).abs() < 1e-12);
        assert!((total_snr(150e6, 0.0, 0.0, Some(70.0)) - 70.0).abs() < 1e-9);
    }

    #[test]
    fn small_angle_error_vector_is_close_below_a_tenth() {
        let exact = (2.0 * (1.0 - (-0.005f64).exp())).sqrt();
        assert!((error_vector(0.1) / exact - 1.0).abs() < 1.0 / 790.0);
        assert!((integrated_dbc(0.01) + 40.0).abs() < 1e-12);
    }
}
