//! What it would take to meet the requirements that are missed.

use super::escape::escaped;
use super::tables::Table;
use crate::document::Document;

/// The smallest change of each single choice and fact; empty where every requirement holds.
pub(super) fn remedies(document: &Document) -> String {
    let mut rows = Vec::new();
    let mut never = String::new();
    for verdict in document.store.requirements.iter().filter(|verdict| !verdict.would_take.is_empty()) {
        for remedy in &verdict.would_take {
            let Some(words) = remedy.words() else { continue };
            let costs = match remedy.costs.as_slice() {
                [] => "<span class=\"small\" aria-label=\"none\">–</span>".to_owned(),
                costs => escaped(&costs.join(", ")),
            };
            rows.push(vec![escaped(&verdict.id), escaped(&remedy.name()), escaped(&words), costs]);
        }
        let others = verdict.would_not_do().join(", ");
        if !others.is_empty() {
            never.push_str(&format!(
                "<p class=\"small\">{}, not by this alone: {}.</p>\n",
                escaped(&verdict.id),
                escaped(&others)
            ));
        }
    }
    if rows.is_empty() && never.is_empty() {
        return String::new();
    }
    let head = ["Id", "Change alone", "To", "Then not met"].map(str::to_owned);
    let table = Table {
        class: "plain remedies",
        id: "page--remedies",
        name: "What it would take",
        caption: "<b>What it would take.</b> Each line is the smallest change of that one choice or fact by which the \
                  requirement would be met with its reserve, all else as it stands; each was judged again with the \
                  parts on the board.",
        head: &head,
        sides: &[],
        rows: &rows,
        named_rows: true,
        labels: &[],
    };
    let table = if rows.is_empty() { String::new() } else { table.html() };
    table + &never
}
