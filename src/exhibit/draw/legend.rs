//! The column right of a panel that names its curves.

use super::scene::{Anchor, Colour, LEADING, Layout, PAPER, Point, Rect, SIZE, Stroke, at, first_baseline};
use super::text;

/// Length of a sample, pt.
const SAMPLE: f64 = 22.0;
/// From sample to words.
const GAP: f64 = 5.0;
/// From the plot to the column.
pub(super) const MARGIN: f64 = 9.0;
/// Widest words before they are broken.
const WORDS: f64 = 88.0;
/// Most lines of an entry.
const LINES: usize = 3;
/// Between two entries.
const BETWEEN: f64 = 3.5;

/// What stands before the words.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Sample {
    /// A piece of a curve.
    Line(Stroke),
    /// A piece of a limit.
    Limit(Stroke),
    /// A marked point.
    Ring(Stroke),
    /// A shaded area.
    Box(Colour),
    /// A discrete line: its head.
    Head(Stroke),
}

/// An entry of the column.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Entry {
    pub sample: Sample,
    lines: Vec<String>,
    /// Height at which the entry would like to stand: the end of its curve.
    pub beside: Option<f64>,
}

impl Entry {
    pub fn new(sample: Sample, words: &str) -> Self {
        Self { sample, lines: text::wrap(words, SIZE, WORDS, LINES), beside: None }
    }

    fn height(&self) -> f64 {
        self.lines.len().max(1) as f64 * LEADING
    }
}

/// Width of the column with its margin; 0 without entries.
pub(super) fn width(entries: &[Entry]) -> f64 {
    let words = entries.iter().map(|e| text::widest(&e.lines, SIZE)).fold(0.0, f64::max);
    if entries.is_empty() { 0.0 } else { MARGIN + SAMPLE + GAP + words }
}

/// Height of the column.
pub(super) fn height(entries: &[Entry]) -> f64 {
    entries.iter().map(Entry::height).sum::<f64>() + BETWEEN * entries.len().saturating_sub(1) as f64
}

/// Draws the column beside the panel: at the curves' ends where every entry has one, else from the top.
pub(super) fn draw(layout: &mut Layout, entries: &[Entry], panel: &Rect) {
    let left = panel.right + MARGIN;
    for (entry, top) in entries.iter().zip(tops(entries, panel)) {
        let middle = top + LEADING / 2.0;
        sample(layout, &entry.sample, left, middle);
        layout.lines(&entry.lines, at(left + SAMPLE + GAP, first_baseline(middle, 1)), Anchor::Start);
    }
}

fn sample(layout: &mut Layout, sample: &Sample, left: f64, y: f64) {
    match sample {
        Sample::Line(stroke) => layout.line(vec![at(left, y), at(left + SAMPLE, y)], stroke),
        Sample::Limit(stroke) => {
            limit(layout, &[at(left, y + 1.5), at(left + SAMPLE, y + 1.5)], stroke, (left + SAMPLE, 0.0));
        }
        Sample::Box(colour) => {
            let area = Rect { left, right: left + SAMPLE, top: y - 3.5, bottom: y + 3.5 };
            layout.fill(area.corners(), *colour);
            layout.line(area.outline(), &Stroke::solid(lighter(*colour), 0.4));
        }
        Sample::Head(stroke) => {
            let middle = at(left + SAMPLE / 2.0, y);
            layout.line(vec![middle, at(middle.x, y + LEADING / 2.0)], stroke);
            layout.fill(super::plot::head(middle), stroke.colour);
        }
        Sample::Ring(stroke) => layout.disc(at(left + SAMPLE / 2.0, y), super::plot::RING, PAPER, stroke),
    }
}

/// A limit line, hatched on the side that is forbidden: above, as far as `right` and `top`.
pub(super) fn limit(layout: &mut Layout, line: &[Point], stroke: &Stroke, (right, top): (f64, f64)) {
    layout.line(line.to_vec(), stroke);
    let hatch = Stroke::solid(lighter(stroke.colour), 0.5);
    let mut left_over = 2.0;
    for pair in line.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let length = (b.x - a.x).hypot(b.y - a.y);
        let mut along = left_over;
        while along < length {
            let (x, y) = (a.x + (b.x - a.x) * along / length, a.y + (b.y - a.y) * along / length);
            let tip = at(x + 2.8, y - 4.2);
            if tip.x <= right && tip.y >= top {
                layout.line(vec![at(x, y), tip], &hatch);
            }
            along += 4.0;
        }
        left_over = along - length;
    }
}

fn lighter(Colour(r, g, b): Colour) -> Colour {
    let half = |c: u8| c / 2 + 0x60;
    Colour(half(r), half(g), half(b))
}

/// Upper edges of the entries.
fn tops(entries: &[Entry], panel: &Rect) -> Vec<f64> {
    let wanted: Option<Vec<f64>> = entries.iter().map(|e| e.beside).collect();
    let Some(wanted) = wanted else {
        let mut y = panel.top;
        return entries
            .iter()
            .map(|entry| {
                let top = y;
                y += entry.height() + BETWEEN;
                top
            })
            .collect();
    };
    // From top to bottom, pushed down where they would touch; then pushed up from the lower edge.
    let mut order: Vec<usize> = (0..entries.len()).collect();
    order.sort_by(|a, b| wanted[*a].total_cmp(&wanted[*b]));
    let mut tops = vec![0.0; entries.len()];
    let mut least = panel.top;
    for index in &order {
        tops[*index] = (wanted[*index] - LEADING / 2.0).max(least);
        least = tops[*index] + entries[*index].height() + BETWEEN;
    }
    let mut most = panel.bottom;
    for index in order.iter().rev() {
        tops[*index] = tops[*index].min(most - entries[*index].height());
        most = tops[*index] - BETWEEN;
    }
    tops
}

#[cfg(test)]
mod tests {
    use super::*;

    const PANEL: Rect = Rect { left: 0.0, top: 10.0, right: 300.0, bottom: 110.0 };

    fn entry(beside: Option<f64>) -> Entry {
        let stroke = Stroke::solid(Colour(0, 0, 0), 1.0);
        Entry { beside, ..Entry::new(Sample::Line(stroke), "Name") }
    }

    #[test]
    fn entries_stand_beside_their_curves_with_a_gap() {
        let entries = [entry(Some(105.0)), entry(Some(30.0)), entry(Some(106.0))];
        let tops = tops(&entries, &PANEL);
        assert!((tops[1] - (30.0 - LEADING / 2.0)).abs() < 1e-9);
        assert!(tops[2] - tops[0] >= LEADING + BETWEEN - 1e-9);
        assert!(tops[2] + LEADING <= PANEL.bottom + 1e-9);
    }

    #[test]
    fn without_ends_they_stand_in_their_order() {
        let tops = tops(&[entry(Some(50.0)), entry(None), entry(None)], &PANEL);
        assert!((tops[0] - PANEL.top).abs() < 1e-9);
        assert!(tops.windows(2).all(|w| w[1] - w[0] > LEADING));
    }
}
