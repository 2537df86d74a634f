//! `synthesizer`: detector, pump, dividers.

use super::fields::{COMMON, DIVIDER, FACTS, OUTPUT_FLOOR, optional, required};
use super::fractional::{self, FractionFacts};
use super::prelude::*;
use super::registers::{self, Layout};
use crate::physics::plan::{FeedbackSet, IntegerSet, Rational};

/// The kind.
pub struct SynthesizerKind;

/// A doubler before the reference divider.
#[derive(Clone, Debug)]
pub struct DoublerFacts {
    /// Highest frequency at its input.
    pub limit: Option<Quantity>,
}

/// The core as stated.
#[derive(Clone, Debug)]
pub struct Synthesizer {
    /// Highest detector frequency.
    pub detector_limit: Quantity,
    /// Floor at 1 Hz detector rate: levels over pump current (A); one row: the same at every current.
    pub floor: Option<LevelTable>,
    /// Flicker: level (dBc/Hz) at an offset and a carrier (Hz).
    pub flicker: Option<(f64, f64, f64)>,
    /// Pump currents that can be set, A, ascending.
    pub currents: Vec<f64>,
    /// Voltages between which the pump works, V.
    pub compliance: Option<(f64, f64)>,
    /// Relative difference of source and sink.
    pub mismatch: f64,
    /// Leakage, A.
    pub leakage: f64,
    /// Time both sources are on in lock, s.
    pub pulse: f64,
    /// Reference input: lowest and highest frequency, Hz.
    pub input_range: Option<(f64, f64)>,
    /// Rise of the floor (dB) over slew rate (V/s).
    pub slew: Option<LevelTable>,
    /// The doubler, where there is one.
    pub doubler: Option<DoublerFacts>,
    /// Reference divider.
    pub reference_divider: IntegerSet,
    /// Feedback divider.
    pub feedback: FeedbackSet,
    /// Output dividers.
    pub output_dividers: Vec<Rational>,
    /// Fixed prescaler.
    pub fixed_prescaler: u64,
    /// The fractional mode, where there is one.
    pub fraction: Option<FractionFacts>,
    /// Floor after the output divider, over offset.
    pub output_floor: Option<LevelTable>,
    /// Register words.
    pub program: Option<Layout>,
    /// Time that choosing the oscillator's band takes, s.
    pub band_selection: f64,
}

impl Synthesizer {
    /// Floor at 1 Hz detector rate with that kind of divider, over pump current (A).
    pub fn floor_of(&self, fractional: bool) -> Option<&LevelTable> {
        let own = self.fraction.as_ref().filter(|_| fractional).and_then(|f| f.floor.as_ref());
        own.or(self.floor.as_ref())
    }

    /// Line near an integer with that kind of divider, in band, dBc at the oscillator.
    pub fn boundary_spur_of(&self, fractional: bool) -> Option<f64> {
        self.fraction.as_ref().filter(|_| fractional).and_then(|f| f.boundary_spur)
    }

    /// Leakage at the pump's output with that kind of divider, A.
    pub fn leakage_of(&self, fractional: bool) -> f64 {
        self.leakage + self.fraction.as_ref().filter(|_| fractional).map_or(0.0, |f| f.bleed)
    }
}

