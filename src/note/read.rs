//! Reads a note: front matter and blocks, each block with its part files and overrides; prose comes later.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;

use super::front::{self, Front};
use super::overlay::{Override, Parts, set};
use super::place::Text;
use super::schema::Schema;
use super::structure::{Fence, Structure, front_matter, scan};
use super::yaml::{Tree, Value, parse};
use crate::diag::Diagnostic;
use crate::source::{FileId, Files, SourceMap, Span};

/// The largest note that is read, in bytes.
const LIMIT: usize = 4 << 20;

/// Words of the formula language, which no block and no value may have as its name.
pub const FORMULA_WORDS: [&str; 21] = [
    "sqrt", "abs", "min", "max", "exp", "ln", "log10", "sin", "cos", "atan", "pi", "true", "false", "none",
    "and", "or", "not", "in", "is", "if", "else",
];

/// Characters the prose passes use between them.
pub(super) const MARKS: std::ops::RangeInclusive<char> = '\u{e000}'..='\u{e005}';

/// What reading must know of a kind of block.
#[derive(Clone, Copy, Debug)]
pub struct KindInfo {
    /// Name of the kind.
    pub name: &'static str,
    /// Whether the name may be left out.
    pub nameless: bool,
    /// Whether it states facts and so may be `from` a part file.
    pub facts: bool,
    /// Whether its entries are names of values.
    pub values: bool,
    /// Its fields.
    pub schema: Schema<'static>,
}

/// A block, not yet checked.
#[derive(Clone, Debug)]
pub struct RawBlock {
    /// Its kind.
    pub kind: &'static str,
    /// Its name.
    pub name: String,
    /// The opening line of its fence.
    pub span: Span,
    /// Line of the fence, from 1.
    pub line: usize,
    /// Its fields, over those of its part files, under those of `--with`.
    pub tree: Tree,
    /// Whether all its part files could be had; where not, a fault says so, and fields may be missing.
    pub whole: bool,
    /// Whether it stays in the house: by its `audience` or by a heading above it.
    pub internal: bool,
}

/// A note taken apart.
#[derive(Clone, Debug)]
pub struct Note {
    /// Front matter.
    pub front: Front,
    /// Place of the front matter: its first line.
    pub front_span: Span,
    /// Blocks, in order.
    pub blocks: Vec<RawBlock>,
    /// The text of the note.
    pub text: Arc<str>,
    /// The text in the source map.
    pub file: FileId,
    /// First byte after the front matter.
    pub(super) body: usize,
    pub(super) structure: Structure,
    /// Name of the block of each fence, by its first byte.
    pub(super) solved: BTreeMap<usize, String>,
}

/// Where a note comes from.
pub struct Input<'a> {
    /// The bytes of the file.
    pub bytes: &'a [u8],
    /// Its path as the user gave it, for messages.
    pub shown: &'a str,
    /// The folder it lies in, relative to that of `files`; empty for the same.
    pub folder: &'a str,
    /// Files it may read.
    pub files: &'a dyn Files,
    /// `--with`: paths and values.
    pub with: &'a [(String, String)],
}

/// Whether a file opens with front matter, and so is a note.
pub fn is_note(bytes: &[u8]) -> bool {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    bytes.starts_with(b"---\n") || bytes.starts_with(b"---\r\n")
}

