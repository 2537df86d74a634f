//! The sequence of a fractional divider, bent by a pump that does not match.
//!
//! In a loop that is slow beside its detector the error there is the sequence's own. Sources that differ by a share e weigh
//! it as `t + e |t| / 2`, about a mean at which the pump makes good what leaks. Common practice, no source; the tests follow
//! the loop edge by edge.

use std::f64::consts::PI;

use num_complex::Complex64;

use crate::num::fourier::transform;
use crate::physics::modulator::{Counted, LONGEST_OF_LINES, Modulator};
use crate::physics::part::Case;

/// Turns of Newton's rule: the mean charge is monotone, and of straight pieces.
const TURNS: usize = 20;

/// Index and amplitude (half the peak phase, rad, of an oscillator period a step) of each line of a bent sequence; `None`
/// where the sources match or the sequence is long.
pub(super) fn bent(case: &Case, modulator: &Modulator) -> Option<Vec<(u64, f64)>> {
    // Where the polarity is turned a late divider calls the weaker source.
    let sign = case.polarity();
    let unequal = 0.5 * sign * case.pump.mismatch;
    if unequal == 0.0 || modulator.counted() == Counted::Noise {
        return None;
    }
    let length = modulator.period();
    if length > LONGEST_OF_LINES {
        return None;
    }
    // In detector periods. The first m steps still see the empty past.
    let step = case.fixed_prescaler / case.feedback_ratio;
    let times: Vec<f64> =
        modulator.excess().skip(modulator.order() as usize).take(length as usize).map(|x| x * step).collect();
    let count = times.len() as f64;
    let lost = sign
        * (case.drain() / case.pump.current - case.pump.mismatch * case.pump.pulse * case.detector_frequency);
    let charge = |t: f64| t + unequal * t.abs();
    let mut shift = lost - times.iter().sum::<f64>() / count;
    for _ in 0..TURNS {
        let (mut sum, mut slope) = (0.0, 0.0);
        for t in &times {
            sum += charge(t + shift);
            slope += 1.0 + unequal * (t + shift).signum();
        }
        let turn = (sum / count - lost) / (slope / count);
        shift -= turn;
        if turn.abs() <= f64::EPSILON * shift.abs() {
            break;
        }
    }
    let values: Vec<Complex64> =
        times.iter().map(|t| Complex64::from(2.0 * PI * charge(t + shift) / step)).collect();
    let lines = transform(&values);
    Some(lines.iter().enumerate().skip(1).map(|(k, x)| (k as u64, x.norm() / count)).collect())
}
