//! Figures to SVG.
//!
//! A figure is laid out first ([`scene::Layout`]: shapes and texts with their boxes, in pt) and painted after,
//! so that tests find overlapping labels without looking at pixels.

mod axis;
mod band;
mod bars;
mod clip;
mod dash;
mod decimate;
mod diagram;
mod legend;
mod map;
mod paint;
mod palette;
mod place;
mod plot;
mod scene;
mod schematic;
mod screen;
mod symbols;
mod text;
mod ticks;

use std::collections::BTreeSet;
use std::fmt;
use std::sync::Arc;

use super::figure::{Drawing, Figure};
pub use screen::{Chart, ChartAxis, ChartCurve, ChartPanel, Screen};

/// A figure as drawn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Svg {
    /// The SVG document.
    pub text: Arc<str>,
    /// Characters of the labels that the figure font does not have; `?` stands in their place.
    pub missing: BTreeSet<char>,
}

/// Why a figure can't be drawn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DrawFault {
    /// No finite point (on a log axis: no positive one) lies on the axis of this name.
    NoPoints(String),
    /// The range given for the axis of this name is empty, not finite, or not positive on a log axis.
    BadRange(String),
    /// There is no panel or no row.
    Nothing,
    /// A share that is not between 0 and 1, of the row of this name.
    BadShare(String),
    /// No filter of this kind and order is known.
    FilterOrder(bool, u8),
    /// The filter has no part of this name, or one too many.
    FilterPart(String),
    /// The drawing library refused.
    Backend(String),
}

impl fmt::Display for DrawFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            DrawFault::NoPoints(axis) => write!(f, "no finite point to draw on the axis \"{axis}\""),
            DrawFault::BadRange(axis) => write!(f, "the range of the axis \"{axis}\" can't be drawn"),
            DrawFault::Nothing => write!(f, "the figure is empty"),
            DrawFault::BadShare(row) => write!(f, "the share of \"{row}\" is not between 0 and 1"),
            DrawFault::FilterOrder(active, order) => {
                let kind = if *active { "active" } else { "passive" };
                write!(f, "no {kind} filter of order {order} can be drawn")
            }
            DrawFault::FilterPart(name) => write!(f, "the filter's part {name} is missing or has no place"),
            DrawFault::Backend(text) => write!(f, "the figure could not be written: {text}"),
        }
    }
}

impl std::error::Error for DrawFault {}

/// Draws the figure: the same bytes for the same figure.
///
/// The canvas is 468 pt wide (the text width, 165 mm) or, where long values need it, wider, at 10 px to the pt;
/// set with `image(width: 100%)` its text comes out at 9 pt.
///
/// # Errors
/// See [`DrawFault`]; nothing is drawn then.
pub fn draw(figure: &Figure) -> Result<Svg, DrawFault> {
    let mut coarseness = 1.0;
    loop {
        let svg = paint::paint(&layout(figure, coarseness)?)?;
        if svg.text.len() <= LARGEST || coarseness >= COARSEST {
            return Ok(svg);
        }
        coarseness *= 2.0;
    }
}

/// Draws the figure for a page: the same shapes, each curve in a group of its own, and its values.
///
/// # Errors
/// See [`DrawFault`].
pub fn draw_for_screen(figure: &Figure) -> Result<Screen, DrawFault> {
    Ok(screen::screen(layout(figure, 1.0)?))
}

/// Above this many bytes a plot is drawn again with fewer points.
const LARGEST: usize = 195_000;
/// Coarser than this would show.
const COARSEST: f64 = 16.0;

fn layout(figure: &Figure, coarseness: f64) -> Result<scene::Layout, DrawFault> {
    match &figure.drawing {
        Drawing::Plot(plot) => plot::layout(plot, coarseness),
        Drawing::Bars(bars) => bars::layout(bars),
        Drawing::Filter(filter) => schematic::layout(filter),
        Drawing::Loop(diagram) => Ok(diagram::layout(diagram)),
    }
}

#[cfg(test)]
mod samples;
#[cfg(test)]
mod tests;
