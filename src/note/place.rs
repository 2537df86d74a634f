//! Where a value of a block stands in the file it was written in.

use std::sync::{Arc, OnceLock};

use super::locate::{Found, Step, Wanted, locate};
use super::spots::Spots;
use crate::source::{FileId, Span};

/// A piece of a block's text that stands in the file as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment {
    /// First byte in the text of the block.
    pub block: usize,
    /// First byte in the file.
    pub file: usize,
    /// Length in bytes.
    pub len: usize,
}

/// The text of a block, and how to get from it to the file.
///
/// Lists, quotations and CRLF break a block into pieces, so that adding line numbers would not do.
#[derive(Clone, Debug)]
pub struct Text {
    text: String,
    file: FileId,
    segments: Vec<Segment>,
    head: Span,
    folder: String,
    /// All places in it, from the first that is asked on.
    spots: OnceLock<Option<Spots>>,
}

impl Text {
    /// A text that is a whole file; `folder` is where it lies, relative to the note's folder.
    pub fn whole(file: FileId, text: &str, folder: &str) -> Self {
        let line = text.find('\n').unwrap_or(text.len());
        Self::piece(file, text, 0, Span::new(file, 0, line), folder)
    }

    /// A text that stands in one piece at `start` of the file.
    pub fn piece(file: FileId, text: &str, start: usize, head: Span, folder: &str) -> Self {
        let segments = vec![Segment { block: 0, file: start, len: text.len() }];
        Self::broken(file, text.to_owned(), segments, head, folder)
    }

    /// A text in several pieces, in order; `head` is the place of the block as a whole (its fence).
    pub fn broken(file: FileId, text: String, segments: Vec<Segment>, head: Span, folder: &str) -> Self {
        Self { text, file, segments, head, folder: folder.to_owned(), spots: OnceLock::new() }
    }

    fn found(&self, path: &[Step], wanted: Wanted) -> Option<Found> {
        let spots = self.spots.get_or_init(|| Spots::of(&self.text));
        let found = spots.as_ref().and_then(|spots| spots.found(&self.text, path, wanted));
        found.or_else(|| locate(&self.text, path, wanted))
    }

    fn file_offset(&self, at: usize) -> usize {
        let segment = self.segments.iter().rev().find(|segment| segment.block <= at);
        segment.map_or(self.head.end, |s| s.file + (at - s.block).min(s.len))
    }

    /// What stands at a place of the file, where that is one piece of this text.
    fn cut(&self, span: Span) -> Option<&str> {
        let whole = |s: &&Segment| s.file <= span.start && span.end <= s.file + s.len;
        let segment = self.segments.iter().find(whole).filter(|_| span.file == self.file)?;
        let start = segment.block + span.start - segment.file;
        self.text.get(start..start + (span.end - span.start))
    }

    fn span(&self, start: usize, end: usize) -> Span {
        // The end belongs to the piece of the last byte, not to the next one.
        let last = if end > start { self.file_offset(end - 1) + 1 } else { self.file_offset(start) };
        Span::new(self.file, self.file_offset(start), last)
    }
}

/// The place of a value, found in the text when asked for. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Place(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    text: Arc<Text>,
    way: Way,
    found: OnceLock<Option<Found>>,
}

#[derive(Clone, Debug)]
enum Way {
    /// Steps from the root, to a value or to its key.
    Steps(Vec<Step>, Wanted),
    /// A place known from the start: a default, a value from the command line.
    Known(Span),
}

impl Place {
    fn new(text: Arc<Text>, way: Way) -> Self {
        Self(Arc::new(Inner { text, way, found: OnceLock::new() }))
    }

    /// The whole of a text.
    pub(super) fn root(text: Text) -> Self {
        Self::new(Arc::new(text), Way::Steps(Vec::new(), Wanted::Value))
    }

    /// One step further down.
    pub(super) fn child(&self, step: Step) -> Self {
        let mut steps = match &self.0.way {
            Way::Steps(steps, _) => steps.clone(),
            Way::Known(_) => return self.clone(),
        };
        steps.push(step);
        Self::new(Arc::clone(&self.0.text), Way::Steps(steps, Wanted::Value))
    }

    /// The place of the key that names this value.
    pub(super) fn key(&self) -> Self {
        match &self.0.way {
            Way::Steps(steps, _) if matches!(steps.last(), Some(Step::Entry(_))) => {
                Self::new(Arc::clone(&self.0.text), Way::Steps(steps.clone(), Wanted::Key))
            }
            _ => self.clone(),
        }
    }

    /// A place in the same text that is known already.
    pub fn known(&self, span: Span) -> Self {
        Self::new(Arc::clone(&self.0.text), Way::Known(span))
    }

    /// The text of the block it belongs to.
    pub(super) fn text(&self) -> &str {
        &self.0.text.text
    }

    /// The folder of the file it was written in, relative to the note's; empty for the note's own.
    pub fn folder(&self) -> &str {
        &self.0.text.folder
    }

    fn found(&self) -> Option<&Found> {
        let Way::Steps(steps, wanted) = &self.0.way else { return None };
        self.0.found.get_or_init(|| self.0.text.found(steps, *wanted)).as_ref()
    }

