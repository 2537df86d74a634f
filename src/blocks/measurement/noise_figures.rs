//! Figure and tables of a measurement.

use super::noise::Compared;
use super::trace::Reading;
use crate::blocks::prelude::*;
use crate::exhibit::{Axis, Cell, Column, Curve, Drawing, Figure, Mark, Panel, Plot, Role, Table};
use crate::physics::bench::{FLOOR_CLEARANCE, LINE_WIDTH, MEDIAN_REACH};

/// Spurs that are marked in the figure, the highest first; more would hide the trace.
const MARKED: usize = 5;

pub(super) fn exhibits(compared: &Compared, given: &Given, solved: &Solved) -> Vec<Exhibit> {
    let mut shown = vec![overlay(compared, given), summary(compared, solved), readings(&compared.readings)];
    if !compared.lines.is_empty() {
        shown.push(spurs(compared));
    }
    shown
}

fn short(value: f64, unit: Unit) -> String {
    print(value, unit, Digits::Significant(3))
}

/// With its sign, also a plus.
fn signed(difference: f64) -> String {
    let text = short(difference, Unit::Decibel);
    if difference > 0.0 { format!("+{text}") } else { text }
}

pub(super) fn range((from, to): (f64, f64)) -> String {
    format!("{} .. {}", print(from, Unit::Hertz, Digits::Written), print(to, Unit::Hertz, Digits::Written))
}

/// Measured against predicted, and below it their difference.
fn overlay(compared: &Compared, given: &Given) -> Exhibit {
    let at = &compared.offsets;
    let mut curves = vec![
        Curve::from_columns("predicted", Role::Total, at, &compared.predicted),
        Curve::from_columns("measured", Role::Measured, at, &compared.measured),
    ];
    if let Some(floor) = &compared.floor {
        let points = at.iter().map(|f| (*f, floor.level_at(*f))).collect();
        curves.push(Curve::new("floor of the analyser", Role::Others, points));
    }
    let mut highest: Vec<_> = compared.lines.iter().collect();
    highest.sort_by(|a, b| b.height.total_cmp(&a.height));
    let spurs = highest.iter().take(MARKED).map(|line| Mark::point(line.offset, line.level, "spur"));
    let compare = Mark::span(compared.over.0, compared.over.1, "compared");
    let difference = (0..at.len()).map(|k| {
        let value = if compared.judged[k] { compared.measured[k] - compared.predicted[k] } else { f64::NAN };
        (at[k], value)
    });
    let within = short(compared.within, Unit::Decibel);
    let limits = [(compared.within, format!("+{within}")), (-compared.within, format!("\u{2212}{within}"))];
    let mut marks: Vec<Mark> = limits.iter().map(|(y, label)| Mark::horizontal(*y, label)).collect();
    let worst = compared.worst();
    if let Some((offset, difference)) = worst {
        marks.push(Mark::point(offset, difference, &format!("worst {}", signed(difference))));
    }
    let said = worst.map_or_else(
        || "No point is judged.".to_owned(),
        |(offset, d)| format!("The largest difference is {} at {}.", signed(d), short(offset, Unit::Hertz)),
    );
    let x = Axis::log("Offset from the carrier", Unit::Hertz);
    let x = match (at.first(), at.last()) {
        (Some(first), Some(last)) if first < last => x.from_to(*first, *last),
        _ => x,
    };
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: format!(
            "Measured phase noise against the prediction of \u{201c}{}\u{201d}, and measured less predicted",
            compared.of
        ),
        alt: format!(
            "Upper panel of block {}: measured and predicted phase noise over offset. Lower panel: their difference. {said}",
            given.name
        ),
        drawing: Drawing::Plot(Plot::new(
            x,
            vec![
                Panel::new(Axis::linear("Phase noise", Unit::DecibelCarrierPerHertz), curves)
                    .with_marks(std::iter::once(compare).chain(spurs)),
                Panel::new(
                    Axis::linear("Difference", Unit::Decibel),
                    vec![Curve::new("measured less predicted", Role::Measured, difference.collect())],
                )
                .with_marks(marks),
            ],
        )),
    })
}

