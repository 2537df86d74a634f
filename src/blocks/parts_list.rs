//! `parts_list`: the bill of materials of a loop filter.

use super::fields::{COMMON, optional};
use super::r#loop::SolvedLoop;
use super::prelude::*;
use crate::exhibit::{Cell, Column, Table};

/// The kind.
pub struct PartsListKind;

static FIELDS: &[Field] = &[optional("of", Type::Block(&["loop"]), "loop whose filter it lists")];
static METRICS: &[MetricDoc] = &[MetricDoc {
    name: "parts",
    unit: Unit::One,
    says: "number of parts on the board",
    route: Route::None("a count"),
}];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

impl Kind for PartsListKind {
    fn name(&self) -> &'static str {
        "parts_list"
    }
    fn about(&self) -> &'static str {
        "the bill of materials of a loop filter"
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
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        super::support::needs_of(given, catalog, "loop")
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let solved = super::support::model_of::<SolvedLoop>(given, inputs, "loop", &mut faults);
        faults.done()?;
        let mut metrics = Group::new();
        metrics.metric("parts", Metric::count(solved.map_or(0, |s| s.parts.len()) as i64));
        Ok(Solved::new(()).with_metrics(metrics))
    }
    fn show(&self, given: &Given, _solved: &Solved, inputs: &Inputs<'_>) -> Vec<Exhibit> {
        let Some(solved) = inputs.of(given, "loop").and_then(|name| inputs.model::<SolvedLoop>(name)) else {
            return Vec::new();
        };
        let highest = solved.highest_voltage;
        let rows = solved.parts.iter().map(|part| {
            let capacitor = part.unit == Unit::Farad;
            let rating = match (capacitor, highest) {
                (true, Some(volts)) => print(2.0 * volts, Unit::Volt, Digits::Significant(2)),
                _ => String::new(),
            };
            vec![
                Cell::Text(part.name.to_owned()),
                Cell::Number {
                    value: part.value,
                    unit: part.unit,
                    text: print(part.value, part.unit, Digits::All),
                },
                Cell::Text(part.series.to_owned()),
                Cell::Text(part.tolerance_text()),
                Cell::Text(rating),
                Cell::Text(
                    if capacitor { "class 1 ceramic (C0G) or film" } else { "metal or thin film" }.to_owned(),
                ),
            ]
        });
        vec![Exhibit::Table(Table {
            anchor: "table".to_owned(),
            caption: "Parts of the loop filter".to_owned(),
            columns: vec![
                Column::text("Part", "part"),
                Column::number("Value", "value"),
                Column::text("Series", "series"),
                Column::text("Tolerance", "tolerance"),
                Column::text("Rating, at least", "rating"),
                Column::text("Kind", "kind"),
            ],
            rows: rows.collect(),
            note: "Rating: twice the highest voltage the pump can put on the filter. Class 2 ceramics are left out: \
                   their capacitance moves with voltage and temperature, and they are microphonic. Both common \
                   practice, no source."
                .to_owned(),
        })]
    }
}
