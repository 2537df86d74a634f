//! The band above the panels: the words of verticals and spans, which belong to all panels.

use super::scene::{Anchor, Colour, FRAME, LEADING, Layout, Rect, SIZE, Stroke, Text, WIDTH, at};
use super::text;
use crate::exhibit::figure::{Mark, Plot};

/// From a vertical to its words, pt.
const GAP: f64 = 3.0;
/// Widest words.
const WORDS: f64 = 0.45 * WIDTH;
/// Tint of a span.
const TINT: Colour = Colour(0xEC, 0xF2, 0xF6);
/// Ends of a span.
const EDGE: Colour = Colour(0x8F, 0xA8, 0xBA);

/// A vertical with its words and the row that they stand in.
#[derive(Clone, Debug, PartialEq)]
struct Flag {
    x: f64,
    words: String,
    row: usize,
}

/// A shaded range.
#[derive(Clone, Debug, PartialEq)]
struct Span {
    from: f64,
    to: f64,
    words: String,
}

/// What stands in the band.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Band {
    flags: Vec<Flag>,
    /// Whether words stand left of their verticals.
    leftward: bool,
    spans: Vec<Span>,
    rows: usize,
}

impl Band {
    /// The band of a plot; `place` turns abscissas into canvas places and `(left, right)` are the ends of the panels.
    pub fn new(plot: &Plot, (left, right): (f64, f64), place: impl Fn(f64) -> f64) -> Self {
        let mut flags: Vec<Flag> = Vec::new();
        let mut spans: Vec<Span> = Vec::new();
        for mark in plot.panels.iter().flat_map(|panel| &panel.marks) {
            match mark {
                Mark::Vertical { x, label } => {
                    let flag = Flag { x: place(*x), words: text::shorten(label, SIZE, WORDS), row: 0 };
                    let inside = (left - 0.01..=right + 0.01).contains(&flag.x);
                    if inside && !flags.contains(&flag) {
                        flags.push(flag);
                    }
                }
                Mark::Span { from, to, label } => {
                    let ends = |x: f64| if x.is_nan() { left } else { x.clamp(left, right) };
                    let words = text::shorten(label, SIZE, WORDS);
                    let span = Span { from: ends(place(*from)), to: ends(place(*to)), words };
                    if span.from < span.to && !spans.contains(&span) {
                        spans.push(span);
                    }
                }
                _ => {}
            }
        }
        flags.sort_by(|a, b| a.x.total_cmp(&b.x));
        let fits_right = |f: &Flag| f.x + f.words_width() <= WIDTH;
        let leftward = !flags.iter().all(fits_right) && flags.iter().all(|f| f.words_width() <= f.x);
        if !leftward {
            for flag in &mut flags {
                flag.words = text::shorten(&flag.words, SIZE, WIDTH - flag.x - 2.0 * GAP - 0.1);
            }
        }
        let rows = stack(&mut flags, leftward);
        Self { flags, leftward, spans, rows }
    }

    /// Height of the band, pt.
    pub fn height(&self) -> f64 {
        (self.rows + self.spans.len()) as f64 * LEADING
            + if self.rows + self.spans.len() > 0 { 3.0 } else { 0.0 }
    }

    /// Tints the spans in a panel: drawn before everything else.
    pub fn tint(&self, layout: &mut Layout, panel: &Rect) {
        for span in &self.spans {
            let area = Rect { left: span.from, right: span.to, ..*panel };
            layout.fill(area.corners(), TINT);
            for x in [span.from, span.to] {
                layout.line(vec![at(x, panel.top), at(x, panel.bottom)], &Stroke::solid(EDGE, 0.5));
            }
        }
    }

    /// Abscissas of the verticals, on the canvas.
    pub fn verticals(&self) -> impl Iterator<Item = f64> + '_ {
        self.flags.iter().map(|f| f.x)
    }

    /// Draws the words, the verticals down to `bottom`, and the spans' extents; `top` is the upper edge of the panels.
    pub fn draw(&self, layout: &mut Layout, top: f64, bottom: f64) {
        let baseline = |row: usize| top - 3.0 - text::DESCENT * SIZE - row as f64 * LEADING;
        let line = Stroke::dashed(FRAME, 0.7, &[4.0, 1.5, 1.0, 1.5]);
        for flag in &self.flags {
            layout.line(vec![at(flag.x, bottom), at(flag.x, baseline(flag.row) - 0.7 * SIZE)], &line);
            let (x, anchor) =
                if self.leftward { (flag.x - GAP, Anchor::End) } else { (flag.x + GAP, Anchor::Start) };
            layout.text(&flag.words, at(x, baseline(flag.row)), anchor);
        }
        for (n, span) in self.spans.iter().enumerate() {
            let y = baseline(self.rows + n);
            let width = text::width(&span.words, SIZE);
            let middle =
                (f64::midpoint(span.from, span.to)).clamp(width / 2.0 + 0.1, WIDTH - width / 2.0 - 0.1);
            let label = Text::new(&span.words, at(middle, y), Anchor::Middle);
            extent(layout, span, &label.bounds());
            layout.texts.push(label);
        }
    }
}

/// The dimension line of a span, left and right of its words; none where they are as wide as the span.
fn extent(layout: &mut Layout, span: &Span, words: &Rect) {
    let stroke = Stroke::solid(EDGE, 0.7);
    let y = f64::midpoint(words.top, words.bottom);
    let (left, right) = (words.left - GAP, words.right + GAP);
    for (end, to, length) in [(span.from, left, left - span.from), (span.to, right, span.to - right)] {
        if length > 2.0 {
            layout.line(vec![at(end, y), at(to, y)], &stroke);
            layout.line(vec![at(end, y - 3.0), at(end, y + 3.0)], &stroke);
        }
    }
}

impl Flag {
    fn words_width(&self) -> f64 {
        GAP + text::width(&self.words, SIZE) + GAP
    }
}

/// Gives each flag, sorted by place, a row above every vertical that its words would cross; returns the rows needed.
///
/// Words stand on one side of all verticals, so a flag's own line, which ends at its row, meets no other words.
fn stack(flags: &mut [Flag], leftward: bool) -> usize {
    let count = flags.len();
    let order: Vec<usize> = if leftward { (0..count).collect() } else { (0..count).rev().collect() };
    for (done, &index) in order.iter().enumerate() {
        let reach = flags[index].words_width();
        let row = order[..done]
            .iter()
            .filter(|&&other| (flags[other].x - flags[index].x).abs() < reach)
            .map(|&other| flags[other].row + 1)
            .max();
        flags[index].row = row.unwrap_or(0);
    }
    flags.iter().map(|f| f.row + 1).max().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flags(places: &[f64]) -> Vec<Flag> {
        places.iter().map(|x| Flag { x: *x, words: "28.0 kHz".to_owned(), row: 0 }).collect()
    }

    #[test]
    fn close_verticals_are_staggered() {
        let mut close = flags(&[100.0, 103.0, 106.0, 300.0]);
        assert_eq!(stack(&mut close, false), 3);
        assert_eq!(close.iter().map(|f| f.row).collect::<Vec<_>>(), [2, 1, 0, 0]);
        assert_eq!(stack(&mut close, true), 3);
        assert_eq!(close.iter().map(|f| f.row).collect::<Vec<_>>(), [0, 1, 2, 0]);
    }

    #[test]
    fn far_verticals_share_a_row() {
        assert_eq!(stack(&mut flags(&[100.0, 200.0, 300.0]), false), 1);
        assert_eq!(stack(&mut [], false), 0);
    }
}
