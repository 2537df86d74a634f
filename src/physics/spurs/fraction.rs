//! Lines that a fractional divider makes.

use super::bend::bent;
use crate::physics::modulator::{Line, Modulator, images};
use crate::physics::noise::{Ladder, Node, transfer::Transfers};
use crate::physics::part::Case;

/// A line at the output: its offset (Hz), and the power of one sideband over that of the carrier while the angle is
/// small, a quarter of the square of the peak phase deviation (rad).
pub type OutputLine = (f64, f64);

/// Lines of a modulator's sequence at the output up to an offset (Hz), by offset; none where the sequence counts as
/// noise.
///
/// The phase, of P oscillator periods a step, passes the loop as the detector's noise does. Source: linear loop theory. A
/// pump that does not match bends it first, where the sequence is short; the loop is taken as slow beside the detector.
pub fn modulator_lines(
    case: &Case,
    ladder: &Ladder<'_>,
    modulator: &Modulator,
    up_to: f64,
) -> Vec<OutputLine> {
    let step = case.fixed_prescaler / case.feedback_ratio;
    let rate = case.detector_frequency;
    let through = |line: &Line| {
        let transfer = ladder.at(line.offset).of(Node::Detector);
        (line.offset, (line.amplitude * step).powi(2) * transfer)
    };
    let lines = match bent(case, modulator) {
        Some(base) => images((modulator.period(), &base), rate, up_to),
        None => modulator.lines(rate, up_to),
    };
    lines.iter().map(through).collect()
}

/// The line at the distance (Hz) to the nearest multiple of the detector frequency, from its level `stated` in band
/// (dBc at the oscillator); `None` on the multiple itself.
///
/// It comes from coupling, which no model of the loop knows: the stated level holds at every distance, and passes the
/// loop as a phase at the detector. Common practice, no source.
pub fn boundary_line(case: &Case, ladder: &Ladder<'_>, stated: f64, distance: f64) -> Option<OutputLine> {
    let closed = ladder.response(distance).closed;
    let power = 10f64.powf(stated / 10.0) * closed / case.output_divider.powi(2);
    (distance > 0.0).then_some((distance, power))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::linear::tests::case;
    use crate::physics::part::Topology;

    /// Far inside the bandwidth H is 1: the stated level less that of the output divider.
    #[test]
    fn in_band_the_stated_level_stands_divided() {
        let parts = [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9)];
        let mut case = case(1e-3, 30e6, 200.0, 1e6, Topology::Passive(2), &parts);
        case.output_divider = 4.0;
        let found = |distance| boundary_line(&case, &Ladder::new(&case), -40.0, distance);
        let (offset, power) = found(10.0).expect("a line");
        assert!((offset - 10.0).abs() < 1e-12);
        assert!((10.0 * power.log10() + 40.0 + 20.0 * 4f64.log10()).abs() < 1e-3);
        assert_eq!(found(0.0), None);
    }

    /// The step of a fixed prescaler is as many oscillator periods.
    #[test]
    fn a_prescaler_steps_by_more() {
        let parts = [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9)];
        let mut case = case(1e-3, 30e6, 200.0, 1e6, Topology::Passive(2), &parts);
        let modulator = Modulator::new(2, 25, 7, 0).expect("a modulator");
        let lines = |case: &Case| modulator_lines(case, &Ladder::new(case), &modulator, 1e6);
        let one = lines(&case);
        case.fixed_prescaler = 2.0;
        let two = lines(&case);
        assert!(one.len() == two.len() && one.len() > 10);
        assert!(
            one.iter().zip(&two).all(|(a, b)| (a.0 - b.0).abs() < 1e-6 && (b.1 / a.1 - 4.0).abs() < 1e-9)
        );
        let long = Modulator::new(3, 1 << 24, 5, 1).expect("a modulator");
        assert_eq!(modulator_lines(&case, &Ladder::new(&case), &long, 1e6), []);
    }
}
