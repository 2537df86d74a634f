//! The second parse: rendered text to a tree of prose, each node with its line in the note.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use pulldown_cmark::{Alignment, CodeBlockKind, Event, Parser, Tag};

mod pieces;
mod words;

use super::ast::{Block, Inline, plain_text};
use super::ids::Ids;
use super::prose::Frame;
use super::protect::{Restored, VALUE, read_mark};
use super::structure::options;
use crate::diag::Diagnostic;
use pieces::{DISPLAY, is_block, is_inline, paragraphs, push_text};
use words::{cell_count, quote_word, slug};

/// Most pieces of markup in one paragraph, heading or cell: a typesetter breaks its lines over all of them at once.
const MOST_PIECES: usize = 2000;

/// Deeper nesting than this is refused: typesetters give up not far above.
const DEEPEST: usize = 60;

pub(super) struct Builder<'a> {
    text: &'a Restored,
    values: &'a [String],
    frame: &'a Frame<'a>,
    /// Name of the block that a fence at this line of the note stands for.
    solved: &'a BTreeMap<usize, String>,
    shown: BTreeSet<String>,
    ids: Ids,
    depth: usize,
    /// Pieces of markup so far in the paragraph that is being read.
    pieces: usize,
    /// The mark of the list item that is being read.
    task: Option<bool>,
    out: &'a mut Vec<Diagnostic>,
    events: std::iter::Peekable<std::vec::IntoIter<(Event<'a>, Range<usize>)>>,
}

impl<'a> Builder<'a> {
    pub(super) fn new(
        text: &'a Restored,
        values: &'a [String],
        frame: &'a Frame<'a>,
        solved: &'a BTreeMap<usize, String>,
        out: &'a mut Vec<Diagnostic>,
    ) -> Self {
        let events: Vec<_> = Parser::new_ext(&text.text, options()).into_offset_iter().collect();
        Self {
            text,
            values,
            frame,
            solved,
            shown: BTreeSet::new(),
            ids: Ids::default(),
            depth: 0,
            pieces: 0,
            task: None,
            out,
            events: events.into_iter().peekable(),
        }
    }

    fn line(&self, at: usize) -> usize {
        self.frame.line(self.text.line_at(at))
    }

    fn fault(&mut self, at: usize, word: &str, diagnostic: Diagnostic) {
        let span = self.frame.span(self.text.line_at(at), word);
        self.out.push(diagnostic.at(span));
    }

    /// Blocks up to the end of the tag that holds them.
    pub(super) fn blocks(mut self) -> Vec<Block> {
        self.inner_blocks()
    }

    fn inner_blocks(&mut self) -> Vec<Block> {
        let mut blocks = Vec::new();
        self.depth += 1;
        if self.depth > DEEPEST {
            let at = self.events.peek().map_or(0, |(_, range)| range.start);
            self.fault(
                at,
                "",
                Diagnostic::error("prose-depth", "lists and quotations are nested too deeply"),
            );
            self.skip();
        }
        while let Some((event, range)) = self.events.next_if(|(event, _)| !matches!(event, Event::End(_))) {
            match event {
                Event::Start(tag) if is_block(&tag) => self.block(tag, range, &mut blocks),
                Event::Rule => blocks.push(Block::Rule),
                Event::Html(html) => blocks.push(Block::Html(self.plain(&html))),
                // A tight item holds its text without a paragraph.
                event => {
                    let line = self.line(range.start);
                    let mut text = Vec::new();
                    self.pieces = 0;
                    self.inline(event, range, &mut text);
                    while let Some((event, range)) = self.events.next_if(|(event, _)| is_inline(event)) {
                        self.inline(event, range, &mut text);
                    }
                    paragraphs(text, line, &mut blocks);
                }
            }
        }
        self.depth -= 1;
        blocks
    }

    /// Passes the end of the tag whose inside has been read.
    fn end(&mut self) {
        self.events.next();
    }

