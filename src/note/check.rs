//! Checks a tree against the fields of its kind: every fault of a block at once, each at its place.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use super::fields::{Checked, Fields, Item, NameUse, Row};
use super::place::{Place, Text};
use super::scalar::{Reading, Scalar, looks_like_name};
use super::schema::{Field, Need, Schema, Type};
use super::yaml::{Key, Tree, Value, parse};
use crate::diag::Diagnostic;
use crate::source::confine;
use crate::units::{Quantity, Unit};

/// What a name stands for.
#[derive(Clone, Debug)]
pub enum Resolved {
    /// A number with its unit.
    Value(Quantity),
    /// A count.
    Integer(i64),
    /// It exists, but is not solved yet: accepted as [`Item::Pending`].
    Pending,
    /// It does not.
    Unknown {
        /// One sentence, lower case.
        message: String,
        /// Names that exist in its place.
        known: Vec<String>,
    },
}

/// Knows the names that may stand where a quantity is expected.
pub trait Names {
    /// What `name` stands for where `wanted` is expected (`None`: anything).
    fn resolve(&self, name: &str, wanted: Option<Unit>) -> Resolved;
}

/// Checks the tree of a block. Faults go to `out`; what is faulty is left out of the result.
pub fn check(tree: &Tree, schema: &Schema<'_>, names: &dyn Names, out: &mut Vec<Diagnostic>) -> Fields {
    let mut checker = Checker { names, used: Vec::new(), out };
    let mut fields = checker.fields(tree, schema);
    fields.names = checker.used;
    fields
}

/// The tree of a default, all at one place. Each text is read once: every block needs the same few.
fn read_default(text: &'static str, place: &Place, out: &mut Vec<Diagnostic>) -> Option<Tree> {
    static READ: Mutex<BTreeMap<&str, Tree>> = Mutex::new(BTreeMap::new());
    let mut read = READ.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(tree) = read.get(text) {
        return Some(tree.clone().settled(place));
    }
    let (span, before) = (place.span(), out.len());
    let tree = parse(Text::piece(span.file, text, 0, span, place.folder()), out)?;
    if out.len() == before {
        read.insert(text, tree.clone());
    }
    Some(tree.settled(place))
}

pub(super) struct Checker<'a> {
    pub(super) names: &'a dyn Names,
    pub(super) used: Vec<NameUse>,
    pub(super) out: &'a mut Vec<Diagnostic>,
}

