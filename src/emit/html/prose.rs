//! Prose and exhibits as HTML.

use std::collections::BTreeMap;

use super::escape::{base64, escaped, fragment, id};
use super::figure;
use super::look::Colours;
use super::mathml::to_mathml;
use super::tables;
use crate::diag::Diagnostic;
use crate::document::{Block, Document, Inline, Placed, image_file, plain_text};

/// Lists and quotations inside one another beyond this are refused, as in print.
const DEEPEST: usize = 24;
/// Live values of no more characters than this stay on one line.
const UNBROKEN: usize = 24;

/// Writes prose; collects what can't be said, and the colours of the figures.
pub(super) struct Writer<'a> {
    pub document: &'a Document,
    pub colours: Colours,
    /// The matrix, for the block in whose place it stands.
    matrix: &'a str,
    footnotes: BTreeMap<&'a str, &'a [Block]>,
    /// Footnotes in the order cited, with the number of citations.
    cited: Vec<(&'a str, usize)>,
    images: usize,
    depth: usize,
    faults: Vec<Diagnostic>,
}

impl<'a> Writer<'a> {
    pub(super) fn new(document: &'a Document, matrix: &'a str) -> Self {
        let mut footnotes = BTreeMap::new();
        collect_footnotes(&document.body, &mut footnotes);
        Self {
            document,
            colours: Colours::default(),
            matrix,
            footnotes,
            cited: Vec::new(),
            images: 0,
            depth: 0,
            faults: Vec::new(),
        }
    }

    pub(super) fn finish(self) -> (Colours, Vec<Diagnostic>) {
        (self.colours, self.faults)
    }

    pub(super) fn fault(&mut self, fault: Diagnostic) {
        if !self.faults.contains(&fault) {
            self.faults.push(fault);
        }
    }

    pub(super) fn blocks(&mut self, blocks: &'a [Block]) -> String {
        blocks.iter().map(|block| self.block(block)).collect()
    }

    /// Blocks inside a list or a quotation.
    fn inner(&mut self, blocks: &'a [Block]) -> String {
        self.depth += 1;
        let out = if self.depth > DEEPEST {
            let message =
                format!("lists and quotations stand deeper than {DEEPEST} levels inside one another");
            self.fault(Diagnostic::error("nesting-too-deep", message));
            String::new()
        } else {
            self.blocks(blocks)
        };
        self.depth -= 1;
        out
    }

