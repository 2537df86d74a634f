//! Figures and tables of a settling block.

use super::hop::Hop;
use super::{Digits, Exhibit, Given, Node, Solved, SolvedSettling, Unit, Window, number_cell, print};
use crate::exhibit::{Axis, Cell, Column, Curve, Drawing, Figure, Mark, Panel, Plot, Role, Scale, Table};
use crate::physics::event::Instant;

pub(super) fn exhibits(settled: &SolvedSettling, given: &Given, solved: &Solved) -> Vec<Exhibit> {
    let mut shown = Vec::new();
    if !settled.hops[settled.slowest].curve.is_empty() {
        shown.push(figure(settled, given));
    }
    shown.push(if settled.hops.len() == 1 { single(settled, solved) } else { matrix(settled) });
    shown
}

/// How the reason of a time begins for which no window is stated.
const UNASKED: &str = "no window";

fn short(value: f64, unit: Unit) -> String {
    print(value, unit, Digits::Significant(3))
}

/// Magnitude of an error on a logarithmic axis: zero can't be drawn there.
fn magnitude(curve: &[Instant], of: impl Fn(&Instant) -> f64) -> Vec<(f64, f64)> {
    curve.iter().map(|instant| (instant.time, of(instant).abs())).filter(|(_, error)| *error > 0.0).collect()
}

/// From a little below the window to the largest error.
fn range(points: &[(f64, f64)], window: Option<f64>) -> Option<(f64, f64)> {
    let largest = points.iter().map(|p| p.1).fold(0.0, f64::max);
    let least = points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let low = window.map_or(least, |window| window / 30.0).max(largest * 1e-9);
    let decade = |x: f64, up: bool| {
        let log = x.log10();
        10f64.powf(if up { log.ceil() } else { log.floor() })
    };
    (largest > 0.0 && low < largest).then(|| (decade(low, false), decade(largest, true)))
}

fn error_panel(
    label: &str,
    unit: Unit,
    points: Vec<(f64, f64)>,
    window: Option<f64>,
    time: Option<f64>,
) -> Panel {
    let range = range(&points, window);
    let mut marks = Vec::new();
    if let Some(window) = window {
        marks.push(Mark::horizontal(window, &format!("window ±{}", short(window, unit))));
    }
    if let Some(time) = time {
        marks.push(Mark::vertical(time, &format!("inside from {}", short(time, Unit::Second))));
    }
    let axis = Axis { label: label.to_owned(), unit, scale: Scale::Log, range };
    Panel::new(axis, vec![Curve::new(label, Role::Total, points)]).with_marks(marks)
}

/// Error, tuning voltage and slips of the slowest hop.
fn figure(settled: &SolvedSettling, given: &Given) -> Exhibit {
    let hop = &settled.hops[settled.slowest];
    let time = hop.time.as_ref().ok().copied();
    let error = match settled.window {
        Some(Window::Phase(window)) => {
            let points = magnitude(&hop.curve, |instant| 360.0 * instant.phase_error);
            error_panel("Phase error", Unit::Degree, points, Some(360.0 * window), time)
        }
        window => {
            let points = magnitude(&hop.curve, |instant| instant.frequency_error);
            let window = match window {
                Some(Window::Frequency(window)) => Some(window),
                _ => None,
            };
            error_panel("Frequency error", Unit::Hertz, points, window, time)
        }
    };
    let tuning = hop.curve.iter().map(|instant| (instant.time, instant.tuning)).collect();
    let mut panels = vec![
        error,
        Panel::new(
            Axis::linear("Tuning voltage", Unit::Volt),
            vec![Curve::new("tuning voltage", Role::Oscillator, tuning)],
        ),
    ];
    if !hop.slip_times.is_empty() {
        let mut steps = vec![(0.0, 0.0)];
        for (count, at) in hop.slip_times.iter().enumerate() {
            steps.extend([(*at, count as f64), (*at, count as f64 + 1.0)]);
        }
        if let (Some(last), Some(end)) = (hop.curve.last(), steps.last().copied()) {
            steps.push((last.time.max(end.0), end.1));
        }
        panels.push(Panel::new(
            Axis::linear("Cycle slips", Unit::One),
            vec![Curve::new("cycle slips", Role::Detector, steps)],
        ));
    }
    let end = hop.curve.last().map_or(0.0, |instant| instant.time);
    // Long after lock nothing is to be seen.
    let end = time.filter(|time| *time > 0.0).map_or(end, |time| end.min(4.0 * time));
    let slips = hop.slips.as_ref().map_or(String::new(), |count| format!(", {count} cycle slips"));
    let words = match &hop.time {
        Ok(time) => format!("inside its window from {} on{slips}", short(*time, Unit::Second)),
        Err(why) => format!("no settling time: {why}"),
    };
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: format!(
            "Settling of the loop \u{201c}{}\u{201d} from {} to {}",
            settled.of, hop.names.0, hop.names.1
        ),
        alt: format!(
            "Error and tuning voltage over time of block {}, from {} to {}: {words}.",
            given.name, hop.names.0, hop.names.1
        ),
        drawing: Drawing::Plot(Plot::new(Axis::linear("Time", Unit::Second).from_to(0.0, end), panels)),
    })
}

