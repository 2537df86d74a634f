//! Every number, fact and word of the results, told apart by its dotted name.

use std::collections::BTreeMap;

use serde_json::{Map, Value};

use crate::units::{Digits, Unit, ascii, print};

/// Relative change from which two numbers are two: far above rounding, far below what anybody could measure.
const SAME: f64 = 1e-9;

/// One result that is another.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Dotted name, as the note's prose has it.
    pub name: String,
    /// As it was, printed; `None` where it came.
    pub old: Option<String>,
    /// As it is, printed; `None` where it went.
    pub new: Option<String>,
    /// Relative change, of levels as a ratio of amplitudes; `None` where there is none: it came, went, was nought or is
    /// a word.
    pub relative: Option<f64>,
}

/// What stands at the end of a name.
#[derive(Clone, Debug, PartialEq)]
enum Leaf {
    Number(Option<f64>, Unit, String),
    Series(Vec<f64>, Unit),
    Word(String),
}

/// Parts on the board, and all other changes from the greatest to the least.
pub(super) fn compare(old: &Value, new: &Value) -> (Vec<Change>, Vec<Change>) {
    let (old, new) = (leaves(old), leaves(new));
    let before: BTreeMap<&str, &Leaf> = old.iter().map(|(name, _, leaf)| (name.as_str(), leaf)).collect();
    let after: BTreeMap<&str, &Leaf> = new.iter().map(|(name, _, leaf)| (name.as_str(), leaf)).collect();
    let mut parts = Vec::new();
    let mut others = Vec::new();
    let went = old.iter().filter(|(name, ..)| !after.contains_key(name.as_str()));
    for (name, part, leaf) in new.iter().chain(went) {
        let found = change(name, before.get(name.as_str()).copied(), after.get(name.as_str()).copied(), leaf);
        if let Some(found) = found {
            if *part { parts.push(found) } else { others.push(found) }
        }
    }
    // Stable: equals stay in the order of the note. What has no relative change comes first.
    let size = |change: &Change| change.relative.map_or(f64::INFINITY, f64::abs);
    others.sort_by(|a, b| size(b).total_cmp(&size(a)));
    (parts, others)
}

fn change(name: &str, old: Option<&Leaf>, new: Option<&Leaf>, any: &Leaf) -> Option<Change> {
    let done = |old, new, relative| Some(Change { name: name.to_owned(), old, new, relative });
    match (old, new) {
        (Some(old), Some(new)) => match (old, new) {
            (Leaf::Number(Some(a), unit, _), Leaf::Number(Some(b), other, _)) if unit == other => {
                let relative = relative(*a, *b, *unit);
                if relative.abs() <= SAME {
                    return None;
                }
                let (old, new) = apart(*a, *b, *unit);
                done(Some(old), Some(new), relative.is_finite().then_some(relative))
            }
            (Leaf::Series(a, unit), Leaf::Series(b, other)) if unit == other && a.len() == b.len() => {
                let moved = |(a, b): &(&f64, &f64)| relative(**a, **b, *unit).abs();
                let most = a.iter().zip(b).max_by(|x, y| moved(x).total_cmp(&moved(y)))?;
                let relative = relative(*most.0, *most.1, *unit);
                if relative.abs() <= SAME {
                    return None;
                }
                let (old, new) = apart(*most.0, *most.1, *unit);
                let at = |text: String| Some(format!("{text} where it moved most"));
                done(at(old), at(new), relative.is_finite().then_some(relative))
            }
            (a, b) if a == b => None,
            (a, b) => done(Some(text(a)), Some(text(b)), None),
        },
        (None, Some(_)) => done(None, Some(text(any)), None),
        (Some(_), None) => done(Some(text(any)), None, None),
        (None, None) => None,
    }
}

/// Relative change; of levels in decibels that of the amplitude.
fn relative(old: f64, new: f64, unit: Unit) -> f64 {
    if unit.is_decibel() {
        10f64.powf((new - old) / 20.0) - 1.0
    } else if old.to_bits() == new.to_bits() || (old == 0.0 && new == 0.0) {
        0.0
    } else {
        (new - old) / old.abs()
    }
}

/// Both printed with as many digits as tell them apart, three at least.
pub(super) fn apart(old: f64, new: f64, unit: Unit) -> (String, String) {
    let show = |value: f64, digits| ascii(&print(value, unit, digits));
    let both = |digits| (show(old, digits), show(new, digits));
    (3..=12)
        .map(|digits| both(Digits::Significant(digits)))
        .find(|(old, new)| old != new)
        .unwrap_or_else(|| both(Digits::All))
}

fn text(leaf: &Leaf) -> String {
    match leaf {
        Leaf::Number(Some(value), unit, _) => ascii(&print(*value, *unit, Digits::Significant(4))),
        Leaf::Number(None, _, why) if why.is_empty() => "no value".to_owned(),
        Leaf::Number(None, _, why) => why.clone(),
        Leaf::Series(values, _) => format!("{} values", values.len()),
        Leaf::Word(word) => word.clone(),
    }
}

/// Every leaf of the blocks: name, whether it is a part on the board, and what stands there.
fn leaves(results: &Value) -> Vec<(String, bool, Leaf)> {
    let mut found = Vec::new();
    let blocks = results.get("blocks").and_then(Value::as_object);
    for (block, content) in blocks.into_iter().flatten() {
        let kind = content.get("kind").and_then(Value::as_str);
        // What had changed since a revision before is no result of this one.
        if kind == Some("changes") {
            continue;
        }
        let is_loop = kind == Some("loop");
        let Some(content) = content.as_object() else { continue };
        for (name, value) in content {
            match name.as_str() {
                "kind" | "line" | "digest" => {}
                "metrics" | "fields" => {
                    for (name, value) in value.as_object().into_iter().flatten() {
                        let mut inner = Vec::new();
                        walk(&format!("{block}.{name}"), value, &mut inner);
                        let part = is_loop && name == "parts";
                        found.extend(inner.into_iter().map(|(name, leaf)| (name, part, leaf)));
                    }
                }
                _ => {
                    let mut inner = Vec::new();
                    walk(&format!("{block}.{name}"), value, &mut inner);
                    found.extend(inner.into_iter().map(|(name, leaf)| (name, false, leaf)));
                }
            }
        }
    }
    found
}

fn walk(name: &str, value: &Value, found: &mut Vec<(String, Leaf)>) {
    match value {
        Value::Object(map) => match leaf(map) {
            Some(leaf) => found.push((name.to_owned(), leaf)),
            None => map.iter().for_each(|(key, value)| walk(&format!("{name}.{key}"), value, found)),
        },
        Value::Array(items) => items
            .iter()
            .enumerate()
            .for_each(|(index, value)| walk(&format!("{name}[{}]", index + 1), value, found)),
        Value::String(word) => found.push((name.to_owned(), Leaf::Word(word.clone()))),
        Value::Null => {}
        other => found.push((name.to_owned(), Leaf::Word(other.to_string()))),
    }
}

fn leaf(map: &Map<String, Value>) -> Option<Leaf> {
    let unit = Unit::from_symbol(map.get("unit")?.as_str()?)?;
    if let Some(values) = map.get("values") {
        return Some(Leaf::Series(values.as_array()?.iter().filter_map(Value::as_f64).collect(), unit));
    }
    let why = map.get("why").and_then(Value::as_str).unwrap_or_default().to_owned();
    Some(Leaf::Number(map.get("value")?.as_f64(), unit, why))
}
