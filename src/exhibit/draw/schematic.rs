//! The loop filter as a circuit: parts stand as far apart as their words need, so nothing can overlap.

use super::scene::{Anchor, Layout, Point, SIZE, WIDTH, at, first_baseline};
use super::symbols::{self, dashed, ground, node, terminal, wire, words_above, words_right};
use super::{DrawFault, text};
use crate::exhibit::figure::FilterSchematic;

/// From an upright wire to the words right of its part, pt.
const BESIDE: f64 = 12.0;
/// Least distance between words and what stands right of them.
const CLEAR: f64 = 14.0;
/// From the signal wire down to a part's ground, pt.
const DROP: f64 = 78.0;
/// Half the distance of an amplifier's inputs.
const SPREAD: f64 = 9.5;

/// A filter being drawn from left to right along its signal wire.
struct Sketch<'a> {
    layout: Layout,
    filter: &'a FilterSchematic,
    /// End of the signal wire so far.
    end: Point,
}

/// Lays out the filter.
///
/// # Errors
/// No such filter, a part without value, a value without part.
pub(super) fn layout(filter: &FilterSchematic) -> Result<Layout, DrawFault> {
    check(filter)?;
    let mut sketch = Sketch { layout: Layout::new(), filter, end: at(0.0, 0.0) };
    sketch.pump();
    if filter.active {
        sketch.integrator();
    } else {
        sketch.shunt_capacitor("C1");
        sketch.zero();
    }
    if filter.order >= 3 {
        sketch.series_resistor("R3");
        sketch.shunt_capacitor("C3");
    }
    if filter.order >= 4 {
        sketch.series_resistor("R4");
        sketch.shunt_capacitor("C4");
    }
    sketch.port();
    Ok(sketch.framed())
}

fn check(filter: &FilterSchematic) -> Result<(), DrawFault> {
    let least = if filter.active { 3 } else { 2 };
    if !(least..=4).contains(&filter.order) {
        return Err(DrawFault::FilterOrder(filter.active, filter.order));
    }
    let names: &[&str] = match filter.order {
        2 => &["C1", "C2", "R2"],
        3 => &["C1", "C2", "R2", "R3", "C3"],
        _ => &["C1", "C2", "R2", "R3", "C3", "R4", "C4"],
    };
    for name in names {
        if filter.parts.iter().filter(|(part, _)| part == name).count() != 1 {
            return Err(DrawFault::FilterPart((*name).to_owned()));
        }
    }
    match filter.parts.iter().find(|(part, _)| !names.contains(&part.as_str())) {
        Some((part, _)) => Err(DrawFault::FilterPart(part.clone())),
        None => Ok(()),
    }
}