static FLICKER: &[Field] = &[
    required("level", Type::Quantity(Unit::DecibelCarrierPerHertz), "level at that offset and carrier"),
    required("offset", Type::Quantity(Unit::Hertz), "offset of the level"),
    required("carrier", Type::Quantity(Unit::Hertz), "carrier of the level"),
];
/// A detector floor at 1 Hz detector rate: a level, or levels over pump current.
pub(super) static DETECTOR_FLOOR: Type = Type::Either(&[
    Type::Quantity(Unit::DecibelCarrierPerHertz),
    Type::Table(Unit::Ampere, Unit::DecibelCarrierPerHertz),
]);
static DETECTOR: &[Field] = &[
    required("max_frequency", Type::Quantity(Unit::Hertz), "highest detector frequency"),
    optional(
        "floor",
        DETECTOR_FLOOR,
        "phase-noise floor at 1 Hz detector rate: a level, or levels over pump current",
    ),
    optional("flicker", Type::Group(FLICKER), "1/f noise of the detector"),
];
static CURRENT_STEPS: &[Field] = &[
    required("from", Type::Quantity(Unit::Ampere), "least current"),
    required("to", Type::Quantity(Unit::Ampere), "largest current"),
    required("step", Type::Quantity(Unit::Ampere), "step between currents"),
];
static PUMP: &[Field] = &[
    required(
        "currents",
        Type::Either(&[
            Type::List(&Type::Quantity(Unit::Ampere)),
            Type::Group(CURRENT_STEPS),
            Type::Quantity(Unit::Ampere),
        ]),
        "currents that can be set: a list, or from, to and step",
    ),
    optional(
        "compliance",
        Type::Range(Unit::Volt),
        "voltages between which the pump works; absent: no clamp",
    ),
    optional("mismatch", Type::Quantity(Unit::One), "relative difference of source and sink current"),
    optional("leakage", Type::Quantity(Unit::Ampere), "leakage at the pump's output"),
    optional("pulse", Type::Quantity(Unit::Second), "time for which both sources are on, in lock"),
];
static REFERENCE_INPUT: &[Field] = &[
    optional("range", Type::Range(Unit::Hertz), "frequencies that the input takes"),
    optional(
        "slew",
        Type::Table(Unit::VoltPerSecond, Unit::Decibel),
        "rise of the detector floor over slew rate",
    ),
];
static DOUBLER: &[Field] =
    &[optional("max_frequency", Type::Quantity(Unit::Hertz), "highest frequency at its input")];
static SWALLOW: &[Field] = &[
    required(
        "prescaler",
        Type::Either(&[Type::Integer, Type::List(&Type::Integer)]),
        "lower modulus p of the dual-modulus prescaler p / p + 1; several to choose from",
    ),
    required("a", Type::IntegerRange, "range of the swallow counter"),
    required("b", Type::IntegerRange, "range of the main counter"),
];
static FIELDS: &[Field] = &[
    required("detector", Type::Group(DETECTOR), "phase-frequency detector"),
    required("pump", Type::Group(PUMP), "charge pump"),
    optional("reference_input", Type::Group(REFERENCE_INPUT), "reference input"),
    optional("reference_doubler", Type::Group(DOUBLER), "frequency doubler before the reference divider"),
    optional("reference_divider", DIVIDER, "reference divider; absent: 1"),
    required(
        "feedback_divider",
        Type::Either(&[Type::Integer, Type::IntegerRange, Type::List(&Type::Integer), Type::Group(SWALLOW)]),
        "feedback divider: range, list, or a swallow divider",
    ),
    optional(
        "output_divider",
        Type::Either(&[Type::Fraction, Type::IntegerRange, Type::List(&Type::Fraction)]),
        "output divider; 1/2 doubles; absent: 1",
    ),
    optional("fixed_prescaler", Type::Integer, "fixed divider before the feedback divider; absent: 1"),
    optional("fraction", Type::Group(fractional::FIELDS), "fractional mode of the feedback divider"),
    optional("output_floor", OUTPUT_FLOOR, "noise floor after the output divider"),
    optional(
        "band_selection",
        Type::Quantity(Unit::Second),
        "time the core takes to choose the oscillator's band",
    ),
    optional("program", Type::Group(registers::PROGRAM), "register words, for `program` blocks"),
];

static LISTS: &[&[Field]] = &[FIELDS, FACTS, COMMON];

impl Kind for SynthesizerKind {
    fn name(&self) -> &'static str {
        "synthesizer"
    }
    fn about(&self) -> &'static str {
        "detector, pump and dividers of the synthesizer core"
    }
    fn facts(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn solve(&self, given: &Given, _inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let synthesizer = read(given, &mut faults);
        faults.done()?;
        Ok(Solved::facts(given, synthesizer.ok_or_else(Vec::new)?))
    }
}

