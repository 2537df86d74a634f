//! What a fractional divider adds to a loop: its metrics, its rows in the plan, its cautions.

use rayon::prelude::*;

use super::solved::SolvedLoop;
use super::{Digits, Faults, Given, Group, Metric, Unit, print};
use crate::physics::modulator::{Counted, LONGEST_OF_LINES, Modulator};
use crate::physics::noise::Ladder;
use crate::physics::part::OscillatorPoint;
use crate::physics::plan::{Spot, to_f64};
use crate::physics::spurs::{self, OutputLine};

/// Where a channel lies, whatever the filter and the pump.
pub struct ChannelPoint {
    spot: Spot,
    oscillator: OscillatorPoint,
}

impl SolvedLoop {
    /// The modulator at work; `None` with integer dividers and where the fraction is zero.
    pub fn modulator(&self) -> Option<Modulator> {
        self.plan.modulator(&self.channel)
    }

    /// Lines of the modulator's sequence at the output up to an offset (Hz), by offset; none where it counts as noise.
    pub fn modulator_lines(&self, up_to: f64) -> Vec<OutputLine> {
        self.modulator().map_or(Vec::new(), |modulator| {
            spurs::modulator_lines(&self.case, &Ladder::new(&self.case), &modulator, up_to)
        })
    }

    /// The same as if the sources of the pump matched; none where they do.
    pub fn straight_lines(&self, up_to: f64) -> Vec<OutputLine> {
        if self.case.pump.mismatch == 0.0 {
            return Vec::new();
        }
        let mut case = self.case.clone();
        case.pump.mismatch = 0.0;
        self.modulator().map_or(Vec::new(), |modulator| {
            spurs::modulator_lines(&case, &Ladder::new(&case), &modulator, up_to)
        })
    }

    /// The line at the distance to the nearest integer, at the output; `None` where none is stated, and on the
    /// integer itself.
    pub fn boundary_line(&self) -> Option<OutputLine> {
        let stated = self.boundary_spur?;
        let distance = to_f64(&self.plan.boundary_distance(&self.channel));
        spurs::boundary_line(&self.case, &Ladder::new(&self.case), stated, distance)
    }

    /// The same in every channel to serve that the plan can make: output frequency (Hz), and its line where it has one.
    pub fn boundary_map(&self) -> Vec<(f64, Option<OutputLine>)> {
        let Some(stated) = self.boundary_spur else { return Vec::new() };
        let made = self.channel_points.get_or_init(|| {
            let plan = self.plan.swift();
            let point = |output| {
                let spot = plan.spot(output)?;
                let (_, oscillator) = self.facts.oscillator_at(spot.oscillator_frequency)?;
                Some(ChannelPoint { spot, oscillator })
            };
            self.outputs.par_iter().filter_map(point).collect()
        });
        let mut case = self.case.clone();
        let of = |point: &ChannelPoint| {
            let Spot { output_frequency, boundary_distance, .. } = point.spot;
            case.feedback_ratio = point.spot.feedback_ratio;
            case.output_divider = point.spot.output_divider;
            case.oscillator.clone_from(&point.oscillator);
            let line = spurs::boundary_line(&case, &Ladder::new(&case), stated, boundary_distance);
            (output_frequency, line)
        };
        made.iter().map(of).collect()
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
                print(self.output_frequency(), Unit::Hertz, Digits::Written)
            );
            faults.warn(given.fields.place("divider"), "modulator-silent", text);
        }
    }
}

const SILENT: &str = "the fraction is zero and the modulator silent";
