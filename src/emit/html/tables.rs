//! Tables as HTML: a caption, heads with their scope, a frame that scrolls where the screen is narrow.

use super::escape::{escaped, fragment, id};
use super::prose::Writer;
use super::remedies::remedies;
use super::sections::ticked;
use crate::document::{Document, MatrixRow, PlacedTable, TableCell};
use crate::results::{BlockResult, State};

/// Names of rows up to this length stay on one line.
const SHORT: usize = 12;

/// A table: its name for those who can't see it, the caption (finished), heads and cells (finished).
pub(super) struct Table<'a> {
    pub class: &'a str,
    pub id: &'a str,
    pub name: &'a str,
    pub caption: &'a str,
    pub head: &'a [String],
    /// Class of each column, empty for none.
    pub sides: &'a [&'a str],
    pub rows: &'a [Vec<String>],
    /// Whether the first cell of a row names it.
    pub named_rows: bool,
    /// Names of the columns beside each cell, for a table whose rows become cards where the screen is narrow.
    pub labels: &'a [&'a str],
}

impl Table<'_> {
    pub(super) fn html(&self) -> String {
        let class = |column: usize| match self.sides.get(column).copied().unwrap_or_default() {
            "" => String::new(),
            side => format!(" class=\"{side}\""),
        };
        // What is no longer laid out as a table has to say that it is one.
        let role = |role: &str| match self.labels {
            [] => String::new(),
            _ => format!(" role=\"{role}\""),
        };
        let label = |column: usize| {
            self.labels.get(column).map_or(String::new(), |label| format!(" data-label=\"{label}\""))
        };
        let place = if self.id.is_empty() { String::new() } else { format!(" id=\"{}\"", escaped(self.id)) };
        let mut out = format!(
            "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"{}\"{place}>\n<table class=\"{}\"{}>\n",
            escaped(self.name),
            self.class,
            role("table")
        );
        if !self.caption.is_empty() {
            out.push_str(&format!("<caption>{}</caption>\n", self.caption));
        }
        let (group, line) = (role("rowgroup"), role("row"));
        out.push_str(&format!("<thead{group}><tr{line}>"));
        for (column, cell) in self.head.iter().enumerate() {
            let role = role("columnheader");
            out.push_str(&format!("<th scope=\"col\"{}{role}>{cell}</th>", class(column)));
        }
        out.push_str(&format!("</tr></thead>\n<tbody{group}>\n"));
        for row in self.rows {
            out.push_str(&format!("<tr{line}>"));
            for column in 0..self.head.len() {
                let cell = row.get(column).map_or("", String::as_str);
                if column == 0 && self.named_rows && !cell.is_empty() {
                    // A short name is never broken at its hyphen.
                    let class = if cell.len() <= SHORT && !cell.contains('<') {
                        " class=\"short\"".to_owned()
                    } else {
                        class(column)
                    };
                    out.push_str(&format!("<th scope=\"row\"{class}{}>{cell}</th>", role("rowheader")));
                } else {
                    let (class, role) = (class(column), role("cell"));
                    out.push_str(&format!("<td{class}{role}{}>{cell}</td>", label(column)));
                }
            }
            out.push_str("</tr>\n");
        }
        out + "</tbody></table></div>\n"
    }
}

/// A table of a block.
pub(super) fn exhibit<'a>(writer: &mut Writer<'a>, table: &'a PlacedTable) -> String {
    let caption = writer.inlines(&table.caption);
    let head: Vec<String> = table.columns.iter().map(|column| escaped(&column.head)).collect();
    let sides: Vec<&str> = table.columns.iter().map(|c| if c.numeric { "right" } else { "" }).collect();
    let rows: Vec<Vec<String>> =
        table.rows.iter().map(|row| row.iter().map(|cell| of_exhibit(writer, cell)).collect()).collect();
    let name = format!("Table {}", table.number);
    let mut out = Table {
        class: "exhibit",
        id: &id(&table.label),
        name: &name,
        caption: &format!("<b>Table\u{a0}{}</b> {caption}", table.number),
        head: &head,
        sides: &sides,
        rows: &rows,
        named_rows: true,
        labels: &[],
    }
    .html();
    if !table.note.is_empty() {
        out.push_str(&format!("<p class=\"small\">{}</p>\n", ticked(&table.note)));
    }
    out
}

fn of_exhibit<'a>(writer: &mut Writer<'a>, cell: &'a TableCell) -> String {
    match cell {
        TableCell::Empty => String::new(),
        TableCell::Math(tex, line) => writer.math(tex, *line, true),
        TableCell::Prose(inlines) => writer.inlines(inlines),
        TableCell::Number { text, .. } => format!("<span class=\"live\">{}</span>", escaped(text)),
        TableCell::Verdict(state, reserve_missing) => verdict(*state, *reserve_missing),
    }
}

/// A table of the author's.
pub(super) fn authors(align: &[Option<i8>], head: &[String], rows: &[Vec<String>]) -> String {
    let side = |column: usize| match align.get(column).copied().flatten() {
        Some(1) => "right",
        Some(0) => "centre",
        _ => "",
    };
    let sides: Vec<&str> = (0..head.len()).map(side).collect();
    Table {
        class: "",
        id: "",
        name: "Table",
        caption: "",
        head,
        sides: &sides,
        rows,
        named_rows: false,
        labels: &[],
    }
    .html()
}

