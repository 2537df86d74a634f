//! `supply`: what feeds the oscillator, at its pin.

use super::fields::{COMMON, FACTS, optional, required};
use super::prelude::*;

/// The kind.
pub struct SupplyKind;

/// The supply as stated.
#[derive(Clone, Debug)]
pub struct Supply {
    /// Noise voltage over frequency, as 20 log10 of V/rtHz.
    pub noise: Option<LevelTable>,
    /// Discrete lines: frequency (Hz), peak amplitude (V).
    pub ripple: Vec<(f64, f64)>,
}

static RIPPLE: &[Field] = &[
    required("frequency", Type::Quantity(Unit::Hertz), "frequency of the line"),
    required("amplitude", Type::Quantity(Unit::Volt), "peak amplitude"),
];
static FIELDS: &[Field] = &[
    optional(
        "noise",
        Type::Table(Unit::Hertz, Unit::VoltPerRootHertz),
        "noise voltage density over frequency",
    ),
    optional("ripple", Type::List(&Type::Group(RIPPLE)), "discrete lines on the supply"),
];

static LISTS: &[&[Field]] = &[FIELDS, FACTS, COMMON];

impl Kind for SupplyKind {
    fn name(&self) -> &'static str {
        "supply"
    }
    fn about(&self) -> &'static str {
        "what feeds the oscillator, at its pin"
    }
    fn facts(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn solve(&self, given: &Given, _inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let noise = given.fields.table("noise").and_then(|rows| {
            let levels = rows.iter().map(|row| (row.at, row.value)).collect::<Vec<_>>();
            if levels.iter().any(|(_, v)| *v <= 0.0) {
                faults.place(given.fields.place("noise"), "value-range", "a noise density is above zero");
                return None;
            }
            level_table(given, "noise", levels.into_iter().map(|(f, v)| (f, 20.0 * v.log10())), &mut faults)
        });
        let ripple = given.fields.list("ripple").iter().filter_map(|item| {
            let line = item.group()?;
            positive_in(line, "frequency", &mut faults);
            positive_in(line, "amplitude", &mut faults);
            Some((line.quantity("frequency")?, line.quantity("amplitude")?))
        });
        let supply = Supply { ripple: ripple.collect(), noise };
        faults.done()?;
        Ok(Solved::facts(given, supply))
    }
}
