//! What moved from one turn to the next, a line each.

use serde_json::Value;

use crate::compare::{Differences, Side, compare};
use crate::units::{Digits, Unit, ascii, print_difference};

/// Numbers that are named; a change of the reference moves hundreds.
const NAMED: usize = 6;

/// "moved: LO-4 now fails by 3.00 fs", and below it "noise.jitter 141 fs -> 148 fs".
pub(super) fn moved(before: &Side, now: &Side) -> String {
    let differences = compare(before, now);
    if differences.none() {
        return "nothing moved".to_owned();
    }
    if !differences.results_differ() {
        return "no number moved".to_owned();
    }
    let mut words = verdicts(&differences, &now.results);
    words.extend(differences.limits.iter().map(|l| format!("limit of {} {} -> {}", l.id, l.old, l.new)));
    words.extend(differences.lost.iter().map(|l| format!("margin of {} {} -> {}", l.id, l.old, l.new)));
    let judged = judged(&now.results);
    // What is judged comes before what is not, then by size.
    let all = differences.parts.iter().chain(&differences.metrics);
    let (first, rest): (Vec<_>, Vec<_>) = all.partition(|change| judged.contains(&change.name.as_str()));
    let numbers: Vec<_> = first.into_iter().chain(rest).collect();
    let none = || "none".to_owned();
    words.extend(numbers.iter().take(NAMED).map(|change| {
        let [old, new] = [&change.old, &change.new].map(|text| text.clone().unwrap_or_else(none));
        format!("{} {old} -> {new}", change.name)
    }));
    if numbers.len() > NAMED {
        words.push(format!("{} more numbers", numbers.len() - NAMED));
    }
    format!("moved: {}", words.join("\n       "))
}

/// Metrics that a requirement names.
fn judged(results: &Value) -> Vec<&str> {
    let rows = results.get("requirements").and_then(Value::as_array);
    rows.into_iter().flatten().filter_map(|row| row.get("metric")?.as_str()).collect()
}

fn verdicts(differences: &Differences, results: &Value) -> Vec<String> {
    let rows = results.get("requirements").and_then(Value::as_array);
    let row =
        |id: &str| rows.into_iter().flatten().find(|row| row.get("id").and_then(Value::as_str) == Some(id));
    let margin = |id: &str| {
        let row = row(id)?;
        let unit = Unit::from_symbol(row.get("unit")?.as_str()?)?;
        let margin = row.get("margin")?.as_f64()?.abs();
        Some(ascii(&print_difference(margin, unit, Digits::Significant(3))))
    };
    let by = |id: &str, word: &str| margin(id).map(|margin| format!(" {word} {margin}")).unwrap_or_default();
    let words = |turned: &crate::compare::Turned| {
        let id = &turned.id;
        match (turned.old.as_deref(), turned.new.as_deref()) {
            (_, None) => format!("{id} went"),
            (None, Some(new)) => format!("{id} came: {new}"),
            (Some(_), Some("not met")) => format!("{id} now fails{}", by(id, "by")),
            (Some("not met"), Some("met")) => format!("{id} is met again{}", by(id, "with")),
            (Some(_), Some(new)) => format!("{id} is now {new}"),
        }
    };
    differences.turned.iter().map(words).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use serde_json::json;

    use super::*;

    fn side(jitter: f64, text: &str) -> Side {
        let margin = 145e-15 - jitter;
        let verdict = if margin >= 0.0 { "met" } else { "not met" };
        let results = json!({
            "blocks": {"noise": {"kind": "phase_noise", "metrics": {
                "other": {"value": jitter * jitter, "unit": "1"}, "jitter": {"value": jitter, "unit": "s"}}}},
            "requirements": [{"id": "LO-4", "metric": "noise.jitter", "value": jitter, "unit": "s",
                "limit": "<= 145 fs", "margin": margin, "verdict": verdict}],
        });
        Side { results, text: text.to_owned(), files: BTreeMap::new() }
    }

    #[test]
    fn verdicts_come_first_then_what_is_judged() {
        let (good, bad) = (side(141e-15, ""), side(148e-15, ""));
        let line = moved(&good, &bad);
        assert!(
            line.starts_with(
                "moved: LO-4 now fails by 3.00 fs\n       noise.jitter 141 fs -> 148 fs\n       noise.other"
            ),
            "{line}"
        );
        assert!(
            moved(&bad, &good)
                .starts_with("moved: LO-4 is met again with 4.00 fs\n       noise.jitter 148 fs")
        );
        assert_eq!(moved(&good, &side(141e-15, "prose")), "no number moved");
        assert_eq!(moved(&good, &good), "nothing moved");
    }
}
