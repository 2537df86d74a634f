//! Puts the document together.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::blocks::{fields_of, file_of};
use super::input::{BlockInput, Equation, Fill, Input};
use super::links::{Place, Resolver, each_place, number_headings};
use super::matrix::{self, MatrixRow};
use super::summary::{self, KeyFigure, TwiceRow};
use super::verdict::{self, Cover};
use super::words::one_line;
use super::{
    Anchor, AnchorKind, Block, Edition, Exhibits, Fact, Inline, Placed, PlacedFigure, PlacedTable, TableCell,
    Tables,
};
use super::{audience, plain_text};
use crate::diag::{Diagnostic, Severity, Warned};
use crate::exhibit::{Cell, Drawings, Exhibit, Table};
use crate::note::Front;
use crate::results::Store;
use crate::source::{FileId, SourceMap, Span, confine};

/// A document for one kind of reader; nothing in it is hidden from him.
#[derive(Clone, Debug)]
pub struct Document {
    /// For whom.
    pub edition: Edition,
    /// Front matter.
    pub front: Front,
    /// What the cover says.
    pub cover: Cover,
    /// Key table of the summary.
    pub key_figures: Vec<KeyFigure>,
    /// Compliance matrix.
    pub matrix: Vec<MatrixRow>,
    /// The `compliance` block in whose place the matrix stands; else it follows the summary.
    pub matrix_block: Option<String>,
    /// The author's prose, numbered, links resolved; [`Block::Solved`] stands where exhibits go.
    pub body: Vec<Block>,
    /// Exhibits by block.
    pub exhibits: Vec<Exhibits>,
    /// Where links lead.
    pub anchors: Vec<Anchor>,
    /// Numbers of the author's captioned images, in reading order.
    pub image_numbers: Vec<usize>,
    /// Inputs as used.
    pub facts: Vec<Fact>,
    /// Formulas used, each once.
    pub equations: Vec<Equation>,
    /// Every number twice.
    pub twice: Vec<TwiceRow>,
    /// What was overridden on the command line.
    pub what_if: Vec<String>,
    /// Name and version of the typesetter.
    pub typesetter: String,
    /// Filters of the loops that are shown: block, and SPICE cards.
    pub netlists: Vec<(String, String)>,
    /// Bytes of the images that the prose shows, by their file in the result folder.
    pub pictures: BTreeMap<String, Arc<[u8]>>,
    /// Results, as far as this reader sees them.
    pub store: Store,
    /// Tables filled and set before.
    pub tables: Arc<Tables>,
    /// Figures drawn before.
    pub drawings: Arc<Drawings>,
    sources: Arc<SourceMap>,
    file: FileId,
}

impl Document {
    /// The exhibits of a block.
    pub fn exhibits_of(&self, block: &str) -> &[Placed] {
        self.exhibits.iter().find(|e| e.block == block).map_or(&[], |e| &e.placed)
    }

    /// The anchor with this identifier.
    pub fn anchor(&self, id: &str) -> Option<&Anchor> {
        self.anchors.iter().find(|anchor| anchor.id == id)
    }

    /// The place of `part` on a line of the note (or from it on), or the whole line.
    pub fn place(&self, line: usize, part: &str) -> Span {
        place_in(&self.sources, self.file, line, part)
    }

    /// Paths of all images in the prose, relative to the note, each once.
    pub fn images(&self) -> Vec<String> {
        let mut paths = BTreeSet::new();
        collect_images(&self.body, &mut paths);
        paths.into_iter().collect()
    }
}

fn place_in(sources: &SourceMap, file: FileId, line: usize, part: &str) -> Span {
    let span = sources.line_span(file, line);
    let text = sources.text(file);
    match text.get(span.start..).and_then(|rest| rest.find(part)) {
        Some(at) if !part.is_empty() && at <= span.end - span.start => {
            Span::new(file, span.start + at, span.start + at + part.len())
        }
        _ => span,
    }
}