fn cell(value: &Result<f64, String>, unit: Unit) -> Cell {
    match value {
        Ok(value) => Cell::Number { value: *value, unit, text: short(*value, unit) },
        Err(why) => Cell::Text(why.clone()),
    }
}

/// Why the longest settling time is computed by one route alone, where it is.
fn once(hops: &[Hop]) -> String {
    let settled = hops.iter().filter_map(|hop| Some((hop.time.as_ref().ok()?, hop)));
    let longest = settled.max_by(|a, b| a.0.total_cmp(b.0)).and_then(|(_, hop)| hop.once);
    longest.map_or(String::new(), |why| {
        format!(" The linear loop is no second route of the longest settling time: {why}.")
    })
}

/// What one hop came to.
fn single(settled: &SolvedSettling, solved: &Solved) -> Exhibit {
    let names = [
        ("time", "Settling time"),
        ("total_time", "With programming and choice of band"),
        ("phase_time", "Settling time of the phase"),
        ("overshoot", "Overshoot, share of the step"),
        ("cycle_slips", "Cycle slips"),
        ("peak_tuning", "Farthest tuning voltage"),
    ];
    let rows = names.iter().filter_map(|(name, words)| match solved.metrics.get(name) {
        // What was not asked for is no row.
        Some(Node::Metric(metric)) if metric.why.as_deref().is_some_and(|why| why.starts_with(UNASKED)) => {
            None
        }
        Some(Node::Metric(metric)) => Some(vec![Cell::Text((*words).to_owned()), number_cell(metric)]),
        _ => None,
    });
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: "Settling".to_owned(),
        columns: vec![Column::text("Quantity", "quantity"), Column::number("Value", "value")],
        rows: rows.collect(),
        note: format!(
            "Counted from the instant at which the divider changes to the last one outside the window.{}",
            once(&settled.hops)
        ),
    })
}

/// Times of all hops: a row for each start, a column for each end.
fn matrix(settled: &SolvedSettling) -> Exhibit {
    let (mut starts, mut ends): (Vec<&str>, Vec<&str>) = (Vec::new(), Vec::new());
    for hop in &settled.hops {
        for (list, name) in [(&mut starts, &hop.names.0), (&mut ends, &hop.names.1)] {
            if !list.contains(&name.as_str()) {
                list.push(name);
            }
        }
    }
    let mut columns = vec![Column::text("From \\ to", "from")];
    columns.extend(ends.iter().map(|end| {
        let csv: String = end.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '.').collect();
        Column::number(end, &format!("to_{csv}_s"))
    }));
    let rows = starts.iter().map(|start| {
        let mut row = vec![Cell::Text((*start).to_owned())];
        row.extend(ends.iter().map(|end| {
            let hop = settled.hops.iter().find(|hop| hop.names.0 == *start && hop.names.1 == *end);
            hop.map_or(Cell::Empty, |hop| match &hop.time {
                Ok(time) => cell(&Ok(*time + hop.before), Unit::Second),
                Err(_) => Cell::Text("not settled".to_owned()),
            })
        }));
        row
    });
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: "Time of each hop, with programming and choice of band".to_owned(),
        rows: rows.collect(),
        columns,
        note: format!("The figure shows the slowest.{}", once(&settled.hops)),
    })
}
