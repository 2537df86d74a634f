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

/// What a block shows, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum Exhibit {
    /// A figure.
    Figure(Figure),
    /// A table.
    Table(Table),
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
