//! Characters that no one sees and that change what is read.

use crate::diag::Diagnostic;
use crate::source::{FileId, Span};

/// Controls that turn the direction of the text after them (Unicode Standard Annex 9, table 1: marks, embeddings,
/// overrides, isolates).
const TURNING: [char; 12] = [
    '\u{061c}', '\u{200e}', '\u{200f}', '\u{202a}', '\u{202b}', '\u{202c}', '\u{202d}', '\u{202e}',
    '\u{2066}', '\u{2067}', '\u{2068}', '\u{2069}',
];

/// Most of them that are told.
const MOST: usize = 8;

/// A warning for each control of direction: with it a limit could read otherwise than it is.
pub(super) fn turned(text: &str, file: FileId) -> impl Iterator<Item = Diagnostic> {
    text.match_indices(TURNING).take(MOST).map(move |(at, found)| {
        let code = found.chars().next().map_or(0, u32::from);
        let message = format!(
            "an invisible control of direction (U+{code:04X}) stands here: text may read otherwise than it is"
        );
        Diagnostic::warning("control-of-direction", message)
            .at(Span::new(file, at, at + found.len()))
            .expected("documents leave it out")
    })
}
