//! Fields of the kinds, as data: one checker, one `describe`, one list of valid names serve them all.

use crate::units::Unit;

/// One field of a kind, or of a group inside one.
#[derive(Clone, Copy, Debug)]
pub struct Field {
    /// Name in the YAML.
    pub name: &'static str,
    /// What may stand there.
    pub kind: Type,
    /// Whether it must.
    pub need: Need,
    /// Meaning, one sentence without full stop.
    pub says: &'static str,
}

/// Whether a field must be there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// The block can't be solved without it.
    Required,
    /// Absent: without effect.
    Optional,
    /// Absent: as this text says (read by the checker as if it had been written).
    Default(&'static str),
}

/// What may stand in a field.
#[derive(Clone, Copy, Debug)]
pub enum Type {
    /// A quantity of this unit, or the name of one.
    Quantity(Unit),
    /// A quantity with an optional `+-` tolerance.
    Toleranced(Unit),
    /// A quantity of any unit.
    AnyQuantity,
    /// `A .. B`, ends of this unit.
    Range(Unit),
    /// `A .. B step C`, ends and step of this unit; the step may be absent.
    SteppedRange(Unit),
    /// A plain YAML number (or the name of one).
    Number,
    /// A plain YAML whole number.
    Integer,
    /// `A .. B` of whole numbers.
    IntegerRange,
    /// A whole number, or a fraction `1/2`.
    Fraction,
    /// One of these words.
    Word(&'static [&'static str]),
    /// Plain text.
    Text,
    /// CommonMark with live prose.
    Prose,
    /// Yes or no.
    Flag,
    /// Name of a block of one of these kinds.
    Block(&'static [&'static str]),
    /// Dotted name of a metric.
    Metric,
    /// A limit: comparison or range; its bounds may be names. Not checked for its unit here.
    Limit,
    /// A formula over values.
    Formula,
    /// Path of a file.
    File,
    /// Mapping of quantities to quantities of these units (`1 kHz: -90`); a plain number will do for dBc/Hz.
    Table(Unit, Unit),
    /// A list of these.
    List(&'static Type),
    /// A mapping with these fields.
    Group(&'static [Field]),
    /// A mapping with names of the author's choice.
    Entries(&'static Type),
    /// The first of these that fits.
    Either(&'static [Type]),
}