/// A verdict in word and shape: disc, open triangle, cross, dash.
pub(in crate::emit) fn verdict(state: State, reserve_missing: bool) -> String {
    let (class, shape, words) = match (state, reserve_missing) {
        (State::Met, false) => ("met", "<circle cx=\"5\" cy=\"5\" r=\"5\"/>", "met"),
        (State::Met, true) => ("reserve", "<path d=\"M0.8 9.4H9.2L5 1.2Z\"/>", "met, reserve not kept"),
        (State::NotMet, _) => ("failed", "<path d=\"M0.6 0.6L9.4 9.4M9.4 0.6L0.6 9.4\"/>", "not met"),
        (State::NotJudged, _) => ("open", "<path d=\"M0 5H10\"/>", state.word()),
    };
    format!(
        "<span class=\"verdict {class}\"><svg viewBox=\"0 0 10 10\" aria-hidden=\"true\">{shape}</svg> {words}</span>"
    )
}

/// The compliance matrix, and what it would take where it is not met.
pub(super) fn matrix<'a>(writer: &mut Writer<'a>, document: &'a Document) -> String {
    let head = [
        "Id",
        "Requirement",
        "Limit",
        "Value",
        "Margin <small>and reserve</small>",
        "Method <small>and case</small>",
        "Verdict",
    ]
    .map(str::to_owned);
    let rows: Vec<Vec<String>> = document.matrix.iter().map(|row| matrix_row(writer, row)).collect();
    Table {
        class: "matrix",
        id: "page--matrix-table",
        name: "Compliance matrix",
        caption: "",
        head: &head,
        sides: &[],
        rows: &rows,
        named_rows: true,
        labels: &["Id", "Requirement", "Limit", "Value", "Margin", "Method", "Verdict"],
    }
    .html()
        + &remedies(document)
}

fn matrix_row<'a>(writer: &mut Writer<'a>, row: &'a MatrixRow) -> Vec<String> {
    let dash = "<span class=\"small\" aria-label=\"none\">–</span>";
    let or_dash = |text: &str| if text.is_empty() { dash.to_owned() } else { escaped(text) };
    let below = |text: &str| {
        if text.is_empty() { String::new() } else { format!("<br><span class=\"small\">{text}</span>") }
    };
    let evidence = writer.inlines(&row.evidence);
    let mut from = Vec::new();
    if !row.source.is_empty() {
        from.push(format!("Source: {}", escaped(&row.source)));
    }
    if !evidence.is_empty() {
        from.push(format!("Evidence: {evidence}"));
    }
    let metric =
        if row.metric.is_empty() { String::new() } else { format!("<code>{}</code>", escaped(&row.metric)) };
    let reserve =
        if row.reserve.is_empty() { String::new() } else { format!("wanted {}", escaped(&row.reserve)) };
    let case = match &row.shown_by {
        Some(anchor) if !row.case.is_empty() => {
            format!("<a href=\"{}\">{}</a>", escaped(&fragment(&id(anchor))), escaped(&row.case))
        }
        _ => escaped(&row.case),
    };
    vec![
        escaped(&row.id),
        format!("{}{}", writer.inlines(&row.text), below(&from.join(". "))),
        or_dash(&row.limit),
        format!("{}{}", or_dash(&row.value), below(&metric)),
        format!("{}{}", or_dash(&row.margin), below(&reserve)),
        format!("{}{}", or_dash(&row.method), below(&case)),
        verdict(row.state, row.reserve_missing),
    ]
}

/// Every number twice; empty where no result has a second route.
pub(super) fn twice(document: &Document) -> String {
    if document.twice.is_empty() {
        return String::new();
    }
    let head =
        ["Result", "First route", "Second route", "By", "Must agree within", "Agree"].map(str::to_owned);
    let rows: Vec<Vec<String>> = document
        .twice
        .iter()
        .map(|row| {
            let agree = if row.agrees { "yes" } else { "<strong class=\"shout\">DISAGREE</strong>" };
            let mut cells = vec![format!("<code>{}</code>", escaped(&row.metric))];
            cells.extend([&row.first, &row.second].map(|text| escaped(text)));
            cells.extend([row.route, row.within].map(escaped));
            cells.push(agree.to_owned());
            cells
        })
        .collect();
    let sides = ["", "right", "right", "", "", ""];
    Table {
        class: "",
        id: "",
        name: "Every number twice",
        caption: "",
        head: &head,
        sides: &sides,
        rows: &rows,
        named_rows: true,
        labels: &[],
    }
    .html()
}

/// What each block was solved from.
pub(super) fn digests(document: &Document) -> String {
    let head = ["Block", "Kind", "Line", "Digest of all it was solved from"].map(str::to_owned);
    let row = |block: &BlockResult| {
        // Enough to tell two blocks apart; results.json has all of it.
        let digest: String = block.digest.chars().take(24).collect();
        vec![
            format!("<code>{}</code>", escaped(&block.name)),
            escaped(&block.kind.replace('_', " ")),
            block.line.to_string(),
            format!("<code>{}</code>", escaped(&digest)),
        ]
    };
    let rows: Vec<Vec<String>> = document.store.blocks.iter().map(row).collect();
    if rows.is_empty() {
        return String::new();
    }
    Table {
        class: "",
        id: "",
        name: "Digests",
        caption: "",
        head: &head,
        sides: &["", "", "right", ""],
        rows: &rows,
        named_rows: true,
        labels: &[],
    }
    .html()
}
