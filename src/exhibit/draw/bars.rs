//! Horizontal bars: who owns the jitter.

use super::scene::{Anchor, FRAME, GRID, LEADING, Layout, SIZE, Stroke, Text, WIDTH, at, first_baseline};
use super::{DrawFault, palette, text};
use crate::exhibit::figure::Bars;

/// Height of a bar and distance between two, pt.
const BAR: f64 = 11.0;
const STEP: f64 = 17.0;
/// Widest names.
const NAMES: f64 = 120.0;
/// The axis ends at one of these shares, with so many steps of whole percents.
const ENDS: [(f64, u32); 8] =
    [(0.05, 5), (0.1, 5), (0.2, 5), (0.3, 3), (0.4, 4), (0.5, 5), (0.8, 4), (1.0, 5)];

/// Lays out the bars.
///
/// # Errors
/// No row, or a share that is not between 0 and 1.
pub(super) fn layout(bars: &Bars) -> Result<Layout, DrawFault> {
    if bars.rows.is_empty() {
        return Err(DrawFault::Nothing);
    }
    if let Some((name, ..)) = bars.rows.iter().find(|(_, _, share, _)| !(0.0..=1.0).contains(share)) {
        return Err(DrawFault::BadShare(name.clone()));
    }
    let names: Vec<Vec<String>> =
        bars.rows.iter().map(|(name, ..)| text::wrap(name, SIZE, NAMES, 2)).collect();
    let values: Vec<String> = bars.rows.iter().map(|row| text::shorten(&row.3, SIZE, NAMES)).collect();
    let left = names.iter().map(|lines| text::widest(lines, SIZE)).fold(0.0, f64::max) + 7.0;
    let right = WIDTH - text::widest(&values, SIZE).max(10.0) - 7.0;
    let largest = bars.rows.iter().map(|row| row.2).fold(0.0, f64::max);
    let (end, steps) = ENDS.into_iter().find(|(end, _)| largest <= *end).unwrap_or((1.0, 5));

    let mut layout = Layout::new();
    let tops: Vec<f64> = names
        .iter()
        .scan(4.0, |top, lines| {
            let row = STEP.max(lines.len() as f64 * LEADING + 4.0);
            *top += row;
            Some(*top - row / 2.0 - BAR / 2.0)
        })
        .collect();
    let bottom = tops.last().map_or(0.0, |top| top + BAR) + 5.0;
    for step in 0..=steps {
        let share = end * f64::from(step) / f64::from(steps);
        let x = left + (right - left) * share / end;
        layout.line(vec![at(x, 2.0), at(x, bottom + 3.0)], &Stroke::solid(GRID, 0.5));
        let label = format!("{:.0}", share * 100.0);
        layout.text(&label, at(x, bottom + 5.0 + text::ASCENT * SIZE), Anchor::Middle);
    }
    for (((_, role, share, _), top), (lines, value)) in
        bars.rows.iter().zip(&tops).zip(names.iter().zip(&values))
    {
        let length = (right - left) * share / end;
        let middle = top + BAR / 2.0;
        let area = super::scene::Rect { left, top: *top, right: left + length.max(0.6), bottom: top + BAR };
        layout.fill(area.corners(), palette::fill(*role));
        layout.lines(lines, at(left - 6.0, first_baseline(middle, lines.len())), Anchor::End);
        let place = at(area.right + 5.0, first_baseline(middle, 1));
        layout.texts.push(Text { backed: true, ..Text::new(value, place, Anchor::Start) });
    }
    layout.line(vec![at(left, 2.0), at(left, bottom + 3.0)], &Stroke::solid(FRAME, 0.8));
    let title = text::shorten(&format!("{} (%)", bars.label), SIZE, WIDTH - left);
    let middle = (f64::midpoint(left, right)).min(WIDTH - text::width(&title, SIZE) / 2.0);
    let baseline = bottom + 7.0 + text::ASCENT * SIZE + LEADING;
    layout.text(&title, at(middle, baseline), Anchor::Middle);
    layout.height = baseline + 4.0;
    Ok(layout)
}
