//! Figure and table of discrete lines.

use super::prelude::*;
use super::spur_fractional;
use super::spurs::{Line, SolvedSpurs, Source};
use crate::exhibit::{Axis, Cell, Column, Drawing, Figure, Mark, Panel, Plot, Role, Table};

/// What every exhibit of lines says.
const LOWER_BOUND: &str = "Board coupling is not in it: a lower bound.";

/// How far below the highest line the figure goes, dB.
const DEPTH: f64 = 120.0;

/// Lines of one sequence that the table lists, and of these the ones that the figure names: the highest.
const LISTED: usize = 16;
const NAMED: usize = 3;

/// Identifier and corners of a mask: offset (Hz), level (dBc).
type Mask = (String, Vec<(f64, f64)>);

pub(super) fn exhibits(spurs: &SolvedSpurs, given: &Given, solved: &Solved, masks: &[Mask]) -> Vec<Exhibit> {
    let mut shown = Vec::new();
    if !spurs.lines.is_empty() {
        shown.push(figure(spurs, given, masks));
    }
    shown.extend(spur_fractional::figure(spurs, &given.name));
    shown.push(table(spurs, solved));
    shown
}

/// A line in the figure of a noise budget, named in its legend.
pub(super) fn aside(line: &Line) -> Mark {
    Mark::line(line.offset, line.level, role(line.source), "", &format!("{}, dBc", legend(line.source)))
}

/// Name of all lines of one origin in legends.
fn legend(source: Source) -> &'static str {
    match source {
        Source::Pump => "lines of the pump",
        Source::Supply => "lines of the supply",
        Source::Modulator => "lines of the modulator",
        Source::Folded => "lines by folding",
        Source::Boundary => "boundary line",
        Source::Stated => "known lines",
    }
}

/// What a line looks like, by what it comes from.
fn role(source: Source) -> Role {
    match source {
        Source::Pump => Role::Detector,
        Source::Supply => Role::Supply,
        Source::Modulator | Source::Folded | Source::Boundary => Role::Modulator,
        Source::Stated => Role::Others,
    }
}

/// Rounded to six significant digits, so that exact offsets print short and others not long.
fn six_digits(value: f64) -> f64 {
    let step = 10f64.powi(5 - value.log10().floor() as i32);
    (value * step).round() / step
}

fn decibels(level: f64) -> String {
    format!("{level:.1}").replace('-', "\u{2212}")
}

fn figure(spurs: &SolvedSpurs, given: &Given, masks: &[Mask]) -> Exhibit {
    let corners = || masks.iter().flat_map(|(_, corners)| corners).copied();
    let (low, high) = bounds(spurs.lines.iter().map(|line| line.level).chain(corners().map(|c| c.1)));
    let low = low.max(high - DEPTH);
    let floor = ((low - 15.0) / 20.0).floor() * 20.0;
    let drawn = || spurs.lines.iter().filter(|line| line.level > floor);
    let lower =
        if drawn().count() < spurs.lines.len() { " Lower ones stand in the table alone." } else { "" };
    let (first, last) = bounds(spurs.lines.iter().map(|line| line.offset).chain(corners().map(|c| c.0)));
    let decade = |x: f64, beside: f64| 10f64.powf((x.log10() + beside).round());
    let named = highest(spurs, NAMED);
    let mark = |line: &Line| {
        let label = if named(line) { decibels(line.level) } else { String::new() };
        Mark::line(line.offset, line.level, role(line.source), &label, legend(line.source))
    };
    let mut marks: Vec<Mark> = drawn().map(mark).collect();
    marks.extend(masks.iter().map(|(id, corners)| Mark::mask(corners.clone(), &format!("mask {id}"))));
    let worst = spurs.lines.iter().max_by(|a, b| a.level.total_cmp(&b.level));
    let words = worst.map_or(String::new(), |line| {
        let offset = print(line.offset, Unit::Hertz, Digits::Significant(4));
        format!(" The highest stands at {offset} with {} dBc ({}).", decibels(line.level), line.cause)
    });
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: format!("Discrete lines of the loop \u{201c}{}\u{201d}. {LOWER_BOUND}{lower}", spurs.of),
        alt: format!(
            "Level of {} discrete lines over offset, block {}.{words}",
            spurs.lines.len(),
            given.name
        ),
        drawing: Drawing::Plot(Plot::new(
            // At least a third of a decade beside the outermost lines.
            Axis::log("Offset from the carrier", Unit::Hertz).from_to(decade(first, -0.8), decade(last, 0.8)),
            vec![
                Panel::new(
                    Axis::linear("Level", Unit::DecibelCarrier)
                        .from_to(floor, ((high + 8.0) / 20.0).ceil() * 20.0),
                    Vec::new(),
                )
                .with_marks(marks),
            ],
        )),
    })
}

/// Whether a line is among the `count` highest of the modulator's sequence; every other line is.
fn highest(spurs: &SolvedSpurs, count: usize) -> impl Fn(&Line) -> bool + use<> {
    let of_sequence = spurs.lines.iter().filter(|line| line.source == Source::Modulator);
    let mut levels: Vec<f64> = of_sequence.map(|line| line.level).collect();
    levels.sort_by(|a, b| b.total_cmp(a));
    let least = levels.get(count.saturating_sub(1)).copied().unwrap_or(f64::NEG_INFINITY);
    move |line| line.source != Source::Modulator || line.level >= least
}

fn bounds(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)))
}

fn table(spurs: &SolvedSpurs, solved: &Solved) -> Exhibit {
    let listed = highest(spurs, LISTED);
    let left_out = spurs.lines.iter().filter(|line| !listed(line)).count();
    let rows = spurs.lines.iter().filter(|line| listed(line)).map(|line| {
        let offset = print(six_digits(line.offset), Unit::Hertz, Digits::Written);
        vec![
            Cell::Number { value: line.offset, unit: Unit::Hertz, text: offset },
            Cell::Number { value: line.level, unit: Unit::DecibelCarrier, text: decibels(line.level) },
            Cell::Text(line.cause.clone()),
            Cell::Text(line.source.basis().to_owned()),
        ]
    });
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: format!("Discrete lines at the output of the loop \u{201c}{}\u{201d}", spurs.of),
        columns: vec![
            Column::number("Offset", "offset_Hz"),
            Column::number("Level, dBc", "level_dBc"),
            Column::text("Cause", "cause"),
            Column::text("Rests on", "basis"),
        ],
        rows: rows.collect(),
        note: note(solved, left_out),
    })
}

/// Small print: what is missing, and why.
fn note(solved: &Solved, left_out: usize) -> String {
    let mut note = LOWER_BOUND.to_owned();
    if let Some(Node::Metric(metric)) = solved.metrics.get("static_offset")
        && metric.number().is_some_and(|offset| offset > 0.0)
    {
        note += &format!(" In lock the edges at the detector stand {} apart.", metric.print());
    }
    if let Some(Node::Metric(metric)) = solved.metrics.get("folded_noise")
        && metric.number().is_some()
    {
        note += &format!(
            " The mismatch of the pump folds noise of {} from the modulator's sequence into the band; the noise budget \
             leaves it out, but a floor stated for fractional mode may hold a part of it.",
            metric.print()
        );
    }
    if left_out > 0 {
        note += &format!(" {left_out} lower lines of the modulator's sequence stand in results.json alone.");
    }
    for (name, words) in [("reference_spur", "reference spur"), ("supply_spur", "line of the supply")] {
        if let Some(Node::Metric(Metric { value: None, why: Some(why), .. })) = solved.metrics.get(name) {
            note += &format!(" No {words}: {why}.");
        }
    }
    note
}
