//! Rows of `check-values.json` by id, and comparison with a stated tolerance.

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
