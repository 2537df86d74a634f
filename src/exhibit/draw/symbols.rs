//! Circuit symbols: resistors as rectangles (IEC 60617), all lines of one weight.

use super::scene::{Anchor, INK, Layout, PAPER, Point, Rect, SIZE, Stroke, at, first_baseline};
use super::text;

/// Length of a resistor, half its width, pt.
pub(super) const RESISTOR: f64 = 24.0;
const RESISTOR_HALF: f64 = 4.2;
/// Distance and half the length of a capacitor's plates.
const PLATES: f64 = 3.6;
const PLATE_HALF: f64 = 8.5;
/// Radius of a source.
pub(super) const SOURCE: f64 = 10.0;

/// Lines of a circuit.
pub(super) fn wire() -> Stroke {
    Stroke::solid(INK, 0.8)
}

/// Lines of what belongs to another part.
pub(super) fn dashed() -> Stroke {
    Stroke::dashed(INK, 0.8, &[2.5, 1.8])
}

/// A resistor around `centre`, in a level or an upright wire.
pub(super) fn resistor(layout: &mut Layout, centre: Point, upright: bool) {
    let (dx, dy) = if upright { (RESISTOR_HALF, RESISTOR / 2.0) } else { (RESISTOR / 2.0, RESISTOR_HALF) };
    let body = Rect { left: centre.x - dx, right: centre.x + dx, top: centre.y - dy, bottom: centre.y + dy };
    layout.fill(body.corners(), PAPER);
    let mut outline = body.outline();
    // Past the start, so that the corner is closed.
    outline.push(at(body.left + 1.0, body.top));
    layout.line(outline, &wire());
}

/// A capacitor in an upright wire from `from` down to `to`, in the stroke given.
pub(super) fn capacitor_down(layout: &mut Layout, from: Point, to: Point, stroke: &Stroke) {
    let middle = f64::midpoint(from.y, to.y);
    let plate = Stroke { width: 1.5, ..stroke.clone() };
    for (end, y) in [(from, middle - PLATES / 2.0), (to, middle + PLATES / 2.0)] {
        layout.line(vec![end, at(from.x, y)], stroke);
        layout.line(vec![at(from.x - PLATE_HALF, y), at(from.x + PLATE_HALF, y)], &plate);
    }
}

/// A capacitor in a level wire between two places.
pub(super) fn capacitor_across(layout: &mut Layout, from: Point, to: Point) {
    let middle = f64::midpoint(from.x, to.x);
    let plate = Stroke { width: 1.5, ..wire() };
    for (end, x) in [(from, middle - PLATES / 2.0), (to, middle + PLATES / 2.0)] {
        layout.line(vec![end, at(x, from.y)], &wire());
        layout.line(vec![at(x, from.y - PLATE_HALF), at(x, from.y + PLATE_HALF)], &plate);
    }
}

/// Ground below the end of a wire.
pub(super) fn ground(layout: &mut Layout, end: Point, stroke: &Stroke) {
    let bar = Stroke { dash: Vec::new(), ..stroke.clone() };
    for (n, half) in [7.0, 4.4, 1.8].into_iter().enumerate() {
        let y = end.y + n as f64 * 2.6;
        layout.line(vec![at(end.x - half, y), at(end.x + half, y)], &bar);
    }
}

/// Two wires that are joined.
pub(super) fn node(layout: &mut Layout, place: Point) {
    layout.disc(place, 1.7, INK, &Stroke::solid(INK, 0.4));
}

/// The end of a wire that goes on elsewhere.
pub(super) fn terminal(layout: &mut Layout, place: Point) {
    layout.disc(place, 2.3, PAPER, &wire());
}

/// A current source around `centre` in an upright wire, both ways, since a pump sources and sinks.
pub(super) fn pump(layout: &mut Layout, centre: Point) {
    layout.disc(centre, SOURCE, PAPER, &wire());
    let (x, y) = (centre.x, centre.y);
    layout.line(vec![at(x, y - 6.5), at(x, y + 6.5)], &wire());
    for tip in [-6.5, 6.5] {
        let back = y + tip * 0.45;
        layout.fill(vec![at(x, y + tip), at(x - 2.2, back), at(x + 2.2, back)], INK);
    }
}

/// An arrow head that points right, its tip at `tip`.
pub(super) fn head_right(layout: &mut Layout, tip: Point) {
    layout.fill(vec![tip, at(tip.x - 5.0, tip.y - 2.3), at(tip.x - 5.0, tip.y + 2.3)], INK);
}

/// An amplifier, its inputs at `left`, `spread` above (inverting) and below its middle; returns its output.
pub(super) fn amplifier(layout: &mut Layout, left: f64, middle: f64, spread: f64) -> Point {
    let half = spread * 2.0;
    let tip = at(left + half * 1.75, middle);
    let corners = vec![at(left, middle - half), tip, at(left, middle + half)];
    layout.fill(corners.clone(), PAPER);
    let mut outline = corners;
    outline.extend([at(left, middle - half), at(left + 1.0, middle - half + 0.57)]);
    layout.line(outline, &wire());
    layout.text("\u{2212}", at(left + 2.5, middle - spread + 0.3 * SIZE), Anchor::Start);
    layout.text("+", at(left + 2.5, middle + spread + 0.3 * SIZE), Anchor::Start);
    tip
}

/// Name and value, centred above a part in a level wire.
pub(super) fn words_above(layout: &mut Layout, words: &[String], centre: Point, clear: f64) {
    let first = centre.y - clear - text::DESCENT * SIZE - (words.len() as f64 - 1.0) * super::scene::LEADING;
    layout.lines(words, at(centre.x, first), Anchor::Middle);
}

/// Name and value, right of a part in an upright wire.
pub(super) fn words_right(layout: &mut Layout, words: &[String], centre: Point, clear: f64) {
    layout.lines(words, at(centre.x + clear, first_baseline(centre.y, words.len())), Anchor::Start);
}
