//! The common lists of a package: requirements, open items, parts.

use std::collections::BTreeMap;

use super::super::prose::{Writer, plain_cell, verdict};
use super::super::tables::{Cell, Side, Table};
use super::Package;
use crate::document::{Document, Placed, PlacedTable, TableCell, plain_text};
use crate::results::State;
use crate::units::{Unit, parse_as};

/// A row of the list of requirements.
pub(super) struct Requirement {
    pub note: String,
    pub id: String,
    pub text: String,
    pub limit: String,
    pub value: String,
    pub margin: String,
    pub state: State,
    pub reserve_missing: bool,
    markup: String,
}

/// A part that one or more notes use.
pub(super) struct Part {
    pub value: String,
    pub series: String,
    pub tolerance: String,
    /// The highest that any of them asks for.
    pub rating: String,
    pub kind: String,
    pub count: usize,
    /// "lo: C1, C3; clock: C2".
    pub used: String,
}

/// All lists.
pub(super) struct Lists {
    pub requirements: Vec<Requirement>,
    /// Note, item, text, owner, due, state.
    pub open_items: Vec<[String; 6]>,
    pub parts: Vec<Part>,
}

impl Lists {
    pub(super) fn of(package: &Package<'_>) -> Self {
        let mut requirements = Vec::new();
        let mut open_items = Vec::new();
        for (note, document) in package.documents() {
            let within = format!("{note}/");
            let mut writer = Writer::new(document, "").within(&within);
            requirements.extend(document.matrix.iter().map(|row| Requirement {
                note: note.to_owned(),
                id: row.id.clone(),
                text: plain_text(&row.text),
                limit: row.limit.clone(),
                value: row.value.clone(),
                margin: row.margin.clone(),
                state: row.state,
                reserve_missing: row.reserve_missing,
                markup: writer.inlines(&row.text),
            }));
            for table in tables_of(document, "open_items") {
                open_items.extend(table.rows.iter().map(|row| {
                    let cell = |index: usize| row.get(index).map(text_of).unwrap_or_default();
                    [note.to_owned(), cell(0), cell(1), cell(2), cell(3), cell(4)]
                }));
            }
        }
        Self { requirements, open_items, parts: parts(package) }
    }

    /// The lists as finished tables; `None` where one is empty.
    pub(super) fn typst(&self) -> serde_json::Value {
        let requirements = self.requirements.iter().map(|row| {
            let mut line = vec![
                plain_cell(&row.note),
                plain_cell(&row.id),
                Cell { markup: row.markup.clone(), text: row.text.clone() },
            ];
            line.extend([&row.limit, &row.value, &row.margin].map(|text| plain_cell(text)));
            let words = verdict(row.state, row.reserve_missing);
            line.push(Cell { markup: words, text: "reserve not kept".to_owned() });
            line
        });
        let head = ["Note", "Id", "Requirement", "Limit", "Value", "Margin", "Verdict"];
        let requirements = set(&head, &[Side::Left; 7], requirements.collect());
        let open = self.open_items.iter().map(|row| row.iter().map(|text| plain_cell(text)).collect());
        let head = ["Note", "Item", "What is to be done", "Owner", "Due", "State"];
        let open = set(&head, &[Side::Left; 6], open.collect());
        let parts = self.parts.iter().map(|part| {
            let count = part.count.to_string();
            let cells =
                [&part.value, &part.series, &part.tolerance, &part.rating, &part.kind, &count, &part.used];
            cells.map(|text| plain_cell(text)).to_vec()
        });
        let mut sides = [Side::Left; 7];
        sides[0] = Side::Right;
        sides[5] = Side::Right;
        let parts = set(&PARTS_HEAD, &sides, parts.collect());
        serde_json::json!({"requirements": requirements, "open_items": open, "parts": parts})
    }
}

/// Heads of the list of parts.
pub(super) const PARTS_HEAD: [&str; 7] =
    ["Value", "Series", "Tolerance", "Rating, at least", "Kind", "Pieces", "Used as"];

fn set(head: &[&str], sides: &[Side], rows: Vec<Vec<Cell>>) -> Option<String> {
    if rows.is_empty() {
        return None;
    }
    let table =
        Table { sides: sides.to_vec(), head: head.iter().map(|text| plain_cell(text)).collect(), rows };
    let fit = table.fit();
    let call = format!("#lc-table(size: {}pt, kept: {}, {})", fit.size, table.kept(), table.call(fit));
    Some(if fit.lying { format!("#lc-lying[\n{call}\n]") } else { call })
}

/// Tables that blocks of a kind show.
fn tables_of<'a>(document: &'a Document, kind: &str) -> Vec<&'a PlacedTable> {
    let blocks = document.store.blocks.iter().filter(|block| block.kind == kind);
    let placed = blocks.flat_map(|block| document.exhibits_of(&block.name));
    let table = |placed: &'a Placed| match placed {
        Placed::Table(table) => Some(table),
        _ => None,
    };
    placed.filter_map(table).collect()
}

fn text_of(cell: &TableCell) -> String {
    match cell {
        TableCell::Empty => String::new(),
        TableCell::Prose(inlines) => plain_text(inlines),
        TableCell::Math(tex, _) => tex.clone(),
        TableCell::Number { text, .. } => text.clone(),
        TableCell::Verdict(state, _) => state.word().to_owned(),
    }
}

/// Parts that differ in nothing but their place are one line.
fn parts(package: &Package<'_>) -> Vec<Part> {
    // Resistors before capacitors, by value.
    let mut found: BTreeMap<(bool, u64, [String; 4]), Part> = BTreeMap::new();
    for (note, document) in package.documents() {
        for table in tables_of(document, "parts_list") {
            for row in table.rows.iter() {
                let cells: Vec<String> = row.iter().map(text_of).collect();
                let [name, value, series, tolerance, rating, kind] = cells.as_slice() else { continue };
                let (size, capacitor) = match row.get(1) {
                    Some(TableCell::Number { value, unit, .. }) => (value.to_bits(), *unit == Unit::Farad),
                    _ => (0, false),
                };
                let key = [value, series, tolerance, kind].map(String::clone);
                let part = found.entry((capacitor, size, key)).or_insert_with(|| Part {
                    value: value.clone(),
                    series: series.clone(),
                    tolerance: tolerance.clone(),
                    rating: rating.clone(),
                    kind: kind.clone(),
                    count: 0,
                    used: String::new(),
                });
                part.count += 1;
                if volts(rating) > volts(&part.rating) {
                    part.rating.clone_from(rating);
                }
                let of_note = format!("{note}: ");
                let same_note = part.used.rsplit("; ").next().is_some_and(|last| last.starts_with(&of_note));
                match (part.used.is_empty(), same_note) {
                    (_, true) => part.used.push_str(&format!(", {name}")),
                    (true, _) => part.used = format!("{of_note}{name}"),
                    (false, _) => part.used.push_str(&format!("; {of_note}{name}")),
                }
            }
        }
    }
    found.into_values().collect()
}

fn volts(rating: &str) -> f64 {
    parse_as(rating, Unit::Volt).map_or(0.0, |quantity| quantity.value)
}
