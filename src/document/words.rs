//! Prose on one line, and small words of the document.

use super::{Block, Inline};

/// The line that blocks make where only a line may stand: their paragraphs, one behind the other.
pub(super) fn one_line(blocks: Vec<Block>) -> Vec<Inline> {
    let mut out = Vec::new();
    for block in blocks {
        let inlines = match block {
            Block::Paragraph(inlines, _) | Block::Heading { text: inlines, .. } => inlines,
            Block::Code { text, .. } => vec![Inline::Code(text.trim_end().to_owned())],
            Block::Math(tex, line) => vec![Inline::Math(tex, line)],
            Block::Html(text) => vec![Inline::Html(text)],
            Block::Quote(_, inner) => one_line(inner),
            Block::List { items, .. } => one_line(items.into_iter().flat_map(|(_, inner)| inner).collect()),
            Block::Table { .. }
            | Block::Rule
            | Block::Footnote(..)
            | Block::Definitions(_)
            | Block::Solved(..) => Vec::new(),
        };
        if !out.is_empty() && !inlines.is_empty() {
            out.push(Inline::HardBreak);
        }
        out.extend(inlines);
    }
    out
}

/// A count with its noun: "1 table", "2 tables".
pub(super) fn count_of(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// "A", "A and B", "A, B and C".
pub(super) fn listed(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}
