//! `decision`: what was decided, why, and what was not taken.

use super::fields::{COMMON, optional, required};
use super::prelude::*;

/// The kind.
pub struct DecisionKind;

static REJECTED: &[Field] =
    &[required("option", Type::Prose, "what was not taken"), required("because", Type::Prose, "why not")];
static FIELDS: &[Field] = &[
    required("taken", Type::Prose, "what was decided"),
    required("because", Type::Prose, "why"),
    optional("date", Type::Text, "when"),
    optional("by", Type::Text, "by whom (a role will do)"),
    optional(
        "rejected",
        Type::List(&Type::Group(REJECTED)),
        "options that were not taken, each with its reason",
    ),
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

impl Kind for DecisionKind {
    fn name(&self) -> &'static str {
        "decision"
    }
    fn about(&self) -> &'static str {
        "what was decided and why"
    }
    fn nameless(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn solve(&self, _given: &Given, _inputs: &Inputs<'_>) -> Answer {
        Ok(Solved::new(()))
    }
    fn show(&self, given: &Given, _solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        let fields = &given.fields;
        let prose = |lead: &str, name: &str, fields: &Fields| {
            let text = fields.text(name)?.to_owned();
            Some(Exhibit::Prose { lead: lead.to_owned(), text, span: fields.span(name) })
        };
        let mut shown = Vec::new();
        let when =
            [fields.text("date"), fields.text("by")].into_iter().flatten().collect::<Vec<_>>().join(", ");
        let lead = if when.is_empty() { "Decision".to_owned() } else { format!("Decision ({when})") };
        shown.extend(prose(&lead, "taken", fields));
        shown.extend(prose("Because", "because", fields));
        for item in fields.list("rejected") {
            if let Some(rejected) = item.group() {
                shown.extend(prose("Not taken", "option", rejected));
                shown.extend(prose("Because", "because", rejected));
            }
        }
        shown
    }
}
