//! Small helpers of the kinds: collecting faults, level tables, cells, facts as results.

use std::sync::Arc;

use super::prelude::*;
use crate::exhibit::Cell;
use crate::note::Item;
use crate::note::Row;
use crate::note::place::Place;
use crate::source::Span;
use crate::template::FormulaFault;

/// Faults and warnings of one block.
pub struct Faults {
    block: String,
    span: Span,
    errors: Vec<Diagnostic>,
    /// Warnings; the block hands them on with its results.
    pub warnings: Vec<Diagnostic>,
}

impl Faults {
    /// For a block.
    pub fn new(given: &Given) -> Self {
        Self { block: given.name.clone(), span: given.span, errors: Vec::new(), warnings: Vec::new() }
    }

    /// A fault at a span.
    pub fn span(&mut self, span: Span, id: &'static str, message: impl Into<String>) {
        self.errors.push(Diagnostic::error(id, message).at(span).of_block(&self.block));
    }

    /// A fault at a value.
    pub fn place(&mut self, place: &Place, id: &'static str, message: impl Into<String>) {
        self.span(place.span(), id, message);
    }

    /// A fault of the block as a whole.
    pub fn block(&mut self, id: &'static str, message: impl Into<String>) {
        self.span(self.span, id, message);
    }

    /// A fault that has been put together elsewhere.
    pub fn push(&mut self, diagnostic: Diagnostic) {
        self.errors.push(diagnostic.of_block(&self.block));
    }

    /// Faults that have been found elsewhere.
    pub fn extend(&mut self, found: impl IntoIterator<Item = Diagnostic>) {
        for diagnostic in found {
            self.push(diagnostic);
        }
    }

    /// A warning at a value.
    pub fn warn(&mut self, place: &Place, id: &'static str, message: impl Into<String>) {
        self.warnings.push(Diagnostic::warning(id, message).at(place.span()).of_block(&self.block));
    }

    /// A fault inside a formula.
    pub fn formula(&mut self, place: &Place, fault: &FormulaFault) {
        let range = &fault.range;
        let diagnostic =
            Diagnostic::error("formula", fault.message.clone()).at(place.part(range.start, range.end));
        let written = place.written_part(range.start, range.end).unwrap_or_default();
        let wrong = written.rsplit('.').next().unwrap_or_default();
        let diagnostic = diagnostic.nearest(wrong, fault.known.iter().map(String::as_str));
        self.push(diagnostic);
    }

    /// `None` where there are errors already.
    pub fn sound(&self) -> Option<()> {
        self.errors.is_empty().then_some(())
    }

    /// All errors, where there are any.
    pub fn done(&mut self) -> Result<(), Vec<Diagnostic>> {
        if self.errors.is_empty() { Ok(()) } else { Err(std::mem::take(&mut self.errors)) }
    }
}

/// Reports a quantity that is not above zero.
pub fn positive_in(fields: &Fields, name: &str, faults: &mut Faults) {
    if fields.quantity(name).is_some_and(|value| value <= 0.0) {
        faults.place(fields.place(name), "value-range", format!("`{name}` is above zero"));
    }
}

/// Reports a quantity below zero.
pub fn not_negative_in(fields: &Fields, name: &str, faults: &mut Faults) {
    if fields.quantity(name).is_some_and(|value| value < 0.0) {
        faults.place(fields.place(name), "value-range", format!("`{name}` is not below zero"));
    }
}

/// A level table of a field of the block; rows in any order, abscissae above zero, each once.
pub fn level_table(
    given: &Given,
    name: &str,
    rows: impl Iterator<Item = (f64, f64)>,
    faults: &mut Faults,
) -> Option<LevelTable> {
    level_table_in(&given.fields, name, rows, faults)
}

/// The same, of a field of a group.
pub fn level_table_in(
    fields: &Fields,
    name: &str,
    rows: impl Iterator<Item = (f64, f64)>,
    faults: &mut Faults,
) -> Option<LevelTable> {
    let table = LevelTable::new(rows.collect());
    if table.is_none() {
        let text = format!("`{name}` is a table with at least one row, each above zero and stated once");
        faults.place(fields.place(name), "level-table", text);
    }
    table
}

