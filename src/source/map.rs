//! The texts of a run and places in them.

use std::sync::{Arc, PoisonError, RwLock};

/// One text of the run: the note, a part file, a data file or an option of the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct FileId(u32);

/// A range of bytes in one text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span {
    /// The text.
    pub file: FileId,
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
}

impl Span {
    /// A range of bytes in `file`.
    pub fn new(file: FileId, start: usize, end: usize) -> Self {
        Self { file, start, end: end.max(start) }
    }

    /// The part of this span from `start` to `end`, counted from its own first byte.
    #[must_use]
    pub fn part(&self, start: usize, end: usize) -> Self {
        let at = |offset: usize| (self.start + offset).min(self.end);
        Self::new(self.file, at(start), at(end))
    }
}

/// A value with the place it was written at.
#[derive(Clone, Debug, PartialEq)]
pub struct Spanned<T> {
    /// The value.
    pub value: T,
    /// Where it stands.
    pub span: Span,
}

/// Line and column as a person counts them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Position {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
}

#[derive(Debug)]
struct Text {
    name: String,
    text: Arc<str>,
    line_starts: Vec<usize>,
}

/// All texts of a run, by [`FileId`]. Grows only; may be shared between threads.
#[derive(Debug, Default)]
pub struct SourceMap {
    texts: RwLock<Vec<Arc<Text>>>,
}

impl SourceMap {
    /// An empty map.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a text under the name that messages show. A name that is there with the same text keeps its id.
    pub fn add(&self, name: &str, text: &str) -> FileId {
        let mut texts = self.texts.write().unwrap_or_else(PoisonError::into_inner);
        if let Some(found) = texts.iter().position(|t| t.name == name && &*t.text == text) {
            return FileId(found as u32);
        }
        let line_starts = std::iter::once(0).chain(text.match_indices('\n').map(|(i, _)| i + 1)).collect();
        texts.push(Arc::new(Text { name: name.to_owned(), text: text.into(), line_starts }));
        FileId((texts.len() - 1) as u32)
    }

    /// The id of a text of an earlier run; `None` where there is another text under that name.
    pub fn again(&self, name: &str, text: &str) -> Option<FileId> {
        let other = |found: &Arc<Text>| found.name == name && &*found.text != text;
        let changed = self.texts.read().unwrap_or_else(PoisonError::into_inner).iter().any(other);
        (!changed).then(|| self.add(name, text))
    }

    fn get(&self, file: FileId) -> Arc<Text> {
        let texts = self.texts.read().unwrap_or_else(PoisonError::into_inner);
        Arc::clone(&texts[file.0 as usize])
    }

    /// The name that messages show.
    pub fn name(&self, file: FileId) -> String {
        self.get(file).name.clone()
    }

    /// The whole text.
    pub fn text(&self, file: FileId) -> Arc<str> {
        Arc::clone(&self.get(file).text)
    }

    /// Line and column of a byte offset.
    pub fn position(&self, file: FileId, offset: usize) -> Position {
        let text = self.get(file);
        let mut end = offset.min(text.text.len());
        while !text.text.is_char_boundary(end) {
            end -= 1;
        }
        let line = text.line_starts.partition_point(|&start| start <= end) - 1;
        let column = text.text[text.line_starts[line]..end].chars().count() + 1;
        Position { line: line + 1, column }
    }

    /// The span of a whole line (from 1), without its line end.
    pub fn line_span(&self, file: FileId, line: usize) -> Span {
        let text = self.get(file);
        let index = line.saturating_sub(1).min(text.line_starts.len() - 1);
        let start = text.line_starts[index];
        let end = text.line_starts.get(index + 1).map_or(text.text.len(), |&next| next - 1);
        let end = start + text.text[start..end].trim_end_matches('\r').len();
        Span::new(file, start, end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_count_characters_from_one() {
        let map = SourceMap::new();
        let file = map.add("note.md", "ab\nµc\r\nd");
        assert_eq!(map.position(file, 0), Position { line: 1, column: 1 });
        assert_eq!(map.position(file, 5), Position { line: 2, column: 2 });
        assert_eq!(map.position(file, 99), Position { line: 3, column: 2 });
        assert_eq!(map.line_span(file, 2), Span::new(file, 3, 6));
        assert_eq!(map.line_span(file, 3), Span::new(file, 8, 9));
    }

    #[test]
    fn the_same_text_keeps_its_id() {
        let map = SourceMap::new();
        let a = map.add("a", "x");
        assert_eq!(a, map.add("a", "x"));
        assert_ne!(a, map.add("a", "y"));
    }
}
