//! The text of two notes, line by line.

use similar::{ChangeTag, TextDiff};

/// One line that went or came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineChange {
    /// Whether it came; else it went.
    pub came: bool,
    /// Its line in its own note, from 1.
    pub line: usize,
    /// The line, without its end.
    pub text: String,
}

/// Lines that went and came, in the order of the notes.
pub(super) fn compare(old: &str, new: &str) -> Vec<LineChange> {
    // Line ends, blanks before them and blank lines are no change that anybody can see.
    let lines = |text: &str| -> Vec<String> { text.lines().map(|line| line.trim_end().to_owned()).collect() };
    let (old, new) = (lines(old), lines(new));
    let old: Vec<&str> = old.iter().map(String::as_str).collect();
    let new: Vec<&str> = new.iter().map(String::as_str).collect();
    let diff = TextDiff::from_slices(&old, &new);
    diff.iter_all_changes()
        .filter(|change| !change.value().is_empty())
        .filter_map(|change| {
            let (came, index) = match change.tag() {
                ChangeTag::Equal => return None,
                ChangeTag::Delete => (false, change.old_index()?),
                ChangeTag::Insert => (true, change.new_index()?),
            };
            Some(LineChange { came, line: index + 1, text: change.value().to_owned() })
        })
        .collect()
}
