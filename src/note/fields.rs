//! What the checker returns: fields with their values, defaults filled in.

use num_rational::Ratio;

use super::place::Place;
use super::schema::Field;
use super::yaml::Key;
use crate::source::Span;
use crate::units::{Quantity, Tolerance, Unit};

/// A checked value and its place.
#[derive(Clone, Debug)]
pub struct Checked {
    /// Where it stands.
    pub place: Place,
    /// The value.
    pub value: Item,
}

/// A checked value; one variant for each kind of [`super::schema::Type`].
#[derive(Clone, Debug)]
pub enum Item {
    /// A quantity in the unit of the field.
    Quantity(Quantity),
    /// A quantity with the tolerance written beside it.
    Toleranced(Quantity, Option<Tolerance>),
    /// A range of quantities; from below to.
    Range(Quantity, Quantity, Option<Quantity>),
    /// A pure number.
    Number(f64),
    /// A whole number.
    Integer(i64),
    /// A range of whole numbers, both ends included.
    IntegerRange(i64, i64),
    /// A positive whole number or fraction.
    Fraction(Ratio<i64>),
    /// One of the field's own words.
    Word(&'static str),
    /// Plain text.
    Text(String),
    /// CommonMark with live prose, not yet read.
    Prose(String),
    /// Yes or no.
    Flag(bool),
    /// Name of a block, not yet looked up.
    Block(String),
    /// Dotted name of a metric, not yet looked up.
    Metric(String),
    /// A limit as written; its form is checked.
    Limit(String),
    /// A formula as written.
    Formula(String),
    /// A path relative to the note's folder, whichever file it was written in.
    File(String),
    /// A table, in the order written.
    Table(Vec<Row>),
    /// A list.
    List(Vec<Checked>),
    /// A mapping with known fields.
    Group(Fields),
    /// A mapping with names of the author's choice.
    Entries(Vec<(Key, Checked)>),
    /// The name of a number that is not solved yet.
    Pending(String),
}

/// A row of a table.
#[derive(Clone, Debug)]
pub struct Row {
    /// What stands before the colon.
    pub at: f64,
    /// What stands behind it.
    pub value: f64,
    /// Where the value stands.
    pub place: Place,
}

/// A name that stands where a quantity may.
#[derive(Clone, Debug)]
pub struct NameUse {
    /// The dotted name.
    pub name: String,
    /// Where it stands.
    pub span: Span,
    /// The unit wanted there, where one is.
    pub wanted: Option<Unit>,
}

/// The fields of a block or group, in the order written, then those left to their defaults.
#[derive(Clone, Debug)]
pub struct Fields {
    /// The block or group.
    pub place: Place,
    pub(super) fields: Vec<(&'static Field, Checked, bool)>,
    /// What stands under names of the author's choice (`values`, `requirements`).
    pub entries: Vec<(Key, Checked)>,
    /// Every name met where a quantity may stand, also in groups and lists below.
    pub names: Vec<NameUse>,
}

impl Checked {
    /// The quantity, whether or not with a tolerance.
    pub fn quantity(&self) -> Option<&Quantity> {
        match &self.value {
            Item::Quantity(quantity) | Item::Toleranced(quantity, _) => Some(quantity),
            _ => None,
        }
    }

    /// As a number in the base of its unit.
    pub fn number(&self) -> Option<f64> {
        match &self.value {
            Item::Number(number) => Some(*number),
            Item::Integer(number) => Some(*number as f64),
            _ => self.quantity().map(|quantity| quantity.value),
        }
    }

    /// The text of a text, a name, a path, a word.
    pub fn text(&self) -> Option<&str> {
        match &self.value {
            Item::Text(text)
            | Item::Prose(text)
            | Item::Block(text)
            | Item::Metric(text)
            | Item::Limit(text)
            | Item::Formula(text)
            | Item::File(text)
            | Item::Pending(text) => Some(text),
            Item::Word(word) => Some(word),
            _ => None,
        }
    }

    /// The items of a list.
    pub fn list(&self) -> Option<&[Checked]> {
        match &self.value {
            Item::List(items) => Some(items),
            _ => None,
        }
    }

    /// The fields of a group.
    pub fn group(&self) -> Option<&Fields> {
        match &self.value {
            Item::Group(fields) => Some(fields),
            _ => None,
        }
    }

    /// The rows of a table.
    pub fn table(&self) -> Option<&[Row]> {
        match &self.value {
            Item::Table(rows) => Some(rows),
            _ => None,
        }
    }
}

impl Fields {
    /// A field that stands there or has a default.
    pub fn get(&self, name: &str) -> Option<&Checked> {
        self.fields.iter().find(|(field, ..)| field.name == name).map(|(_, checked, _)| checked)
    }

