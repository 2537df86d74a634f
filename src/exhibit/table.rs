//! Tables as data.

use crate::results::State;
use crate::units::Unit;

/// A table with its caption.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Anchor below the block's name: `table`, `table.2`.
    pub anchor: String,
    /// Caption, plain text; a `caption` field of the block replaces that of its first exhibit.
    pub caption: String,
    /// Columns.
    pub columns: Vec<Column>,
    /// Rows, each as long as `columns`.
    pub rows: Vec<Vec<Cell>>,
    /// A line of small print below, empty for none.
    pub note: String,
}

/// One column.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Heading.
    pub head: String,
    /// Whether numbers stand in it, set against the right edge.
    pub numeric: bool,
    /// Name in the CSV file, ASCII, with the unit of raw numbers, e.g. `level_dBc_per_Hz`.
    pub csv: String,
}

/// One cell.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Nothing.
    Empty,
    /// Plain text.
    Text(String),
    /// Text of the note: inline CommonMark with live prose, not yet filled.
    Prose(String, crate::source::Span),
    /// A formula, TeX.
    Math(String),
    /// A number: the document prints `text`, CSV the value.
    Number {
        /// Raw value in `unit`.
        value: f64,
        /// Unit of the raw value.
        unit: Unit,
        /// As printed.
        text: String,
    },
    /// A verdict, in word and shape; `true` where a margin wanted is not kept.
    Verdict(State, bool),
    /// A link to another exhibit, `block.anchor`.
    Link {
        /// What is printed.
        text: String,
        /// Dotted name of the exhibit.
        to: String,
    },
}

impl Column {
    /// A column of text.
    pub fn text(head: &str, csv: &str) -> Self {
        Self { head: head.to_owned(), numeric: false, csv: csv.to_owned() }
    }

    /// A column of numbers.
    pub fn number(head: &str, csv: &str) -> Self {
        Self { head: head.to_owned(), numeric: true, csv: csv.to_owned() }
    }
}
