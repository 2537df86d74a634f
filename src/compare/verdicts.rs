//! The requirement matrices of two results.

use serde_json::Value;

use super::numbers::apart;
use crate::units::{Digits, Unit, ascii, print, print_difference};

/// A requirement whose verdict turned, that came or that went.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Turned {
    /// Its identifier.
    pub id: String,
    /// The verdict as it was; `None` where the requirement came.
    pub old: Option<String>,
    /// The verdict as it is; `None` where it went.
    pub new: Option<String>,
    /// What it rests on: value, limit and margin as they are.
    pub rests_on: String,
}

/// A requirement with another limit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Moved {
    /// Its identifier.
    pub id: String,
    /// The limit as it was.
    pub old: String,
    /// The limit as it is.
    pub new: String,
}

/// A requirement, still met, whose margin lost more than half.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lost {
    /// Its identifier.
    pub id: String,
    /// The margin as it was, printed.
    pub old: String,
    /// The margin as it is, printed.
    pub new: String,
}

/// One row of a matrix.
struct Row<'a> {
    id: &'a str,
    verdict: String,
    met: bool,
    limit: String,
    value: Option<f64>,
    margin: Option<f64>,
    unit: Unit,
}

fn rows(results: &Value) -> Vec<Row<'_>> {
    let rows = results.get("requirements").and_then(Value::as_array);
    rows.into_iter().flatten().filter_map(row).collect()
}

fn row(value: &Value) -> Option<Row<'_>> {
    let text = |name: &str| value.get(name).and_then(Value::as_str);
    let number = |name: &str| value.get(name).and_then(Value::as_f64);
    let verdict = text("verdict")?;
    let thin = verdict == "met" && value.get("reserve_kept") == Some(&Value::Bool(false));
    Some(Row {
        id: text("id")?,
        verdict: if thin { format!("{verdict}, reserve not kept") } else { verdict.to_owned() },
        met: verdict == "met",
        limit: text("limit").unwrap_or_default().to_owned(),
        value: number("value"),
        margin: number("margin"),
        unit: text("unit").and_then(Unit::from_symbol).unwrap_or(Unit::One),
    })
}

impl Row<'_> {
    fn rests_on(&self) -> String {
        let three = Digits::Significant(3);
        let mut words = Vec::new();
        words.extend(self.value.map(|value| ascii(&print(value, self.unit, three))));
        words.extend((!self.limit.is_empty()).then(|| format!("limit {}", ascii(&self.limit))));
        words
            .extend(self.margin.map(|m| format!("margin {}", ascii(&print_difference(m, self.unit, three)))));
        words.join(", ")
    }
}

/// Verdicts that turned, limits that moved, margins that lost more than half; each in the order of the note.
pub(super) fn compare(old: &Value, new: &Value) -> (Vec<Turned>, Vec<Moved>, Vec<Lost>) {
    let (old, new) = (rows(old), rows(new));
    let (mut turned, mut came, mut limits, mut lost) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for row in &new {
        let id = row.id.to_owned();
        let Some(before) = old.iter().find(|before| before.id == row.id) else {
            came.push(Turned { id, old: None, new: Some(row.verdict.clone()), rests_on: row.rests_on() });
            continue;
        };
        if before.verdict != row.verdict {
            turned.push(Turned {
                id: id.clone(),
                old: Some(before.verdict.clone()),
                new: Some(row.verdict.clone()),
                rests_on: row.rests_on(),
            });
        }
        if before.limit != row.limit {
            limits.push(Moved { id: id.clone(), old: ascii(&before.limit), new: ascii(&row.limit) });
        }
        if let (Some(was), Some(is)) = (before.margin, row.margin)
            && before.met
            && row.met
            && is < was / 2.0
            && before.unit == row.unit
        {
            let unit = if row.unit.is_decibel() { Unit::Decibel } else { row.unit };
            let (old, new) = if row.unit == Unit::Kelvin {
                let show = |m| ascii(&print_difference(m, Unit::Kelvin, Digits::Significant(3)));
                (show(was), show(is))
            } else {
                apart(was, is, unit)
            };
            lost.push(Lost { id, old, new });
        }
    }
    let went = old.iter().filter(|before| new.iter().all(|row| row.id != before.id));
    turned.extend(came);
    turned.extend(went.map(|before| Turned {
        id: before.id.to_owned(),
        old: Some(before.verdict.clone()),
        new: None,
        rests_on: String::new(),
    }));
    (turned, limits, lost)
}