    /// The value in its file; of a whole block, its fence.
    pub fn span(&self) -> Span {
        match &self.0.way {
            Way::Known(span) => *span,
            Way::Steps(steps, _) if steps.is_empty() => self.0.text.head,
            Way::Steps(..) => {
                self.found().map_or(self.0.text.head, |found| self.0.text.span(found.start, found.end))
            }
        }
    }

    /// The key that names the value; the value itself where it has none.
    pub fn key_span(&self) -> Span {
        self.key().span()
    }

    /// A part of a text value, in bytes of the value; the whole where the text is not written as it is.
    pub fn part(&self, start: usize, end: usize) -> Span {
        match self.found().and_then(|found| found.verbatim) {
            Some(first) => self.0.text.span(first + start, first + end),
            None => self.span(),
        }
    }

    /// A plain value as it is written, where it is on one line.
    pub fn written(&self) -> Option<&str> {
        if let Way::Known(span) = self.0.way {
            return self.0.text.cut(span).map(str::trim);
        }
        let found = self.found()?;
        self.text().get(found.start..found.end)
    }

    /// A part of a text value as it is written, in bytes of the value; not where quotes or folding change it.
    pub fn written_part(&self, start: usize, end: usize) -> Option<&str> {
        match self.found().and_then(|found| found.verbatim) {
            Some(first) => self.text().get(first + start..first + end),
            None => self.written()?.get(start..end),
        }
    }

    /// One character of the block's text.
    pub(super) fn at(&self, offset: usize) -> Span {
        let text = self.text();
        let len = text.get(offset..).and_then(|rest| rest.chars().next()).map_or(0, char::len_utf8);
        self.0.text.span(offset, offset + len)
    }

    /// Where each line of a text value begins in its file: `(line of the value, byte in the file)`, for a value
    /// that is `text`. Folded texts and quoted ones of several lines are followed as far as they can be.
    pub fn line_offsets(&self, text: &str) -> Vec<usize> {
        let Some(found) = self.found() else { return text.split('\n').map(|_| self.span().start).collect() };
        if let Some(first) = found.verbatim {
            let lines = text.split('\n').scan(first, |at, line| {
                let here = *at;
                *at += line.len() + 1;
                Some(here)
            });
            return lines.map(|at| self.0.text.file_offset(at)).collect();
        }
        let source = self.text();
        let literal = source[found.start..].starts_with(['|', '>']);
        let mut cursor = if literal {
            source[found.start..].find('\n').map_or(source.len(), |i| found.start + i + 1)
        } else {
            found.start
        };
        let mut offsets = Vec::new();
        for line in text.split('\n') {
            let mut rest = line.trim();
            // An empty source line between two folded ones belongs to neither.
            while !rest.is_empty() && source[cursor..].starts_with('\n') {
                cursor += 1;
            }
            offsets.push(self.0.text.file_offset(cursor));
            loop {
                let end = source[cursor..].find('\n').map_or(source.len(), |i| cursor + i);
                let piece = source[cursor..end].trim();
                let next = (end + 1).min(source.len());
                match rest.strip_prefix(piece) {
                    Some(after) if cursor < source.len() => {
                        cursor = next;
                        rest = after.trim_start();
                        if rest.is_empty() || piece.is_empty() {
                            break;
                        }
                    }
                    _ => {
                        cursor = next;
                        break;
                    }
                }
            }
        }
        offsets
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::note::yaml::{Tree, Value, parse};
    use crate::source::SourceMap;

    fn tree(sources: &SourceMap, text: &str) -> Tree {
        let file = sources.add("x.yaml", text);
        parse(Text::whole(file, text, "parts"), &mut Vec::new()).expect("reads")
    }

    #[test]
    fn segments_lead_back_to_the_file() {
        let sources = SourceMap::new();
        let note = "> ```yaml loop lo\r\n> a: 1\r\n> b: 80 MHz\r\n> ```\r\n";
        let file = sources.add("n.md", note);
        let segments = vec![
            Segment { block: 0, file: 21, len: 4 },
            Segment { block: 4, file: 26, len: 1 },
            Segment { block: 5, file: 29, len: 9 },
        ];
        let text = Text::broken(file, "a: 1\nb: 80 MHz\n".into(), segments, Span::new(file, 5, 17), "");
        let tree = parse(text, &mut Vec::new()).expect("reads");
        let b = tree.get("b").expect("is there");
        let span = b.place.span();
        assert_eq!(&note[span.start..span.end], "80 MHz");
        let part = b.place.part(3, 6);
        assert_eq!(&note[part.start..part.end], "MHz");
        assert_eq!(tree.place.span(), Span::new(file, 5, 17));
    }

    #[test]
    fn lines_of_long_texts_are_followed() {
        let sources = SourceMap::new();
        let source = "a: |\n  one\n\n  two\nb: >\n  x y\n  z\n\n  w\nc: \"p q\"\n";
        let tree = tree(&sources, source);
        let lines = |name: &str| -> Vec<usize> {
            let tree = tree.get(name).expect("is there");
            let Value::Text(text) = &tree.value else { panic!("a text") };
            let offsets = tree.place.line_offsets(text.trim_end());
            offsets.iter().map(|&at| sources.position(tree.place.span().file, at).line).collect()
        };
        assert_eq!(lines("a"), [2, 3, 4]);
        assert_eq!(lines("b"), [6, 9]);
        assert_eq!(lines("c"), [10]);
        assert_eq!(tree.place.folder(), "parts");
    }
}
