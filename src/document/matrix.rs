//! The compliance matrix.

use super::words::one_line;
use super::{Fill, Inline};
use crate::diag::Diagnostic;
use crate::results::{MetricPath, State, Store, Verdict};
use crate::units::{Digits, print, print_difference, with_signs};

/// One requirement with its verdict, as printed.
#[derive(Clone, Debug, PartialEq)]
pub struct MatrixRow {
    /// Identifier.
    pub id: String,
    /// What is required.
    pub text: Vec<Inline>,
    /// Where it comes from; empty where not stated.
    pub source: String,
    /// Dotted name of the metric; empty without one.
    pub metric: String,
    /// Limit; empty without a metric.
    pub limit: String,
    /// Value, or why there is none; empty without a metric.
    pub value: String,
    /// Margin, positive when met; empty where there is none.
    pub margin: String,
    /// Margin wanted; empty where none is.
    pub reserve: String,
    /// Case judged and case that decided, in words.
    pub case: String,
    /// Method of verification.
    pub method: String,
    /// Evidence; empty where not stated.
    pub evidence: Vec<Inline>,
    /// How it came out.
    pub state: State,
    /// Whether it holds without the margin wanted.
    pub reserve_missing: bool,
    /// Block that shows the deciding case; in the finished document the anchor of its table, where that is shown.
    pub shown_by: Option<String>,
}

/// The rows, in the order of the note.
///
/// # Errors
/// What filling the texts of the requirements says.
pub(super) fn rows(store: &Store, fill: &Fill<'_>) -> Result<Vec<MatrixRow>, Vec<Diagnostic>> {
    let mut rows = Vec::new();
    let mut faults = Vec::new();
    for verdict in &store.requirements {
        let mut prose = |text: &str| match fill(text, verdict.span) {
            Ok(blocks) => one_line(blocks),
            Err(more) => {
                faults.extend(more);
                Vec::new()
            }
        };
        let text = prose(&verdict.text);
        let evidence = verdict.evidence.as_deref().map(prose).unwrap_or_default();
        rows.push(row(store, verdict, text, evidence));
    }
    if faults.is_empty() { Ok(rows) } else { Err(faults) }
}

fn row(store: &Store, verdict: &Verdict, text: Vec<Inline>, evidence: Vec<Inline>) -> MatrixRow {
    let judged = verdict.metric.is_some();
    let exact = verdict
        .metric
        .as_deref()
        .and_then(MetricPath::parse)
        .and_then(|path| store.metric(&path).ok())
        .is_some_and(|metric| metric.exact);
    let digits = if exact { Digits::Written } else { Digits::Significant(4) };
    let value = match (verdict.value, &verdict.why) {
        _ if !judged => String::new(),
        (Some(value), _) => print(value, verdict.unit, digits),
        (None, why) => why.clone().unwrap_or_else(|| "none".to_owned()),
    };
    let yes = |yes: bool| if yes { "yes" } else { "no" }.to_owned();
    let value = verdict.answer().map_or(value, yes);
    let value = match verdict.at {
        Some(at) => format!("{value} at {}", print(at, crate::units::Unit::Hertz, Digits::Significant(3))),
        None => value,
    };
    let case = match &verdict.decided_by {
        _ if !judged => String::new(),
        Some(decided) => format!("{}: {decided}", verdict.judged),
        None => verdict.judged.clone(),
    };
    MatrixRow {
        id: verdict.id.clone(),
        text,
        source: verdict.source.clone(),
        metric: verdict.metric.clone().unwrap_or_default(),
        limit: match verdict.limit_stands_for.as_str() {
            _ if !judged => String::new(),
            _ if verdict.answer().is_some() => yes(true),
            // Of a mask, the point that decided; the whole of it stands with the requirements.
            "" if verdict.at.is_some() => {
                let bound = verdict.value.zip(verdict.margin).map(|(value, margin)| value + margin);
                bound.map_or("mask".to_owned(), |bound| {
                    format!("mask, there {}", print(bound, verdict.unit, digits))
                })
            }
            "" => with_signs(&verdict.limit),
            stands_for => format!("{} ({stands_for})", with_signs(&verdict.limit)),
        },
        value,
        margin: verdict
            .margin
            .filter(|_| verdict.answer().is_none())
            .map(|m| print_difference(m, verdict.unit, Digits::Significant(3)))
            .unwrap_or_default(),
        reserve: verdict
            .reserve
            .map(|r| print_difference(r, verdict.unit, Digits::Significant(3)))
            .unwrap_or_default(),
        case,
        method: verdict.method.clone().unwrap_or_else(|| if judged { "analysis" } else { "" }.to_owned()),
        evidence,
        state: verdict.state,
        reserve_missing: verdict.state == State::Met && verdict.reserve_kept == Some(false),
        shown_by: verdict.shown_by.clone(),
    }
}
