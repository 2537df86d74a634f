//! Rows of `check-values.json` by id, and comparison with a stated tolerance.

use loopcase::pipeline::{Job, produce, solve};
use loopcase::source::Memory;
use serde_json::Value;

/// One row: a quantity with a published source.
pub struct Row {
    pub cases: Vec<Case>,
}

/// One case of a row.
pub struct Case {
    pub id: String,
    pub inputs: Value,
    pub expected: Value,
}

fn check_values() -> Value {
    serde_json::from_str(include_str!("check-values.json")).expect("check-values.json is JSON")
}

/// The row with this id.
pub fn row(id: &str) -> Row {
    let all = check_values();
    let rows = all["rows"].as_array().expect("rows");
    let row = rows.iter().find(|row| row["id"] == id).unwrap_or_else(|| panic!("no row {id}"));
    let case = |case: &Value| Case {
        id: format!("{id} {}", case["id"].as_str().expect("an id")),
        inputs: case["inputs"].clone(),
        expected: case["expected"].clone(),
    };
    Row { cases: row["cases"].as_array().expect("cases").iter().map(case).collect() }
}

/// Filters F1 to F6 and the constants of the loops round them.
pub fn component_sets() -> (Value, Value) {
    let mut all = check_values();
    (all["component_sets"].take(), all["loop_constants"].take())
}

/// A number of a case.
pub fn number(values: &Value, key: &str) -> f64 {
    values[key].as_f64().unwrap_or_else(|| panic!("no number {key} in {values}"))
}

/// Fails where `got` is further than `relative` from `expected`.
pub fn close(got: f64, expected: f64, relative: f64, what: &str) {
    let off = (got - expected).abs();
    assert!(off <= relative * expected.abs(), "{what}: {got}, expected {expected} within {relative:e}");
}

/// Rows that no test asks for yet, one a line: the list may only shrink.
const UNCOVERED: &str = include_str!("uncovered.txt");

/// The tests themselves, to see which rows they ask for.
const TESTS: [&str; 14] = [
    include_str!("filter.rs"),
    include_str!("loop_noise.rs"),
    include_str!("margins.rs"),
    include_str!("modulator.rs"),
    include_str!("phase_noise.rs"),
    include_str!("plan.rs"),
    include_str!("sampled.rs"),
    include_str!("second_order.rs"),
    include_str!("series.rs"),
    include_str!("settling.rs"),
    include_str!("spurs.rs"),
    include_str!("synthesis.rs"),
    include_str!("thermal.rs"),
    include_str!("tolerance.rs"),
];

/// Every row is either asked for by a test or listed as uncovered, never both.
#[test]
fn every_row_is_covered_or_listed() {
    let all = check_values();
    let mut wrong = Vec::new();
    for row in all["rows"].as_array().expect("rows") {
        let id = row["id"].as_str().expect("an id");
        let asked = TESTS.iter().any(|text| text.contains(&format!("row(\"{id}\")")));
        let listed = UNCOVERED.lines().any(|line| line == id);
        if asked == listed {
            wrong.push(format!(
                "{id}: {}",
                if asked { "covered, to be taken off the list" } else { "not covered" }
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The results of a note with the files it names, as `results.json` holds them.
pub fn results_of(note: &str, named: &[(&str, &str)]) -> Value {
    let files = Memory::new([("given.md", note)].iter().chain(named).copied());
    let outcome = solve(&Job::plain(&files, "given.md"));
    let told: Vec<String> = outcome.diagnostics.iter().map(|d| d.message.clone()).collect();
    let solved = outcome.solved.unwrap_or_else(|| panic!("{told:?}\n{note}"));
    let files = produce(&solved, &[]).expect("the formats can say it");
    let results = files.iter().find(|file| file.path == "results.json").expect("results");
    serde_json::from_slice(&results.bytes).expect("JSON")
}
