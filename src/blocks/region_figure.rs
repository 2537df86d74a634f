//! The map of a region and the table of its edges.

use super::prelude::*;
use super::region::{Axis, Cell, Region};
use crate::exhibit::{self, Cell as Field, Column, Drawing, Figure, Mark, Panel, Plot, Shade, Table};
use crate::num::contour;

pub(super) fn exhibits(region: &Region) -> Vec<Exhibit> {
    vec![figure(region), table(region)]
}

fn words(axis: &Axis) -> String {
    axis.choice.field().replace('_', " ")
}

fn printed(axis: &Axis, value: f64) -> String {
    print(value, axis.choice.unit(), Digits::Significant(3))
}

/// Sides of the cell around each value.
fn sides(axis: &Axis) -> Vec<(f64, f64)> {
    let middle = |a: f64, b: f64| if axis.log { (a * b).sqrt() } else { 0.5 * (a + b) };
    let values = &axis.values;
    let end = |at: f64| if axis.steps { at } else { at.clamp(axis.range.0, axis.range.1) };
    (0..values.len())
        .map(|k| {
            let low = if k == 0 { axis.range.0 } else { middle(values[k - 1], values[k]) };
            let high = if k + 1 == values.len() { axis.range.1 } else { middle(values[k], values[k + 1]) };
            (end(low), end(high))
        })
        .collect()
}

/// Cells of a row that are alike, put together.
fn boxes(region: &Region, wanted: impl Fn(&Cell) -> bool) -> Vec<[f64; 4]> {
    let (columns, rows) = (sides(&region.axes[0]), sides(&region.axes[1]));
    let mut boxes: Vec<[f64; 4]> = Vec::new();
    for (cells, (low, high)) in region.cells.iter().zip(rows) {
        let mut open: Option<[f64; 4]> = None;
        for (cell, (from, to)) in cells.iter().zip(&columns) {
            if wanted(cell) {
                open = Some([open.map_or(*from, |b| b[0]), *to, low, high]);
            } else {
                boxes.extend(open.take());
            }
        }
        boxes.extend(open);
    }
    boxes
}

fn figure(region: &Region) -> Exhibit {
    let [across, along] = &region.axes;
    let mut marks = vec![
        Mark::Area {
            boxes: boxes(region, Cell::holds),
            shade: Shade::Allowed,
            label: "every requirement holds".to_owned(),
        },
        Mark::Area {
            boxes: boxes(region, |cell| matches!(cell, Cell::Impossible(_))),
            shade: Shade::Impossible,
            label: "no such loop can be had".to_owned(),
        },
    ];
    // Lines are interpolated where the field is drawn, so a logarithmic one in its logarithm.
    let drawn = |axis: &Axis| -> Vec<f64> {
        axis.values.iter().map(|v| if axis.log { v.ln() } else { *v }).collect()
    };
    let (x, y) = (drawn(across), drawn(along));
    let back = |axis: &Axis, v: f64| if axis.log { v.exp() } else { v };
    for (k, id) in region.ids.iter().enumerate() {
        let value: Vec<Vec<f64>> = region
            .cells
            .iter()
            .map(|row| {
                row.iter()
                    .map(|cell| match cell {
                        Cell::Judged(margins) => margins[k],
                        Cell::Impossible(_) => f64::NAN,
                    })
                    .collect()
            })
            .collect();
        let lines = contour::zero_lines(&x, &y, &value)
            .into_iter()
            .map(|line| line.into_iter().map(|(u, v)| (back(across, u), back(along, v))).collect());
        let lines: Vec<Vec<(f64, f64)>> = lines.collect();
        if !lines.is_empty() {
            marks.push(Mark::Boundary { lines, label: format!("limit of {id}") });
        }
    }
    if let (Some(x), Some(y)) = (across.chosen, along.chosen) {
        marks.push(Mark::point(x, y, "chosen"));
    }
    let axis = |axis: &Axis| {
        let label = words(axis);
        let label = label[..1].to_uppercase() + &label[1..];
        let made = if axis.log {
            exhibit::Axis::log(&label, axis.choice.unit())
        } else {
            exhibit::Axis::linear(&label, axis.choice.unit())
        };
        made.from_to(axis.range.0, axis.range.1)
    };
    let total = region.cells.iter().map(Vec::len).sum::<usize>();
    let held = region.cells.iter().flatten().filter(|cell| cell.holds()).count();
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: format!(
            "Where every requirement on loop \u{201c}{}\u{201d} holds, over {} and {}, ideal parts",
            region.of,
            words(across),
            words(along)
        ),
        alt: format!(
            "Map of {total} trials over {} from {} to {} and {} from {} to {}; every requirement holds in {held} of them. {}",
            words(across),
            printed(across, across.range.0),
            printed(across, across.range.1),
            words(along),
            printed(along, along.range.0),
            printed(along, along.range.1),
            bounds(region).join("; ")
        ),
        drawing: Drawing::Plot(Plot::new(
            axis(across),
            vec![Panel::new(axis(along), Vec::new()).with_marks(marks)],
        )),
    })
}

/// Each side in words.
fn bounds(region: &Region) -> Vec<String> {
    let mut said = Vec::new();
    for (axis, sides) in region.axes.iter().zip(&region.edges) {
        for (word, edge) in ["below", "above"].into_iter().zip(sides) {
            if let Some(edge) = edge {
                said.push(format!("{} {word}: {} at {}", words(axis), edge.by, printed(axis, edge.at)));
            }
        }
    }
    said
}

/// Why no loop can be had in part of the map. One reason for all: most differ in their numbers alone, and would fill
/// the page.
fn refusal(region: &Region) -> String {
    let why = region.cells.iter().flatten().find_map(|cell| match cell {
        Cell::Impossible(why) => Some(why),
        Cell::Judged(_) => None,
    });
    why.map_or_else(String::new, |why| format!(" Where no loop can be had: {why}."))
}

fn table(region: &Region) -> Exhibit {
    let mut rows = Vec::new();
    for (axis, sides) in region.axes.iter().zip(&region.edges) {
        let chosen = axis.chosen.unwrap_or(f64::NAN);
        for (word, edge) in ["below", "above"].into_iter().zip(sides) {
            let (at, distance, by) = match edge {
                Some(edge) => (
                    printed(axis, edge.at),
                    format!(
                        "{}\u{202f}%",
                        print((edge.at - chosen).abs() / chosen * 100.0, Unit::One, Digits::Significant(2))
                    ),
                    edge.by.clone(),
                ),
                None => (String::new(), String::new(), "the chosen point does not hold".to_owned()),
            };
            rows.push(vec![
                Field::Text(format!("{}, {word}", words(axis))),
                Field::Text(printed(axis, chosen)),
                Field::Text(at),
                Field::Text(distance),
                Field::Text(by),
            ]);
        }
    }
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: format!(
            "What bounds loop \u{201c}{}\u{201d} on each side of the chosen point, the other field held",
            region.of
        ),
        columns: vec![
            Column::text("Side", "side"),
            Column::text("Chosen", "chosen"),
            Column::text("Edge", "edge"),
            Column::text("Distance", "distance"),
            Column::text("Lost there", "lost"),
        ],
        rows,
        note: format!(
            "Trials are on ideal parts; each is judged by the requirements on the loop and the blocks repeated with it, as \
             nominal.{}",
            refusal(region)
        ),
    })
}
