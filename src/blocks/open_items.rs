//! `open_items`: what is still to close.

use super::fields::{COMMON, optional, required};
use super::prelude::*;
use crate::exhibit::{Cell, Column, Table};

/// The kind.
pub struct OpenItemsKind;

/// How many of the items are open.
#[derive(Clone, Copy, Debug)]
pub struct OpenItems {
    /// Items without `closed`.
    pub open: usize,
    /// All items.
    pub all: usize,
}

static ITEM: &[Field] = &[
    required("text", Type::Prose, "what is to be done"),
    optional("owner", Type::Text, "who does it"),
    optional("due", Type::Text, "by when"),
    optional("closed", Type::Either(&[Type::Flag, Type::Text]), "when it was closed, or true"),
];
static ENTRY: Type = Type::Group(ITEM);
static METRICS: &[MetricDoc] = &[
    MetricDoc { name: "open", unit: Unit::One, says: "items still open", route: Route::None("a count") },
    MetricDoc { name: "all", unit: Unit::One, says: "all items", route: Route::None("a count") },
];

fn is_closed(item: &Fields) -> bool {
    item.flag("closed").unwrap_or_else(|| item.text("closed").is_some())
}

static LISTS: &[&[Field]] = &[COMMON];

impl Kind for OpenItemsKind {
    fn name(&self) -> &'static str {
        "open_items"
    }
    fn about(&self) -> &'static str {
        "what is still to close; the cover counts it"
    }
    fn nameless(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn entries(&self) -> Option<&'static Type> {
        Some(&ENTRY)
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        METRICS
    }
    fn solve(&self, given: &Given, _inputs: &Inputs<'_>) -> Answer {
        let items = &given.fields.entries;
        let open = items.iter().filter(|(_, item)| !item.group().is_some_and(is_closed)).count();
        let mut metrics = Group::new();
        metrics.metric("open", Metric::count(open as i64));
        metrics.metric("all", Metric::count(items.len() as i64));
        Ok(Solved::new(OpenItems { open, all: items.len() }).with_metrics(metrics))
    }
    fn show(&self, given: &Given, _solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        let mut rows = Vec::new();
        for (id, checked) in &given.fields.entries {
            let Some(item) = checked.group() else { continue };
            let words = |name: &str| Cell::Text(item.text(name).unwrap_or("").to_owned());
            let text = item.text("text").map(|text| Cell::Prose(text.to_owned(), item.span("text")));
            let text = text.unwrap_or(Cell::Empty);
            let state = match (is_closed(item), item.text("closed")) {
                (false, _) => "open".to_owned(),
                (true, Some(when)) => format!("closed {when}"),
                (true, None) => "closed".to_owned(),
            };
            rows.push(vec![
                Cell::Text(id.name.clone()),
                text,
                words("owner"),
                words("due"),
                Cell::Text(state),
            ]);
        }
        vec![Exhibit::table(Table {
            anchor: "table".to_owned(),
            caption: "Open items".to_owned(),
            columns: vec![
                Column::text("Item", "item"),
                Column::text("What is to be done", "text"),
                Column::text("Owner", "owner"),
                Column::text("Due", "due"),
                Column::text("State", "state"),
            ],
            rows,
            note: String::new(),
        })]
    }
}
