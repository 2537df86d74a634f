//! The loop as blocks, with the plan's numbers on them.

use super::scene::{
    Anchor, Colour, INK, LEADING, Layout, Point, Rect, SIZE, Stroke, WIDTH, at, first_baseline,
};
use super::symbols::{head_right, node, wire};
use super::text;
use crate::exhibit::figure::LoopDiagram;

/// Widest line in a block, pt; longer words are broken.
const WORDS: f64 = 62.0;
/// Room between words and the edge of a block.
const PAD: f64 = 4.0;
/// Least room between two blocks: an arrow.
const ARROW: f64 = 11.0;
/// Lines in a block at most.
const LINES: usize = 4;
/// Fill of blocks.
const TINT: Colour = Colour(0xF3, 0xF6, 0xF8);
/// Distance of the feedback row below the forward row.
const DOWN: f64 = 24.0;

/// A block with its words.
struct Block {
    lines: Vec<String>,
}

impl Block {
    fn new(words: &[&str]) -> Self {
        let lines =
            words.iter().filter(|w| !w.is_empty()).flat_map(|w| text::wrap(w, SIZE, WORDS, 2)).take(LINES);
        Self { lines: lines.collect() }
    }

    fn width(&self) -> f64 {
        (text::widest(&self.lines, SIZE) + 2.0 * PAD).max(24.0)
    }

    fn draw(&self, layout: &mut Layout, area: &Rect) {
        layout.fill(area.corners(), TINT);
        let mut outline = area.outline();
        // Past the start, so that the corner is closed.
        outline.push(at(area.left + 1.0, area.top));
        layout.line(outline, &Stroke::solid(INK, 0.8));
        let first = first_baseline(f64::midpoint(area.top, area.bottom), self.lines.len());
        layout.lines(&self.lines, at(f64::midpoint(area.left, area.right), first), Anchor::Middle);
    }
}

/// Lays out the diagram.
pub(super) fn layout(plan: &LoopDiagram) -> Layout {
    let mut blocks = vec![Block::new(&["Reference", &plan.reference])];
    if plan.doubler {
        blocks.push(Block::new(&["×2"]));
    }
    if plan.reference_divider != "1" {
        blocks.push(Block::new(&[&format!("÷\u{a0}{}", plan.reference_divider)]));
    }
    // A long description breaks at its comma first.
    let kind = match plan.filter.0.find(", ") {
        Some(comma) if text::width(&plan.filter.0, SIZE) > WORDS => plan.filter.0.split_at(comma + 1),
        _ => (plan.filter.0.as_str(), ""),
    };
    let detector = blocks.len();
    blocks.push(Block::new(&["Phase detector", &plan.detector]));
    blocks.push(Block::new(&["Pump", &plan.pump]));
    blocks.push(Block::new(&["Loop filter", kind.0, kind.1.trim_start(), &plan.filter.1]));
    let oscillator = blocks.len();
    blocks.push(Block::new(&["Oscillator", &plan.oscillator.0, &plan.oscillator.1]));
    if let Some(divider) = &plan.output_divider {
        blocks.push(Block::new(&[&divided(divider)]));
    }

    let height = blocks.iter().map(|b| b.lines.len()).max().unwrap_or(1) as f64 * LEADING + 2.0 * PAD;
    let output = text::wrap(&plan.output, SIZE, WORDS, 2);
    let words = text::widest(&output, SIZE);
    let widths: f64 = blocks.iter().map(Block::width).sum();
    // The branch to the feedback needs room behind the oscillator.
    let least = widths + ARROW * blocks.len() as f64 + 8.0 + words + 4.0;
    let width = least.max(WIDTH);
    let spare = (width - least) / blocks.len() as f64;
    let arrow = ARROW + spare.min(9.0);

    let mut layout = Layout { width, ..Layout::new() };
    let used = widths + arrow * blocks.len() as f64 + 8.0 + words + 4.0;
    let mut x = (width - used) / 2.0 + 1.0;
    let middle = 2.0 + height / 2.0;
    let mut areas = Vec::new();
    let mut branch = at(0.0, middle);
    for (number, block) in blocks.iter().enumerate() {
        let area = Rect { left: x, top: 2.0, right: x + block.width(), bottom: 2.0 + height };
        block.draw(&mut layout, &area);
        let after = arrow + if number == oscillator { 8.0 } else { 0.0 };
        layout.line(vec![at(area.right, middle), at(area.right + after - 2.0, middle)], &wire());
        head_right(&mut layout, at(area.right + after, middle));
        if number == oscillator {
            branch = at(area.right + 6.0, middle);
        }
        x = area.right + after;
        areas.push(area);
    }
    layout.lines(&output, at(x + 3.0, first_baseline(middle, output.len())), Anchor::Start);
    feedback(&mut layout, plan, &areas[detector], branch);
    layout
}

/// A ratio that divides; `1/2` multiplies.
fn divided(ratio: &str) -> String {
    match ratio.strip_prefix("1/") {
        Some(factor) => format!("×{factor}"),
        None => format!("÷\u{a0}{ratio}"),
    }
}

/// The way back from the oscillator's output to the detector, through the dividers, from right to left.
fn feedback(layout: &mut Layout, plan: &LoopDiagram, detector: &Rect, branch: Point) {
    let mut blocks = Vec::new();
    if let Some(prescaler) = &plan.prescaler {
        blocks.push(Block::new(&["Prescaler", &format!("÷\u{a0}{prescaler}")]));
    }
    blocks.push(Block {
        lines: vec![
            "Feedback divider".to_owned(),
            text::shorten(&format!("÷\u{a0}{}", plan.feedback_divider), SIZE, 1.5 * WORDS),
        ],
    });

    let height = 2.0 * LEADING + 2.0 * PAD;
    let top = detector.bottom + DOWN;
    let middle = top + height / 2.0;
    let into = f64::midpoint(detector.left, detector.right);
    let room = branch.x - into - blocks.iter().map(Block::width).sum::<f64>();
    let gap = room / (blocks.len() as f64 + 1.0);
    node(layout, branch);
    let mut x = branch.x;
    let mut from = vec![branch, at(branch.x, middle)];
    for block in &blocks {
        let area = Rect { left: x - gap - block.width(), top, right: x - gap, bottom: top + height };
        from.push(at(area.right + 3.0, middle));
        layout.line(from, &wire());
        let tip = at(area.right, middle);
        layout.fill(vec![tip, at(tip.x + 5.0, tip.y - 2.3), at(tip.x + 5.0, tip.y + 2.3)], INK);
        block.draw(layout, &area);
        from = vec![at(area.left, middle)];
        x = area.left;
    }
    from.extend([at(into, middle), at(into, detector.bottom + 3.0)]);
    layout.line(from, &wire());
    let tip = at(into, detector.bottom);
    layout.fill(vec![tip, at(tip.x - 2.3, tip.y + 5.0), at(tip.x + 2.3, tip.y + 5.0)], INK);
    layout.height = top + height + 3.0;
}