impl Checker<'_> {
    pub(super) fn fault(&mut self, diagnostic: Diagnostic) {
        self.out.push(diagnostic);
    }

    fn fields(&mut self, tree: &Tree, schema: &Schema<'_>) -> Fields {
        let mut fields =
            Fields { place: tree.place.clone(), fields: Vec::new(), entries: Vec::new(), names: Vec::new() };
        let none = Vec::new();
        let written = match &tree.value {
            Value::Map(entries) => entries,
            Value::Null => &none,
            other => {
                let message = format!("{} stands where fields are expected", other.noun());
                let known = known_list(schema);
                self.fault(Diagnostic::error("wrong-type", message).at(tree.place.span()).expected(known));
                return fields;
            }
        };
        for (key, value) in written {
            if let Some(field) = schema.field(&key.name) {
                // `field:` with nothing behind it is a field that is not there yet.
                if matches!(value.value, Value::Null) {
                    if field.need != Need::Required {
                        let message = format!("`{}` has no value", key.name);
                        let place = key.place.span();
                        let expected = field.kind.expectation();
                        self.fault(Diagnostic::error("no-value", message).at(place).expected(expected));
                    }
                    continue;
                }
                if let Some(checked) = self.value(value, &field.kind) {
                    fields.fields.push((field, checked, false));
                }
            } else if let Some(kind) = schema.entries {
                if let Some(checked) = self.value(value, kind) {
                    fields.entries.push((key.clone(), checked));
                }
            } else {
                self.unknown(key, value, schema);
            }
        }
        for field in schema.all() {
            let there = written.iter().any(|(key, tree)| {
                key.name == field.name && !(field.need == Need::Required && matches!(tree.value, Value::Null))
            });
            match field.need {
                _ if there => {}
                Need::Optional => {}
                Need::Required => self.missing(field, &tree.place),
                Need::Default(text) => {
                    if let Some(checked) = self.default(field, text, &tree.place) {
                        fields.fields.push((field, checked, true));
                    }
                }
            }
        }
        fields
    }

    fn unknown(&mut self, key: &Key, value: &Tree, schema: &Schema<'_>) {
        let mut diagnostic =
            Diagnostic::error("unknown-field", format!("there is no field `{}` here", key.name))
                .at(key.place.span())
                .nearest(&key.name, schema.all().map(|field| field.name));
        if matches!(value.value, Value::Null) && diagnostic.hints.is_empty() {
            // `{text: one, two}` is a text `one` and a key `two`.
            diagnostic = diagnostic.hint("inside braces a text with a comma in it needs quotes");
        }
        if diagnostic.hints.is_empty() {
            diagnostic = diagnostic.hint(known_list(schema));
        }
        self.fault(diagnostic);
    }

    fn missing(&mut self, field: &Field, place: &Place) {
        let expectation = field.kind.expectation();
        let mut diagnostic = Diagnostic::error("missing-field", format!("`{}` is missing", field.name))
            .at(place.key_span())
            .expected(format!("needs `{}`: {}", field.name, field.says));
        if let Some((_, example)) = expectation.split_once("e.g. ") {
            let example = example.split(" or ").next().unwrap_or(example);
            diagnostic = diagnostic.hint(format!("write e.g. `{}: {example}`", field.name));
        } else if matches!(field.kind, Type::Text | Type::Prose) {
            diagnostic = diagnostic.hint(format!("write `{}: a few words`", field.name));
        } else {
            diagnostic = diagnostic.hint(format!("expected {expectation}"));
        }
        self.fault(diagnostic);
    }

    fn default(&mut self, field: &Field, text: &'static str, place: &Place) -> Option<Checked> {
        let tree = read_default(text, place, self.out)?;
        let checked = self.value(&tree, &field.kind)?;
        Some(Checked { place: place.clone(), value: checked.value })
    }

    /// One value; `None` where it is faulty, which has been reported then.
    pub(super) fn value(&mut self, tree: &Tree, kind: &Type) -> Option<Checked> {
        let item = match kind {
            Type::List(inner) => self.list(tree, inner)?,
            Type::Group(fields) => {
                Item::Group(self.group(tree, &Schema { fields: &[fields], entries: None })?)
            }
            Type::Entries(inner) => self.entries(tree, inner)?,
            Type::Table(at, of) => self.table(tree, *at, *of)?,
            Type::Either(kinds) => return self.either(tree, kinds),
            scalar => self.scalar(tree, scalar)?,
        };
        Some(Checked { place: tree.place.clone(), value: item })
    }

    fn wrong_type(&mut self, tree: &Tree, kind: &Type) {
        let message = format!("{} stands here", tree.value.noun());
        let expected = format!("expected {}", kind.expectation());
        self.fault(Diagnostic::error("wrong-type", message).at(tree.place.span()).expected(expected));
    }

    fn list(&mut self, tree: &Tree, kind: &'static Type) -> Option<Item> {
        let Value::List(items) = &tree.value else {
            self.wrong_type(tree, &Type::List(kind));
            return None;
        };
        if items.is_empty() {
            self.fault(Diagnostic::error("empty-list", "the list is empty").at(tree.place.span()));
            return None;
        }
        let checked: Vec<Checked> = items.iter().filter_map(|item| self.value(item, kind)).collect();
        (checked.len() == items.len()).then_some(Item::List(checked))
    }

    fn group(&mut self, tree: &Tree, schema: &Schema<'_>) -> Option<Fields> {
        if !matches!(tree.value, Value::Map(_)) {
            let message = format!("{} stands where fields are expected", tree.value.noun());
            let diagnostic = Diagnostic::error("wrong-type", message).at(tree.place.span());
            self.fault(diagnostic.expected(known_list(schema)));
            return None;
        }
        let before = self.out.len();
        let fields = self.fields(tree, schema);
        (self.out.len() == before).then_some(fields)
    }

    fn entries(&mut self, tree: &Tree, kind: &'static Type) -> Option<Item> {
        let Value::Map(entries) = &tree.value else {
            self.wrong_type(tree, &Type::Entries(kind));
            return None;
        };
        let checked: Vec<_> = entries
            .iter()
            .filter_map(|(key, tree)| self.value(tree, kind).map(|checked| (key.clone(), checked)))
            .collect();
        (checked.len() == entries.len()).then_some(Item::Entries(checked))
    }

    fn table(&mut self, tree: &Tree, at: Unit, of: Unit) -> Option<Item> {
        let Value::Map(entries) = &tree.value else {
            self.wrong_type(tree, &Type::Table(at, of));
            return None;
        };
        if entries.is_empty() {
            self.fault(Diagnostic::error("empty-table", "the table has no rows").at(tree.place.span()));
            return None;
        }
        let mut rows: Vec<Row> = Vec::new();
        let mut pending = None;
        let before = self.out.len();
        for (key, tree) in entries {
            let at = match self.read(&Scalar { text: &key.name, place: &key.place }, at) {
                Some(Reading::Known(at)) => at,
                Some(Reading::Pending(name)) => {
                    pending = Some(name);
                    continue;
                }
                None => continue,
            };
            let value = match &tree.value {
                Value::Integer(number) if plain_level(of) => Some(*number as f64),
                Value::Real(number) if plain_level(of) => Some(*number),
                _ => match self.value(tree, &Type::Quantity(of)) {
                    Some(Checked { value: Item::Pending(name), .. }) => {
                        pending = Some(name);
                        None
                    }
                    checked => checked.and_then(|checked| checked.number()),
                },
            };
            let Some(value) = value else { continue };
            if let Some(first) = rows.iter().find(|row| row.at.to_bits() == at.value.to_bits()) {
                let message = format!("the table has `{}` twice", key.name);
                let diagnostic = Diagnostic::error("duplicate-row", message).at(key.place.span());
                let first = first.place.key_span();
                self.fault(diagnostic.also(first, "first here"));
                continue;
            }
            rows.push(Row { at: at.value, value, place: tree.place.clone() });
        }
        let item = pending.map_or(Item::Table(rows), Item::Pending);
        (self.out.len() == before).then_some(item)
    }

    /// The first kind that fits; else the faults of the one that was most likely meant.
    fn either(&mut self, tree: &Tree, kinds: &'static [Type]) -> Option<Checked> {
        let mut faults: Vec<(&Type, Vec<Diagnostic>)> = Vec::new();
        // A field's own words come before names; what is none of them need not be told so before the rest is tried.
        let said = |kind: &&Type| match (kind, &tree.value) {
            (Type::Word(words), Value::Text(text)) => words.contains(&text.as_str()),
            _ => false,
        };
        let words = kinds.iter().filter(|kind| matches!(kind, Type::Word(_)));
        let others = kinds.iter().filter(|kind| !matches!(kind, Type::Word(_)));
        let order = words.clone().filter(said).chain(others).chain(words.filter(|kind| !said(kind)));
        for kind in order.filter(|kind| kind.suits(&tree.value)) {
            let mut out = Vec::new();
            let mut trial = Checker { names: self.names, used: Vec::new(), out: &mut out };
            if let Some(checked) = trial.value(tree, kind) {
                let used = trial.used;
                self.used.extend(used);
                self.out.extend(out);
                return Some(checked);
            }
            faults.push((kind, out));
        }
        let meant = match &tree.value {
            // A mapping with one of its fields was meant as that group, not as a table.
            Value::Map(entries) => {
                let named = |kind: &Type| match kind {
                    Type::Group(fields) => {
                        entries.iter().any(|(key, _)| fields.iter().any(|f| f.name == key.name))
                    }
                    _ => false,
                };
                let group = faults.iter().position(|(kind, _)| named(kind));
                group.or((!faults.is_empty()).then_some(0))
            }
            // Of several the one with the fewest faults: the unit is right, and something else is not.
            Value::Text(text) => (0..faults.len())
                .filter(|index| faults[*index].0.resembles(text))
                .min_by_key(|index| faults[*index].1.len()),
            _ => (!faults.is_empty()).then_some(0),
        };
        match meant.or((faults.len() == 1).then_some(0)) {
            Some(index) => self.out.append(&mut faults[index].1),
            None => self.none_fits(tree, kinds),
        }
        None
    }

    fn none_fits(&mut self, tree: &Tree, kinds: &'static [Type]) {
        let expected = format!("expected {}", Type::Either(kinds).expectation());
        let words = kinds.iter().flat_map(|kind| if let Type::Word(words) = kind { *words } else { &[] });
        let diagnostic = match &tree.value {
            Value::Text(text) => {
                let mut known: Vec<String> = words.map(|word| (*word).to_owned()).collect();
                let by_name = kinds.iter().any(Type::takes_names) && looks_like_name(text);
                let mut message = format!("`{text}` can't stand here");
                if by_name
                    && let Resolved::Unknown { message: said, known: names } = self.names.resolve(text, None)
                {
                    message = said;
                    known.extend(names);
                }
                Diagnostic::error("wrong-value", message).nearest(text, known.iter().map(String::as_str))
            }
            other => Diagnostic::error("wrong-type", format!("{} stands here", other.noun())),
        };
        self.fault(diagnostic.at(tree.place.span()).expected(expected));
    }

    /// A path, from the folder of the file it is written in.
    pub(super) fn path(&mut self, text: &str, place: &Place) -> Option<Item> {
        let path = resolve_path(place.folder(), text);
        if path.is_none() {
            let message = format!("`{text}` leaves the folder of the note");
            self.fault(
                Diagnostic::error("path-outside", message)
                    .at(place.span())
                    .expected("a path below the note's folder, with `/` between names"),
            );
        }
        path.map(Item::File)
    }
}

/// A path as written in a file of `folder`, relative to the note's folder; `None` where it leaves that.
pub(super) fn resolve_path(folder: &str, path: &str) -> Option<String> {
    // An absolute path must not become a relative one by having a folder put before it.
    if path.starts_with('/') || path.is_empty() {
        return None;
    }
    confine(&if folder.is_empty() { path.to_owned() } else { format!("{folder}/{path}") })
}

/// Units for which a table takes a plain number.
fn plain_level(unit: Unit) -> bool {
    matches!(unit, Unit::DecibelCarrierPerHertz | Unit::DecibelCarrier | Unit::One)
}

fn known_list(schema: &Schema<'_>) -> String {
    let names: Vec<String> = schema.all().map(|field| format!("`{}`", field.name)).collect();
    format!("fields here: {}", names.join(", "))
}

#[cfg(test)]
mod tests;
