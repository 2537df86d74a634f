//! Prose as a tree, after the template pass.

/// A block of prose.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// A heading.
    Heading {
        /// Level, 1 to 6.
        level: u8,
        /// Identifier, given or made from its text.
        id: String,
        /// Classes (`internal`).
        classes: Vec<String>,
        /// Its text.
        text: Vec<Inline>,
        /// Line in the note, from 1.
        line: usize,
    },
    /// A paragraph.
    Paragraph(Vec<Inline>, usize),
    /// A list; numbered from `start` where there is one.
    List {
        /// First number.
        start: Option<u64>,
        /// Whether items stand close.
        tight: bool,
        /// Items: `Some(done)` for a task.
        items: Vec<(Option<bool>, Vec<Block>)>,
    },
    /// A quotation; the word for GFM notes (`note`, `tip`, `important`, `warning`, `caution`) where it is one.
    Quote(Option<&'static str>, Vec<Block>),
    /// Code that is shown as it stands.
    Code {
        /// Language word, may be empty.
        language: String,
        /// The text.
        text: String,
    },
    /// A table of the author's.
    Table {
        /// Alignment of each column: `None`, `Some(-1)` left, `Some(0)` centre, `Some(1)` right.
        align: Vec<Option<i8>>,
        /// Head cells.
        head: Vec<Vec<Inline>>,
        /// Rows.
        rows: Vec<Vec<Vec<Inline>>>,
    },
    /// A rule across the page.
    Rule,
    /// Display math, TeX; line in the note.
    Math(String, usize),
    /// A footnote's text.
    Footnote(String, Vec<Block>),
    /// Terms and their definitions.
    Definitions(Vec<(Vec<Inline>, Vec<Vec<Block>>)>),
    /// Raw HTML: shown as text, never passed on.
    Html(String),
    /// Where a solved block shows its exhibits: name of the block, line of its fence.
    Solved(String, usize),
}

/// A piece of a line.
#[derive(Clone, Debug, PartialEq)]
pub enum Inline {
    /// Text.
    Text(String),
    /// Code.
    Code(String),
    /// Emphasis.
    Emphasis(Vec<Inline>),
    /// Strong emphasis.
    Strong(Vec<Inline>),
    /// Struck out.
    Struck(Vec<Inline>),
    /// A link.
    Link {
        /// Where it leads: a URL, or `#` and an anchor.
        to: String,
        /// Its text.
        text: Vec<Inline>,
        /// Line in the note.
        line: usize,
    },
    /// An image.
    Image {
        /// Path relative to the note.
        path: String,
        /// Alternative text.
        alt: String,
        /// Title, may be empty; the caption.
        title: String,
        /// Line in the note.
        line: usize,
    },
    /// Math, TeX; line in the note.
    Math(String, usize),
    /// Reference to a footnote.
    FootnoteRef(String),
    /// A live value: already printed text, never read as Markdown.
    Live(String),
    /// Raw HTML: shown as text.
    Html(String),
    /// A line end that is only a blank.
    SoftBreak,
    /// A line end that stays one.
    HardBreak,
}

/// What a person reads, without marks of any kind: for identifiers, bookmarks, cells of files, alternative texts.
pub fn plain_text(inlines: &[Inline]) -> String {
    let mut plain = String::new();
    for inline in inlines {
        match inline {
            Inline::Text(text)
            | Inline::Code(text)
            | Inline::Live(text)
            | Inline::Html(text)
            | Inline::Math(text, _) => plain.push_str(text),
            Inline::Emphasis(inner)
            | Inline::Strong(inner)
            | Inline::Struck(inner)
            | Inline::Link { text: inner, .. } => plain.push_str(&plain_text(inner)),
            Inline::Image { alt, .. } => plain.push_str(alt),
            Inline::FootnoteRef(_) => {}
            Inline::SoftBreak | Inline::HardBreak => plain.push(' '),
        }
    }
    plain
}