/// Names of metrics as people read them: `sampled_phase_margin` is "sampled phase margin", `total_snr` "total SNR".
pub fn spoken(name: &str) -> String {
    let word = |word: &str| match word {
        "snr" | "evm" | "fm" => word.to_uppercase(),
        _ => word.to_owned(),
    };
    name.split(['_', '.']).map(word).collect::<Vec<_>>().join(" ")
}

/// A metric as a cell.
pub fn number_cell(metric: &Metric) -> Cell {
    match metric.number() {
        Some(value) => Cell::Number { value, unit: metric.unit, text: metric.print() },
        None => Cell::Text(metric.print()),
    }
}

/// The fields of a facts block as results: quantities as metrics, printed with all their digits.
pub fn facts_group(fields: &Fields) -> Group {
    let mut group = Group::new();
    for (field, checked, _) in fields.iter() {
        // A part file; the least of a range of currents is called `from` too.
        let file = field.name == "from" && matches!(field.kind, Type::File);
        if !file && !matches!(field.name, "caption" | "audience" | "show") {
            group.put(field.name, item_node(checked, &field.kind));
        }
    }
    for (key, checked) in &fields.entries {
        group.put(&key.name, item_node(checked, &Type::AnyQuantity));
    }
    group
}

/// A table as two series of one length.
fn table_node(rows: &[Row], (at_unit, value_unit): (Unit, Unit)) -> Node {
    let mut group = Group::new();
    group.put("at", Node::Series { unit: at_unit, values: rows.iter().map(|row| row.at).collect() });
    group.put("value", Node::Series { unit: value_unit, values: rows.iter().map(|row| row.value).collect() });
    Node::Group(group)
}

/// Units of the first table that a type allows; a table's rows carry none of their own.
fn table_units(kind: &Type) -> Option<(Unit, Unit)> {
    match kind {
        Type::Table(at, value) => Some((*at, *value)),
        Type::Either(kinds) => kinds.iter().find_map(table_units),
        Type::List(kind) | Type::Entries(kind) => table_units(kind),
        _ => None,
    }
}

fn item_node(checked: &Checked, kind: &Type) -> Node {
    let units = table_units(kind).unwrap_or((Unit::One, Unit::One));
    let quantity = |q: &Quantity| Node::Metric(Metric::exact(q.value, q.unit));
    let pair = |names: [&str; 2], a: &Quantity, b: &Quantity| {
        let mut group = Group::new();
        group.put(names[0], quantity(a));
        group.put(names[1], quantity(b));
        Node::Group(group)
    };
    match &checked.value {
        Item::Quantity(q) | Item::Toleranced(q, _) => quantity(q),
        Item::Range(low, high, _) => pair(["from", "to"], low, high),
        Item::Number(number) => Node::Metric(Metric::exact(*number, Unit::One)),
        Item::Integer(count) => Node::Metric(Metric::count(*count)),
        Item::IntegerRange(low, high) => {
            let mut group = Group::new();
            group.metric("from", Metric::count(*low));
            group.metric("to", Metric::count(*high));
            Node::Group(group)
        }
        Item::Fraction(value) => {
            Node::Metric(Metric::exact(*value.numer() as f64 / *value.denom() as f64, Unit::One))
        }
        Item::Flag(flag) => Node::Flag(*flag),
        Item::Table(rows) => table_node(rows, units),
        Item::List(items) => Node::List(items.iter().map(|item| item_node(item, kind)).collect()),
        Item::Group(inner) => Node::Group(facts_group(inner)),
        Item::Entries(entries) => Node::Group(Group(
            entries.iter().map(|(key, c)| (key.name.clone(), item_node(c, kind))).collect(),
        )),
        _ => Node::Text(checked.text().unwrap_or_default().to_owned()),
    }
}

