//! Prose: protected, filled by the template pass, put together again and read as Markdown.

use std::collections::BTreeMap;
use std::ops::Range;

use super::ast::Block;
use super::build::Builder;
use super::place::Place;
use super::protect::{Restored, VALUE, protect};
use super::read::Note;
use super::structure::{Structure, scan};
use crate::diag::{Diagnostic, Misplaced};
use crate::source::{FileId, SourceMap, Span};

/// Faults of one text that are looked for: each takes a pass of its own.
const MOST_FAULTS: usize = 200;

/// Text after the template pass.
#[derive(Clone, Debug, Default)]
pub struct Filled {
    /// The text, with a mark and a number between two of them in place of each value.
    pub text: String,
    /// The values by number, printed.
    pub values: Vec<String>,
}

/// The template pass: text and the mark to write around the number of a value.
///
/// Prose does not know the engine; `document` brings the two together.
pub type Fill<'a> = dyn Fn(&str, char) -> Result<Filled, Misplaced> + 'a;

/// A text of several lines in a file.
pub(super) struct Frame<'a> {
    sources: &'a SourceMap,
    file: FileId,
    /// The line of the file for each line of the text.
    lines: Vec<usize>,
}

impl Frame<'_> {
    /// The line in the file of a line of the text, both from 1.
    pub(super) fn line(&self, line: usize) -> usize {
        let last = self.lines.last().copied().unwrap_or(1);
        self.lines.get(line.saturating_sub(1)).copied().unwrap_or(last)
    }

    /// A line of the text, or a word of it, in the file.
    pub(super) fn span(&self, line: usize, word: &str) -> Span {
        let span = self.sources.line_span(self.file, self.line(line));
        let text = self.sources.text(self.file);
        match text[span.start..span.end].find(word).filter(|_| !word.is_empty()) {
            Some(at) => span.part(at, at + word.len()),
            None => span,
        }
    }

    fn place(&self, fault: Misplaced) -> Diagnostic {
        let span = self.span(fault.line, &fault.word);
        fault.diagnostic.at(span)
    }
}

/// Reads the prose of a note.
pub struct Prose<'a> {
    /// Texts of the run.
    pub sources: &'a SourceMap,
    /// The template pass.
    pub fill: &'a Fill<'a>,
}

/// Prose that is the value of a field.
pub struct Fragment<'a> {
    /// The text.
    pub text: &'a str,
    /// Where it stands.
    pub place: &'a Place,
}

impl Prose<'_> {
    /// The body of a note; each solved block stands where its fence does. Faults go to `out`.
    pub fn note(&self, note: &Note, out: &mut Vec<Diagnostic>) -> Vec<Block> {
        let text = &note.text[note.body..];
        let first = self.sources.position(note.file, note.body).line;
        let lines = (first..=first + text.matches('\n').count()).collect();
        let frame = Frame { sources: self.sources, file: note.file, lines };
        let line = |at: usize| self.sources.position(note.file, at).line;
        let solved = note.solved.iter().map(|(at, name)| (line(*at), name.clone())).collect();
        self.read(text, &note.structure.shifted(note.body), &frame, &solved, out)
    }

    /// The prose of a field. Faults go to `out`.
    pub fn fragment(&self, fragment: &Fragment<'_>, out: &mut Vec<Diagnostic>) -> Vec<Block> {
        let text = fragment.text.trim_end();
        let file = fragment.place.span().file;
        let offsets = fragment.place.line_offsets(text);
        let lines = offsets.into_iter().map(|at| self.sources.position(file, at).line).collect();
        let frame = Frame { sources: self.sources, file, lines };
        self.read(text, &scan(text, 0), &frame, &BTreeMap::new(), out)
    }

    fn read(
        &self,
        text: &str,
        structure: &Structure,
        frame: &Frame<'_>,
        solved: &BTreeMap<usize, String>,
        out: &mut Vec<Diagnostic>,
    ) -> Vec<Block> {
        let (restored, values) = match self.render(text, structure) {
            Ok(rendered) => rendered,
            Err(fault) => {
                self.faults(fault, text, structure, frame, out);
                return Vec::new();
            }
        };
        Builder::new(&restored, &values, frame, solved, out).blocks()
    }

    /// Reports a fault and those after it, which show when the expression at fault is taken out: the engine stops at
    /// the first.
    fn faults(
        &self,
        first: Misplaced,
        text: &str,
        structure: &Structure,
        frame: &Frame<'_>,
        out: &mut Vec<Diagnostic>,
    ) {
        let mut text = text.to_owned();
        let mut next = Some(first);
        for _ in 0..MOST_FAULTS {
            let Some(fault) = next else { return };
            let blamed = blamed(&text, &fault);
            out.push(frame.place(fault));
            next = blamed.and_then(|range| {
                // As many bytes as before, so that all places stay.
                let blanks = " ".repeat(range.len());
                text.replace_range(range, &blanks);
                self.render(&text, structure).err()
            });
        }
    }

    fn render(&self, text: &str, structure: &Structure) -> Result<(Restored, Vec<String>), Misplaced> {
        let protected = protect(text, structure)?;
        let filled = (self.fill)(&protected.template, VALUE)?;
        Ok((protected.restore(&filled.text), filled.values))
    }
}

/// The expression `{{ .. }}` that a fault lies in, where it is told by its line and word; `None` for a tag.
fn blamed(text: &str, fault: &Misplaced) -> Option<Range<usize>> {
    let before: usize = text.split_inclusive('\n').take(fault.line.saturating_sub(1)).map(str::len).sum();
    let line = text[before..].lines().next()?;
    let mut found = Vec::new();
    let mut at = 0;
    while let Some(open) = line[at..].find("{{").map(|open| at + open) {
        at = open + line[open..].find("}}")? + 2;
        if line[open..at].contains(&fault.word) {
            found.push(before + open..before + at);
        }
    }
    match found.as_slice() {
        [one] => Some(one.clone()),
        // Of several the first with that word was evaluated first; without a word any may be meant.
        [first, ..] if !fault.word.is_empty() => Some(first.clone()),
        _ => None,
    }
}