/// Reads a note. All faults go to `out`; `None` where nothing can be made of it.
pub fn read(
    input: &Input<'_>,
    kinds: &[KindInfo],
    sources: &SourceMap,
    out: &mut Vec<Diagnostic>,
) -> Option<Note> {
    let text = decode(input, sources, out)?;
    let file = sources.add(input.shown, &text);
    let text = sources.text(file);
    out.extend(super::unseen::turned(&text, file));
    let first_line = sources.line_span(file, 1);
    let (front, body) = match front_matter(&text) {
        Ok(Some((range, body))) => {
            let yaml = Text::piece(file, &text[range.clone()], range.start, first_line, input.folder);
            let front = parse(yaml, out).map(|tree| front::front(&tree, out)).unwrap_or_default();
            (front, body)
        }
        Ok(None) => {
            out.push(front::missing(first_line));
            (Front::default(), if text.starts_with('\u{feff}') { 3 } else { 0 })
        }
        Err(()) => {
            let diagnostic = Diagnostic::error("front-matter-open", "the front matter is never closed");
            out.push(diagnostic.at(first_line).hint("end it with a line `---`"));
            return None;
        }
    };
    let structure = scan(&text, body);
    for stray in &structure.strays {
        let line = text[stray.clone()].find(['\n', '\r']).unwrap_or(stray.len());
        out.push(
            Diagnostic::error("front-matter-stray", "this run of `---` lines would vanish from the document")
                .at(Span::new(file, stray.start, stray.start + line))
                .hint("front matter stands at the very start; for a rule across the page write `***`"),
        );
    }
    let mut reader = Reader {
        kinds,
        sources,
        file,
        parts: Parts { files: input.files, sources, shown: &shown_root(input.shown, input.folder) },
        out,
        names: BTreeMap::new(),
    };
    let mut blocks = Vec::new();
    let mut solved = BTreeMap::new();
    let parsed: Vec<Parsed> =
        structure.fences.par_iter().map(|fence| parse_fence(fence, file, input.folder)).collect();
    for (fence, parsed) in structure.fences.iter().zip(parsed) {
        if let Some(block) = reader.block(fence, parsed) {
            solved.insert(fence.range.start, block.name.clone());
            blocks.push(block);
        }
    }
    reader.with(&mut blocks, input.with);
    for block in &mut blocks {
        block.internal |=
            matches!(block.tree.get("audience").map(|t| &t.value), Some(Value::Text(t)) if t == "internal");
    }
    Some(Note { front, front_span: first_line, blocks, file, body, structure, solved, text })
}

impl Note {
    /// Whether some fence, sound or not, or an entry of `values` or `requirements` has that name.
    pub fn declares(&self, name: &str) -> bool {
        let value = |block: &RawBlock| {
            matches!(block.kind, "values" | "requirements") && block.tree.get(name).is_some()
        };
        self.structure.fences.iter().any(|fence| fence.info.split_whitespace().any(|word| word == name))
            || self.blocks.iter().any(value)
    }
}

/// The folder of the files as the user would write it, for the names of other files in messages: from the path of the
/// note as given and its folder among the files. Empty or ending in `/`.
pub fn shown_root(note: &str, folder: &str) -> String {
    let mut shown = note.rfind('/').map_or("", |at| &note[..at]);
    for _ in folder.split('/').filter(|name| !name.is_empty()) {
        shown = shown.rfind('/').map_or("", |at| &shown[..at]);
    }
    if shown.is_empty() && !note.starts_with('/') { String::new() } else { format!("{shown}/") }
}

/// The text of a note, if it is text and a note could be as long.
fn decode(input: &Input<'_>, sources: &SourceMap, out: &mut Vec<Diagnostic>) -> Option<String> {
    if input.bytes.len() > LIMIT {
        let file = sources.add(input.shown, "");
        let message = format!("the note has {} MiB, at most 4 are read", input.bytes.len() >> 20);
        out.push(Diagnostic::error("note-too-long", message).at(Span::new(file, 0, 0)));
        return None;
    }
    let lossy = String::from_utf8_lossy(input.bytes).into_owned();
    let (message, at) = match std::str::from_utf8(input.bytes) {
        Err(error) => ("the note is not UTF-8 text", Some(error.valid_up_to())),
        Ok(text) => match text.find('\0') {
            Some(at) => ("the note holds a zero byte: it is not a text file", Some(at)),
            None => (
                "this private-use character (U+E000 to U+E005) can't stand in a note",
                text.find(|c| MARKS.contains(&c)),
            ),
        },
    };
    let Some(at) = at else { return Some(lossy) };
    let file = sources.add(input.shown, &lossy);
    let len = lossy[at..].chars().next().map_or(0, char::len_utf8);
    out.push(Diagnostic::error("note-not-text", message).at(Span::new(file, at, at + len)));
    None
}

