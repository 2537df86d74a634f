//! Prose and exhibits as Typst markup.

use std::collections::{BTreeMap, BTreeSet};

use super::marks::mark;
use super::math::to_typst;
use super::quote::{literal, markup, raw, ticked, with_breaks};
use super::tables::{Cell, Fit, Side, Table};
use crate::diag::Diagnostic;
use crate::document::{
    Block, Document, Inline, Placed, PlacedFigure, PlacedTable, SetTable, TableCell, image_file, plain_text,
};
use crate::exhibit::Drawing;
use crate::results::State;

/// Lists and quotations inside one another beyond this are refused, before Typst's limit of 256 levels is met.
const DEEPEST: usize = 24;
/// Words longer than this may be broken without a hyphen, in text and in cells.
const LONG_WORD: usize = 48;
const LONG_WORD_IN_CELL: usize = 18;

/// Writes prose; collects what Typst can't say.
pub(super) struct Writer<'a> {
    document: &'a Document,
    /// The matrix, for the block in whose place it stands.
    matrix: &'a str,
    /// Before every label and file: nothing, or in a package the note and a slash.
    within: &'a str,
    footnotes: BTreeMap<&'a str, &'a [Block]>,
    /// Footnotes whose text is already there.
    noted: BTreeSet<&'a str>,
    images: usize,
    depth: usize,
    long_word: usize,
    faults: Vec<Diagnostic>,
}

impl<'a> Writer<'a> {
    pub(super) fn new(document: &'a Document, matrix: &'a str) -> Self {
        let mut footnotes = BTreeMap::new();
        collect_footnotes(&document.body, &mut footnotes);
        Self {
            document,
            matrix,
            within: "",
            footnotes,
            noted: BTreeSet::new(),
            images: 0,
            depth: 0,
            long_word: LONG_WORD,
            faults: Vec::new(),
        }
    }

    /// The same in a package, where labels and files of each note stand below its name.
    pub(super) fn within(mut self, within: &'a str) -> Self {
        self.within = within;
        self
    }

    /// The label of that name, as Typst says it.
    pub(super) fn label(&self, id: &str) -> String {
        format!("label({})", literal(&format!("{}{id}", self.within)))
    }

    pub(super) fn faults(self) -> Vec<Diagnostic> {
        self.faults
    }

    /// Blocks, each on lines of its own, without blank space at the end.
    pub(super) fn blocks(&mut self, blocks: &'a [Block]) -> String {
        let mut out = String::new();
        for block in blocks {
            self.block(block, &mut out);
        }
        out.truncate(out.trim_end().len());
        out
    }

    /// Blocks inside a list or a quotation.
    fn inner(&mut self, blocks: &'a [Block]) -> String {
        self.depth += 1;
        if self.depth > DEEPEST {
            self.depth -= 1;
            let message =
                format!("lists and quotations stand deeper than {DEEPEST} levels inside one another");
            if self.faults.iter().all(|fault| fault.message != message) {
                let line = blocks.iter().find_map(line_of).unwrap_or(1);
                self.faults
                    .push(Diagnostic::error("nesting-too-deep", message).at(self.document.place(line, "")));
            }
            return String::new();
        }
        let out = self.blocks(blocks);
        self.depth -= 1;
        out
    }

