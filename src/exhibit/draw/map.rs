//! Areas and boundaries of a plane, for maps of what is allowed.

use super::axis::Ruler;
use super::clip;
use super::legend::{Entry, Sample};
use super::palette;
use super::scene::{Layout, Point, Rect, at};
use crate::exhibit::figure::{Mark, Panel};

/// Entries of the legend: boundaries first, then areas.
pub(super) fn entries(panel: &Panel) -> Vec<Entry> {
    let lines =
        boundaries(panel).map(|(nth, _, label)| Entry::new(Sample::Line(palette::boundary(nth)), label));
    let areas = panel.marks.iter().filter_map(|mark| match mark {
        Mark::Area { shade, label, boxes } if !boxes.is_empty() => {
            Some(Entry::new(Sample::Box(palette::shade(*shade)), label))
        }
        _ => None,
    });
    lines.chain(areas).collect()
}

type Lines = [Vec<(f64, f64)>];

/// Boundaries with their number, lines and words.
fn boundaries(panel: &Panel) -> impl Iterator<Item = (usize, &Lines, &str)> {
    let found = panel.marks.iter().filter_map(|mark| match mark {
        Mark::Boundary { lines, label } => Some((lines.as_slice(), label.as_str())),
        _ => None,
    });
    found.enumerate().map(|(nth, (lines, label))| (nth, lines, label))
}

/// Shades the areas.
pub(super) fn shade(layout: &mut Layout, panel: &Panel, area: &Rect, x: &Ruler, y: &Ruler) {
    for mark in &panel.marks {
        let Mark::Area { boxes, shade, .. } = mark else { continue };
        for [from, to, low, high] in boxes {
            let across = |v: f64| area.left + x.place(v).clamp(0.0, 1.0) * area.width();
            let up = |v: f64| area.bottom - y.place(v).clamp(0.0, 1.0) * area.height();
            let cell = Rect { left: across(*from), right: across(*to), top: up(*high), bottom: up(*low) };
            if cell.width() > 0.0 && cell.height() > 0.0 {
                layout.fill(cell.corners(), palette::shade(*shade));
            }
        }
    }
}

/// Draws the boundaries; returns their visible pieces, for labels to avoid.
pub(super) fn outline(
    layout: &mut Layout,
    panel: &Panel,
    area: &Rect,
    x: &Ruler,
    y: &Ruler,
) -> Vec<Vec<Point>> {
    let mut drawn = Vec::new();
    for (nth, lines, _) in boundaries(panel) {
        for line in lines {
            for run in clip::runs(line.iter().map(|p| (x.place(p.0), y.place(p.1)))) {
                let spot =
                    |(u, v): (f64, f64)| at(area.left + u * area.width(), area.bottom - v * area.height());
                let run: Vec<Point> = run.into_iter().map(spot).collect();
                layout.line(run.clone(), &palette::boundary(nth));
                drawn.push(run);
            }
        }
    }
    drawn
}
