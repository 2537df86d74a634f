//! Second route to the resistor noise of a passive filter: equipartition.

use crate::physics::BOLTZMANN;
use crate::physics::part::Case;

/// Total noise of the resistors on the tuning port, loop open, over all frequencies, V^2:
/// `kT (1 / C_out - 1 / sum C)`, C_out the last capacitor with the tuning port's in parallel.
/// `None` for an active filter, whose op-amp holds the identity off.
///
/// It is not kT / C_out alone: no resistor leads to ground, so that the total charge carries no noise.
/// Source: equipartition, derived; check value LF-KTC.
pub fn output_variance(case: &Case) -> Option<f64> {
    if case.filter.topology.is_active() {
        return None;
    }
    let port = case.oscillator.input_capacitance;
    let filter = &case.filter;
    let last = filter.last_capacitor() + port;
    let sum: f64 = filter.c1 + filter.c2 + filter.post.iter().map(|(_, c)| c).sum::<f64>() + port;
    Some(BOLTZMANN * case.temperature * (1.0 / last - 1.0 / sum))
}