    fn block(&mut self, tag: Tag<'a>, range: Range<usize>, blocks: &mut Vec<Block>) {
        let line = self.line(range.start);
        match tag {
            Tag::Paragraph => {
                self.pieces = 0;
                let text = self.marked();
                paragraphs(text, line, blocks);
            }
            Tag::Heading { level, id, classes, .. } => {
                let text = self.line_of_text();
                let id = self.heading_id(id.as_deref(), &text, range.start);
                let classes = classes.iter().map(ToString::to_string).collect();
                blocks.push(Block::Heading { level: level as u8, id, classes, text, line });
            }
            Tag::BlockQuote(kind) => {
                let inner = self.inner_blocks();
                blocks.push(Block::Quote(kind.map(quote_word), inner));
            }
            Tag::CodeBlock(kind) => blocks.push(self.code(&kind, line, range.start)),
            Tag::HtmlBlock => {
                let html = self.raw_text();
                blocks.push(Block::Html(html));
                return;
            }
            Tag::List(start) => blocks.push(self.list(start)),
            Tag::FootnoteDefinition(name) => {
                let inner = self.inner_blocks();
                blocks.push(Block::Footnote(name.to_string(), inner));
            }
            Tag::Table(align) => blocks.push(self.table(&align)),
            Tag::DefinitionList => blocks.push(self.definitions()),
            // Reported by the first pass; anything else is not a block.
            _ => {
                self.raw_text();
                return;
            }
        }
        self.end();
    }

    /// The text of everything up to the end of the open tag, that end passed.
    fn raw_text(&mut self) -> String {
        let mut text = String::new();
        let mut depth = 0;
        for (event, _) in self.events.by_ref() {
            match event {
                Event::Start(_) => depth += 1,
                Event::End(_) if depth == 0 => break,
                Event::End(_) => depth -= 1,
                Event::Text(piece) | Event::Html(piece) => text.push_str(&piece),
                _ => {}
            }
        }
        self.plain(&text)
    }

    fn code(&mut self, kind: &CodeBlockKind<'_>, line: usize, at: usize) -> Block {
        let mut text = String::new();
        while let Some((event, _)) = self.events.next_if(|(event, _)| !matches!(event, Event::End(_))) {
            if let Event::Text(piece) = event {
                text.push_str(&piece);
            }
        }
        let CodeBlockKind::Fenced(info) = kind else {
            return Block::Code { language: String::new(), text: self.plain(&text) };
        };
        if let Some(name) = self.solved.get(&line).cloned() {
            if !self.shown.insert(name.clone()) {
                let message = format!("the block `{name}` is shown twice");
                let diagnostic = Diagnostic::error("shown-twice", message).of_block(&name);
                self.fault(at, "", diagnostic.hint("keep blocks out of `{% for %}`"));
            }
            return Block::Solved(name, line);
        }
        let language = info.split_whitespace().next().unwrap_or("").to_owned();
        Block::Code { language, text: self.plain(&text) }
    }

    fn list(&mut self, start: Option<u64>) -> Block {
        let (mut items, mut tight) = (Vec::new(), true);
        while self.events.next_if(|(event, _)| matches!(event, Event::Start(Tag::Item))).is_some() {
            tight &= !matches!(self.events.peek(), Some((Event::Start(Tag::Paragraph), _)));
            let outer = self.task.take();
            let blocks = self.inner_blocks();
            items.push((self.task.take(), blocks));
            self.task = outer;
            self.end();
        }
        Block::List { start, tight, items }
    }

    fn definitions(&mut self) -> Block {
        let mut list: Vec<(Vec<Inline>, Vec<Vec<Block>>)> = Vec::new();
        while let Some((event, _)) = self.events.next_if(|(event, _)| !matches!(event, Event::End(_))) {
            match event {
                Event::Start(Tag::DefinitionListTitle) => {
                    let title = self.line_of_text();
                    list.push((title, Vec::new()));
                    self.end();
                }
                Event::Start(Tag::DefinitionListDefinition) => {
                    let blocks = self.inner_blocks();
                    if let Some((_, definitions)) = list.last_mut() {
                        definitions.push(blocks);
                    }
                    self.end();
                }
                _ => {}
            }
        }
        Block::Definitions(list)
    }