fn read(given: &Given, faults: &mut Faults) -> Option<Synthesizer> {
    let fields = &given.fields;
    let detector = fields.group("detector")?;
    let pump = fields.group("pump")?;
    let floor = detector_floor(detector, faults);
    let flicker = detector.group("flicker").and_then(|flicker| {
        positive_in(flicker, "offset", faults);
        positive_in(flicker, "carrier", faults);
        Some((flicker.quantity("level")?, flicker.quantity("offset")?, flicker.quantity("carrier")?))
    });
    positive_in(detector, "max_frequency", faults);
    let input = fields.group("reference_input");
    let slew = input.and_then(|input| {
        let rows = input.table("slew")?;
        level_table_in(input, "slew", rows.iter().map(|row| (row.at, row.value)), faults)
    });
    let output_floor = match fields.get("output_floor").map(|c| &c.value) {
        Some(Item::Quantity(level)) => Some(LevelTable::flat(level.value)),
        Some(Item::Table(rows)) => {
            level_table(given, "output_floor", rows.iter().map(|row| (row.at, row.value)), faults)
        }
        _ => None,
    };
    for name in ["mismatch", "leakage", "pulse"] {
        not_negative_in(pump, name, faults);
    }
    not_negative_in(fields, "band_selection", faults);
    Some(Synthesizer {
        detector_limit: detector.quantity_full("max_frequency")?.clone(),
        floor,
        flicker,
        currents: currents(pump, faults),
        compliance: pump.range("compliance"),
        mismatch: pump.quantity("mismatch").unwrap_or(0.0),
        leakage: pump.quantity("leakage").unwrap_or(0.0),
        pulse: pump.quantity("pulse").unwrap_or(0.0),
        input_range: input.and_then(|i| i.range("range")),
        slew,
        doubler: fields
            .group("reference_doubler")
            .map(|d| DoublerFacts { limit: d.quantity_full("max_frequency").cloned() }),
        reference_divider: integers(fields, "reference_divider", faults)
            .unwrap_or_else(|| IntegerSet::list(vec![1])),
        feedback: feedback(fields, faults)?,
        output_dividers: output_dividers(fields, faults),
        fixed_prescaler: count(fields, "fixed_prescaler", faults).unwrap_or(1),
        fraction: fields.group("fraction").and_then(|group| fractional::read(group, faults)),
        output_floor,
        program: registers::layout(fields, faults),
        band_selection: fields.quantity("band_selection").unwrap_or(0.0),
    })
}

/// The field `floor` of a group as a table over pump current.
pub(super) fn detector_floor(group: &Fields, faults: &mut Faults) -> Option<LevelTable> {
    match &group.get("floor")?.value {
        Item::Quantity(level) => Some(LevelTable::flat(level.value)),
        Item::Table(rows) => {
            level_table_in(group, "floor", rows.iter().map(|row| (row.at, row.value)), faults)
        }
        _ => None,
    }
}

/// The currents that can be set, ascending; at most ten thousand.
fn currents(pump: &Fields, faults: &mut Faults) -> Vec<f64> {
    let mut list: Vec<f64> = match pump.get("currents").map(|c| &c.value) {
        Some(Item::List(items)) => items.iter().filter_map(Checked::number).collect(),
        Some(Item::Quantity(one)) => vec![one.value],
        Some(Item::Group(steps)) => {
            let (Some(from), Some(to), Some(step)) =
                (steps.quantity_full("from"), steps.quantity_full("to"), steps.quantity_full("step"))
            else {
                return Vec::new();
            };
            if step.value <= 0.0 || to.value < from.value {
                faults.place(
                    pump.place("currents"),
                    "value-range",
                    "`from`, `to` and `step` make no current",
                );
                return Vec::new();
            }
            // Exact: 15 steps of 0.3125 mA end at 5 mA sharp.
            let (start, step) = (from.rational(), step.rational());
            let count = ((to.rational() - &start) / &step).to_integer();
            let count = u32::try_from(count).unwrap_or(u32::MAX);
            if count > 10_000 {
                faults.place(pump.place("currents"), "value-range", "more than 10000 pump currents");
                return Vec::new();
            }
            (0..=count)
                .map(|k| crate::physics::plan::to_f64(&(&start + &step * Rational::from_integer(k.into()))))
                .collect()
        }
        _ => Vec::new(),
    };
    if list.is_empty() || list.iter().any(|current| *current <= 0.0) {
        faults.place(pump.place("currents"), "value-range", "a pump current is above zero");
    }
    list.sort_by(f64::total_cmp);
    list.dedup();
    list
}