/// The loop (or other block) that `of` names, or the only one, as something to be solved first.
pub fn needs_of(given: &Given, catalog: &Catalog, kind: &'static str) -> Vec<Needed> {
    let name = given.fields.block("of").or_else(|| catalog.only(kind));
    let path = name.and_then(MetricPath::parse);
    path.map(|path| Needed { path, place: given.fields.place("of").clone() }).into_iter().collect()
}

/// What that block left, or a fault that says which blocks there are.
pub fn model_of<'a, M: std::any::Any + Send + Sync>(
    given: &'a Given,
    inputs: &'a Inputs<'_>,
    kind: &'static str,
    faults: &mut Faults,
) -> Option<&'a M> {
    let Some(name) = inputs.of(given, kind) else {
        let names: Vec<&str> = inputs.catalog.of_kind(kind).collect();
        let text = if names.is_empty() {
            format!("there is no {kind} block for `{}`", given.name)
        } else {
            format!("`of` has to say which {kind}: {}", names.join(", "))
        };
        faults.block("field-missing", text);
        return None;
    };
    inputs.model(name)
}

/// The same, to be kept.
pub fn shared_of<M: std::any::Any + Send + Sync>(
    given: &Given,
    inputs: &Inputs<'_>,
    kind: &'static str,
    faults: &mut Faults,
) -> Option<Arc<M>> {
    model_of::<M>(given, inputs, kind, faults)?;
    inputs.shared(inputs.of(given, kind)?)
}

/// The place of the first of these fields that the author wrote; the block itself where there is none.
pub fn first_of<'a>(fields: &'a Fields, names: &[&str]) -> &'a Place {
    names.iter().find(|name| fields.written(name)).map_or(&fields.place, |name| fields.place(name))
}

/// Every block that a field names: its name, the kinds it may be of, its place.
pub fn block_references(fields: &Fields) -> Vec<(String, &'static [&'static str], Place)> {
    let mut found = Vec::new();
    let mut visit = |kind: &Type, checked: &Checked| {
        if let (Item::Block(name), Some(kinds)) = (&checked.value, block_kinds(kind)) {
            found.push((name.clone(), kinds, checked.place.clone()));
        }
    };
    walk(fields, &mut visit);
    found
}

/// Every file that a field names, relative to the note's folder.
pub fn files_used(fields: &Fields) -> Vec<String> {
    let mut found = Vec::new();
    walk(fields, &mut |_, checked| {
        if let Item::File(path) = &checked.value {
            found.push(path.clone());
        }
    });
    found
}

fn block_kinds(kind: &Type) -> Option<&'static [&'static str]> {
    match kind {
        Type::Block(kinds) => Some(kinds),
        Type::Either(kinds) => kinds.iter().find_map(block_kinds),
        Type::List(kind) | Type::Entries(kind) => block_kinds(kind),
        _ => None,
    }
}

/// Visits every value, groups, lists and entries included, each with the type of its field.
fn walk(fields: &Fields, visit: &mut dyn FnMut(&Type, &Checked)) {
    fn one(kind: &Type, checked: &Checked, visit: &mut dyn FnMut(&Type, &Checked)) {
        visit(kind, checked);
        match &checked.value {
            Item::List(items) => items.iter().for_each(|item| one(kind, item, visit)),
            Item::Entries(entries) => entries.iter().for_each(|(_, item)| one(kind, item, visit)),
            Item::Group(group) => walk(group, visit),
            _ => {}
        }
    }
    for (field, checked, _) in fields.iter() {
        one(&field.kind, checked, visit);
    }
    for (_, checked) in &fields.entries {
        one(&Type::AnyQuantity, checked, visit);
    }
}

/// Every prose field of a block: its text and where it stands.
pub fn prose_fields(fields: &Fields) -> Vec<(String, Place)> {
    let mut found = Vec::new();
    walk(fields, &mut |_, checked| {
        if let Item::Prose(text) = &checked.value {
            found.push((text.clone(), checked.place.clone()));
        }
    });
    found
}
