//! Fields of the kinds, as data: one checker, one `describe`, one list of valid names serve them all.

use super::yaml::Value;
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

/// The fields of a kind: several lists that count as one, and what may stand under names of the author's choice.
#[derive(Clone, Copy, Debug)]
pub struct Schema<'a> {
    /// Lists of fields.
    pub fields: &'a [&'static [Field]],
    /// What stands under any other name; `None`: other names are faults.
    pub entries: Option<&'static Type>,
}

impl<'a> Schema<'a> {
    /// All fields, list after list.
    pub fn all(&self) -> impl Iterator<Item = &'static Field> + use<'a> {
        self.fields.iter().copied().flatten()
    }

    /// The field of that name.
    pub fn field(&self, name: &str) -> Option<&'static Field> {
        self.all().find(|field| field.name == name)
    }
}

impl Type {
    /// What is expected, for messages: "frequency, e.g. 80 MHz".
    pub fn expectation(&self) -> String {
        match self {
            Type::Quantity(unit) => unit.expectation().to_owned(),
            Type::Toleranced(unit) => format!("{}, also with a tolerance (`+- 5 %`)", unit.expectation()),
            Type::AnyQuantity => "quantity, e.g. 80 MHz".to_owned(),
            Type::Range(unit) => format!("range `A .. B`, each end {}", unit.described()),
            Type::SteppedRange(unit) => {
                format!("range `A .. B` or `A .. B step C`, each {}", unit.described())
            }
            Type::Number => "plain number without a unit, e.g. 0.3".to_owned(),
            Type::Integer => "plain whole number, e.g. 3".to_owned(),
            Type::IntegerRange => "range of whole numbers, e.g. 1 .. 1023".to_owned(),
            Type::Fraction => "divider, e.g. 2 or 1/2".to_owned(),
            Type::Word(words) => {
                let words: Vec<String> = words.iter().map(|word| format!("`{word}`")).collect();
                match words.as_slice() {
                    [first @ .., last] if !first.is_empty() => format!("{} or {last}", first.join(", ")),
                    _ => words.concat(),
                }
            }
            Type::Text | Type::Prose => "text".to_owned(),
            Type::Flag => "`true` or `false`".to_owned(),
            Type::Block(kinds) => format!("name of a block of kind {}", kinds.join(" or ")),
            Type::Metric => "dotted name of a metric, e.g. lo.phase_margin".to_owned(),
            Type::Limit => "limit, e.g. <= 150 fs or 45 deg .. 70 deg".to_owned(),
            Type::Formula => "formula".to_owned(),
            Type::File => "path of a file, e.g. data/trace.csv".to_owned(),
            Type::Table(at, of) => {
                format!("table of `A: B`, A {}, B {}", at.described(), of.described())
            }
            Type::List(kind) => format!("list in brackets, each item: {}", kind.expectation()),
            Type::Group(fields) => {
                let names: Vec<&str> = fields.iter().map(|field| field.name).collect();
                format!("mapping with {}", names.join(", "))
            }
            Type::Entries(kind) => format!("mapping `name: value`, each value: {}", kind.expectation()),
            Type::Either(kinds) => kinds.iter().map(Type::expectation).collect::<Vec<_>>().join("; or "),
        }
    }

    /// Whether a name may stand for the value.
    pub(super) fn takes_names(&self) -> bool {
        matches!(
            self,
            Type::Quantity(_) | Type::Toleranced(_) | Type::AnyQuantity | Type::Number | Type::Integer
        ) || matches!(self, Type::Either(kinds) if kinds.iter().any(Type::takes_names))
    }

    /// Whether a value of this shape can be of this type at all.
    pub(super) fn suits(&self, value: &Value) -> bool {
        match self {
            Type::List(_) => matches!(value, Value::List(_)),
            Type::Table(..) | Type::Group(_) | Type::Entries(_) => matches!(value, Value::Map(_)),
            Type::Either(kinds) => kinds.iter().any(|kind| kind.suits(value)),
            Type::Flag => matches!(value, Value::Flag(_)),
            Type::Word(_) | Type::Range(_) | Type::SteppedRange(_) | Type::IntegerRange => {
                matches!(value, Value::Text(_))
            }
            _ => !matches!(value, Value::List(_) | Value::Map(_) | Value::Null),
        }
    }

    /// Whether a text that is not quite right was probably meant as this type.
    pub(super) fn resembles(&self, text: &str) -> bool {
        let range = text.contains("..");
        let number =
            text.trim_start_matches(['-', '+', '\u{2212}', '.']).starts_with(|c: char| c.is_ascii_digit());
        match self {
            Type::Range(_) | Type::SteppedRange(_) | Type::IntegerRange => range,
            Type::Quantity(_)
            | Type::Toleranced(_)
            | Type::AnyQuantity
            | Type::Number
            | Type::Integer
            | Type::Fraction => number && !range,
            Type::Either(kinds) => kinds.iter().any(|kind| kind.resembles(text)),
            _ => false,
        }
    }
}
