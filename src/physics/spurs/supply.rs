//! Lines on the oscillator's supply.

use super::level;
use crate::physics::noise::Ladder;
use crate::physics::part::Case;

/// Level at the output of a ripple of `amplitude` V peak at `frequency` Hz on the supply pin, dBc.
///
/// The oscillator turns it into frequency by its pushing, and the loop acts on that as on the oscillator's own phase:
/// an index of `pushing A |E| / (f O)`. `None` where the oscillator has no pushing. Source: narrow-band FM and linear
/// loop theory.
pub fn supply_line(case: &Case, ladder: &Ladder<'_>, frequency: f64, amplitude: f64) -> Option<f64> {
    let level = level(supply_index(case, ladder, frequency, amplitude));
    level.is_finite().then_some(level)
}

/// Peak phase deviation of that line, rad.
pub fn supply_index(case: &Case, ladder: &Ladder<'_>, frequency: f64, amplitude: f64) -> f64 {
    let error = ladder.response(frequency).error.sqrt();
    case.oscillator.pushing.abs() * amplitude * error / (frequency * case.output_divider)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::linear::Linear;
    use crate::physics::linear::tests::case;
    use crate::physics::part::Topology;

    /// Far above the bandwidth the loop does nothing: 1 MHz/V times 2 mV at 1 MHz is an index of 2 mrad, -60 dBc.
    #[test]
    fn ripple_outside_the_bandwidth_goes_straight_through() {
        let parts = [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9)];
        let mut case = case(1e-4, 1e6, 200.0, 1e6, Topology::Passive(2), &parts);
        assert_eq!(supply_line(&case, &Ladder::new(&case), 1e6, 2e-3), None);
        case.oscillator.pushing = -1e6;
        let far = supply_line(&case, &Ladder::new(&case), 1e6, 2e-3).expect("a line");
        assert!((far + 60.0).abs() < 1e-3, "{far}");
        let near = supply_line(&case, &Ladder::new(&case), 100.0, 2e-7).expect("a line");
        let error = Linear::new(&case).expect("a loop").error(100.0).norm();
        assert!((near - (-60.0 + 20.0 * error.log10())).abs() < 1e-4, "{near}");
    }
}
