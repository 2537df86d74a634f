//! `changes`: what differs from a sealed revision.

use std::collections::{BTreeMap, BTreeSet};

use super::fields::{COMMON, required};
use super::prelude::*;
use crate::archive::{self, NOTE, RESULTS};
use crate::compare::{Differences, Section, Side, compare};
use crate::exhibit::{Cell, Column, Table};
use crate::note::file_fault;
use crate::results::{BlockResult, State, Store, to_json};

/// The kind.
pub struct ChangesKind;

/// Rows of one table that the document shows; a terminal shows all.
const ROWS: usize = 40;

/// What differs, and from which revision.
#[derive(Debug)]
pub struct Changes {
    since: String,
    differences: Differences,
}

static FIELDS: &[Field] =
    &[required("since", Type::File, "file that `loopcase seal` made of an earlier revision")];

const COUNT: Route = Route::None("a count");
static METRICS: &[MetricDoc] = &[
    MetricDoc {
        name: "verdicts",
        unit: Unit::One,
        says: "requirements whose verdict turned, that came or went",
        route: COUNT,
    },
    MetricDoc { name: "limits", unit: Unit::One, says: "requirements whose limit moved", route: COUNT },
    MetricDoc { name: "margins", unit: Unit::One, says: "margins that lost more than half", route: COUNT },
    MetricDoc { name: "parts", unit: Unit::One, says: "parts that change on the board", route: COUNT },
    MetricDoc { name: "numbers", unit: Unit::One, says: "other results and facts that moved", route: COUNT },
    MetricDoc { name: "lines", unit: Unit::One, says: "lines of the note that went or came", route: COUNT },
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

impl Kind for ChangesKind {
    fn name(&self) -> &'static str {
        "changes"
    }
    fn about(&self) -> &'static str {
        "what differs from a sealed revision"
    }
    fn nameless(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        METRICS
    }
    /// Everything else: it comes last.
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        let others = catalog.blocks.iter().filter(|(_, kind)| *kind != self.name());
        let needed = |path| Needed { path, place: given.fields.place("since").clone() };
        others.filter_map(|(name, _)| MetricPath::parse(name)).map(needed).collect()
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let path = given.fields.text("since").unwrap_or_default();
        let place = given.fields.place("since");
        let old = inputs
            .files
            .read(path)
            .map_err(|fault| vec![file_fault(path, &fault).at(place.span()).of_block(&given.name)]);
        let sealed = match archive::open(&old?) {
            Ok(sealed) => sealed,
            Err(damage) => {
                faults.place(
                    place,
                    "damaged",
                    format!("`{path}` is not a sealed file as it was written: {damage}"),
                );
                return Err(faults.done().err().unwrap_or_default());
            }
        };
        let results = sealed.file(&format!("{RESULTS}results.json")).unwrap_or_default();
        let Ok(results) = serde_json::from_slice(results) else {
            faults.place(place, "damaged", format!("`{path}` holds no results that can be read"));
            return Err(faults.done().err().unwrap_or_default());
        };
        let served = inputs.files.served();
        let digests = sealed.below(NOTE).filter(|(path, _)| served.contains_key(*path));
        let old = Side {
            results,
            text: sealed.note_text(),
            files: digests.map(|(path, bytes)| (path.to_owned(), archive::sha256(bytes))).collect(),
        };
        let used =
            served.iter().filter(|(path, _)| old.files.contains_key(*path) && **path != sealed.manifest.note);
        let new = Side {
            results: to_json(&store(inputs)),
            text: inputs.sources.text(given.span.file).to_string(),
            files: used.map(|(path, bytes)| (path.clone(), archive::sha256(bytes))).collect(),
        };
        let mut old = old;
        old.files.remove(&sealed.manifest.note);
        let differences = compare(&old, &new);
        let mut metrics = Group::new();
        for (name, count) in [
            ("verdicts", differences.turned.len()),
            ("limits", differences.limits.len()),
            ("margins", differences.lost.len()),
            ("parts", differences.parts.len()),
            ("numbers", differences.metrics.len()),
            ("lines", differences.lines.len()),
        ] {
            metrics.metric(name, Metric::count(count as i64));
        }
        Ok(Solved::new(Changes { since: sealed.manifest.revision, differences }).with_metrics(metrics))
    }
    fn show(&self, _given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        let changes = solved.model.downcast_ref::<Changes>();
        changes.map(|changes| changes.exhibits(&changes.differences)).unwrap_or_default()
    }
}

