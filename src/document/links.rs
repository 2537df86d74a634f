//! Anchors, numbers and the links that lead to them.

use std::collections::BTreeSet;

use super::{Block, Inline, plain_text};
use crate::diag::Diagnostic;
use crate::note::Ids;
use crate::source::{Span, confine};

/// What an anchor marks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AnchorKind {
    /// A heading.
    Section,
    /// A figure of a block.
    Figure,
    /// A table of a block.
    Table,
}

/// A place a link may lead to.
#[derive(Clone, Debug, PartialEq)]
pub struct Anchor {
    /// Identifier, unique in the document.
    pub id: String,
    /// What it marks.
    pub kind: AnchorKind,
    /// Its number: `2.1`, `3`.
    pub number: String,
}

impl Anchor {
    /// Its number in words: "section 2.1", "Figure 3".
    fn in_words(&self) -> String {
        let word = match self.kind {
            AnchorKind::Section => "section",
            AnchorKind::Figure => "Figure",
            AnchorKind::Table => "Table",
        };
        format!("{word}\u{a0}{}", self.number)
    }
}

/// Numbers headings in reading order. The least level of the note becomes 1, none is skipped;
/// identifiers become unique.
pub(super) fn number_headings(blocks: &mut [Block]) -> Vec<Anchor> {
    let mut levels = Vec::new();
    each_heading(blocks, &mut |level, _| levels.push(*level));
    let shift = levels.iter().min().copied().unwrap_or(1) - 1;
    let mut counts = [0usize; 6];
    let mut before = 0;
    let mut taken = Ids::default();
    let mut anchors = Vec::new();
    each_heading(blocks, &mut |level, id| {
        // No level is skipped: a reader, and PDF/UA, would look for the one between.
        *level = (*level - shift).min(before + 1);
        before = *level;
        let depth = usize::from(*level);
        counts[depth - 1] += 1;
        counts[depth..].fill(0);
        let wanted = if id.is_empty() { "section".to_owned() } else { id.clone() };
        let unique = taken.take(&wanted);
        id.clone_from(&unique);
        let number = counts[..depth].iter().map(usize::to_string).collect::<Vec<_>>().join(".");
        anchors.push(Anchor { id: unique, kind: AnchorKind::Section, number });
    });
    anchors
}

fn each_heading(blocks: &mut [Block], act: &mut dyn FnMut(&mut u8, &mut String)) {
    for block in blocks {
        match block {
            Block::Heading { level, id, .. } => act(level, id),
            Block::Quote(_, inner) | Block::Footnote(_, inner) => each_heading(inner, act),
            Block::List { items, .. } => items.iter_mut().for_each(|(_, inner)| each_heading(inner, act)),
            Block::Definitions(terms) => {
                terms.iter_mut().flat_map(|(_, texts)| texts).for_each(|inner| each_heading(inner, act));
            }
            _ => {}
        }
    }
}

/// Visits every solved block and every captioned image in reading order.
pub(super) fn each_place(blocks: &[Block], act: &mut dyn FnMut(Place<'_>)) {
    for block in blocks {
        match block {
            Block::Solved(name, line) => act(Place::Solved(name, *line)),
            Block::Paragraph(inlines, _) if captioned_image(inlines) => act(Place::Image),
            Block::Quote(_, inner) | Block::Footnote(_, inner) => each_place(inner, act),
            Block::List { items, .. } => items.iter().for_each(|(_, inner)| each_place(inner, act)),
            Block::Definitions(terms) => {
                terms.iter().flat_map(|(_, texts)| texts).for_each(|inner| each_place(inner, act));
            }
            _ => {}
        }
    }
}

/// Where something numbered stands.
pub(super) enum Place<'a> {
    /// A solved block and its line.
    Solved(&'a str, usize),
    /// An image with a caption.
    Image,
}

/// Whether the paragraph is one image with a title: a figure of the author's.
pub(super) fn captioned_image(inlines: &[Inline]) -> bool {
    matches!(inlines, [Inline::Image { title, .. }] if !title.is_empty())
}

/// Turns links into what can be printed: numbered references, addresses, plain text.
pub(super) struct Resolver<'a> {
    /// Anchors of this edition.
    pub anchors: &'a [Anchor],
    /// Identifiers that only the other edition has.
    pub withheld: &'a BTreeSet<String>,
    /// The place of a word on a line of the note.
    pub place: &'a dyn Fn(usize, &str) -> Span,
    /// Faults and warnings found.
    pub found: Vec<Diagnostic>,
}

/// Addresses that a reader may follow; all others are printed as text.
const SCHEMES: [&str; 4] = ["https://", "http://", "mailto:", "tel:"];