impl Sketch<'_> {
    /// Name and value of a part.
    fn words(&self, name: &str) -> [String; 2] {
        let value = self.filter.parts.iter().find(|(part, _)| part == name).map(|(_, value)| value.clone());
        [name.to_owned(), value.unwrap_or_default()]
    }

    /// Draws the signal wire on to that distance.
    fn on(&mut self, by: f64) {
        let next = at(self.end.x + by, self.end.y);
        self.layout.line(vec![self.end, next], &wire());
        self.end = next;
    }

    fn pump(&mut self) {
        let words = ["pump".to_owned(), self.filter.pump.clone()];
        let foot = at(self.end.x, self.end.y + DROP);
        self.layout.line(vec![self.end, foot], &wire());
        let centre = at(self.end.x, self.end.y + DROP / 2.0);
        symbols::pump(&mut self.layout, centre);
        ground(&mut self.layout, foot, &wire());
        words_right(&mut self.layout, &words, centre, symbols::SOURCE + 4.0);
        self.on(symbols::SOURCE + 4.0 + text::widest(&words, SIZE) + CLEAR);
    }

    /// A capacitor from the signal wire to ground.
    fn shunt_capacitor(&mut self, name: &str) {
        let words = self.words(name);
        let foot = at(self.end.x, self.end.y + DROP);
        node(&mut self.layout, self.end);
        symbols::capacitor_down(&mut self.layout, self.end, foot, &wire());
        ground(&mut self.layout, foot, &wire());
        words_right(&mut self.layout, &words, at(self.end.x, self.end.y + DROP / 2.0), BESIDE);
        self.on(BESIDE + text::widest(&words, SIZE) + CLEAR);
    }

    /// Resistor and capacitor in series from the signal wire to ground.
    fn zero(&mut self) {
        let (upper, lower) = (self.words("R2"), self.words("C2"));
        let (x, y) = (self.end.x, self.end.y);
        let joint = at(x, y + DROP * 0.52);
        let foot = at(x, y + DROP);
        node(&mut self.layout, self.end);
        self.layout.line(vec![self.end, joint], &wire());
        let resistor = at(x, y + DROP * 0.27);
        symbols::resistor(&mut self.layout, resistor, true);
        symbols::capacitor_down(&mut self.layout, joint, foot, &wire());
        ground(&mut self.layout, foot, &wire());
        words_right(&mut self.layout, &upper, resistor, BESIDE);
        words_right(&mut self.layout, &lower, at(x, y + DROP * 0.76), BESIDE);
        let width = text::widest(&upper, SIZE).max(text::widest(&lower, SIZE));
        self.on(BESIDE + width + CLEAR);
    }

    fn series_resistor(&mut self, name: &str) {
        let words = self.words(name);
        let length = (text::widest(&words, SIZE) + 8.0).max(symbols::RESISTOR + 14.0);
        let centre = at(self.end.x + length / 2.0, self.end.y);
        self.on(length);
        symbols::resistor(&mut self.layout, centre, false);
        words_above(&mut self.layout, &words, centre, 7.0);
    }

    /// An amplifier with R2 and C2 in series, and C1 across both, in its feedback.
    fn integrator(&mut self) {
        let (r2, c2, c1) = (self.words("R2"), self.words("C2"), self.words("C1"));
        let start = self.end;
        node(&mut self.layout, start);
        self.on(12.0);
        let middle = start.y + SPREAD;
        let tip = symbols::amplifier(&mut self.layout, self.end.x, middle, SPREAD);

        // The non-inverting input rests on a fixed voltage.
        let input = at(self.end.x, middle + SPREAD);
        let rest = at(self.end.x - 7.0, middle + SPREAD + 34.0);
        self.layout.line(vec![input, at(rest.x, input.y), rest], &wire());
        terminal(&mut self.layout, rest);
        let bias = self.filter.rest.as_deref().unwrap_or("reference");
        self.layout.text(bias, at(rest.x + 6.0, first_baseline(rest.y, 1)), Anchor::Start);

        // Feedback, above: two branches of the same length.
        let half = |words: &[String]| (text::widest(words, SIZE) + 8.0).max(38.0);
        let length = (half(&r2) + half(&c2)).max(half(&c1)).max(tip.x + 12.0 - start.x);
        let lower = start.y - SPREAD * 2.0 - 30.0;
        let upper = lower - 46.0;
        let right = start.x + length;
        for (y, from) in [(lower, start.y), (upper, lower)] {
            self.layout.line(vec![at(start.x, from), at(start.x, y)], &wire());
        }
        let split = start.x + length * half(&r2) / (half(&r2) + half(&c2));
        let resistor = at(f64::midpoint(start.x, split), lower);
        self.layout.line(vec![at(start.x, lower), at(split, lower)], &wire());
        symbols::resistor(&mut self.layout, resistor, false);
        words_above(&mut self.layout, &r2, resistor, 11.0);
        symbols::capacitor_across(&mut self.layout, at(split, lower), at(right, lower));
        words_above(&mut self.layout, &c2, at(f64::midpoint(split, right), lower), 11.0);
        symbols::capacitor_across(&mut self.layout, at(start.x, upper), at(right, upper));
        words_above(&mut self.layout, &c1, at(f64::midpoint(start.x, right), upper), 11.0);

        let out = at(right, middle);
        self.layout.line(vec![at(right, upper), out], &wire());
        self.layout.line(vec![tip, out], &wire());
        node(&mut self.layout, at(start.x, lower));
        node(&mut self.layout, at(right, lower));
        node(&mut self.layout, out);
        self.end = out;
        self.on(10.0);
    }

    /// The tuning port: its capacitance, which belongs to the oscillator, and the way out.
    fn port(&mut self) {
        if let Some(port) = &self.filter.port {
            let words = ["tuning port".to_owned(), port.clone()];
            let foot = at(self.end.x, self.end.y + DROP);
            node(&mut self.layout, self.end);
            symbols::capacitor_down(&mut self.layout, self.end, foot, &dashed());
            ground(&mut self.layout, foot, &wire());
            words_right(&mut self.layout, &words, at(self.end.x, self.end.y + DROP / 2.0), BESIDE);
        }
        self.on(16.0);
        let end = self.end;
        terminal(&mut self.layout, end);
        let words = "to the oscillator";
        self.layout.text(words, at(end.x + 6.0, first_baseline(end.y, 1)), Anchor::Start);
    }

    /// The drawing in the middle of the text width; wider where it needs more.
    fn framed(mut self) -> Layout {
        let boxes = self.layout.texts.iter().map(super::scene::Text::bounds);
        let (mut left, mut top, mut right) = (-symbols::SOURCE, -symbols::SOURCE, self.end.x);
        let mut bottom = DROP + 8.0;
        for area in boxes {
            (left, top) = (area.left.min(left), area.top.min(top));
            (right, bottom) = (area.right.max(right), area.bottom.max(bottom));
        }
        let width = (right - left + 4.0).max(WIDTH);
        self.layout.shift((width - (right - left)) / 2.0 - left, 3.0 - top);
        if self.filter.active {
            bottom = bottom.max(self.end.y + DROP + 8.0);
        }
        self.layout.width = width;
        self.layout.height = bottom - top + 6.0;
        self.layout
    }
}
