//! What is drawn, in pt from the upper left corner: the step between a figure and its SVG.

use std::ops::Range;

use super::screen::Chart;
use super::text;

/// Width of the canvas: the text width of the document, 165 mm.
pub(super) const WIDTH: f64 = 468.0;
/// Size of the figure's text, which suits body text of 10.5 pt.
pub(super) const SIZE: f64 = 9.0;
/// Distance of two lines of text.
pub(super) const LEADING: f64 = 10.8;
/// Text and main lines: soft, so that curves stand out.
pub(super) const INK: Colour = Colour(0x26, 0x2B, 0x30);
/// Axes, frames and other lines that carry no data.
pub(super) const FRAME: Colour = Colour(0x5A, 0x61, 0x68);
/// Paper.
pub(super) const PAPER: Colour = Colour(0xFF, 0xFF, 0xFF);

/// Lines of the grid at labels.
pub(super) const GRID: Colour = Colour(0xD6, 0xDA, 0xDD);

/// The baseline of the first of so many lines of text that stand centred round a height.
pub(super) fn first_baseline(middle: f64, lines: usize) -> f64 {
    // Half the height of the letters below the middle of a line.
    middle + 0.31 * SIZE - (lines.max(1) - 1) as f64 * LEADING / 2.0
}

/// A colour: red, green, blue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Colour(pub u8, pub u8, pub u8);

/// A place on the canvas.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    pub x: f64,
    pub y: f64,
}

/// Shorthand for a [`Point`].
pub(super) fn at(x: f64, y: f64) -> Point {
    Point { x, y }
}

/// An upright box.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rect {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl Rect {
    pub fn width(&self) -> f64 {
        self.right - self.left
    }

    pub fn height(&self) -> f64 {
        self.bottom - self.top
    }

    pub fn overlaps(&self, other: &Rect) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    pub fn contains(&self, other: &Rect) -> bool {
        self.left <= other.left
            && other.right <= self.right
            && self.top <= other.top
            && other.bottom <= self.bottom
    }

    pub fn grown(&self, by: f64) -> Rect {
        Rect { left: self.left - by, top: self.top - by, right: self.right + by, bottom: self.bottom + by }
    }

    pub fn corners(&self) -> Vec<Point> {
        vec![
            at(self.left, self.top),
            at(self.right, self.top),
            at(self.right, self.bottom),
            at(self.left, self.bottom),
        ]
    }

    pub fn outline(&self) -> Vec<Point> {
        let mut corners = self.corners();
        corners.push(at(self.left, self.top));
        corners
    }
}

/// How a line looks.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stroke {
    pub colour: Colour,
    /// In pt.
    pub width: f64,
    /// Lengths of dash and gap in turn, in pt; empty: solid.
    pub dash: Vec<f64>,
}

impl Stroke {
    pub fn solid(colour: Colour, width: f64) -> Self {
        Self { colour, width, dash: Vec::new() }
    }

    pub fn dashed(colour: Colour, width: f64, dash: &[f64]) -> Self {
        Self { colour, width, dash: dash.to_vec() }
    }
}

/// A shape without words.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Shape {
    /// An open line.
    Line(Vec<Point>, Stroke),
    /// A filled polygon.
    Fill(Vec<Point>, Colour),
    /// A filled circle: centre, radius, fill; its rim is drawn with the stroke.
    Disc(Point, f64, Colour, Stroke),
}

/// Which end of a text its place names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A line of text with its place.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Text {
    pub content: String,
    /// On the baseline, at the end that `anchor` names.
    pub at: Point,
    /// In pt.
    pub size: f64,
    pub anchor: Anchor,
    pub colour: Colour,
    /// Reads from the bottom to the top.
    pub upward: bool,
    /// Whether paper colour lies below it, so that lines don't strike it through.
    pub backed: bool,
}

impl Text {
    pub fn new(content: &str, at: Point, anchor: Anchor) -> Self {
        let content = content.to_owned();
        Self { content, at, size: SIZE, anchor, colour: INK, upward: false, backed: false }
    }

    /// The box that the text takes.
    pub fn bounds(&self) -> Rect {
        let width = text::width(&self.content, self.size);
        let before = match self.anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => width / 2.0,
            Anchor::End => width,
        };
        let (up, down) = (text::ASCENT * self.size, text::DESCENT * self.size);
        let Point { x, y } = self.at;
        if self.upward {
            Rect { left: x - up, top: y + before - width, right: x + down, bottom: y + before }
        } else {
            Rect { left: x - before, top: y - up, right: x - before + width, bottom: y + down }
        }
    }
}

/// A figure ready for painting: shapes in their order, then the texts.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    pub width: f64,
    pub height: f64,
    pub shapes: Vec<Shape>,
    pub texts: Vec<Text>,
    /// Shapes that belong to one curve, with its name on a screen; ascending.
    pub groups: Vec<(Range<usize>, String)>,
    /// Where the curves lie.
    pub chart: Option<Chart>,
}

impl Layout {
    pub fn new() -> Self {
        Self {
            width: WIDTH,
            height: 0.0,
            shapes: Vec::new(),
            texts: Vec::new(),
            groups: Vec::new(),
            chart: None,
        }
    }

    pub fn line(&mut self, points: Vec<Point>, stroke: &Stroke) {
        self.shapes.push(Shape::Line(points, stroke.clone()));
    }

    pub fn fill(&mut self, points: Vec<Point>, colour: Colour) {
        self.shapes.push(Shape::Fill(points, colour));
    }

    pub fn disc(&mut self, centre: Point, radius: f64, fill: Colour, rim: &Stroke) {
        self.shapes.push(Shape::Disc(centre, radius, fill, rim.clone()));
    }

    pub fn text(&mut self, content: &str, at: Point, anchor: Anchor) {
        self.texts.push(Text::new(content, at, anchor));
    }

    /// Lines of text below each other, the first on the baseline of `at`.
    pub fn lines<S: AsRef<str>>(&mut self, lines: &[S], start: Point, anchor: Anchor) {
        for (row, line) in lines.iter().enumerate() {
            self.text(line.as_ref(), at(start.x, start.y + row as f64 * LEADING), anchor);
        }
    }

    /// Moves everything.
    pub fn shift(&mut self, dx: f64, dy: f64) {
        let move_point = |p: &mut Point| *p = at(p.x + dx, p.y + dy);
        for shape in &mut self.shapes {
            match shape {
                Shape::Line(points, _) | Shape::Fill(points, _) => points.iter_mut().for_each(move_point),
                Shape::Disc(centre, ..) => move_point(centre),
            }
        }
        self.texts.iter_mut().for_each(|text| move_point(&mut text.at));
    }
}