fn count(fields: &Fields, name: &str, faults: &mut Faults) -> Option<u64> {
    let value = fields.integer(name)?;
    match u64::try_from(value) {
        Ok(count) if count >= 1 => Some(count),
        _ => {
            faults.place(fields.place(name), "value-range", format!("`{name}` is a whole number from 1 up"));
            None
        }
    }
}

fn integers(fields: &Fields, name: &str, faults: &mut Faults) -> Option<IntegerSet> {
    let wrong = || format!("`{name}` holds whole numbers from 1 up");
    let positive = |value: i64| u64::try_from(value).ok().filter(|v| *v >= 1);
    let set = match fields.get(name).map(|c| &c.value)? {
        Item::Integer(value) => positive(*value).map(|v| IntegerSet::list(vec![v])),
        Item::IntegerRange(low, high) => {
            positive(*low).zip(positive(*high)).map(|(l, h)| IntegerSet::Range(l, h))
        }
        Item::List(items) => items
            .iter()
            .map(|i| whole(i).and_then(positive))
            .collect::<Option<Vec<_>>>()
            .map(IntegerSet::list),
        _ => None,
    };
    let set = set.filter(|set| set.min().is_some());
    if set.is_none() {
        faults.place(fields.place(name), "value-range", wrong());
    }
    set
}

fn whole(item: &Checked) -> Option<i64> {
    match item.value {
        Item::Integer(count) => Some(count),
        _ => None,
    }
}

fn fraction(item: &Checked) -> Option<Rational> {
    match item.value {
        Item::Fraction(value) => Some(ratio(value)),
        _ => None,
    }
}

/// A small fraction as an exact rational.
pub fn ratio(value: num_rational::Ratio<i64>) -> Rational {
    Rational::new((*value.numer()).into(), (*value.denom()).into())
}

fn feedback(fields: &Fields, faults: &mut Faults) -> Option<FeedbackSet> {
    let Some(Item::Group(swallow)) = fields.get("feedback_divider").map(|c| &c.value) else {
        return integers(fields, "feedback_divider", faults).map(FeedbackSet::Plain);
    };
    let prescalers = match integers(swallow, "prescaler", faults)? {
        IntegerSet::List(values) => values,
        IntegerSet::Range(low, high) => vec![low, high],
    };
    let mut range = |name: &str| {
        let (low, high) = swallow.integer_range(name)?;
        let pair = u64::try_from(low).ok().zip(u64::try_from(high).ok());
        if pair.is_none() {
            faults.place(swallow.place(name), "value-range", format!("`{name}` counts from 0 up"));
        }
        pair
    };
    Some(FeedbackSet::Swallow { prescalers, a: range("a")?, b: range("b")? })
}

fn output_dividers(fields: &Fields, faults: &mut Faults) -> Vec<Rational> {
    let list: Vec<Rational> = match fields.get("output_divider").map(|c| &c.value) {
        Some(Item::Fraction(value)) => vec![ratio(*value)],
        Some(Item::IntegerRange(low, high)) => {
            if high.abs_diff(*low) >= 10_000 {
                faults.place(
                    fields.place("output_divider"),
                    "value-range",
                    "more than 10000 output dividers",
                );
                return Vec::new();
            }
            (*low..=*high).map(|v| Rational::from_integer(v.into())).collect()
        }
        Some(Item::List(items)) => items.iter().filter_map(fraction).collect(),
        Some(_) => Vec::new(),
        None => vec![Rational::from_integer(1.into())],
    };
    let half = Rational::new(1.into(), 2.into());
    let one = Rational::from_integer(1.into());
    if list.is_empty() || list.iter().any(|o| *o < half || (*o < one && *o != half)) {
        faults.place(
            fields.place("output_divider"),
            "value-range",
            "an output divider is a whole number from 1 up, or 1/2 for a doubler",
        );
    }
    list
}
