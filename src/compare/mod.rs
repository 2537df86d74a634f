//! What differs between two results of a note, in the order in which a reviewer asks: verdicts that turned, margins that
//! shrank, parts on the board, all other numbers, files, then the text.
//!
//! It looks at results as results.json holds them, so that a revision sealed by an older version can be held against
//! one that was just solved.

mod numbers;
mod sections;
mod text;
mod verdicts;

use std::collections::BTreeMap;

use serde_json::Value;

pub use numbers::Change;
pub use sections::Section;
pub use text::LineChange;
pub use verdicts::{Lost, Moved, Turned};

/// One of the two.
#[derive(Clone, Debug)]
pub struct Side {
    /// Results, as results.json holds them.
    pub results: Value,
    /// The text of the note.
    pub text: String,
    /// Digests of the files that the note used, itself left out, by path.
    pub files: BTreeMap<String, String>,
}

/// What differs.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Differences {
    /// Requirements whose verdict turned, that came or that went.
    pub turned: Vec<Turned>,
    /// Requirements with another limit and the same verdict.
    pub limits: Vec<Moved>,
    /// Requirements still met whose margin lost more than half.
    pub lost: Vec<Lost>,
    /// Parts of a loop's filter that change on the board.
    pub parts: Vec<Change>,
    /// All other results and facts, by relative change.
    pub metrics: Vec<Change>,
    /// Files that the note uses: path, and "changed", "came" or "went".
    pub files: Vec<(String, &'static str)>,
    /// Lines of the note.
    pub lines: Vec<LineChange>,
}

impl Differences {
    /// Whether nothing differs.
    pub fn none(&self) -> bool {
        *self == Self::default()
    }

    /// Whether a result is another: a verdict, a limit, a part or a number.
    pub fn results_differ(&self) -> bool {
        let text_alone = Self { files: self.files.clone(), lines: self.lines.clone(), ..Self::default() };
        *self != text_alone
    }
}

/// Compares two results. Numbers within 1e-9 relative are the same.
pub fn compare(old: &Side, new: &Side) -> Differences {
    let (turned, limits, lost) = verdicts::compare(&old.results, &new.results);
    let (parts, metrics) = numbers::compare(&old.results, &new.results);
    Differences {
        turned,
        limits,
        lost,
        parts,
        metrics,
        files: files(&old.files, &new.files),
        lines: text::compare(&old.text, &new.text),
    }
}

fn files(old: &BTreeMap<String, String>, new: &BTreeMap<String, String>) -> Vec<(String, &'static str)> {
    let mut found = Vec::new();
    for (path, digest) in old {
        match new.get(path) {
            None => found.push((path.clone(), "went")),
            Some(other) if other != digest => found.push((path.clone(), "changed")),
            Some(_) => {}
        }
    }
    found.extend(new.keys().filter(|path| !old.contains_key(*path)).map(|path| (path.clone(), "came")));
    found.sort();
    found
}

#[cfg(test)]
mod tests;
