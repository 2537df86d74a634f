//! Tables as CSV: raw numbers, one head line with units.

use super::{Emitter, OutFile};
use crate::diag::Diagnostic;
use crate::document::{Document, Look, Placed, PlacedTable, TableCell, plain_text};
use crate::units::ascii;

/// Tables of the blocks as CSV.
pub(super) struct Csv;

impl Emitter for Csv {
    fn name(&self) -> &'static str {
        "csv"
    }

    fn emit(&self, document: &Document, _look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
        let tables = document.exhibits.iter().flat_map(|e| &e.placed).filter_map(|placed| match placed {
            Placed::Table(table) => Some(OutFile::text(table.file.clone(), text_of(table))),
            _ => None,
        });
        Ok(tables.collect())
    }
}

fn text_of(table: &PlacedTable) -> String {
    let mut out = String::new();
    line(table.columns.iter().map(|column| quoted(&column.csv)), &mut out);
    for row in table.rows.iter() {
        line(row.iter().map(cell), &mut out);
    }
    out
}

fn line(cells: impl Iterator<Item = String>, out: &mut String) {
    out.push_str(&cells.collect::<Vec<_>>().join(","));
    out.push('\n');
}

fn cell(cell: &TableCell) -> String {
    match cell {
        TableCell::Math(tex, _) => quoted(tex),
        TableCell::Prose(inlines) => quoted(&plain_text(inlines)),
        TableCell::Number { value, .. } if value.is_finite() => {
            format!("{value:?}").trim_end_matches(".0").to_owned()
        }
        TableCell::Empty | TableCell::Number { .. } => String::new(),
        TableCell::Verdict(state, false) => state.word().to_owned(),
        TableCell::Verdict(state, true) => quoted(&format!("{}, reserve not kept", state.word())),
    }
}

/// A text cell: quoted where needed, and never a formula to a spreadsheet.
fn quoted(text: &str) -> String {
    let text = inert(&ascii(text));
    if text.contains([',', '"', ';', '\t', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text
    }
}

/// An apostrophe in front of whatever a spreadsheet could take for a formula: at the start of the cell, and after what one
/// set up for another country parts cells at, since it does not see our quotes in the middle of its own.
fn inert(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut start = Some(0);
    for c in text.chars() {
        if let (Some(at), '=' | '+' | '-' | '@' | '\t' | '\r' | '＝' | '＋' | '－' | '＠') = (start, c) {
            out.insert(at, '\'');
            start = None;
        }
        out.push(c);
        if matches!(c, ';' | '\t' | '\n' | '\r') {
            start = Some(out.len());
        } else if !c.is_whitespace() && c != '"' {
            start = None;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::document::Inline;
    use crate::results::State;
    use crate::units::Unit;

    #[test]
    fn text_is_never_a_formula_and_numbers_stay_numbers() {
        let text = |t: &str| cell(&TableCell::Prose(vec![Inline::Text(t.to_owned())]));
        assert_eq!(text("=HYPERLINK(\"x\")"), "\"'=HYPERLINK(\"\"x\"\")\"");
        assert_eq!(text(" @sum"), "' @sum");
        assert_eq!(text("-80 dBc"), "'-80 dBc");
        assert_eq!(text("\u{2212}80 dBc"), "'-80 dBc");
        assert_eq!(text("\tx"), "\"'\tx\"");
        assert_eq!(text("a;=1"), "\"a;'=1\"");
        assert_eq!(text("a; \"+1\""), "\"a;' \"\"+1\"\"\"");
        assert_eq!(text("＝1"), "'＝1");
        assert_eq!(text("a = b - c"), "a = b - c");
        assert_eq!(text("a, b"), "\"a, b\"");
        let number = |value| cell(&TableCell::Number { value, unit: Unit::Hertz, text: String::new() });
        assert_eq!(number(-102.5), "-102.5");
        assert_eq!(number(80e6), "80000000");
        assert_eq!(number(1.5e-13), "1.5e-13");
        assert_eq!(cell(&TableCell::Verdict(State::Met, true)), "\"met, reserve not kept\"");
    }
}