/// All other blocks as results, in the order of the note.
fn store(inputs: &Inputs<'_>) -> Store {
    let mut store = Store::default();
    for (name, kind) in &inputs.catalog.blocks {
        let Some(solution) = inputs.solved.get(name.as_str()).filter(|_| *kind != "changes") else {
            continue;
        };
        let solved = &solution.solved;
        store.blocks.push(BlockResult {
            name: name.clone(),
            kind,
            span: solution.given.span,
            line: 0,
            digest: String::new(),
            internal: solution.given.internal,
            results: solved.results(),
        });
        store.requirements.extend(solved.verdicts.iter().cloned());
    }
    store
}

impl Changes {
    /// What the customer's edition may show: nothing of blocks and requirements that are internal or that this note
    /// does not have, no file, and no line of the note.
    pub fn public(&self, inputs: &Inputs<'_>) -> Vec<Exhibit> {
        let public = || inputs.solved.values().filter(|solution| !solution.given.internal);
        let blocks: BTreeSet<&str> = public().map(|solution| solution.given.name.as_str()).collect();
        let verdicts = public().flat_map(|solution| &solution.solved.verdicts);
        let open: BTreeMap<&str, State> =
            verdicts.filter(|v| !v.internal).map(|v| (v.id.as_str(), v.state)).collect();
        let block = |name: &str| blocks.contains(name.split(['.', '[']).next().unwrap_or_default());
        let mut shown = self.differences.clone();
        shown.turned.retain(|turned| open.contains_key(turned.id.as_str()));
        shown.limits.retain(|moved| open.contains_key(moved.id.as_str()));
        shown.lost.retain(|lost| open.contains_key(lost.id.as_str()));
        shown.parts.retain(|change| block(&change.name));
        shown.metrics.retain(|change| block(&change.name));
        shown.files.clear();
        shown.lines.clear();
        self.exhibits(&shown)
    }

    fn exhibits(&self, shown: &Differences) -> Vec<Exhibit> {
        let sections = shown.sections();
        let count = |name: &str| sections.iter().find(|s| s.name == name).map_or(0, |s| s.rows.len());
        let row = |(what, name): (&str, &str)| {
            let value = count(name) as f64;
            let number = Cell::Number { value, unit: Unit::One, text: print(value, Unit::One, Digits::All) };
            vec![Cell::Text(what.to_owned()), number]
        };
        let mut rows: Vec<Vec<Cell>> = [
            ("verdicts that turned, requirements that came or went", "verdicts"),
            ("limits that moved", "limits"),
            ("margins that lost more than half", "margins"),
            ("parts that change on the board", "parts"),
            ("other numbers that moved", "metrics"),
        ]
        .into_iter()
        .map(row)
        .collect();
        if !shown.lines.is_empty() || !shown.files.is_empty() {
            rows.push(row(("files that changed", "files")));
            rows.push(row(("lines of the note that went or came", "text")));
        }
        let since = &self.since;
        let mut exhibits = vec![Exhibit::table(Table {
            anchor: "table".to_owned(),
            caption: format!("Changes since revision {since}"),
            columns: vec![Column::text("What", "what"), Column::number("How many", "count")],
            rows,
            note: format!("In one sentence: {}.", shown.sentence()),
        })];
        let tables = sections.iter().enumerate().map(|(index, section)| table(section, index + 2, since));
        exhibits.extend(tables.map(Exhibit::table));
        exhibits
    }
}

fn table(section: &Section, number: usize, since: &str) -> Table {
    let column = |head: &&str| {
        let mut letters = head.chars();
        let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
        Column::text(&(first + letters.as_str()), &head.replace(' ', "_"))
    };
    let cells = |row: &Vec<String>| row.iter().map(|cell| Cell::Text(cell.clone())).collect();
    let more = section.rows.len().saturating_sub(ROWS);
    let note = match more {
        0 => String::new(),
        more => format!("And {more} more; `loopcase compare` lists all."),
    };
    Table {
        anchor: format!("table.{number}"),
        caption: format!("Since revision {since}: {}", section.title),
        columns: section.heads.iter().map(column).collect(),
        rows: section.rows.iter().take(ROWS).map(cells).collect(),
        note,
    }
}