    fn block(&mut self, block: &'a Block, out: &mut String) {
        if let Some(line) = line_of(block) {
            out.push_str(&mark(line));
        }
        match block {
            Block::Heading { level, id, text, .. } => {
                let number = self.document.anchor(id).map(|anchor| anchor.number.as_str());
                let numbering = number.map_or("none".to_owned(), |n| format!("(..) => {}", literal(n)));
                let outlined = self.depth == 0;
                // What floats stays in its section, so that numbers follow one another.
                if *level == 1 && self.depth == 0 {
                    out.push_str("#place.flush()\n");
                }
                let untitled = plain_text(text).trim().is_empty();
                let text = if untitled { markup("Untitled") } else { self.inlines(text) };
                out.push_str(&format!(
                    "#heading(depth: {level}, numbering: {numbering}, outlined: {outlined})[{text}]"
                ));
                if number.is_some() {
                    out.push_str(&format!("#{}", self.label(id)));
                }
            }
            Block::Paragraph(inlines, _) => match inlines.as_slice() {
                [Inline::Image { path, alt, title, .. }] => out.push_str(&self.image_block(path, alt, title)),
                _ => out.push_str(&self.inlines(inlines)),
            },
            Block::List { start, tight, items } => self.list(*start, *tight, items, out),
            Block::Quote(None, inner) => {
                let inner = self.inner(inner);
                out.push_str(&format!("#quote(block: true)[\n{inner}\n]"));
            }
            Block::Quote(Some(kind), inner) => {
                let inner = self.inner(inner);
                out.push_str(&format!("#lc-notice({})[\n{inner}\n]", literal(kind)));
            }
            Block::Code { language, text } => {
                let text =
                    text.trim_end_matches('\n').lines().map(|line| with_breaks(line, 84)).collect::<Vec<_>>();
                out.push_str(&format!(
                    "#raw(block: true, lang: {}, {})",
                    if language.is_empty() { "none".to_owned() } else { literal(language) },
                    literal(&text.join("\n"))
                ));
            }
            Block::Table { align, head, rows } => out.push_str(&self.authors_table(align, head, rows)),
            Block::Rule => out.push_str("#lc-rule"),
            Block::Math(tex, line) => out.push_str(&self.math(tex, *line, true)),
            Block::Footnote(..) => return,
            Block::Definitions(terms) => {
                out.push_str("#terms(tight: false,\n");
                for (term, texts) in terms {
                    let term = self.inlines(term);
                    let texts: Vec<String> = texts.iter().map(|text| self.inner(text)).collect();
                    out.push_str(&format!("terms.item([{term}], [{}]),\n", texts.join("\n\n")));
                }
                out.push(')');
            }
            Block::Html(text) => out.push_str(&format!("#raw(block: true, {})", literal(text.trim_end()))),
            Block::Solved(name, line) => {
                if self.document.matrix_block.as_deref() == Some(name) {
                    out.push_str(self.matrix);
                }
                self.exhibits(name, *line, out);
                return;
            }
        }
        out.push_str("\n\n");
    }

    fn list(
        &mut self,
        start: Option<u64>,
        tight: bool,
        items: &'a [(Option<bool>, Vec<Block>)],
        out: &mut String,
    ) {
        let tasks = items.iter().all(|(task, _)| task.is_some());
        match start {
            Some(start) => out.push_str(&format!("#enum(start: {start}, tight: {tight},\n")),
            None if tasks => out.push_str(&format!("#list(tight: {tight}, marker: [],\n")),
            None => out.push_str(&format!("#list(tight: {tight},\n")),
        }
        for (task, blocks) in items {
            let inner = self.inner(blocks);
            let task = task.map(|done| format!("#lc-task({done});")).unwrap_or_default();
            out.push_str(&format!("[{task}{}{inner}\n],\n", if inner.starts_with("//") { "\n" } else { "" }));
        }
        out.push(')');
    }

    /// A line of text.
    pub(super) fn inlines(&mut self, inlines: &'a [Inline]) -> String {
        let mut out = String::new();
        for inline in inlines {
            match inline {
                Inline::Text(text) | Inline::Live(text) => {
                    out.push_str(&markup(&with_breaks(text, self.long_word)));
                }
                Inline::Code(text) | Inline::Html(text) => {
                    out.push_str(&raw(&with_breaks(text, self.long_word)));
                }
                Inline::Emphasis(inner) => out.push_str(&format!("#emph[{}];", self.inlines(inner))),
                Inline::Strong(inner) => out.push_str(&format!("#strong[{}];", self.inlines(inner))),
                Inline::Struck(inner) => out.push_str(&format!("#strike[{}];", self.inlines(inner))),
                Inline::Link { to, text, .. } => {
                    let target = match to.strip_prefix('#') {
                        Some(id) => self.label(id),
                        None => literal(to),
                    };
                    let text =
                        if text.is_empty() { markup(&with_breaks(to, 24)) } else { self.inlines(text) };
                    out.push_str(&format!("#link({target})[{text}];"));
                }
                Inline::Image { path, alt, title, .. } => {
                    out.push_str(&format!("#box({});", self.image_call(path, alt, title)));
                }
                Inline::Math(tex, line) => out.push_str(&self.math(tex, *line, false)),
                Inline::FootnoteRef(name) => out.push_str(&self.footnote(name)),
                Inline::SoftBreak => out.push(' '),
                Inline::HardBreak => out.push_str("#linebreak();"),
            }
        }
        out
    }

