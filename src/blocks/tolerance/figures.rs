//! Figures and table of a tolerance block: how the numbers spread, and what makes them.

use super::super::judged::percent;
use super::super::repeat::{Cases, metric};
use super::super::support::{number_cell, spoken};
use super::metrics::{at_least, observed};
use super::runs::SolvedTolerance;
use super::{Exhibit, Given, Unit};
use crate::exhibit::{Axis, Bars, Cell, Column, Curve, Drawing, Figure, Mark, Panel, Plot, Role, Table};
use crate::physics::scatter::{Distribution, Vary};
use crate::results::Limit;
use crate::units::{Digits, print};

/// Most metrics that get a histogram.
const MOST: usize = 2;

/// Classes of a histogram.
const CLASSES: usize = 40;

pub(super) fn exhibits(given: &Given, solved: &SolvedTolerance) -> Vec<Exhibit> {
    let shown = shown(solved);
    let mut exhibits = Vec::new();
    let mut anchor = {
        let mut count = 0;
        move || {
            count += 1;
            if count == 1 { "figure".to_owned() } else { format!("figure.{count}") }
        }
    };
    for &column in &shown {
        exhibits.extend(histogram(given, solved, column, &mut anchor));
    }
    for &column in shown.iter().take(1) {
        exhibits.extend(ranking(given, solved, column, &mut anchor));
    }
    exhibits.push(statistics(solved));
    exhibits
}

fn short(value: f64, unit: Unit) -> String {
    print(value, unit, Digits::Significant(3))
}

/// Metrics that requirements set limits on come first, then jitter, margin, bandwidth.
fn shown(solved: &SolvedTolerance) -> Vec<usize> {
    let repeat = &solved.repeat;
    let limited = solved.yields.iter().filter_map(|(path, ..)| repeat.column(path));
    let usual = ["jitter", "sampled_phase_margin", "bandwidth"];
    let usual = usual.iter().filter_map(|name| repeat.columns.iter().position(|c| c.name == *name));
    let mut shown: Vec<usize> = Vec::new();
    for column in limited.chain(usual) {
        let spreads = solved.summaries[column].moments.1 > 0.0;
        if spreads && !shown.contains(&column) {
            shown.push(column);
        }
    }
    shown.truncate(MOST);
    shown
}

fn histogram(
    given: &Given,
    solved: &SolvedTolerance,
    column: usize,
    anchor: &mut dyn FnMut() -> String,
) -> Option<Exhibit> {
    let shape = &solved.repeat.columns[column];
    let (low, high) =
        solved.column(column).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| (a.min(x), b.max(x)));
    if !(high > low && high.is_finite() && low.is_finite()) {
        return None;
    }
    let width = (high - low) / CLASSES as f64;
    let mut counts = [0usize; CLASSES];
    for value in solved.column(column) {
        counts[(((value - low) / width) as usize).min(CLASSES - 1)] += 1;
    }
    let mut points = vec![(low, 0.0)];
    for (k, count) in counts.iter().enumerate() {
        let left = low + width * k as f64;
        points.extend([(left, *count as f64), (left + width, *count as f64)]);
    }
    points.push((high, 0.0));
    let nominal = solved.nominal[column];
    let curve_name = match solved.worst_channel(column) {
        Some((output, share)) => format!(
            "worst channel of each run; {} in {}",
            print(output, Unit::Hertz, Digits::Written),
            percent(share)
        ),
        None => "runs".to_owned(),
    };
    let mut marks = vec![Mark::vertical(nominal, &format!("design {}", short(nominal, shape.unit)))];
    for (_, limit, _) in solved.yields.iter().filter(|(path, ..)| solved.repeat.column(path) == Some(column))
    {
        let bounds = match limit {
            Limit::AtMost(b) | Limit::Below(b) | Limit::AtLeast(b) | Limit::Above(b) => vec![*b],
            Limit::Between(a, b) => vec![*a, *b],
            Limit::Mask(_) => Vec::new(),
        };
        // A limit far outside would squeeze the spread into a corner.
        let near = |b: &f64| *b > low - (high - low) && *b < high + (high - low);
        marks.extend(
            bounds
                .iter()
                .filter(|b| near(b))
                .map(|b| Mark::vertical(*b, &format!("limit {}", short(*b, shape.unit)))),
        );
    }
    let label = format!("{} {}", shape.block, spoken(&shape.name));
    let summary = &solved.summaries[column];
    let curve = Curve::new(&curve_name, Role::Total, points);
    Some(Exhibit::figure(Figure {
        anchor: anchor(),
        caption: format!("Spread of {label} over {} runs{}", solved.count(), in_worst(solved)),
        alt: format!(
            "Histogram of {label} for block {}: from {} to {}, mean {}, standard deviation {}, design {}.",
            given.name,
            short(low, shape.unit),
            short(high, shape.unit),
            short(summary.moments.0, shape.unit),
            short(summary.moments.1, shape.unit),
            short(nominal, shape.unit)
        ),
        drawing: Drawing::Plot(Plot::linear_x(
            &capital(&label),
            shape.unit,
            vec![Panel::new(Axis::linear("Runs", Unit::One), vec![curve]).with_marks(marks)],
        )),
    }))
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().collect::<String>() + chars.as_str())
}