/// Assembles the document of one edition.
///
/// # Errors
/// All faults in texts that are filled here, and links that lead nowhere.
pub fn assemble(input: Input<'_>) -> Result<Warned<Document>, Vec<Diagnostic>> {
    let Input { edition, front, prose, store, blocks, what_if, typesetter, tables, fill, sources, file } =
        input;
    let internal: Vec<String> = blocks.iter().filter(|b| b.internal).map(|b| b.name.clone()).collect();
    let mut faults = Vec::new();

    let mut everything = without_title(prose, &front.title);
    let mut withheld = ids_of(&mut everything, &blocks);
    let mut body = audience::choose(everything, &internal, edition);
    let store = audience::choose_results(store, &internal, edition);
    let shown: Vec<&BlockInput> =
        blocks.iter().filter(|block| edition == Edition::Review || !block.internal).collect();

    let mut anchors = number_headings(&mut body);
    let mut numbering = Numbering {
        shown: &shown,
        fill,
        kept: &tables,
        figures: 0,
        tables: 0,
        image_numbers: Vec::new(),
        exhibits: Vec::new(),
        faults: Vec::new(),
    };
    each_place(&body, &mut |place| numbering.place(&place));
    let Numbering { mut exhibits, image_numbers, faults: more, .. } = numbering;
    faults.extend(more);
    anchors.extend(exhibits.iter().flat_map(|e| &e.placed).filter_map(|placed| {
        let (id, kind, number) = match placed {
            Placed::Figure(figure) => (&figure.label, AnchorKind::Figure, figure.number),
            Placed::Table(table) => (&table.label, AnchorKind::Table, table.number),
            Placed::Prose { .. } => return None,
        };
        Some(Anchor { id: id.clone(), kind, number: number.to_string() })
    }));
    let labels: Vec<&str> = anchors.iter().map(|anchor| anchor.id.as_str()).collect();
    tables.retain(&labels);
    for anchor in &anchors {
        withheld.remove(&anchor.id);
    }
    if edition == Edition::Review {
        withheld.clear();
    }

    let mut matrix = matrix::rows(&store, fill).unwrap_or_else(|more| {
        faults.extend(more);
        Vec::new()
    });
    let place = |line: usize, part: &str| place_in(&sources, file, line, part);
    let mut resolver = Resolver { anchors: &anchors, withheld: &withheld, place: &place, found: Vec::new() };
    resolver.blocks(&mut body);
    for placed in exhibits.iter_mut().flat_map(|e| &mut e.placed) {
        match placed {
            Placed::Figure(figure) => resolver.inlines(&mut figure.caption),
            Placed::Table(table) => {
                resolver.inlines(&mut table.caption);
                // Rows that are shared with the turn before hold no links.
                for cell in Arc::get_mut(&mut table.rows).into_iter().flatten().flatten() {
                    if let TableCell::Prose(inlines) = cell {
                        resolver.inlines(inlines);
                    }
                }
            }
            Placed::Prose { text, .. } => resolver.blocks(text),
        }
    }
    for row in &mut matrix {
        resolver.inlines(&mut row.text);
        resolver.inlines(&mut row.evidence);
        let shown = row.shown_by.take().map(|block| format!("{block}.table"));
        row.shown_by = shown.filter(|id| anchors.iter().any(|anchor| anchor.id == *id));
    }
    let (errors, warnings): (Vec<_>, Vec<_>) =
        resolver.found.into_iter().partition(|found| found.severity == Severity::Error);
    faults.extend(errors);
    if !faults.is_empty() {
        return Err(faults);
    }

    let document = Document {
        cover: verdict::cover(&store, &matrix, &blocks, edition),
        key_figures: summary::key_figures(&store),
        twice: summary::twice(&store),
        netlists: shown.iter().filter_map(|b| Some((b.name.clone(), b.netlist.clone()?))).collect(),
        matrix_block: shown.iter().find(|b| b.kind == "compliance").map(|b| b.name.clone()),
        facts: facts(&shown, &store),
        equations: equations(&shown),
        edition,
        front,
        matrix,
        body,
        exhibits,
        anchors,
        image_numbers,
        what_if,
        typesetter,
        pictures: BTreeMap::new(),
        store,
        tables,
        drawings: Arc::default(),
        sources,
        file,
    };
    Ok(Warned { value: document, warnings })
}