    fn block(&mut self, block: &'a Block) -> String {
        match block {
            Block::Heading { level, id: name, text, .. } => {
                let number = self.document.anchor(name).map(|anchor| anchor.number.as_str());
                let words = if plain_text(text).trim().is_empty() {
                    "Untitled".to_owned()
                } else {
                    self.inlines(text)
                };
                heading(*level, &id(name), number.unwrap_or_default(), &words)
            }
            Block::Paragraph(inlines, _) => match inlines.as_slice() {
                [Inline::Image { path, alt, title, .. }] => self.image_block(path, alt, title),
                _ => format!("<p>{}</p>\n", self.inlines(inlines)),
            },
            Block::List { start, tight, items } => self.list(*start, *tight, items),
            Block::Quote(None, inner) => format!("<blockquote>\n{}</blockquote>\n", self.inner(inner)),
            Block::Quote(Some(kind), inner) => {
                let mut word = (*kind).to_owned();
                word[..1].make_ascii_uppercase();
                format!(
                    "<div class=\"notice {kind}\" role=\"note\"><p class=\"lead\">{word}</p>\n{}</div>\n",
                    self.inner(inner)
                )
            }
            Block::Code { text, .. } => code_block(text),
            Block::Html(text) => code_block(text),
            Block::Table { align, head, rows } => {
                let cells = |row: &'a [Vec<Inline>], writer: &mut Self| -> Vec<String> {
                    row.iter().map(|cell| writer.inlines(cell)).collect()
                };
                let head = cells(head, self);
                let rows = rows.iter().map(|row| cells(row, self)).collect::<Vec<_>>();
                tables::authors(align, &head, &rows)
            }
            Block::Rule => "<hr>\n".to_owned(),
            Block::Math(tex, line) => {
                format!("<div class=\"formula\" tabindex=\"0\">{}</div>\n", self.math(tex, *line, true))
            }
            Block::Footnote(..) => String::new(),
            Block::Definitions(terms) => {
                let mut out = String::from("<dl class=\"terms\">\n");
                for (term, texts) in terms {
                    out.push_str(&format!("<dt>{}</dt>\n", self.inlines(term)));
                    for text in texts {
                        out.push_str(&format!("<dd>{}</dd>\n", self.inner(text)));
                    }
                }
                out + "</dl>\n"
            }
            Block::Solved(name, _) => {
                let mut out = String::new();
                if self.document.matrix_block.as_deref() == Some(name) {
                    out.push_str(self.matrix);
                }
                out + &self.exhibits(name)
            }
        }
    }

    fn list(&mut self, start: Option<u64>, tight: bool, items: &'a [(Option<bool>, Vec<Block>)]) -> String {
        let tasks = items.iter().all(|(task, _)| task.is_some());
        let class = match (tight, tasks) {
            (true, true) => " class=\"tight tasks\"",
            (true, false) => " class=\"tight\"",
            (false, true) => " class=\"tasks\"",
            (false, false) => "",
        };
        let (mut out, end) = match start {
            Some(start) => (format!("<ol start=\"{start}\"{class}>\n"), "</ol>\n"),
            None => (format!("<ul{class}>\n"), "</ul>\n"),
        };
        for (task, blocks) in items {
            let task = match task {
                Some(true) => "<span class=\"task done\" role=\"img\" aria-label=\"done:\"></span>",
                Some(false) => "<span class=\"task\" role=\"img\" aria-label=\"to do:\"></span>",
                None => "",
            };
            out.push_str(&format!("<li>{task}{}</li>\n", self.inner(blocks)));
        }
        out + end
    }

    /// A line of text.
    pub(super) fn inlines(&mut self, inlines: &'a [Inline]) -> String {
        inlines.iter().map(|inline| self.inline(inline)).collect()
    }

    fn inline(&mut self, inline: &'a Inline) -> String {
        match inline {
            Inline::Text(text) => escaped(text),
            Inline::Live(text) if text.chars().count() <= UNBROKEN => {
                format!("<span class=\"live\">{}</span>", escaped(text))
            }
            Inline::Live(text) => escaped(text),
            Inline::Code(text) | Inline::Html(text) => format!("<code>{}</code>", escaped(text)),
            Inline::Emphasis(inner) => format!("<em>{}</em>", self.inlines(inner)),
            Inline::Strong(inner) => format!("<strong>{}</strong>", self.inlines(inner)),
            Inline::Struck(inner) => format!("<s>{}</s>", self.inlines(inner)),
            Inline::Link { to, text, .. } => {
                let words = if text.is_empty() { escaped(to) } else { self.inlines(text) };
                match (to.strip_prefix('#'), followed(to)) {
                    (Some(name), _) => format!("<a href=\"{}\">{words}</a>", escaped(&fragment(&id(name)))),
                    (None, true) => {
                        format!("<a href=\"{}\" rel=\"noopener noreferrer\">{words}</a>", escaped(to))
                    }
                    (None, false) => words,
                }
            }
            Inline::Image { path, alt, title, .. } => self.image(path, alt, title),
            Inline::Math(tex, line) => self.math(tex, *line, false),
            Inline::FootnoteRef(name) => self.footnote(name),
            Inline::SoftBreak => "\n".to_owned(),
            Inline::HardBreak => "<br>".to_owned(),
        }
    }

    fn footnote(&mut self, name: &str) -> String {
        let Some(name) = self.footnotes.get_key_value(name).map(|(name, _)| *name) else {
            return String::new();
        };
        let index = self.cited.iter().position(|(known, _)| *known == name).unwrap_or_else(|| {
            self.cited.push((name, 0));
            self.cited.len() - 1
        });
        self.cited[index].1 += 1;
        let (number, time) = (index + 1, self.cited[index].1);
        format!(
            "<sup><a class=\"cite\" role=\"doc-noteref\" id=\"page--cite-{number}-{time}\" \
             href=\"#page--note-{number}\" aria-label=\"footnote {number}\">{number}</a></sup>"
        )
    }

    /// The texts of the footnotes cited so far; they may cite more.
    pub(super) fn notes(&mut self) -> String {
        let mut items = String::new();
        let mut next = 0;
        while let Some((name, _)) = self.cited.get(next).copied() {
            let blocks = self.footnotes.get(name).copied().unwrap_or_default();
            let text = self.inner(blocks);
            let number = next + 1;
            items.push_str(&format!(
                "<li id=\"page--note-{number}\">{text}<a role=\"doc-backlink\" href=\"#page--cite-{number}-1\" \
                 aria-label=\"back to the text\">↩</a></li>\n"
            ));
            next += 1;
        }
        if items.is_empty() {
            return items;
        }
        format!(
            "<section class=\"notes\" role=\"doc-endnotes\" aria-label=\"Footnotes\"><ol>\n{items}</ol></section>\n"
        )
    }

    pub(super) fn math(&mut self, tex: &str, line: usize, display: bool) -> String {
        to_mathml(tex, display).unwrap_or_else(|message| {
            let first = tex.trim().lines().next().unwrap_or_default();
            let fault = Diagnostic::error("formula-fault", format!("this formula can't be set: {message}"));
            let place = self.document.place(line, first);
            self.fault(fault.at(place));
            String::new()
        })
    }

    fn image(&self, path: &str, alt: &str, title: &str) -> String {
        let words = [alt, title, path].into_iter().find(|text| !text.is_empty()).unwrap_or("image");
        let file = image_file(path);
        match (self.document.pictures.get(&file), media_type(&file)) {
            (Some(bytes), Some(kind)) => {
                format!("<img src=\"data:{kind};base64,{}\" alt=\"{}\">", base64(bytes), escaped(words))
            }
            _ => format!("<span class=\"missing\">[{}]</span>", escaped(words)),
        }
    }

    fn image_block(&mut self, path: &str, alt: &str, title: &str) -> String {
        let image = self.image(path, alt, title);
        if title.is_empty() {
            return format!("<p class=\"picture\">{image}</p>\n");
        }
        let number = self.document.image_numbers.get(self.images).copied().unwrap_or(0);
        self.images += 1;
        format!(
            "<figure class=\"picture\">{image}\n<figcaption><b>Figure\u{a0}{number}</b> {}</figcaption></figure>\n",
            escaped(title)
        )
    }

    fn exhibits(&mut self, name: &str) -> String {
        let document = self.document;
        let mut out = String::new();
        for placed in document.exhibits_of(name) {
            match placed {
                Placed::Figure(placed) => {
                    let caption = self.inlines(&placed.caption);
                    match figure::figure(placed, &caption, &mut self.colours) {
                        Ok(text) => out.push_str(&text),
                        Err(fault) => {
                            let message = format!("the figure `{}` can't be drawn: {fault}", placed.label);
                            let place = document.place(placed.line, "");
                            self.fault(Diagnostic::error("figure-fault", message).at(place));
                        }
                    }
                }
                Placed::Table(table) => out.push_str(&tables::exhibit(self, table)),
                Placed::Prose { lead, text } => {
                    let text = self.blocks(text);
                    let lead = if lead.is_empty() {
                        String::new()
                    } else {
                        format!("<p class=\"lead\">{}</p>\n", escaped(lead))
                    };
                    out.push_str(&format!("<div class=\"said\">{lead}{text}</div>\n"));
                }
            }
        }
        out
    }
}