    fn footnote(&mut self, name: &str) -> String {
        let Some((name, blocks)) = self.footnotes.get_key_value(name).map(|(n, b)| (*n, *b)) else {
            return String::new();
        };
        let label = self.label(&format!("footnote:{name}"));
        // Also inside its own text, so that a footnote that cites itself ends.
        if !self.noted.insert(name) {
            return format!("#footnote({label});");
        }
        let long_word = std::mem::replace(&mut self.long_word, LONG_WORD);
        let inner = self.inner(blocks);
        self.long_word = long_word;
        format!("#footnote[\n{inner}\n]#{label};")
    }

    fn math(&mut self, tex: &str, line: usize, display: bool) -> String {
        match to_typst(tex) {
            Ok(typst) => {
                let (open, close) = if display { ("$ ", " $") } else { ("$", "$") };
                format!(
                    "#math.equation(block: {display}, alt: {}, {open}{typst}{close}.body);",
                    literal(tex.trim())
                )
            }
            Err(message) => {
                let first = tex.trim().lines().next().unwrap_or_default();
                self.faults.push(
                    Diagnostic::error("formula-fault", format!("this formula can't be set: {message}"))
                        .at(self.document.place(line, first)),
                );
                String::new()
            }
        }
    }

    fn image_call(&self, path: &str, alt: &str, title: &str) -> String {
        let words = [alt, title, path].into_iter().find(|text| !text.is_empty()).unwrap_or("image");
        let file = format!("{}{}", self.within, image_file(path));
        format!("lc-image({}, {})", literal(&file), literal(words))
    }

    fn image_block(&mut self, path: &str, alt: &str, title: &str) -> String {
        let image = self.image_call(path, alt, title);
        if title.is_empty() {
            return format!("#align(center, {image})");
        }
        let number = self.document.image_numbers.get(self.images).copied().unwrap_or(0);
        self.images += 1;
        format!(
            "#figure(kind: image, supplement: [Figure], numbering: (..) => \"{number}\", alt: {}, caption: [{}], {image})",
            literal(if alt.is_empty() { title } else { alt }),
            markup(title)
        )
    }

    fn exhibits(&mut self, name: &str, line: usize, out: &mut String) {
        let document = self.document;
        for placed in document.exhibits_of(name) {
            out.push_str(&mark(line));
            match placed {
                Placed::Figure(figure) => out.push_str(&self.figure(figure)),
                Placed::Table(table) => out.push_str(&self.exhibit_table(table)),
                Placed::Prose { lead, text } => {
                    let text = self.blocks(text);
                    if !lead.is_empty() {
                        out.push_str(&format!("#lc-lead[{}];", markup(lead)));
                    }
                    // The mark of the first paragraph starts a line.
                    out.push('\n');
                    out.push_str(&text);
                }
            }
            out.push_str("\n\n");
        }
    }

    fn figure(&mut self, figure: &'a PlacedFigure) -> String {
        let caption = self.inlines(&figure.caption);
        let alt = literal(&figure.figure.alt);
        // Curves go to the head or foot of a page and the text runs on, so that no page stays half empty before them. What
        // is drawn of the loop stands in the text; figures that wait come before it, in the order of their numbers.
        let floats = matches!(figure.figure.drawing, Drawing::Plot(_) | Drawing::Bars(_));
        let (before, placement) = match (self.depth, floats) {
            (0, true) => ("", "placement: auto, "),
            (0, false) => ("#place.flush()\n", ""),
            _ => ("", ""),
        };
        format!(
            "{before}#figure(kind: image, {placement}supplement: [Figure], numbering: (..) => \"{}\", alt: {alt}, \
             caption: [{caption}],\nimage({}, alt: {alt}, width: 100%))#{}",
            figure.number,
            literal(&format!("{}{}", self.within, figure.file)),
            self.label(&figure.label),
        )
    }

    fn exhibit_table(&mut self, table: &'a PlacedTable) -> String {
        let caption = self.inlines(&table.caption);
        let (document, upright) = (self.document, self.depth == 0);
        // On a page that can be turned it is the same wherever it stands.
        let set = if upright {
            document.tables.set(&table.label, &table.rows, || self.set_table(table))
        } else {
            self.set_table(table)
        };
        let figure = format!(
            "#figure(kind: table, {}supplement: [Table], numbering: (..) => \"{}\", caption: [{caption}],\n{})#{}",
            if set.floats && self.depth == 0 { "placement: auto, " } else { "" },
            table.number,
            set.text,
            self.label(&table.label),
        );
        self.turned(figure, set.lying)
    }