/// Drops a first heading that only repeats the title of the front matter.
fn without_title(mut prose: Vec<Block>, title: &str) -> Vec<Block> {
    let repeats =
        matches!(prose.first(), Some(Block::Heading { text, .. }) if plain_text(text).trim() == title.trim());
    if repeats {
        prose.remove(0);
    }
    prose
}

/// Every identifier of the whole note, whoever may read it.
fn ids_of(prose: &mut [Block], blocks: &[BlockInput]) -> BTreeSet<String> {
    // Numbered on a copy: the edition's own numbers come later.
    let mut copy = prose.to_vec();
    let mut ids: BTreeSet<String> = number_headings(&mut copy).into_iter().map(|anchor| anchor.id).collect();
    for block in blocks {
        for exhibit in &block.exhibits {
            match exhibit {
                Exhibit::Figure(figure) => ids.insert(format!("{}.{}", block.name, figure.anchor)),
                Exhibit::Table(table) => ids.insert(format!("{}.{}", block.name, table.anchor)),
                Exhibit::Prose { .. } => false,
            };
        }
    }
    ids
}

/// Numbers figures and tables in reading order, filling their texts.
struct Numbering<'a> {
    shown: &'a [&'a BlockInput],
    fill: &'a Fill<'a>,
    kept: &'a Tables,
    figures: usize,
    tables: usize,
    image_numbers: Vec<usize>,
    exhibits: Vec<Exhibits>,
    faults: Vec<Diagnostic>,
}

impl Numbering<'_> {
    fn place(&mut self, place: &Place<'_>) {
        let &Place::Solved(name, line) = place else {
            self.figures += 1;
            self.image_numbers.push(self.figures);
            return;
        };
        let shown = self.shown;
        let Some(block) = shown.iter().find(|block| block.name == name) else { return };
        let mut caption = block.caption.as_ref().map(|text| self.line(&text.value, text.span));
        let mut placed = Vec::new();
        for exhibit in &block.exhibits {
            placed.push(match exhibit {
                Exhibit::Figure(figure) => {
                    self.figures += 1;
                    Placed::Figure(Box::new(PlacedFigure {
                        label: format!("{name}.{}", figure.anchor),
                        number: self.figures,
                        caption: caption.take().unwrap_or_else(|| vec![Inline::Text(figure.caption.clone())]),
                        file: file_of(name, &figure.anchor, "figures", "figure", "svg"),
                        figure: Arc::clone(figure),
                        line,
                    }))
                }
                Exhibit::Table(table) => {
                    self.tables += 1;
                    let number = self.tables;
                    let caption = caption.take().unwrap_or_else(|| vec![Inline::Text(table.caption.clone())]);
                    Placed::Table(self.table(name, table, number, caption, line))
                }
                Exhibit::Prose { lead, text, span } => {
                    Placed::Prose { lead: lead.clone(), text: self.blocks(text, *span) }
                }
            });
        }
        self.exhibits.push(Exhibits { block: name.to_owned(), placed });
    }

    fn table(
        &mut self,
        block: &str,
        table: &Arc<Table>,
        number: usize,
        caption: Vec<Inline>,
        line: usize,
    ) -> PlacedTable {
        let label = format!("{block}.{}", table.anchor);
        let rows = self.kept.rows(&label, table, || {
            table.rows.iter().map(|row| row.iter().map(|cell| self.cell(cell, line)).collect()).collect()
        });
        PlacedTable {
            label,
            number,
            caption,
            file: file_of(block, &table.anchor, "tables", "table", "csv"),
            columns: table.columns.clone(),
            rows,
            note: table.note.clone(),
            line,
        }
    }

    fn cell(&mut self, cell: &Cell, line: usize) -> TableCell {
        match cell {
            Cell::Empty => TableCell::Empty,
            Cell::Prose(text, span) => TableCell::Prose(self.line(text, *span)),
            Cell::Math(tex) => TableCell::Math(tex.clone(), line),
            Cell::Number { value, unit, text } => {
                TableCell::Number { value: *value, unit: *unit, text: text.clone() }
            }
            Cell::Verdict(state, reserve_missing) => TableCell::Verdict(*state, *reserve_missing),
            // Where the other exhibit is not shown to this reader, its words remain.
            Cell::Link { text, to } if self.will_show(to) => TableCell::Prose(vec![Inline::Link {
                to: format!("#{to}"),
                text: vec![Inline::Text(text.clone())],
                line,
            }]),
            Cell::Text(text) | Cell::Link { text, .. } => TableCell::Prose(vec![Inline::Text(text.clone())]),
        }
    }

    fn will_show(&self, label: &str) -> bool {
        self.shown.iter().any(|block| {
            label.strip_prefix(block.name.as_str()).and_then(|rest| rest.strip_prefix('.')).is_some_and(
                |rest| {
                    block.exhibits.iter().any(|exhibit| match exhibit {
                        Exhibit::Figure(figure) => figure.anchor == rest,
                        Exhibit::Table(table) => table.anchor == rest,
                        Exhibit::Prose { .. } => false,
                    })
                },
            )
        })
    }

    fn blocks(&mut self, text: &str, span: Span) -> Vec<Block> {
        (self.fill)(text, span).unwrap_or_else(|more| {
            self.faults.extend(more);
            Vec::new()
        })
    }

    fn line(&mut self, text: &str, span: Span) -> Vec<Inline> {
        one_line(self.blocks(text, span))
    }
}