/// What makes the spread, largest share first.
fn ranking(
    given: &Given,
    solved: &SolvedTolerance,
    column: usize,
    anchor: &mut dyn FnMut() -> String,
) -> Option<Exhibit> {
    let shape = &solved.repeat.columns[column];
    let ranked = solved.ranking(column);
    let (first, share) = ranked.first()?.clone();
    let text = |share: f64| format!("{}\u{202f}%", print(share * 100.0, Unit::One, Digits::Significant(2)));
    let rows = ranked.iter().take(8).map(|(name, share)| (spoken(name), role(name), *share, text(*share)));
    let label = format!("{} {}", shape.block, spoken(&shape.name));
    Some(Exhibit::figure(Figure {
        anchor: anchor(),
        caption: format!("What makes the spread of {label}, first order"),
        alt: format!(
            "Bars for block {}: {} has the largest share with {}.",
            given.name,
            spoken(&first),
            text(share)
        ),
        drawing: Drawing::Bars(Bars { label: "Share of the variance".to_owned(), rows: rows.collect() }),
    }))
}

fn role(name: &str) -> Role {
    match name {
        "gain" | "level_oscillator" => Role::Oscillator,
        "pump" | "level_detector" | "level_flicker" => Role::Detector,
        "level_reference" => Role::Reference,
        "level_output" => Role::Output,
        "temperature" => Role::Others,
        _ => Role::Filter,
    }
}

/// What varies, in words: "R2 1 %, gain 10 %".
fn varied(solved: &SolvedTolerance) -> String {
    let share = |share: f64| format!("±{}\u{202f}%", print(share * 100.0, Unit::One, Digits::All));
    let one = |vary: &Vary| match *vary {
        Vary::Part(name, t) => format!("{name} {}", share(t)),
        Vary::Gain(t) => format!("gain {}", share(t)),
        Vary::Pump(t) => format!("pump {}", share(t)),
        Vary::Level(level, t) => format!("{} level ±{}", level.name(), print(t, Unit::Decibel, Digits::All)),
        Vary::Temperature(low, high) => {
            let kelvin = |k: f64| print(k, Unit::Kelvin, Digits::Significant(3));
            format!("temperature {} to {}", kelvin(low), kelvin(high))
        }
    };
    solved.scatter.vary.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// Which parts were taken to come from one reel.
fn reels(solved: &SolvedTolerance) -> String {
    let scatter = &solved.scatter;
    let named = |member: &usize| scatter.vary[*member].name();
    let parts = scatter.vary.iter().filter(|vary| matches!(vary, Vary::Part(..))).count();
    if scatter.reels.is_empty() {
        let text = " The parts vary independently of each other, whether or not they come from one reel.";
        return if parts > 1 { text.to_owned() } else { String::new() };
    }
    let words = scatter.reels.iter().map(|reel| {
        let members: Vec<String> = reel.members.iter().map(named).collect();
        format!("{} ({})", members.join(", "), print(reel.correlation, Unit::One, Digits::All))
    });
    format!(
        " Taken from one reel, with the rank correlation of their errors: {}; all else varies independently.",
        words.collect::<Vec<_>>().join("; ")
    )
}

/// What the captions add where a band is read.
fn in_worst(solved: &SolvedTolerance) -> &'static str {
    if solved.places.band.is_some() { ", each in its worst channel" } else { "" }
}

