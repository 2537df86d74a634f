//! Figures and table of a response.

use super::prelude::*;
use super::response::SolvedResponse;
use crate::exhibit::{Axis, Cell, Column, Curve, Drawing, Figure, Mark, Panel, Plot, Role, Scale, Table};
use crate::physics::linear::Linear;

pub(super) fn exhibits(response: &SolvedResponse, given: &Given, solved: &Solved) -> Vec<Exhibit> {
    let figures = response
        .solved
        .linear()
        .map(|linear| [open_loop(linear, response, given), closed_loop(linear, response.over, given)]);
    figures.into_iter().flatten().chain([table(solved)]).collect()
}

fn frequencies((low, high): (f64, f64)) -> Vec<f64> {
    let steps = ((high / low).log10() * 80.0).ceil().max(2.0) as usize;
    (0..=steps).map(|k| low * (high / low).powf(k as f64 / steps as f64)).collect()
}

fn x_axis(over: (f64, f64)) -> Axis {
    Axis { label: "Frequency".to_owned(), unit: Unit::Hertz, scale: Scale::Log, range: Some(over) }
}

fn y_axis(label: &str, unit: Unit) -> Axis {
    Axis { label: label.to_owned(), unit, scale: Scale::Linear, range: None }
}

fn short(value: f64, unit: Unit) -> String {
    print(value, unit, Digits::Significant(3))
}

/// Phase of G, unwrapped from -180 deg at low frequencies, deg.
fn phases(linear: &Linear, at: &[f64]) -> Vec<(f64, f64)> {
    let mut previous = -180.0;
    at.iter()
        .map(|&f| {
            let mut phase = linear.open_loop(f).arg().to_degrees();
            while phase - previous > 180.0 {
                phase -= 360.0;
            }
            while previous - phase > 180.0 {
                phase += 360.0;
            }
            previous = phase;
            (f, phase)
        })
        .collect()
}

fn open_loop(linear: &Linear, SolvedResponse { solved, over }: &SolvedResponse, given: &Given) -> Exhibit {
    let over = *over;
    let at = frequencies(over);
    let gain = at.iter().map(|&f| (f, 20.0 * linear.open_loop(f).norm().log10())).collect();
    let margins = linear.margins();
    let inside = |f: f64| f >= over.0 && f <= over.1;
    let mut gain_marks = vec![Mark::Horizontal { y: 0.0, label: String::new() }];
    let mut phase_marks = vec![Mark::Horizontal { y: -180.0, label: String::new() }];
    for (f, margin) in margins.crossings.iter().zip(&margins.phase_margins).filter(|(f, _)| inside(**f)) {
        gain_marks.push(Mark::Vertical { x: *f, label: short(*f, Unit::Hertz) });
        phase_marks.push(Mark::Point {
            x: *f,
            y: margin - 180.0,
            label: format!("margin {}", short(*margin, Unit::Degree)),
        });
    }
    for (f, margin) in margins.phase_crossovers.iter().zip(&margins.gain_margins).filter(|(f, _)| inside(**f))
    {
        gain_marks.push(Mark::Vertical { x: *f, label: short(*f, Unit::Hertz) });
        gain_marks.push(Mark::Point {
            x: *f,
            y: -margin,
            label: format!("margin {}", short(*margin, Unit::Decibel)),
        });
    }
    let words =
        margins.phase_margin.map_or(String::new(), |m| format!(" Phase margin {}.", short(m, Unit::Degree)));
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: "Open loop: gain and phase, with every crossing".to_owned(),
        alt: format!(
            "Open-loop gain and phase of block {}: unity gain at {}.{words}",
            given.name,
            short(solved.bandwidth, Unit::Hertz)
        ),
        drawing: Drawing::Plot(Plot {
            x: x_axis(over),
            panels: vec![
                Panel {
                    y: y_axis("Gain", Unit::Decibel),
                    curves: vec![Curve { name: "gain".to_owned(), role: Role::Total, points: gain }],
                    marks: gain_marks,
                },
                Panel {
                    y: y_axis("Phase", Unit::Degree),
                    curves: vec![Curve {
                        name: "phase".to_owned(),
                        role: Role::Total,
                        points: phases(linear, &at),
                    }],
                    marks: phase_marks,
                },
            ],
        }),
    })
}

fn closed_loop(linear: &Linear, over: (f64, f64), given: &Given) -> Exhibit {
    let at = frequencies(over);
    let decibels = |value: f64| 20.0 * value.log10();
    let closed = at.iter().map(|&f| (f, decibels(linear.closed_loop(f).norm()))).collect();
    let error = at.iter().map(|&f| (f, decibels(linear.error(f).norm()))).collect();
    let margins = linear.margins();
    let mut marks = vec![Mark::Horizontal { y: 0.0, label: String::new() }];
    let inside = |f: f64| f >= over.0 && f <= over.1;
    if inside(margins.peaking_at) {
        marks.push(Mark::Point {
            x: margins.peaking_at,
            y: margins.peaking,
            label: format!("peaking {}", short(margins.peaking, Unit::Decibel)),
        });
    }
    if let Some(f) = margins.closed_bandwidth.filter(|f| inside(*f)) {
        marks.push(Mark::Vertical { x: f, label: format!("−3 dB at {}", short(f, Unit::Hertz)) });
    }
    Exhibit::figure(Figure {
        anchor: "figure.2".to_owned(),
        caption: "Closed loop H and error E".to_owned(),
        alt: format!(
            "Closed-loop gain and error of block {}: peaking {}.",
            given.name,
            short(margins.peaking, Unit::Decibel)
        ),
        drawing: Drawing::Plot(Plot {
            x: x_axis(over),
            panels: vec![Panel {
                y: Axis { range: Some((-60.0, 20.0)), ..y_axis("Gain", Unit::Decibel) },
                curves: vec![
                    Curve { name: "closed loop H".to_owned(), role: Role::Total, points: closed },
                    Curve { name: "error E".to_owned(), role: Role::Second, points: error },
                ],
                marks,
            }],
        }),
    })
}

/// Continuous and sampled margins side by side.
fn table(solved: &Solved) -> Exhibit {
    let metric = |group: &Group, name: &str| match group.get(name) {
        Some(Node::Metric(metric)) => number_cell(metric),
        _ => Cell::Text("\u{2013}".to_owned()),
    };
    let empty = Group::new();
    let sampled = match solved.metrics.get("sampled") {
        Some(Node::Group(group)) => group,
        _ => &empty,
    };
    let rows = [
        ("bandwidth", "Bandwidth (unity gain)"),
        ("phase_margin", "Phase margin"),
        ("gain_margin", "Gain margin"),
        ("phase_crossover", "Phase crossover"),
        ("peaking", "Peaking"),
        ("closed_bandwidth", "Closed-loop bandwidth, −3 dB"),
    ];
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: "Margins of the continuous and of the sampled loop".to_owned(),
        columns: vec![
            Column::text("Quantity", "quantity"),
            Column::number("Continuous", "continuous"),
            Column::number("Sampled", "sampled"),
        ],
        rows: rows
            .iter()
            .map(|(name, words)| {
                vec![Cell::Text((*words).to_owned()), metric(&solved.metrics, name), metric(sampled, name)]
            })
            .collect(),
        note: "Sampled: the detector looks once per period of its own rate.".to_owned(),
    })
}
