//! Which line of the note made a line of the Typst source.

/// The comment that says so. User text can't make one: in a string literal a line end is written `\n`.
const MARK: &str = "// note:";

/// A mark for what follows, on a line of its own.
pub(super) fn mark(line: usize) -> String {
    format!("{MARK}{line}\n")
}

/// The line of the note behind a line of our Typst source, both from 1; `None` in what no line of the note made.
pub fn note_line(source: &str, line: usize) -> Option<usize> {
    let upto = source.lines().take(line).collect::<Vec<_>>();
    upto.iter().rev().find_map(|text| text.strip_prefix(MARK)?.trim().parse().ok()).filter(|line| *line > 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_mark_above_counts() {
        let source = format!("#let x\n{}a\nb\n{}c\n{}d\n", mark(7), mark(9), mark(0));
        let found: Vec<Option<usize>> = (1..=8).map(|line| note_line(&source, line)).collect();
        assert_eq!(found[..6], [None, Some(7), Some(7), Some(7), Some(9), Some(9)]);
        assert_eq!(note_line("x", 1), None);
    }
}