fn facts(shown: &[&BlockInput], store: &Store) -> Vec<Fact> {
    let fact = |block: &&BlockInput| {
        let (basis, source) = block.fact.clone()?;
        let fields = fields_of(store.block(&block.name)?);
        Some(Fact { block: block.name.clone(), kind: block.kind, basis, source, fields })
    };
    shown.iter().filter_map(fact).collect()
}

/// Formulas in the order of the blocks, each once.
fn equations(shown: &[&BlockInput]) -> Vec<Equation> {
    let mut out: Vec<Equation> = Vec::new();
    for equation in shown.iter().flat_map(|block| &block.equations) {
        if !out.iter().any(|known| known.tex == equation.tex) {
            out.push(equation.clone());
        }
    }
    out
}

fn collect_images(blocks: &[Block], paths: &mut BTreeSet<String>) {
    for block in blocks {
        match block {
            Block::Heading { text, .. } | Block::Paragraph(text, _) => images_of(text, paths),
            Block::Quote(_, inner) | Block::Footnote(_, inner) => collect_images(inner, paths),
            Block::List { items, .. } => items.iter().for_each(|(_, inner)| collect_images(inner, paths)),
            Block::Table { head, rows, .. } => {
                head.iter().chain(rows.iter().flatten()).for_each(|cell| images_of(cell, paths));
            }
            Block::Definitions(terms) => {
                for (term, texts) in terms {
                    images_of(term, paths);
                    for inner in texts {
                        collect_images(inner, paths);
                    }
                }
            }
            Block::Code { .. } | Block::Rule | Block::Math(..) | Block::Html(_) | Block::Solved(..) => {}
        }
    }
}

fn images_of(inlines: &[Inline], paths: &mut BTreeSet<String>) {
    for inline in inlines {
        match inline {
            Inline::Image { path, .. } => {
                paths.insert(path.clone());
            }
            Inline::Emphasis(inner) | Inline::Strong(inner) | Inline::Struck(inner) => {
                images_of(inner, paths);
            }
            Inline::Link { text, .. } => images_of(text, paths),
            _ => {}
        }
    }
}

/// Where the image of a note lies in the result folder; images never meet our own files there.
pub fn image_file(path: &str) -> String {
    format!("images/{}", confine(path).unwrap_or_default())
}