    fn set_table(&mut self, table: &'a PlacedTable) -> SetTable {
        self.long_word = LONG_WORD_IN_CELL;
        let sides: Vec<Side> =
            table.columns.iter().map(|c| if c.numeric { Side::Right } else { Side::Left }).collect();
        let head = table.columns.iter().map(|c| plain_cell(&c.head)).collect();
        let rows = table.rows.iter().map(|row| row.iter().map(|cell| self.cell(cell)).collect()).collect();
        self.long_word = LONG_WORD;
        let layout = Table { sides, head, rows };
        let fit = layout.fit();
        let note =
            if table.note.is_empty() { String::new() } else { format!(", note: [{}]", ticked(&table.note)) };
        let floats = layout.floats(fit);
        SetTable { text: self.laid_out(&layout, fit, floats, &note), lying: fit.lying, floats }
    }

    fn authors_table(
        &mut self,
        align: &[Option<i8>],
        head: &'a [Vec<Inline>],
        rows: &'a [Vec<Vec<Inline>>],
    ) -> String {
        self.long_word = LONG_WORD_IN_CELL;
        let mut cells = |row: &'a [Vec<Inline>]| -> Vec<Cell> {
            row.iter().map(|cell| Cell { markup: self.inlines(cell), text: plain_text(cell) }).collect()
        };
        let head = cells(head);
        let rows: Vec<Vec<Cell>> = rows.iter().map(|row| cells(row)).collect();
        self.long_word = LONG_WORD;
        let columns = head.len().max(1);
        let side = |column: usize| match align.get(column).copied().flatten() {
            Some(1) => Side::Right,
            Some(0) => Side::Centre,
            _ => Side::Left,
        };
        let layout = Table { sides: (0..columns).map(side).collect(), head, rows };
        let fit = layout.fit();
        let call = format!("#{}", self.laid_out(&layout, fit, false, ""));
        self.turned(call, fit.lying)
    }

    fn laid_out(&self, table: &Table, fit: Fit, whole: bool, note: &str) -> String {
        let size = if fit.lying && self.depth > 0 { 5.8 } else { fit.size };
        let kept = whole || table.kept();
        format!("lc-table(size: {size}pt, kept: {kept}{note}, {})", table.call(fit))
    }

    fn turned(&self, content: String, lying: bool) -> String {
        if lying && self.depth == 0 { format!("#lc-lying[\n{content}\n]") } else { content }
    }

    fn cell(&mut self, cell: &'a TableCell) -> Cell {
        match cell {
            TableCell::Empty => Cell::default(),
            // An inline equation would keep the height of a line and run over the rules of the table.
            TableCell::Math(tex, line) => {
                let equation = self.math(tex, *line, true);
                Cell {
                    markup: format!("#align(left, box(inset: (y: 2pt), [{equation}]));"),
                    text: tex.clone(),
                }
            }
            TableCell::Prose(inlines) => Cell { markup: self.inlines(inlines), text: plain_text(inlines) },
            TableCell::Number { text, .. } => plain_cell(text),
            TableCell::Verdict(state, reserve_missing) => {
                Cell { markup: verdict(*state, *reserve_missing), text: "reserve not kept".to_owned() }
            }
        }
    }
}

/// A cell of plain text.
pub(super) fn plain_cell(text: &str) -> Cell {
    Cell { markup: markup(&with_breaks(text, LONG_WORD_IN_CELL)), text: text.to_owned() }
}

/// A verdict in word and shape.
pub(super) fn verdict(state: State, reserve_missing: bool) -> String {
    format!("#lc-verdict({});", literal(verdict_word(state, reserve_missing)))
}

/// The word our templates know a verdict by.
pub(super) fn verdict_word(state: State, reserve_missing: bool) -> &'static str {
    if state == State::Met && reserve_missing { "reserve not kept" } else { state.word() }
}

fn line_of(block: &Block) -> Option<usize> {
    match block {
        Block::Heading { line, .. }
        | Block::Paragraph(_, line)
        | Block::Math(_, line)
        | Block::Solved(_, line) => Some(*line),
        _ => None,
    }
}

fn collect_footnotes<'a>(blocks: &'a [Block], found: &mut BTreeMap<&'a str, &'a [Block]>) {
    for block in blocks {
        match block {
            Block::Footnote(name, text) => {
                found.entry(name).or_insert(text);
            }
            Block::Quote(_, inner) => collect_footnotes(inner, found),
            Block::List { items, .. } => items.iter().for_each(|(_, inner)| collect_footnotes(inner, found)),
            _ => {}
        }
    }
}