impl Resolver<'_> {
    /// All links under these blocks.
    pub(super) fn blocks(&mut self, blocks: &mut [Block]) {
        for block in blocks {
            match block {
                Block::Heading { text, .. } | Block::Paragraph(text, _) => self.inlines(text),
                Block::Quote(_, inner) | Block::Footnote(_, inner) => self.blocks(inner),
                Block::List { items, .. } => items.iter_mut().for_each(|(_, inner)| self.blocks(inner)),
                Block::Table { head, rows, .. } => {
                    head.iter_mut().chain(rows.iter_mut().flatten()).for_each(|cell| self.inlines(cell));
                }
                Block::Definitions(terms) => {
                    for (term, texts) in terms {
                        self.inlines(term);
                        for inner in texts {
                            self.blocks(inner);
                        }
                    }
                }
                Block::Code { .. } | Block::Rule | Block::Math(..) | Block::Html(_) | Block::Solved(..) => {}
            }
        }
    }

    /// All links in this line.
    pub(super) fn inlines(&mut self, inlines: &mut Vec<Inline>) {
        let mut out = Vec::with_capacity(inlines.len());
        for inline in inlines.drain(..) {
            match inline {
                Inline::Link { to, text, line } => self.link(&to, text, line, &mut out),
                Inline::Emphasis(mut inner) => {
                    self.inlines(&mut inner);
                    out.push(Inline::Emphasis(inner));
                }
                Inline::Strong(mut inner) => {
                    self.inlines(&mut inner);
                    out.push(Inline::Strong(inner));
                }
                Inline::Struck(mut inner) => {
                    self.inlines(&mut inner);
                    out.push(Inline::Struck(inner));
                }
                // An image from elsewhere can't be shown: nothing is fetched.
                Inline::Image { path, alt, line, .. } if confine(&path).is_none() => {
                    let message =
                        format!("the image `{path}` lies outside the folder of the note: it is not shown");
                    self.found
                        .push(Diagnostic::warning("image-outside", message).at((self.place)(line, &path)));
                    let text = vec![Inline::Text(if alt.is_empty() { path.clone() } else { alt })];
                    if SCHEMES.iter().any(|scheme| path.starts_with(scheme)) {
                        out.push(Inline::Link { to: path, text, line });
                    } else {
                        out.extend(text);
                    }
                }
                other => out.push(other),
            }
        }
        *inlines = out;
    }

    fn link(&mut self, to: &str, mut text: Vec<Inline>, line: usize, out: &mut Vec<Inline>) {
        self.inlines(&mut text);
        let Some(id) = to.strip_prefix('#') else {
            if SCHEMES.iter().any(|scheme| to.starts_with(scheme)) {
                out.push(Inline::Link { to: to.to_owned(), text, line });
            } else {
                let message = format!("`{to}` leads out of the document to nowhere: the link is plain text");
                let warning = Diagnostic::warning("link-dropped", message).at((self.place)(line, to));
                let known = "expected `#` and a figure, table or heading, or an address of https:, http:, mailto: or tel:";
                self.found.push(warning.expected(known));
                out.append(&mut text);
            }
            return;
        };
        if let Some(anchor) = self.anchors.iter().find(|anchor| anchor.id == id) {
            let words = anchor.in_words();
            if plain_text(&text).trim().is_empty() {
                text = vec![Inline::Text(words)];
            } else {
                text.push(Inline::Text(format!(" ({words})")));
            }
            out.push(Inline::Link { to: to.to_owned(), text, line });
            return;
        }
        let place = (self.place)(line, to);
        if self.withheld.contains(id) {
            let message =
                format!("`{to}` is internal, so the link to it is plain text in the customer edition");
            self.found.push(Diagnostic::warning("link-withheld", message).at(place));
        } else {
            let names = self.anchors.iter().map(|anchor| anchor.id.as_str());
            let fault =
                Diagnostic::error("anchor-unknown", format!("nothing in this document is called `{to}`"))
                    .at(place)
                    .expected("expected a heading, or a figure or table such as `#noise.figure`")
                    .nearest(id, names);
            self.found.push(fault);
        }
        out.append(&mut text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heading(level: u8, id: &str) -> Block {
        Block::Heading { level, id: id.to_owned(), classes: Vec::new(), text: Vec::new(), line: 1 }
    }

    #[test]
    fn headings_are_numbered_from_the_least_level_and_unique() {
        let mut blocks =
            vec![heading(2, "a"), heading(3, "b"), heading(2, "a"), heading(4, "c"), heading(3, "d")];
        let anchors = number_headings(&mut blocks);
        let found: Vec<(&str, &str)> = anchors.iter().map(|a| (a.id.as_str(), a.number.as_str())).collect();
        assert_eq!(found, [("a", "1"), ("b", "1.1"), ("a-2", "2"), ("c", "2.1"), ("d", "2.2")]);
    }
}
