//! `synthesizer.fraction`: the fractional mode of the feedback divider.

use super::fields::{default, optional, required};
use super::prelude::*;
use super::synthesizer::{DETECTOR_FLOOR, detector_floor};
use crate::physics::modulator::HIGHEST_ORDER;
use crate::physics::plan::{Fraction, LARGEST_FIXED_MODULUS, LARGEST_VARIABLE_MODULUS, Modulus};

/// What the core does in fractional mode.
#[derive(Clone, Debug)]
pub struct FractionFacts {
    /// The modulator.
    pub fraction: Fraction,
    /// Floor at 1 Hz detector rate in that mode, over pump current (A); `None`: that of the detector.
    pub floor: Option<LevelTable>,
    /// Current that keeps the pump on one side, A.
    pub bleed: f64,
    /// Line at the distance to the next integer, in band, dBc at the oscillator.
    pub boundary_spur: Option<f64>,
}

/// Fields of the group `fraction`.
pub(super) static FIELDS: &[Field] = &[
    required(
        "modulus",
        Type::Either(&[Type::Integer, Type::IntegerRange]),
        "denominator of the fraction: one fixed value, or a range",
    ),
    required("order", Type::Integer, "order of the modulator, 1 to 6"),
    default("start", Type::Integer, "0", "what its first accumulator holds when a channel is set"),
    optional("floor", DETECTOR_FLOOR, "detector floor in fractional mode; absent: that of `detector`"),
    optional(
        "bleed",
        Type::Quantity(Unit::Ampere),
        "current that keeps the pump on one side of its dead zone; adds to the leakage",
    ),
    optional(
        "boundary_spur",
        Type::Quantity(Unit::DecibelCarrier),
        "line at the distance to the nearest integer, in band, at the oscillator",
    ),
];

/// The group as stated.
pub(super) fn read(group: &Fields, faults: &mut Faults) -> Option<FractionFacts> {
    not_negative_in(group, "bleed", faults);
    let floor = detector_floor(group, faults);
    let modulus = modulus(group, faults);
    let order = group.integer("order")?;
    let fits = u32::try_from(order).ok().filter(|order| (1..=HIGHEST_ORDER).contains(order));
    if fits.is_none() {
        let text = format!("the order of a modulator is 1 to {HIGHEST_ORDER}, not {order}");
        faults.place(group.place("order"), "value-range", text);
    }
    let modulus = modulus?;
    let least = match modulus {
        Modulus::Fixed(value) | Modulus::Range(value, _) => value,
    };
    let start = u64::try_from(group.integer("start").unwrap_or(0)).ok().filter(|start| *start < least);
    if start.is_none() {
        let text = format!("an accumulator starts at 0 up to the least modulus less one, {}", least - 1);
        faults.place(group.place("start"), "value-range", text);
    }
    Some(FractionFacts {
        fraction: Fraction { modulus, order: fits?, start: start? },
        floor,
        bleed: group.quantity("bleed").unwrap_or(0.0),
        boundary_spur: group.quantity("boundary_spur"),
    })
}

fn modulus(group: &Fields, faults: &mut Faults) -> Option<Modulus> {
    let count = |value: i64| u64::try_from(value).ok().filter(|v| *v >= 2);
    let (found, limit) = match group.get("modulus")?.value {
        Item::Integer(value) => (count(value).map(Modulus::Fixed), LARGEST_FIXED_MODULUS),
        Item::IntegerRange(low, high) => {
            let both = count(low).zip(count(high)).filter(|(low, high)| low <= high);
            (both.map(|(low, high)| Modulus::Range(low, high)), LARGEST_VARIABLE_MODULUS)
        }
        _ => return None,
    };
    let found = found.filter(|modulus| match modulus {
        Modulus::Fixed(value) | Modulus::Range(_, value) => *value <= limit,
    });
    if found.is_none() {
        let text = format!("a modulus is a whole number from 2 to {limit}, or a range of such");
        faults.place(group.place("modulus"), "value-range", text);
    }
    found
}
