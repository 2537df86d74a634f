//! Exhibits: tables and figures described as data, and the SVG drawing of the figures.
//!
//! A figure is described first and drawn after, so that tests can look at the description.

mod draw;
mod drawings;
mod figure;
mod table;

pub use draw::{Chart, ChartAxis, ChartCurve, ChartPanel, DrawFault, Screen, Svg, draw, draw_for_screen};
pub use drawings::Drawings;
pub use figure::{
    Axis, Bars, Curve, Drawing, Figure, FilterSchematic, LoopDiagram, Mark, Panel, Plot, Role, Scale, Shade,
};
pub use table::{Cell, Column, Table};

use std::sync::Arc;

/// What a block shows, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum Exhibit {
    /// A figure.
    Figure(Arc<Figure>),
    /// A table.
    Table(Arc<Table>),
    /// Text of the note (a decision, a reason): CommonMark with live prose, not yet filled; the first is a lead-in in bold.
    Prose {
        /// A word or two, e.g. "Decision taken"; empty for none.
        lead: String,
        /// The text as written in the note.
        text: String,
        /// First byte of the text's value in the note, for messages.
        span: crate::source::Span,
    },
}

impl Exhibit {
    /// A figure.
    pub fn figure(figure: Figure) -> Self {
        Self::Figure(Arc::new(figure))
    }

    /// A table.
    pub fn table(table: Table) -> Self {
        Self::Table(Arc::new(table))
    }

    /// Whether nothing in it knows its place in the note, so that it is the same wherever its block stands.
    pub fn is_placeless(&self) -> bool {
        match self {
            Self::Figure(_) => true,
            Self::Table(table) => !table.rows.iter().flatten().any(|cell| matches!(cell, Cell::Prose(..))),
            Self::Prose { .. } => false,
        }
    }
}
