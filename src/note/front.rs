//! Front matter.

use super::check::{Names, Resolved, check};
use super::fields::{Checked, Fields};
use super::schema::{Field, Need, Schema, Type};
use super::yaml::Tree;
use crate::diag::Diagnostic;
use crate::source::Span;
use crate::units::Unit;

/// What stands at the head of a note.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Front {
    /// Title.
    pub title: String,
    /// Document number.
    pub document: Option<String>,
    /// Revision.
    pub revision: Option<String>,
    /// Date, as written.
    pub date: Option<String>,
    /// Author.
    pub prepared_by: Option<String>,
    /// Customer.
    pub customer: Option<String>,
    /// Project.
    pub project: Option<String>,
    /// Who approves.
    pub approvals: Vec<Approval>,
    /// Earlier revisions.
    pub history: Vec<Change>,
    /// Look: `review` or `customer`.
    pub template: Option<&'static str>,
}

/// A row of the approvals.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Approval {
    /// As what.
    pub role: String,
    /// Who; empty: still open.
    pub name: String,
    /// When, as written; empty: still open.
    pub date: String,
}

/// A row of the history.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Change {
    /// Revision.
    pub revision: String,
    /// Date, as written.
    pub date: String,
    /// What changed.
    pub text: String,
}

const fn text(name: &'static str, need: Need, says: &'static str) -> Field {
    Field { name, kind: Type::Text, need, says }
}

const APPROVAL: &[Field] = &[
    text("role", Need::Required, "as what somebody approves"),
    text("name", Need::Default("''"), "who approves"),
    text("date", Need::Default("''"), "date of the approval"),
];

const CHANGE: &[Field] = &[
    text("revision", Need::Required, "a revision of the note"),
    text("date", Need::Default("''"), "date of the revision"),
    text("text", Need::Default("''"), "what changed"),
];

/// Fields of the front matter.
pub const FRONT: &[Field] = &[
    text("title", Need::Required, "title of the document"),
    text("document", Need::Optional, "document number"),
    text("revision", Need::Optional, "revision of the note"),
    text("date", Need::Optional, "date of the revision"),
    text("prepared_by", Need::Optional, "author"),
    text("customer", Need::Optional, "for whom the document is written"),
    text("project", Need::Optional, "project it belongs to"),
    Field {
        name: "approvals",
        kind: Type::List(&Type::Group(APPROVAL)),
        need: Need::Optional,
        says: "who approves the document",
    },
    Field {
        name: "history",
        kind: Type::List(&Type::Group(CHANGE)),
        need: Need::Optional,
        says: "revisions so far",
    },
    Field {
        name: "template",
        kind: Type::Word(&["review", "customer"]),
        need: Need::Optional,
        says: "edition that is typeset where the command line says none",
    },
];

/// Front matter knows no names.
struct NoNames;

impl Names for NoNames {
    fn resolve(&self, name: &str, _: Option<Unit>) -> Resolved {
        Resolved::Unknown { message: format!("`{name}` can't stand here"), known: Vec::new() }
    }
}

/// Reads front matter from its tree. Faults go to `out`.
pub(super) fn front(tree: &Tree, out: &mut Vec<Diagnostic>) -> Front {
    let fields = check(tree, &Schema { fields: &[FRONT], entries: None }, &NoNames, out);
    let text = |name: &str| fields.text(name).map(str::to_owned);
    let rows = |name: &str| fields.list(name).iter().filter_map(Checked::group).collect::<Vec<_>>();
    let cell = |row: &Fields, name: &str| row.text(name).unwrap_or_default().to_owned();
    Front {
        title: text("title").unwrap_or_default(),
        document: text("document"),
        revision: text("revision"),
        date: text("date"),
        prepared_by: text("prepared_by"),
        customer: text("customer"),
        project: text("project"),
        approvals: rows("approvals")
            .into_iter()
            .map(|row| Approval { role: cell(row, "role"), name: cell(row, "name"), date: cell(row, "date") })
            .collect(),
        history: rows("history")
            .into_iter()
            .map(|row| Change {
                revision: cell(row, "revision"),
                date: cell(row, "date"),
                text: cell(row, "text"),
            })
            .collect(),
        template: fields.word("template"),
    }
}

/// The fault of a note that has none.
pub(super) fn missing(first_line: Span) -> Diagnostic {
    Diagnostic::error("front-matter-missing", "the note has no front matter, and so no `title`")
        .at(first_line)
        .expected("expected `---` here")
        .hint("start the file with the lines `---`, `title: ..`, `---`")
}
