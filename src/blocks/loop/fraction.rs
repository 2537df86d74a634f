//! What a fractional divider adds to a loop: its metrics, its rows in the plan, its cautions.

use super::solved::SolvedLoop;
use super::{Digits, Faults, Given, Group, Metric, Unit, print};
use crate::physics::modulator::{Counted, LONGEST_OF_LINES, Line, Modulator};
use crate::physics::noise::{Ladder, Node, transfer::Transfers};
use crate::physics::plan::to_f64;

/// A line at the output: its offset (Hz) and its level over the carrier as a ratio of powers.
pub type OutputLine = (f64, f64);

impl SolvedLoop {
    /// The modulator at work; `None` with integer dividers and where the fraction is zero.
    pub fn modulator(&self) -> Option<Modulator> {
        self.plan.modulator(&self.channel)
    }

    /// Lines of the modulator's sequence at the output up to an offset (Hz), by offset; none where it counts as
    /// noise. The phase of P oscillator periods a step passes the loop as the detector's noise does.
    pub fn modulator_lines(&self, up_to: f64) -> Vec<OutputLine> {
        let Some(modulator) = self.modulator() else { return Vec::new() };
        let ladder = Ladder::new(&self.case);
        let step = self.case.fixed_prescaler / self.case.feedback_ratio;
        let through = |line: &Line| {
            let transfer = ladder.at(line.offset).of(Node::Detector);
            (line.offset, (line.amplitude * step).powi(2) * transfer)
        };
        modulator.lines(self.case.detector_frequency, up_to).iter().map(through).collect()
    }

    /// The line at the distance to the nearest integer, at the output; `None` where none is stated, and on the
    /// integer itself.
    pub fn boundary_line(&self) -> Option<OutputLine> {
        let distance = to_f64(&self.plan.boundary_distance(&self.channel));
        let stated = self.boundary_spur.filter(|_| distance > 0.0)?;
        let closed = Ladder::new(&self.case).response(distance).closed;
        Some((distance, 10f64.powf(stated / 10.0) * closed / self.case.output_divider.powi(2)))
    }

    /// Metrics that only a fractional divider has.
    pub(super) fn put_fraction(&self, m: &mut Group) {
        let Some((numerator, modulus)) = self.channel.fraction else { return };
        m.metric("fraction_numerator", Metric::count(numerator as i64));
        m.metric("fraction_modulus", Metric::count(modulus as i64));
        let distance = to_f64(&self.plan.boundary_distance(&self.channel));
        m.metric("boundary_distance", Metric::exact(distance, Unit::Hertz));
        m.metric(
            "modulator_period",
            match self.modulator() {
                Some(modulator) => Metric::count(modulator.period() as i64),
                None => Metric::none(Unit::One, SILENT),
            },
        );
    }

    /// How the modulator counts, in words; empty with integer dividers.
    pub fn modulator_words(&self) -> String {
        if self.channel.fraction.is_none() {
            return String::new();
        }
        let Some(modulator) = self.modulator() else { return SILENT.to_owned() };
        let period = modulator.period();
        let spacing =
            print(self.case.detector_frequency / period as f64, Unit::Hertz, Digits::Significant(3));
        let repeats = format!("order {}, repeats after {period} detector periods", modulator.order());
        match modulator.counted() {
            Counted::Lines => format!("{repeats}: counts as lines {spacing} apart"),
            Counted::Noise => {
                format!("{repeats}, more than {LONGEST_OF_LINES}: counts as noise")
            }
        }
    }

    /// A silent modulator is a better case than its neighbours.
    pub(super) fn warn_fraction(&self, given: &Given, faults: &mut Faults) {
        let others = given.fields.written("outputs") && given.fields.written("step");
        if self.channel.fraction.is_some() && self.modulator().is_none() && others {
            let text = format!(
                "{SILENT} in the design channel {}: channels beside it have its noise and its lines too",
                print(self.output_frequency(), Unit::Hertz, Digits::All)
            );
            faults.warn(given.fields.place("divider"), "modulator-silent", text);
        }
    }
}

const SILENT: &str = "the fraction is zero and the modulator silent";