    fn table(&mut self, align: &[Alignment]) -> Block {
        let (mut head, mut rows) = (Vec::new(), Vec::new());
        while let Some((event, range)) = self.events.next_if(|(event, _)| !matches!(event, Event::End(_))) {
            let is_head = matches!(event, Event::Start(Tag::TableHead));
            let mut cells = Vec::new();
            while self.events.next_if(|(event, _)| matches!(event, Event::Start(Tag::TableCell))).is_some() {
                let cell = self.line_of_text();
                cells.push(cell);
                self.end();
            }
            self.end();
            let written = cell_count(&self.text.text[range.clone()]);
            if is_head {
                head = cells;
            } else {
                if written > align.len() {
                    let message =
                        format!("this row has {written} cells, the head of the table {}", align.len());
                    let diagnostic = Diagnostic::error("table-cells", message);
                    self.fault(range.start, "", diagnostic.hint("write `\\|` for a bar inside a cell"));
                }
                rows.push(cells);
            }
        }
        let align = align.iter().map(|align| match align {
            Alignment::None => None,
            Alignment::Left => Some(-1),
            Alignment::Center => Some(0),
            Alignment::Right => Some(1),
        });
        Block::Table { align: align.collect(), head, rows }
    }

    /// The inline content of a paragraph, heading or cell.
    fn line_of_text(&mut self) -> Vec<Inline> {
        self.pieces = 0;
        self.inlines()
    }

    /// Counts one more piece of markup.
    fn piece(&mut self, at: usize) {
        self.pieces += 1;
        if self.pieces == MOST_PIECES + 1 {
            let message = format!(
                "a paragraph with more than {MOST_PIECES} pieces of markup (code, tags, emphasis, ..)"
            );
            let diagnostic = Diagnostic::error("paragraph-too-long", message);
            self.fault(at, "", diagnostic.hint("part it by empty lines"));
        }
    }

    /// Inline content up to the end of the tag that holds it; display math is as any other, where no block can stand.
    fn inlines(&mut self) -> Vec<Inline> {
        let mut text = self.marked();
        for piece in &mut text {
            if let Inline::Math(tex, _) = piece
                && let Some(plain) = tex.strip_prefix(DISPLAY)
            {
                *tex = plain.to_owned();
            }
        }
        text
    }

    /// Inline content up to the end of the tag that holds it, with display math marked.
    fn marked(&mut self) -> Vec<Inline> {
        let mut text = Vec::new();
        while let Some((event, range)) = self.events.next_if(|(event, _)| !matches!(event, Event::End(_))) {
            self.inline(event, range, &mut text);
        }
        text
    }

    fn inline(&mut self, event: Event<'a>, range: Range<usize>, into: &mut Vec<Inline>) {
        let line = self.line(range.start);
        if !matches!(event, Event::Text(_) | Event::SoftBreak | Event::HardBreak) {
            self.piece(range.start);
        }
        match event {
            Event::Text(text) => {
                self.undefined_footnote(&range);
                self.live(&text, into);
            }
            Event::Code(code) => into.push(Inline::Code(self.plain(&code))),
            Event::InlineMath(tex) => into.push(Inline::Math(self.tex(&tex), line)),
            // Told apart from inline math when the paragraph is split around it.
            Event::DisplayMath(tex) => into.push(Inline::Math(format!("{DISPLAY}{}", self.tex(&tex)), line)),
            Event::InlineHtml(html) | Event::Html(html) => into.push(Inline::Html(self.plain(&html))),
            Event::FootnoteReference(name) => into.push(Inline::FootnoteRef(name.to_string())),
            Event::SoftBreak => into.push(Inline::SoftBreak),
            Event::HardBreak => into.push(Inline::HardBreak),
            Event::TaskListMarker(done) => self.task = Some(done),
            Event::Start(tag) => {
                self.depth += 1;
                if self.depth > DEEPEST {
                    let message = "emphasis and links are nested too deeply";
                    self.fault(range.start, "", Diagnostic::error("prose-depth", message));
                    self.skip();
                }
                let text = self.inlines();
                self.depth -= 1;
                into.push(match tag {
                    Tag::Emphasis => Inline::Emphasis(text),
                    Tag::Strong => Inline::Strong(text),
                    Tag::Strikethrough => Inline::Struck(text),
                    Tag::Image { dest_url, title, .. } => Inline::Image {
                        path: self.plain(&dest_url),
                        alt: plain_text(&text),
                        title: self.plain(&title),
                        line,
                    },
                    Tag::Link { dest_url, .. } => Inline::Link { to: self.plain(&dest_url), text, line },
                    _ => Inline::Text(plain_text(&text)),
                });
                self.end();
            }
            Event::End(_) | Event::Rule => {}
        }
    }

