//! The requirement matrix as text.

use crate::results::{MetricPath, Node, State, Store, Verdict};
use crate::units::{Digits, Unit, ascii, print, print_difference};

/// Heads of the columns.
const HEADS: [&str; 7] = ["requirement", "verdict", "value", "limit", "margin", "reserve", "case"];

/// The matrix, one line for each requirement; empty where there is none.
pub(super) fn matrix(store: &Store) -> String {
    if store.requirements.is_empty() {
        return String::new();
    }
    let mut rows = vec![HEADS.map(str::to_owned)];
    rows.extend(store.requirements.iter().map(|verdict| row(verdict, store)));
    let widths: Vec<usize> = (0..HEADS.len())
        .map(|column| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0))
        .collect();
    let mut text = String::new();
    for row in rows {
        let cells = row.iter().zip(&widths).map(|(cell, &width)| format!("{cell:width$}"));
        let line = cells.collect::<Vec<_>>().join("  ");
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

fn row(verdict: &Verdict, store: &Store) -> [String; 7] {
    let dash = || "-".to_owned();
    if verdict.state == State::NotJudged {
        let how = verdict.method.as_deref().map_or_else(dash, |method| format!("by {method}"));
        return [verdict.id.clone(), verdict.state.word().to_owned(), dash(), dash(), dash(), dash(), how];
    }
    let value = match (verdict.value, &verdict.why) {
        (Some(value), _) => ascii(&print(value, verdict.unit, digits(verdict, store))),
        (None, Some(why)) => why.clone(),
        (None, None) => dash(),
    };
    let value = match verdict.answer() {
        Some(yes) => if yes { "yes" } else { "no" }.to_owned(),
        None => value,
    };
    let at = verdict.at.map(|at| format!(" at {}", ascii(&print(at, Unit::Hertz, Digits::Significant(3)))));
    let reserve = match (verdict.reserve, verdict.reserve_kept) {
        (Some(reserve), Some(kept)) => {
            format!("{} {}", difference(reserve, verdict.unit), if kept { "kept" } else { "not kept" })
        }
        _ => dash(),
    };
    let case = match &verdict.decided_by {
        Some(case) => format!("{}: {}", verdict.judged, ascii(case)),
        None => verdict.judged.clone(),
    };
    [
        verdict.id.clone(),
        verdict.state.word().to_owned(),
        value + at.as_deref().unwrap_or_default(),
        limit(verdict),
        verdict
            .margin
            .filter(|_| verdict.answer().is_none())
            .map_or_else(dash, |margin| difference(margin, verdict.unit)),
        reserve,
        case,
    ]
}

/// All digits of what is exact, such as a frequency; else three.
fn digits(verdict: &Verdict, store: &Store) -> Digits {
    let path = verdict.metric.as_deref().and_then(MetricPath::parse);
    match path.map(|path| store.find(&path)) {
        Some(Ok(Node::Metric(metric))) if metric.exact => Digits::Written,
        _ => Digits::Significant(3),
    }
}

/// A margin or reserve.
fn difference(value: f64, unit: Unit) -> String {
    ascii(&print_difference(value, unit, Digits::Significant(3)))
}

/// The limit as written, with what its names stand for; of a mask the point that decided.
fn limit(verdict: &Verdict) -> String {
    if verdict.answer().is_some() {
        return "yes".to_owned();
    }
    match (verdict.at, verdict.value.zip(verdict.margin), verdict.limit_stands_for.as_str()) {
        (Some(_), Some((value, margin)), _) => {
            let bound = print(value + margin, verdict.unit, Digits::Significant(3));
            format!("mask, there {}", ascii(&bound))
        }
        (_, _, "") => ascii(&verdict.limit),
        (_, _, stands_for) => format!("{} ({})", ascii(&verdict.limit), ascii(stands_for)),
    }
}

/// What it would take to meet each requirement that is missed or short of its reserve; empty where there is none.
pub(super) fn remedies(store: &Store) -> String {
    let mut text = String::new();
    for verdict in store.requirements.iter().filter(|verdict| !verdict.would_take.is_empty()) {
        let mut lines: Vec<String> = Vec::new();
        for remedy in &verdict.would_take {
            let Some(words) = remedy.words() else { continue };
            let costs = match remedy.costs.as_slice() {
                [] => String::new(),
                lost => format!("; {} would then not be met", lost.join(", ")),
            };
            lines.push(format!("{}: {}{costs}", remedy.name(), ascii(&words)));
        }
        let never = verdict.would_not_do();
        if !never.is_empty() {
            lines.push(format!("not by this alone: {}", never.join(", ")));
        }
        let id = &verdict.id;
        for (k, line) in lines.iter().enumerate() {
            let head = if k == 0 { id.clone() } else { " ".repeat(id.chars().count()) };
            text.push_str(&format!("  {head}  {line}\n"));
        }
    }
    if text.is_empty() { text } else { format!("what it would take, one change alone:\n{text}") }
}

/// The verdict in one sentence, without a full stop.
pub(super) fn summary(store: &Store) -> String {
    let ids = |wanted: &dyn Fn(&Verdict) -> bool| -> Vec<&str> {
        store
            .requirements
            .iter()
            .filter(|verdict| wanted(verdict))
            .map(|verdict| verdict.id.as_str())
            .collect()
    };
    let judged = ids(&|verdict| verdict.state != State::NotJudged).len();
    let not_met = ids(&|verdict| verdict.state == State::NotMet);
    let thin = ids(&|verdict| verdict.state == State::Met && verdict.reserve_kept == Some(false));
    let open = store.requirements.len() - judged;
    let mut parts = Vec::new();
    match (judged, not_met.len()) {
        (0, _) if open == 0 => parts.push("no requirements".to_owned()),
        (0, _) => {}
        (_, 0) => parts.push(format!("{judged} of {judged} judged requirements met")),
        (_, missed) => parts.push(format!(
            "{} of {judged} judged requirements met, not met: {}",
            judged - missed,
            not_met.join(", ")
        )),
    }
    if !thin.is_empty() {
        parts.push(format!("reserve not kept: {}", thin.join(", ")));
    }
    if open > 0 {
        parts.push(format!("{open} not judged"));
    }
    parts.join("; ")
}

/// One line for each metric whose two routes disagree.
pub(super) fn disagreements(store: &Store) -> Vec<String> {
    let mut lines = Vec::new();
    for (block, name, metric) in store.second_routes() {
        let Some(second) = metric.second.as_ref().filter(|second| !second.agrees) else { continue };
        let show = |value: f64| ascii(&print(value, metric.unit, Digits::Significant(9)));
        lines.push(format!(
            "{block}.{name}: {} here, {} by {}; stated to agree within {}",
            metric.number().map_or_else(|| "no value".to_owned(), show),
            show(second.value),
            second.route,
            second.within
        ));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{BlockResult, Group, Metric, Results, Second};
    use crate::source::{SourceMap, Span};

    /// A question is answered; a number that happens to be 1 stays one.
    #[test]
    fn only_questions_are_answered() {
        let of = |metric: &str, value: f64| Verdict {
            metric: Some(metric.to_owned()),
            limit: ">= 1".to_owned(),
            value: Some(value),
            unit: Unit::One,
            ..verdict("LO-1", State::Met)
        };
        let answers = [("sweep.stays_locked", 1.0), ("bench.agrees", 0.0), ("lo.polarity", 1.0)];
        assert_eq!(
            answers.map(|(metric, value)| of(metric, value).answer()),
            [Some(true), Some(false), None]
        );
    }

    fn verdict(id: &str, state: State) -> Verdict {
        let span = Span::new(SourceMap::new().add("a", ""), 0, 0);
        Verdict {
            id: id.to_owned(),
            text: String::new(),
            source: String::new(),
            metric: Some("lo.bandwidth".to_owned()),
            value: Some(28e3),
            why: None,
            unit: Unit::Hertz,
            limit: ">= 20 kHz".to_owned(),
            limit_stands_for: String::new(),
            margin: Some(8e3),
            at: None,
            reserve: None,
            reserve_kept: None,
            state,
            judged: "nominal".to_owned(),
            decided_by: None,
            shown_by: None,
            method: None,
            evidence: None,
            internal: false,
            span,
            would_take: Vec::new(),
        }
    }

    fn store() -> Store {
        let thin = Verdict { reserve: Some(10e3), reserve_kept: Some(false), ..verdict("LO-2", State::Met) };
        let missed = Verdict {
            unit: Unit::Kelvin,
            value: Some(360.15),
            margin: Some(-1.85),
            decided_by: Some("2.9 GHz".to_owned()),
            judged: "worst".to_owned(),
            ..verdict("LO-10", State::NotMet)
        };
        let open = Verdict { method: Some("test".to_owned()), ..verdict("LO-4", State::NotJudged) };
        Store { requirements: vec![verdict("LO-1", State::Met), thin, missed, open], ..Store::default() }
    }

    #[test]
    fn the_matrix_stands_in_columns() {
        let wanted = "
requirement  verdict     value      limit      margin    reserve            case
LO-1         met         28.0 kHz   >= 20 kHz  8.00 kHz  -                  nominal
LO-2         met         28.0 kHz   >= 20 kHz  8.00 kHz  10.0 kHz not kept  nominal
LO-10        not met     87.0 degC  >= 20 kHz  -1.85 K   -                  worst: 2.9 GHz
LO-4         not judged  -          -          -         -                  by test
";
        assert_eq!(matrix(&store()), wanted.trim_start());
        assert_eq!(matrix(&Store::default()), "");
    }

    #[test]
    fn the_summary_counts_and_names() {
        assert_eq!(
            summary(&store()),
            "2 of 3 judged requirements met, not met: LO-10; reserve not kept: LO-2; 1 not judged"
        );
        assert_eq!(summary(&Store::default()), "no requirements");
        let met = Store { requirements: vec![verdict("A", State::Met)], ..Store::default() };
        assert_eq!(summary(&met), "1 of 1 judged requirements met");
    }

    #[test]
    fn routes_that_disagree_are_named_with_both_values() {
        let mut metrics = Group::new();
        let second =
            |value, agrees| Second { value, route: "poles and zeros", agrees, within: "1e-6 relative" };
        metrics.metric("good", Metric::real(1.0, Unit::Hertz).with_second(second(1.0, true)));
        metrics.metric("bad", Metric::real(52.0, Unit::Degree).with_second(second(53.0, false)));
        let block = BlockResult {
            name: "lo".to_owned(),
            kind: "loop",
            span: Span::new(SourceMap::new().add("a", ""), 0, 0),
            line: 1,
            digest: String::new(),
            internal: false,
            results: Results::new(None, metrics, Vec::new(), Group::new()),
        };
        let lines = disagreements(&Store { blocks: vec![block], ..Store::default() });
        assert_eq!(lines.len(), 1);
        assert!(lines[0].starts_with("lo.bad: 52") && lines[0].contains("by poles and zeros"), "{lines:?}");
    }
}
