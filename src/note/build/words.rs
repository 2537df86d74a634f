//! Words that headings, tables and quotes are read by.

use pulldown_cmark::BlockQuoteKind;

pub(super) fn slug(text: &str) -> String {
    let mut slug = String::new();
    for c in text.chars() {
        if c.is_alphanumeric() || c == '_' {
            slug.extend(c.to_lowercase());
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() { "section".to_owned() } else { slug.to_owned() }
}

pub(super) fn quote_word(kind: BlockQuoteKind) -> &'static str {
    match kind {
        BlockQuoteKind::Note => "note",
        BlockQuoteKind::Tip => "tip",
        BlockQuoteKind::Important => "important",
        BlockQuoteKind::Warning => "warning",
        BlockQuoteKind::Caution => "caution",
    }
}

/// How many cells a row of a table has as written.
pub(super) fn cell_count(row: &str) -> usize {
    let row = row.trim();
    let mut bars = 0;
    let mut escaped = false;
    for c in row.chars() {
        bars += usize::from(c == '|' && !escaped);
        escaped = c == '\\' && !escaped;
    }
    let open = usize::from(row.starts_with('|'));
    let close = usize::from(row.len() > 1 && row.ends_with('|') && !row.ends_with("\\|"));
    (bars + 1).saturating_sub(open + close)
}