fn statistics(solved: &SolvedTolerance) -> Exhibit {
    let repeat = &solved.repeat;
    let corners = solved.summaries.iter().any(|summary| summary.corners.is_some());
    let mut rows = Vec::new();
    for (index, column) in repeat.columns.iter().enumerate() {
        let summary = &solved.summaries[index];
        let stands_above = column.block != repeat.of
            && repeat.columns[..index].iter().any(|c| c.name == column.name && c.block == repeat.of);
        let spreads = summary.moments.1 > 0.0;
        if stands_above || !spreads {
            continue;
        }
        let number = |value: f64| number_cell(&metric(value, column));
        let of = |name: &str| {
            let at = super::runs::QUANTILES.iter().position(|(known, _)| *known == name);
            number(at.map_or(f64::NAN, |at| summary.quantiles[at]))
        };
        let mut row = vec![
            Cell::Text(format!("{} {}", column.block, spoken(&column.name))),
            number(solved.nominal[index]),
            number(summary.moments.0),
            Cell::Number {
                value: summary.moments.1,
                unit: column.unit,
                text: crate::units::print_difference(summary.moments.1, column.unit, Digits::Significant(2)),
            },
            of("p01"),
            of("p99"),
        ];
        if corners {
            let (low, high) = summary.corners.unwrap_or((f64::NAN, f64::NAN));
            row.extend([number(low), number(high)]);
        }
        if solved.places.band.is_some() {
            row.extend(match solved.worst_channel(index) {
                Some((output, share)) => [
                    Cell::Number {
                        value: output,
                        unit: Unit::Hertz,
                        text: print(output, Unit::Hertz, Digits::Written),
                    },
                    Cell::Number { value: share, unit: Unit::One, text: percent(share) },
                ],
                None => [Cell::Empty, Cell::Empty],
            });
        }
        row.push(match solved.summaries[index].kept {
            Some(share) => {
                let value = observed(share);
                Cell::Number { value, unit: Unit::One, text: percent(value) }
            }
            None => Cell::Empty,
        });
        rows.push(row);
    }
    let mut columns = vec![
        Column::text("Metric", "metric"),
        Column::number("Design", "design"),
        Column::number("Mean", "mean"),
        Column::number("Deviation", "deviation"),
        Column::number("1 %", "p01"),
        Column::number("99 %", "p99"),
    ];
    if corners {
        columns.extend([
            Column::number("Corner low", "corner_low"),
            Column::number("Corner high", "corner_high"),
        ]);
    }
    if solved.places.band.is_some() {
        columns.extend([
            Column::number("Worst in", "worst_channel_Hz"),
            Column::number("of runs", "worst_channel_share"),
        ]);
    }
    columns.push(Column::number("Yield", "yield"));
    let filled = match solved.scatter.distribution {
        Distribution::Uniform => "uniform",
        Distribution::Normal => "normal, cut off at three deviations",
    };
    let proved = if solved.yields.is_empty() {
        String::new()
    } else {
        format!(
            " {} of {} runs keep every limit: a yield of at least {} with 95\u{202f}% confidence.",
            solved.all.kept,
            solved.all.of,
            percent(at_least(solved.all))
        )
    };
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: format!("Spread over {} runs{}", solved.count(), in_worst(solved)),
        columns,
        rows,
        note: format!(
            "Varied, {filled}: {}.{}{}{proved}",
            varied(solved),
            reels(solved),
            solved.places.words()
        ),
    })
}
