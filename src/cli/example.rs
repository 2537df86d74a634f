//! Examples for `describe`: the blocks of one note that a test solves.

/// One block of every kind, and further ones for fields that exclude each other.
pub(super) const NOTE: &str = include_str!("../../templates/describe/examples.md");

/// The blocks of a kind as they stand in the note, fences included.
pub(super) fn blocks(kind: &str) -> Vec<&'static str> {
    let mut found = Vec::new();
    let mut rest = NOTE;
    while let Some(at) = rest.find("```yaml ") {
        let body = &rest[at..];
        let end = body[3..].find("\n```").map_or(body.len(), |end| end + 3 + "\n```".len());
        if body["```yaml ".len()..].split_whitespace().next() == Some(kind) {
            found.push(&body[..end]);
        }
        rest = &body[end..];
    }
    found
}

/// The lines of a kind's blocks in which a field stands, from the outermost field that holds it. `path` is the field's name
/// and those of the fields around it, outermost first; an entry's own name may stand anywhere between them.
pub(super) fn field(kind: &str, path: &[&str]) -> Option<String> {
    let blocks = blocks(kind);
    let entries = blocks.into_iter().flat_map(top_entries);
    entries.into_iter().find(|entry| holds(entry, path)).map(|entry| entry.join("\n"))
}

/// A block's lines by the entry of its outermost level that they belong to.
fn top_entries(block: &str) -> Vec<Vec<&str>> {
    let mut entries: Vec<Vec<&str>> = Vec::new();
    for line in block.lines().skip(1).filter(|line| !line.starts_with("```")) {
        match entries.last_mut() {
            Some(entry) if line.starts_with([' ', '-']) => entry.push(line),
            _ => entries.push(vec![line]),
        }
    }
    entries
}

/// Whether the keys of `path` stand in these lines, one after the other.
fn holds(lines: &[&str], path: &[&str]) -> bool {
    let text = lines.join("\n");
    let mut rest = text.as_str();
    path.iter().all(|name| {
        let key = rest.match_indices(name).find(|(at, _)| {
            let before = rest[..*at].chars().next_back();
            before.is_none_or(|c| " \n{,-".contains(c)) && rest[at + name.len()..].starts_with(':')
        });
        key.is_some_and(|(at, _)| {
            rest = &rest[at + name.len()..];
            true
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_brings_the_lines_that_hold_it() {
        let drift = field("oscillator", &["drift"]).expect("an example");
        assert!(drift.starts_with("drift: ") && !drift.contains('\n'), "{drift}");
        let mismatch = field("synthesizer", &["pump", "mismatch"]).expect("an example");
        assert!(mismatch.starts_with("pump:\n") && mismatch.contains("  mismatch: "), "{mismatch}");
        assert_eq!(field("oscillator", &["pump"]), None);
    }
}