    /// Skips to the end of the open tag without passing it; for what is nested too deeply.
    fn skip(&mut self) {
        let mut depth = 0;
        while let Some((event, _)) =
            self.events.next_if(|(event, _)| depth > 0 || !matches!(event, Event::End(_)))
        {
            match event {
                Event::Start(_) => depth += 1,
                Event::End(_) => depth -= 1,
                _ => {}
            }
        }
    }

    /// Text with its live values as nodes of their own.
    fn live(&self, text: &str, into: &mut Vec<Inline>) {
        let mut rest = text;
        while let Some(at) = rest.find(VALUE) {
            push_text(&rest[..at], into);
            match read_mark(&rest[at..], VALUE) {
                Some((number, after)) => {
                    into.push(Inline::Live(self.value(number).to_owned()));
                    rest = after;
                }
                None => rest = &rest[at + VALUE.len_utf8()..],
            }
        }
        push_text(rest, into);
    }

    fn value(&self, number: usize) -> &str {
        self.values.get(number).map_or("", String::as_str)
    }

    fn replace(&self, text: &str, print: impl Fn(&str) -> String) -> String {
        let mut plain = String::with_capacity(text.len());
        let mut rest = text;
        while let Some(at) = rest.find(VALUE) {
            plain.push_str(&rest[..at]);
            match read_mark(&rest[at..], VALUE) {
                Some((number, after)) => {
                    plain.push_str(&print(self.value(number)));
                    rest = after;
                }
                None => rest = &rest[at + VALUE.len_utf8()..],
            }
        }
        plain.push_str(rest);
        plain
    }

    /// Text with its live values printed into it.
    fn plain(&self, text: &str) -> String {
        self.replace(text, str::to_owned)
    }

    /// TeX with its live values as texts.
    fn tex(&self, tex: &str) -> String {
        self.replace(tex, |value| {
            let escaped = value.chars().fold(String::new(), |mut text, c| {
                if matches!(c, '%' | '#' | '_' | '{' | '}' | '$' | '&') {
                    text.push('\\');
                }
                // These three have no escape that is good in every TeX parser.
                text.push(if matches!(c, '\\' | '^' | '~') { ' ' } else { c });
                text
            });
            format!("\\text{{{escaped}}}")
        })
    }

    /// `[^x]` without a definition stays text in Markdown; that is never meant.
    fn undefined_footnote(&mut self, range: &Range<usize>) {
        let text = &self.text.text;
        if text[..range.start].ends_with('\\') {
            return;
        }
        let Some(rest) = text[range.start..].strip_prefix("[^") else { return };
        let Some((name, _)) = rest.split_once(']') else { return };
        if name.is_empty() || name.contains(char::is_whitespace) {
            return;
        }
        let message = format!("the footnote `{name}` is not defined");
        let word = format!("[^{name}]");
        let diagnostic = Diagnostic::error("footnote-missing", message);
        self.fault(
            range.start,
            &word,
            diagnostic.hint(format!("write `[^{name}]: ..` on a line of its own")),
        );
    }

    /// The identifier of a heading, given or made from its text; unique.
    fn heading_id(&mut self, given: Option<&str>, text: &[Inline], at: usize) -> String {
        let made = given.map_or_else(|| slug(&plain_text(text)), str::to_owned);
        if given.is_some() && self.ids.has(&made) {
            let message = format!("two headings have the identifier `{made}`");
            self.fault(at, &made, Diagnostic::error("heading-id", message));
        }
        self.ids.take(&made)
    }
}

#[cfg(test)]
mod tests;