    /// All fields: name, value, and whether the value is the default.
    pub fn iter(&self) -> impl Iterator<Item = (&'static Field, &Checked, bool)> {
        self.fields.iter().map(|(field, checked, defaulted)| (*field, checked, *defaulted))
    }

    /// Puts a value in place of the one that is there, as if it had been written; groups key by key.
    pub fn set(&mut self, field: &'static Field, value: Item) {
        match self.fields.iter_mut().find(|(own, ..)| own.name == field.name) {
            Some((_, checked, defaulted)) => {
                *defaulted = false;
                match (&mut checked.value, value) {
                    (Item::Group(below), Item::Group(above)) => {
                        for (field, checked, _) in above.fields {
                            below.set(field, checked.value);
                        }
                    }
                    (below, value) => *below = value,
                }
            }
            None => self.fields.push((field, Checked { place: self.place.clone(), value }, false)),
        }
    }

    /// Takes a field out, as if it had not been written; a default does not come back.
    pub fn remove(&mut self, name: &str) {
        self.fields.retain(|(field, ..)| field.name != name);
    }

    /// Whether the author wrote it.
    pub fn written(&self, name: &str) -> bool {
        self.fields.iter().any(|(field, _, defaulted)| field.name == name && !defaulted)
    }

    /// Where a field stands; the block itself where it does not.
    pub fn place(&self, name: &str) -> &Place {
        self.get(name).filter(|_| self.written(name)).map_or(&self.place, |checked| &checked.place)
    }

    /// Where the value of a field stands; the block itself where it has none.
    pub fn span(&self, name: &str) -> Span {
        self.place(name).span()
    }

    /// A quantity in the base of the field's unit.
    pub fn quantity(&self, name: &str) -> Option<f64> {
        self.quantity_full(name).map(|quantity| quantity.value)
    }

    /// A quantity with its exact value.
    pub fn quantity_full(&self, name: &str) -> Option<&Quantity> {
        self.get(name)?.quantity()
    }

    /// The tolerance written beside a quantity.
    pub fn tolerance(&self, name: &str) -> Option<Tolerance> {
        match &self.get(name)?.value {
            Item::Toleranced(_, tolerance) => *tolerance,
            _ => None,
        }
    }

    /// The ends of a range, the lower first.
    pub fn range(&self, name: &str) -> Option<(f64, f64)> {
        match &self.get(name)?.value {
            Item::Range(from, to, _) => Some((from.value, to.value)),
            _ => None,
        }
    }

    /// The ends of a range and its step, with their exact values.
    pub fn range_full(&self, name: &str) -> Option<(&Quantity, &Quantity, Option<&Quantity>)> {
        match &self.get(name)?.value {
            Item::Range(from, to, step) => Some((from, to, step.as_ref())),
            _ => None,
        }
    }

    /// A number, a whole one or a quantity, in the base of its unit.
    pub fn number(&self, name: &str) -> Option<f64> {
        self.get(name)?.number()
    }

    /// A whole number.
    pub fn integer(&self, name: &str) -> Option<i64> {
        match self.get(name)?.value {
            Item::Integer(number) => Some(number),
            _ => None,
        }
    }

    /// A range of whole numbers.
    pub fn integer_range(&self, name: &str) -> Option<(i64, i64)> {
        match self.get(name)?.value {
            Item::IntegerRange(from, to) => Some((from, to)),
            _ => None,
        }
    }

    /// One of the field's own words.
    pub fn word(&self, name: &str) -> Option<&'static str> {
        match self.get(name)?.value {
            Item::Word(word) => Some(word),
            _ => None,
        }
    }

    /// A text, prose, name, path or word.
    pub fn text(&self, name: &str) -> Option<&str> {
        self.get(name)?.text()
    }

    /// Yes or no.
    pub fn flag(&self, name: &str) -> Option<bool> {
        match self.get(name)?.value {
            Item::Flag(flag) => Some(flag),
            _ => None,
        }
    }

    /// Name of a block.
    pub fn block(&self, name: &str) -> Option<&str> {
        match &self.get(name)?.value {
            Item::Block(block) => Some(block),
            _ => None,
        }
    }

    /// The items of a list; none where it is absent.
    pub fn list(&self, name: &str) -> &[Checked] {
        self.get(name).and_then(Checked::list).unwrap_or_default()
    }

    /// The fields of a group.
    pub fn group(&self, name: &str) -> Option<&Fields> {
        self.get(name)?.group()
    }

    /// The entries of a mapping with names of the author's choice; none where it is absent.
    pub fn entries(&self, name: &str) -> &[(Key, Checked)] {
        match self.get(name).map(|checked| &checked.value) {
            Some(Item::Entries(entries)) => entries,
            _ => &[],
        }
    }

    /// The rows of a table.
    pub fn table(&self, name: &str) -> Option<&[Row]> {
        self.get(name)?.table()
    }
}