/// A heading of a document whose title is the one of the first level.
pub(super) fn heading(level: u8, id: &str, number: &str, words: &str) -> String {
    let number = if number.is_empty() {
        String::new()
    } else {
        format!("<span class=\"number\">{}</span> ", escaped(number))
    };
    let (tag, deeper) = match level + 1 {
        level @ 2..=6 => (level, String::new()),
        level => (6, format!(" aria-level=\"{level}\"")),
    };
    format!("<h{tag} id=\"{}\"{deeper}>{number}{words}</h{tag}>\n", escaped(id))
}

fn code_block(text: &str) -> String {
    format!("<pre tabindex=\"0\"><code>{}</code></pre>\n", escaped(text.trim_end_matches('\n')))
}

/// Whether an address may be a link: never one that runs code or leads into the reader's machine.
fn followed(to: &str) -> bool {
    ["https://", "http://", "mailto:", "tel:"].iter().any(|scheme| to.starts_with(scheme))
}

/// The kinds of image that a page shows. An SVG shown as an image runs no script and fetches nothing.
fn media_type(file: &str) -> Option<&'static str> {
    let (_, ending) = file.rsplit_once('.')?;
    Some(match ending.to_ascii_lowercase().as_str() {
        "png" => "image/png",
        "jpg" | "jpeg" => "image/jpeg",
        "gif" => "image/gif",
        "webp" => "image/webp",
        "svg" => "image/svg+xml",
        _ => return None,
    })
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
