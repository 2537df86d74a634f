//! Discrete lines beside the carrier, in dBc at the output.
//!
//! A line is one sideband of a symmetric pair; its level comes from the peak phase deviation (the index) of a sine:
//! `20 log10(J1/J0)`, which is `20 log10(index / 2)` while the index is small. The output divider divides the index.
//!
//! Lines of the pump are not divided by `1 + G`: the detector looks once per period, sees the same in each, and does
//! not act on the ripple. Coupling over the board is not in any of them.

mod bend;
mod fraction;
mod pump;
mod supply;

pub use fraction::{OutputLine, boundary_line, modulator_lines};
pub use pump::{PumpWaveform, reference_index, reference_indices, reference_spur};
pub use supply::{supply_index, supply_line};

use crate::num::bessel::{j0, j1};

/// Level of a line of `index` rad peak phase deviation, dBc: one sideband against the carrier that is left.
///
/// Not finite where the carrier vanishes (index 2.405, ..) or where there is no deviation.
/// Source: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, 1964, 9.1.42 to 9.1.45 (from memory).
pub fn level(index: f64) -> f64 {
    decibels(ratio(index))
}

/// Amplitude of that line over that of the carrier that is left.
pub fn ratio(index: f64) -> f64 {
    (j1(index) / j0(index)).abs()
}

/// Level of a line by its amplitude over that of the carrier, dBc.
pub fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

#[cfg(test)]
mod tests {
    use super::level;

    #[test]
    fn a_small_index_gives_half_of_itself_and_a_vanishing_carrier_no_line() {
        assert!((level(2e-3) + 60.0).abs() < 1e-5);
        assert!((level(0.1) - 20.0 * 0.05f64.log10() - 0.010_869).abs() < 1e-5);
        assert!(!level(0.0).is_finite());
    }
}