/// How well they agree.
fn summary(compared: &Compared, solved: &Solved) -> Exhibit {
    let judged = compared.differences().count();
    let metric = |name: &str| match solved.metrics.get(name) {
        Some(Node::Metric(metric)) => number_cell(metric),
        _ => Cell::Empty,
    };
    let text = |text: &str| Cell::Text(text.to_owned());
    let number = |value: f64, unit: Unit, text: String| Cell::Number { value, unit, text };
    let count = |count: usize| number(count as f64, Unit::One, count.to_string());
    let mut rows = Vec::new();
    if let Some((offset, difference)) = compared.worst() {
        rows.push(vec![
            text(&format!("Worst difference, at {}", short(offset, Unit::Hertz))),
            number(difference, Unit::Decibel, signed(difference)),
        ]);
    }
    if let Some(Node::Metric(Metric { value: Some(mean), .. })) = solved.metrics.get("mean_difference") {
        rows.push(vec![text("Mean difference"), number(mean.real(), Unit::Decibel, signed(mean.real()))]);
    }
    if let Some(Node::Metric(Metric { value: Some(share), .. })) = solved.metrics.get("share_within") {
        let percent = print(share.real() * 100.0, Unit::One, Digits::Significant(3));
        rows.push(vec![
            text(&format!("Share within {}", short(compared.within, Unit::Decibel))),
            number(share.real(), Unit::One, format!("{percent}\u{202f}%")),
        ]);
    }
    let limits = range(compared.limits);
    rows.push(vec![text(&format!("rms jitter of the trace, {limits}")), metric("jitter")]);
    rows.push(vec![text("rms jitter of the model, same limits"), metric("predicted_jitter")]);
    rows.push(vec![text("Points in the trace"), count(compared.offsets.len())]);
    rows.push(vec![text("Points judged"), count(judged)]);
    rows.push(vec![text("Points left out near the analyser\u{2019}s floor"), count(compared.near_floor)]);
    let mut note = format!(
        "Compared over {}. A model within a dB or two of the bench is good: common practice, no source.",
        range(compared.over)
    );
    if compared.floor.is_some() {
        note.push_str(&format!(
            " Points less than {} above the analyser\u{2019}s floor are not judged, but count in the jitter of the trace.",
            short(FLOOR_CLEARANCE, Unit::Decibel)
        ));
    }
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: "Bench and model".to_owned(),
        columns: vec![Column::text("Quantity", "quantity"), Column::number("Value", "value")],
        rows,
        note,
    })
}

/// How the file was read.
pub(super) fn readings(readings: &[Reading]) -> Exhibit {
    let rows = readings.iter().map(|reading| {
        vec![
            Cell::Number { value: reading.column as f64, unit: Unit::One, text: reading.column.to_string() },
            Cell::Text(if reading.header.is_empty() { "no name".to_owned() } else { reading.header.clone() }),
            Cell::Text(reading.role.word.to_owned()),
            Cell::Text(reading.unit.clone()),
            Cell::Text(reading.because.to_owned()),
        ]
    });
    Exhibit::table(Table {
        anchor: "table.2".to_owned(),
        caption: "How the file of the trace was read".to_owned(),
        columns: vec![
            Column::number("Column", "column"),
            Column::text("Header", "header"),
            Column::text("Read as", "read_as"),
            Column::text("Unit", "unit"),
            Column::text("Because", "because"),
        ],
        rows: rows.collect(),
        note: "The field `columns` says otherwise where this is wrong.".to_owned(),
    })
}

/// Spurs that were left out.
fn spurs(compared: &Compared) -> Exhibit {
    let cell = |value: f64, unit: Unit, text: String| Cell::Number { value, unit, text };
    let rows = compared.lines.iter().map(|line| {
        vec![
            cell(line.offset, Unit::Hertz, print(line.offset, Unit::Hertz, Digits::Significant(4))),
            cell(
                line.level,
                Unit::DecibelCarrierPerHertz,
                print(line.level, Unit::DecibelCarrierPerHertz, Digits::Significant(4)),
            ),
            cell(line.height, Unit::Decibel, short(line.height, Unit::Decibel)),
            cell(line.points.len() as f64, Unit::One, line.points.len().to_string()),
        ]
    });
    Exhibit::table(Table {
        anchor: "table.3".to_owned(),
        caption: "Spurs in the trace, left out of difference and jitter".to_owned(),
        columns: vec![
            Column::number("Offset", "offset_Hz"),
            Column::number("Level shown", "level_dBc_per_Hz"),
            Column::number("Above the median", "height_dB"),
            Column::number("Points", "points"),
        ],
        rows: rows.collect(),
        note: format!(
            "A spur is a run of points more than {} above the median of the points within {MEDIAN_REACH} decades on either \
             side, no wider than {LINE_WIDTH} decades; its neighbours down to a third of that height, at least one on either side, \
             go with it.",
            short(compared.rise, Unit::Decibel)
        ),
    })
}
