//! The free choices of a loop as numbers that can be varied: where each stands, and what values it can take.

use super::again::Change;
use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::synthesizer::Synthesizer;
use crate::physics::plan::{Rational, to_f64};
use crate::units::parse_as;

/// Reference dividers that are looked at.
const MOST_DIVIDERS: usize = 1024;

/// A field of the loop that can be varied.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Choice {
    Bandwidth,
    PhaseMargin,
    PoleRatio,
    PumpCurrent,
    DetectorFrequency,
    MaxCapacitance,
    Temperature,
    Output,
}

use Choice::{
    Bandwidth, DetectorFrequency, MaxCapacitance, Output, PhaseMargin, PoleRatio, PumpCurrent, Temperature,
};

impl Choice {
    /// All of them.
    pub(super) const ALL: [Choice; 8] = [
        Bandwidth,
        PhaseMargin,
        PoleRatio,
        PumpCurrent,
        DetectorFrequency,
        MaxCapacitance,
        Temperature,
        Output,
    ];

    /// The field of the loop.
    pub(super) const fn field(self) -> &'static str {
        match self {
            Bandwidth => "bandwidth",
            PhaseMargin => "phase_margin",
            PoleRatio => "pole_ratio",
            PumpCurrent => "pump_current",
            DetectorFrequency => "detector_frequency",
            MaxCapacitance => "max_capacitance",
            Temperature => "temperature",
            Output => "output",
        }
    }

    pub(super) const fn unit(self) -> Unit {
        match self {
            Bandwidth | DetectorFrequency | Output => Unit::Hertz,
            PhaseMargin => Unit::Degree,
            PoleRatio => Unit::One,
            PumpCurrent => Unit::Ampere,
            MaxCapacitance => Unit::Farad,
            Temperature => Unit::Kelvin,
        }
    }

    /// The change with the field at a value.
    pub(super) fn put(self, change: Change, value: f64) -> Change {
        if self == PoleRatio {
            return change.with(self.field(), Item::Number(value));
        }
        change.with(self.field(), Item::Quantity(written(value, self.unit())))
    }

    /// Where it stands; `None` where the loop leaves it no room (given parts, no further pole, several ratios).
    pub(super) fn stands(self, given: &Given, solved: &SolvedLoop) -> Option<f64> {
        let fields = &given.fields;
        if fields.written("parts") && matches!(self, Bandwidth | PhaseMargin | PoleRatio | MaxCapacitance) {
            return None;
        }
        let best = solved.optimum.as_ref().map(|found| &found.best);
        match self {
            Bandwidth => best.map(|b| b.bandwidth).or_else(|| fields.quantity("bandwidth")),
            PhaseMargin => best.map(|b| b.phase_margin).or_else(|| fields.quantity("phase_margin")),
            PoleRatio => {
                let several = fields.get("pole_ratio").is_some_and(|c| c.list().is_some());
                let none = solved.case.filter.topology.pole_ratios() == 0;
                let found = best.and_then(|b| b.pole_ratios.first().copied());
                (!several && !none).then(|| found.or(fields.number("pole_ratio")).unwrap_or(0.3))
            }
            PumpCurrent => Some(solved.case.pump.current),
            DetectorFrequency => Some(solved.case.detector_frequency),
            MaxCapacitance => fields.quantity("max_capacitance"),
            Temperature => Some(solved.case.temperature),
            Output => Some(solved.output_frequency()),
        }
    }

    /// The values it can take, where these are few; `None`: any.
    pub(super) fn steps(self, given: &Given, solved: &SolvedLoop, inputs: &Inputs<'_>) -> Option<Vec<f64>> {
        match self {
            PumpCurrent => Some(solved.pump_steps.clone()),
            DetectorFrequency => Some(detector_frequencies(given, solved, inputs)),
            Output => Some(solved.outputs.iter().map(to_f64).collect()),
            _ => None,
        }
    }
}

/// The loop as it is, with what `optimum` found written out, so that single choices can be changed.
pub(super) fn base(of: &str, solved: &SolvedLoop) -> Change {
    let mut change = Change::of(of);
    if let Some(found) = &solved.optimum {
        change = Bandwidth.put(change, found.best.bandwidth);
        change = PhaseMargin.put(change, found.best.phase_margin);
        if let Some(ratio) = found.best.pole_ratios.first() {
            change = PoleRatio.put(change, *ratio);
        }
    }
    change
}

/// A value as an author would write it, so that frequencies stay exact.
fn written(value: f64, unit: Unit) -> Quantity {
    parse_as(&print(value, unit, Digits::All), unit).unwrap_or_else(|_| Quantity::new(value, unit))
}

/// Detector frequencies that the reference divider gives and that can be written with all their digits.
fn detector_frequencies(given: &Given, solved: &SolvedLoop, inputs: &Inputs<'_>) -> Vec<f64> {
    let name = given.fields.block("synthesizer");
    let Some(synthesizer) = name.and_then(|name| inputs.model::<Synthesizer>(name)) else {
        return Vec::new();
    };
    let plan = &solved.plan;
    let before = &plan.detector_frequency * Rational::from_integer(plan.reference_divider.into());
    let limit = synthesizer.detector_limit.rational();
    let dividers = synthesizer.reference_divider.members_from(1).take(MOST_DIVIDERS);
    let rates = dividers.map(|r| &before / Rational::from_integer(r.into()));
    let exact = |rate: &Rational| written(to_f64(rate), Unit::Hertz).rational() == *rate;
    rates.filter(|rate| *rate <= limit).filter(exact).map(|rate| to_f64(&rate)).collect()
}
