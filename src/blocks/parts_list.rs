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
        let count = |s: &SolvedLoop| s.parts.len() + usize::from(s.case.filter.topology.is_active());
        metrics.metric("parts", Metric::count(solved.map_or(0, count) as i64));
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
        vec![Exhibit::table(Table {
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
            rows: rows.chain(op_amp(solved)).collect(),
            note: "Rating: twice the highest voltage that pump or op-amp can put on the filter. Class 2 ceramics are left out: \
                   their capacitance moves with voltage and temperature, and they are microphonic. Both common \
                   practice, no source."
                .to_owned(),
        })]
    }
}

/// The op-amp of an active filter: what it has to do, as far as it is stated.
fn op_amp(solved: &SolvedLoop) -> Option<Vec<Cell>> {
    if !solved.case.filter.topology.is_active() {
        return None;
    }
    let facts = solved.amplifier.as_ref();
    let short = |value: f64, unit: Unit| print(value, unit, Digits::Significant(3));
    let bandwidth = facts.map(|f| f.point.gain_bandwidth).filter(|f| f.is_finite());
    let slew = facts.and_then(|f| f.slew_rate);
    let swing = facts.and_then(|f| f.swing);
    let said = [
        bandwidth.map(|f| format!("gain-bandwidth {}", short(f, Unit::Hertz))),
        slew.map(|v| format!("slew rate {}", short(v, Unit::VoltPerSecond))),
    ];
    let said: Vec<String> = said.into_iter().flatten().collect();
    let reach = |(low, high)| format!("output {} .. {}", short(low, Unit::Volt), short(high, Unit::Volt));
    Some(vec![
        Cell::Text("op-amp".to_owned()),
        Cell::Empty,
        Cell::Empty,
        Cell::Empty,
        Cell::Text(swing.map_or_else(String::new, reach)),
        Cell::Text(if said.is_empty() { "its facts are not stated".to_owned() } else { said.join(", ") }),
    ])
}
