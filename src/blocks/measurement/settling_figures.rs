//! Figure and tables of a settling trace.

use super::noise_figures::readings;
use super::settling::Compared;
use crate::blocks::prelude::*;
use crate::exhibit::{Axis, Cell, Column, Curve, Drawing, Figure, Mark, Panel, Plot, Role, Scale, Table};

pub(super) fn exhibits(compared: &Compared, given: &Given, solved: &Solved) -> Vec<Exhibit> {
    vec![overlay(compared, given), summary(compared, solved), readings(&compared.readings)]
}

fn short(value: f64, unit: Unit) -> String {
    print(value, unit, Digits::Significant(3))
}

fn signed(difference: f64, unit: Unit) -> String {
    let text = short(difference, unit);
    if difference > 0.0 { format!("+{text}") } else { text }
}

/// Whole decades round the drawn values, not far below the window.
fn decades(curves: &[Curve], window: Option<f64>) -> Option<(f64, f64)> {
    let all = || curves.iter().flat_map(|curve| curve.points.iter().map(|point| point.1));
    let (least, most) = (all().fold(f64::INFINITY, f64::min), all().fold(0.0, f64::max));
    let low = window.map_or(least, |window| window / 30.0).max(most * 1e-9);
    (low < most).then(|| (10f64.powf(low.log10().floor()), 10f64.powf(most.log10().ceil())))
}

/// Magnitude of the error, or the voltage, of trace and model.
fn upper(compared: &Compared) -> Panel {
    let linear = compared.unit == Unit::Volt;
    let curve = |name: &str, role: Role, values: &[f64]| {
        let points = compared.times.iter().zip(values).filter_map(|(time, value)| {
            let shown = if linear { *value } else { value.abs() };
            (*time >= 0.0 && value.is_finite() && (linear || shown > 0.0)).then_some((*time, shown))
        });
        Curve::new(name, role, points.collect())
    };
    let curves = vec![
        curve("measured", Role::Measured, &compared.measured),
        curve("predicted", Role::Total, &compared.predicted),
    ];
    let mut marks = Vec::new();
    if let (Ok(window), false) = (&compared.window, linear) {
        marks.push(Mark::horizontal(*window, &format!("window ±{}", short(*window, compared.unit))));
    }
    if let Ok(lock) = &compared.lock {
        marks.push(Mark::vertical(*lock, &format!("measured lock {}", short(*lock, Unit::Second))));
    }
    let (label, unit) = match compared.unit {
        Unit::Volt => ("Tuning voltage", Unit::Volt),
        Unit::Degree => ("Phase error", Unit::Degree),
        unit => ("Frequency error", unit),
    };
    let axis = if linear {
        Axis::linear(label, unit)
    } else {
        let range = decades(&curves, compared.window.as_ref().ok().copied());
        Axis { label: label.to_owned(), unit, scale: Scale::Log, range }
    };
    Panel::new(axis, curves).with_marks(marks)
}

/// Measured and predicted, and below them their difference.
fn overlay(compared: &Compared, given: &Given) -> Exhibit {
    let unit = compared.unit;
    let difference = (0..compared.times.len())
        .filter(|k| compared.times[*k] >= 0.0)
        .map(|k| (compared.times[k], if compared.judged[k] { compared.difference(k) } else { f64::NAN }));
    let within = short(compared.within, unit);
    let limits = [(compared.within, format!("+{within}")), (-compared.within, format!("\u{2212}{within}"))];
    let mut marks: Vec<Mark> = limits.iter().map(|(y, label)| Mark::horizontal(*y, label)).collect();
    let worst = compared.worst();
    if let Some((time, difference)) = worst {
        marks.push(Mark::point(time, difference, &format!("worst {}", signed(difference, unit))));
    }
    let said = worst.map_or_else(
        || "No point is judged.".to_owned(),
        |(time, d)| {
            format!("The largest difference is {} at {}.", signed(d, unit), short(time, Unit::Second))
        },
    );
    let end = compared.times.last().copied().unwrap_or(0.0);
    let lower = Panel::new(
        Axis::linear("Difference", unit),
        vec![Curve::new("measured less predicted", Role::Measured, difference.collect())],
    );
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: format!(
            "Measured {} from {} to {} against the prediction of \u{201c}{}\u{201d}, and measured less predicted",
            compared.what, compared.hop.0, compared.hop.1, compared.of
        ),
        alt: format!(
            "Upper panel of block {}: measured and predicted {} over time. Lower panel: their difference. {said}",
            given.name, compared.what
        ),
        drawing: Drawing::Plot(Plot::new(
            Axis::linear("Time", Unit::Second).from_to(0.0, end),
            vec![upper(compared), lower.with_marks(marks)],
        )),
    })
}

/// How well they agree.
fn summary(compared: &Compared, solved: &Solved) -> Exhibit {
    let unit = compared.unit;
    let metric = |name: &str| match solved.metrics.get(name) {
        Some(Node::Metric(metric)) => number_cell(metric),
        _ => Cell::Empty,
    };
    let real = |name: &str| match solved.metrics.get(name) {
        Some(Node::Metric(Metric { value: Some(value), .. })) => Some(value.real()),
        _ => None,
    };
    let text = |text: &str| Cell::Text(text.to_owned());
    let number = |value: f64, unit: Unit, text: String| Cell::Number { value, unit, text };
    let count = |count: usize| number(count as f64, Unit::One, count.to_string());
    let mut rows = Vec::new();
    if let Some((time, difference)) = compared.worst() {
        rows.push(vec![
            text(&format!("Worst difference, at {}", short(time, Unit::Second))),
            number(difference, unit, signed(difference, unit)),
        ]);
    }
    if let Some(mean) = real("mean_difference") {
        rows.push(vec![text("Mean difference"), number(mean, unit, signed(mean, unit))]);
    }
    if let Some(share) = real("share_within") {
        let percent = print(share * 100.0, Unit::One, Digits::Significant(3));
        rows.push(vec![
            text(&format!("Share within {}", short(compared.within, unit))),
            number(share, Unit::One, format!("{percent}\u{202f}%")),
        ]);
    }
    rows.push(vec![text("Lock time of the trace"), metric("lock_time")]);
    rows.push(vec![text("Lock time of the model"), metric("predicted_lock_time")]);
    rows.push(vec![text("Scatter round the prediction after lock, rms"), metric("scatter")]);
    rows.push(vec![text("Points in the trace"), count(compared.times.len())]);
    rows.push(vec![text("Points judged"), count(compared.differences().count())]);
    let seconds = |time: f64| print(time, Unit::Second, Digits::Significant(3));
    let window = match &compared.window {
        Ok(window) => format!(
            " Lock is the last instant outside ±{} of {}.",
            short(*window, unit),
            if unit == Unit::Hertz { "the channel aimed at" } else { "the settled value" }
        ),
        Err(_) => String::new(),
    };
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: "Bench and model".to_owned(),
        columns: vec![Column::text("Quantity", "quantity"), Column::number("Value", "value")],
        rows,
        note: format!(
            "Compared from {} to {} after the divider\u{2019}s change.{window}",
            seconds(compared.over.0),
            seconds(compared.over.1)
        ),
    })
}