/// The YAML of a fence, and what is wrong with it; nothing where the fence is another's.
fn parse_fence(fence: &Fence, file: FileId, folder: &str) -> Parsed {
    let head = Span::new(file, fence.head.start, fence.head.end);
    let text = Text::broken(file, fence.text.clone(), fence.segments.clone(), head, folder);
    let mut words = fence.info.split_whitespace();
    if words.next() != Some("yaml") || words.next().is_none() {
        return (Err(Tree::nothing(text)), Vec::new());
    }
    let mut faults = Vec::new();
    let tree = parse(text.clone(), &mut faults).ok_or_else(|| Tree::nothing(text));
    (tree, faults)
}

/// The tree of a block, or an empty one where it can't be read; and what is wrong.
type Parsed = (Result<Tree, Tree>, Vec<Diagnostic>);

struct Reader<'a> {
    kinds: &'a [KindInfo],
    sources: &'a SourceMap,
    file: FileId,
    parts: Parts<'a>,
    out: &'a mut Vec<Diagnostic>,
    /// Names of blocks and values so far, and where they were given.
    names: BTreeMap<String, Span>,
}

impl Reader<'_> {
    fn block(&mut self, fence: &Fence, (tree, faults): Parsed) -> Option<RawBlock> {
        let head = Span::new(self.file, fence.head.start, fence.head.end);
        if !fence.closed {
            let diagnostic = Diagnostic::error("fence-open", "this fence is never closed").at(head);
            self.out.push(diagnostic.hint("close it with a line of as many marks as it opens with"));
        }
        let mut words = fence.info.split_whitespace();
        if words.next() != Some("yaml") {
            return None;
        }
        let word = words.next()?;
        let (kind, name) = self.title(word, words, fence, head)?;
        self.claim(&name, head);
        let before = self.out.len();
        self.out.extend(faults);
        // A block that can't be read is still there: what refers to it is not at fault.
        let mut whole = tree.is_ok();
        let (Ok(mut tree) | Err(mut tree)) = tree;
        if !whole {
            self.swallowed(head, before);
        } else if kind.facts {
            (tree, whole) = match self.parts.resolve(tree, kind.name, &kind.schema, &mut Vec::new(), self.out)
            {
                Ok(tree) => (tree, true),
                Err(tree) => (tree, false),
            };
        }
        if kind.values {
            self.values(&tree, &kind);
        }
        for fault in &mut self.out[before..] {
            fault.block.get_or_insert_with(|| name.clone());
        }
        let line = self.sources.position(self.file, fence.head.start).line;
        Some(RawBlock { kind: kind.name, name, span: head, line, tree, whole, internal: fence.internal })
    }

    /// A block that can't be read because the fence of the next one is in it: its own was not closed.
    fn swallowed(&mut self, head: Span, before: usize) {
        let text = self.sources.text(self.file);
        for fault in &mut self.out[before..] {
            let inside = |span: &Span| span.file == self.file && span.start > head.end;
            let Some(span) = fault.span.filter(inside) else { continue };
            // Marks alone are the end of this fence; the next one has words behind its marks.
            let line = text.get(span.start..).and_then(|rest| rest.lines().next()).unwrap_or_default();
            let words = line.trim_start_matches(['`', '~']).trim();
            if line.len() >= words.len() + 3 && !words.is_empty() && line.starts_with(['`', '~']) {
                *fault =
                    Diagnostic::error("fence-open", "this fence is not closed before the next one opens")
                        .at(head)
                        .also(span, "the next one")
                        .hint("close it with a line of as many marks as it opens with");
            }
        }
    }

    /// Kind and name of a block.
    fn title<'w>(
        &mut self,
        word: &str,
        mut rest: impl Iterator<Item = &'w str>,
        fence: &Fence,
        head: Span,
    ) -> Option<(KindInfo, String)> {
        let Some(kind) = self.kinds.iter().find(|kind| kind.name == word).copied() else {
            let at = self.word_span(fence, word);
            let names = self.kinds.iter().map(|kind| kind.name);
            let diagnostic = Diagnostic::error("unknown-kind", format!("there is no kind of block `{word}`"))
                .at(at)
                .nearest(word, names.clone());
            let known = format!("kinds: {}", names.collect::<Vec<_>>().join(", "));
            self.out.push(if diagnostic.hints.is_empty() { diagnostic.hint(known) } else { diagnostic });
            return None;
        };
        let name = match rest.next() {
            Some(name) => name,
            None if kind.nameless => kind.name,
            None => {
                let message = format!("this `{}` has no name", kind.name);
                let diagnostic = Diagnostic::error("name-missing", message).at(head);
                self.out.push(diagnostic.hint(format!("write `yaml {} NAME`", kind.name)));
                return None;
            }
        };
        if let Some(extra) = rest.next() {
            let at = self.word_span(fence, extra);
            let diagnostic =
                Diagnostic::error("name-extra", format!("`{extra}` is one word too many")).at(at);
            self.out.push(diagnostic.expected("expected `yaml KIND NAME`"));
            return None;
        }
        let valid = name.starts_with(|c: char| c.is_ascii_lowercase())
            && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
        if !valid {
            let diagnostic = Diagnostic::error("name-form", format!("`{name}` can't be the name of a block"));
            self.out.push(
                diagnostic
                    .at(self.word_span(fence, name))
                    .expected("lower-case letters, digits and `_`, a letter first"),
            );
            return None;
        }
        Some((kind, name.to_owned()))
    }

    /// Where the last word of that spelling stands in the opening line.
    fn word_span(&self, fence: &Fence, word: &str) -> Span {
        let text = self.sources.text(self.file);
        let at = text[fence.head.clone()].rfind(word).map_or(fence.head.start, |at| fence.head.start + at);
        Span::new(self.file, at, at + word.len())
    }

    /// Takes a name for a block or value; reports a clash at the later one.
    fn claim(&mut self, name: &str, span: Span) {
        if FORMULA_WORDS.contains(&name) {
            let message = format!("`{name}` is a word of the formula language");
            self.out.push(Diagnostic::error("name-clash", message).at(span).expected("choose another name"));
        } else if let Some(first) = self.names.get(name) {
            let message = format!("the name `{name}` is taken");
            self.out.push(Diagnostic::error("name-clash", message).at(span).also(*first, "first here"));
        } else {
            self.names.insert(name.to_owned(), span);
        }
    }

    fn values(&mut self, tree: &Tree, kind: &KindInfo) {
        let Value::Map(entries) = &tree.value else { return };
        for (key, _) in entries.iter().filter(|(key, _)| kind.schema.field(&key.name).is_none()) {
            self.claim(&key.name, key.place.span());
        }
    }

    fn with(&mut self, blocks: &mut [RawBlock], with: &[(String, String)]) {
        for (path, value) in with {
            let Some(Override { mut path, value }) = Override::read(path, value, self.sources, self.out)
            else {
                continue;
            };
            let first = path[0].clone();
            let named = blocks.iter().position(|block| block.name == first.name && path.len() > 1);
            let by_value = || {
                let kinds = self.kinds;
                blocks.iter().position(|block| {
                    kinds.iter().any(|kind| kind.name == block.kind && kind.values)
                        && block.tree.get(&first.name).is_some()
                })
            };
            let index = match named {
                Some(index) => {
                    path.remove(0);
                    index
                }
                None => match by_value() {
                    Some(index) => index,
                    None => {
                        let names: Vec<&str> = blocks.iter().map(|block| block.name.as_str()).collect();
                        let message = if names.contains(&first.name.as_str()) {
                            format!("`{}` is a block; its field is missing", first.name)
                        } else {
                            format!("there is no block `{}`", first.name)
                        };
                        self.out.push(
                            Diagnostic::error("unknown-block", message)
                                .at(first.place.span())
                                .expected("expected BLOCK.FIELD=VALUE")
                                .nearest(&first.name, names),
                        );
                        continue;
                    }
                },
            };
            let block = &mut blocks[index];
            block.tree = set(block.tree.clone(), &path, value);
        }
    }
}

#[cfg(test)]
mod tests;
