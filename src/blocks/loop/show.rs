//! Exhibits of a loop: block diagram, plan, schematic, parts.

use super::active;
use super::best;
use super::solved::SolvedLoop;
use super::{Digits, Exhibit, Given, Unit, print};
use crate::exhibit::{Cell, Column, Drawing, Figure, FilterSchematic, LoopDiagram, Table};
use crate::physics::part::Topology;
use crate::physics::plan::{Rational, to_f64};

pub(super) fn exhibits(given: &Given, solved: &SolvedLoop) -> Vec<Exhibit> {
    let mut exhibits = vec![diagram(given, solved), plan_table(given, solved)];
    exhibits.extend(solved.optimum.as_ref().map(|found| best::figure(given, found)));
    exhibits.extend(solved.optimum.as_ref().and_then(|found| best::trade(given, found, &solved.limits)));
    exhibits.extend([schematic(solved), parts_table(solved)]);
    exhibits
}

fn words(topology: Topology) -> (bool, u8) {
    match topology {
        Topology::Passive(order) => (false, order),
        Topology::Active(order) => (true, order),
    }
}

fn is_one(value: &Rational) -> bool {
    *value == Rational::from_integer(1.into())
}

/// Digits of a frequency in a diagram.
const BRIEF: usize = 8;
/// Digits of what a fraction makes, in the table.
const FULL: usize = 12;

fn short(value: f64, unit: Unit) -> String {
    print(value, unit, Digits::Significant(3))
}

fn all(value: f64, unit: Unit) -> String {
    print(value, unit, Digits::All)
}

/// A frequency or a ratio that a fraction makes, to so many digits; a whole one has all of its own.
fn made(value: f64, unit: Unit, digits: usize) -> String {
    all(format!("{value:.0$e}", digits - 1).parse().unwrap_or(value), unit)
}

/// The divider for the box of a diagram, where a long fraction finds no room.
fn divider_in_brief(solved: &SolvedLoop) -> String {
    let text = divider(solved);
    if text.len() <= 12 { text } else { made(to_f64(&solved.channel.feedback_ratio), Unit::One, 6) }
}

fn divider(solved: &SolvedLoop) -> String {
    match (&solved.channel.fraction, &solved.channel.swallow) {
        (Some((numerator, modulus)), _) if *numerator > 0 => {
            format!("{} + {numerator}/{modulus}", solved.channel.feedback_divider)
        }
        _ => solved.channel.feedback_divider.to_string(),
    }
}

fn diagram(given: &Given, solved: &SolvedLoop) -> Exhibit {
    let case = &solved.case;
    let (active, order) = words(case.filter.topology);
    let kind = format!("{}, order {order}", if active { "active" } else { "passive" });
    let undivided = is_one(&solved.channel.output_divider);
    let diagram = LoopDiagram {
        reference: all(case.reference_frequency, Unit::Hertz),
        doubler: solved.plan.doubled,
        reference_divider: solved.plan.reference_divider.to_string(),
        detector: all(case.detector_frequency, Unit::Hertz),
        pump: all(case.pump.current, Unit::Ampere),
        filter: (kind.clone(), short(solved.bandwidth, Unit::Hertz)),
        oscillator: (
            made(case.oscillator.frequency, Unit::Hertz, BRIEF),
            short(case.oscillator.gain, Unit::HertzPerVolt),
        ),
        feedback_divider: divider_in_brief(solved),
        prescaler: (case.fixed_prescaler > 1.0).then(|| all(case.fixed_prescaler, Unit::One)),
        output_divider: (!undivided).then(|| solved.channel.output_divider.to_string()),
        output: made(solved.output_frequency(), Unit::Hertz, BRIEF),
    };
    let alt = format!(
        "Block diagram of the loop: {} reference, reference divider {}, detector at {}, pump {}, {kind} filter, \
         oscillator at {}, feedback divider {}, output at {}.",
        diagram.reference,
        diagram.reference_divider,
        diagram.detector,
        diagram.pump,
        diagram.oscillator.0,
        diagram.feedback_divider,
        diagram.output
    );
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: format!("The loop \u{201c}{}\u{201d} as planned for {}", given.name, diagram.output),
        alt,
        drawing: Drawing::Loop(diagram),
    })
}

/// What the distance to the nearest integer is, and the line that stands there.
fn boundary_words(solved: &SolvedLoop) -> String {
    let what = "distance to the nearest multiple of the detector frequency";
    solved.boundary_line().map_or(what.to_owned(), |(_, power)| {
        format!("{what}; a line of {} there", short(10.0 * power.log10(), Unit::DecibelCarrier))
    })
}

fn plan_table(given: &Given, solved: &SolvedLoop) -> Exhibit {
    let case = &solved.case;
    let mut rows = Vec::new();
    let mut row = |name: &str, value: f64, unit: Unit, text: String, remark: &str| {
        rows.push(vec![
            Cell::Text(name.to_owned()),
            Cell::Number { value, unit, text },
            Cell::Text(remark.to_owned()),
        ]);
    };
    row(
        "Output",
        solved.output_frequency(),
        Unit::Hertz,
        made(solved.output_frequency(), Unit::Hertz, FULL),
        "design channel",
    );
    let band = match given.fields.text("oscillator_band") {
        _ if solved.band.is_empty() => String::new(),
        Some(asked) if asked != "auto" => format!("band {asked}, as asked"),
        _ => format!("band {}, which holds it closest to the middle of its range", solved.band),
    };
    row(
        "Oscillator",
        case.oscillator.frequency,
        Unit::Hertz,
        made(case.oscillator.frequency, Unit::Hertz, FULL),
        &band,
    );
    let mut exact =
        |name: &str, value: f64, unit: Unit, remark: &str| row(name, value, unit, all(value, unit), remark);
    exact(
        "Reference",
        case.reference_frequency,
        Unit::Hertz,
        if solved.plan.doubled { "doubled" } else { "" },
    );
    if let Some(slew) = solved.reference_slew {
        let rise = case.noise.slew_rise;
        let remark = if rise > 0.0 {
            format!("lifts the detector floor by {}", short(rise, Unit::Decibel))
        } else {
            "at the reference input".to_owned()
        };
        let text = short(slew, Unit::VoltPerSecond);
        row("Slew rate of the reference", slew, Unit::VoltPerSecond, text, &remark);
    }
    let mut exact =
        |name: &str, value: f64, unit: Unit, remark: &str| row(name, value, unit, all(value, unit), remark);
    exact("Reference divider R", solved.plan.reference_divider as f64, Unit::One, "");
    exact("Detector frequency", case.detector_frequency, Unit::Hertz, "");
    let n = to_f64(&solved.channel.feedback_ratio);
    let swallow = solved
        .channel
        .swallow
        .map_or(String::new(), |s| format!("swallow divider: p = {}, b = {}, a = {}", s.prescaler, s.b, s.a));
    let remark = if case.fixed_prescaler <= 1.0 {
        swallow
    } else {
        format!("fixed prescaler {} included", case.fixed_prescaler)
    };
    row("Feedback ratio N", n, Unit::One, made(n, Unit::One, FULL), &remark);
    if let Some((numerator, modulus)) = solved.channel.fraction {
        let error = to_f64(&solved.channel.frequency_error);
        row(
            "Fraction",
            numerator as f64 / modulus as f64,
            Unit::One,
            format!("{numerator}/{modulus}"),
            &solved.modulator_words(),
        );
        row(
            "Frequency error",
            error,
            Unit::Hertz,
            short(error, Unit::Hertz),
            if error == 0.0 { "exact" } else { "" },
        );
        let distance = to_f64(&solved.plan.boundary_distance(&solved.channel));
        row(
            "Integer boundary",
            distance,
            Unit::Hertz,
            made(distance, Unit::Hertz, FULL),
            &boundary_words(solved),
        );
    }
    let mut exact =
        |name: &str, value: f64, unit: Unit, remark: &str| row(name, value, unit, all(value, unit), remark);
    exact("Output divider", case.output_divider, Unit::One, "");
    exact("Pump current", case.pump.current, Unit::Ampere, &solved.current_because.to_string());
    let mut near =
        |name: &str, value: f64, unit: Unit, remark: &str| row(name, value, unit, short(value, unit), remark);
    near(
        "Tuning voltage",
        case.oscillator.tuning_voltage,
        Unit::Volt,
        &format!(
            "limits {} and {}",
            short(solved.tuning_limits.0, Unit::Volt),
            short(solved.tuning_limits.1, Unit::Volt)
        ),
    );
    near("Headroom", solved.headroom(), Unit::Volt, "to the nearer limit");
    near(
        "Oscillator gain",
        case.oscillator.gain,
        Unit::HertzPerVolt,
        &format!(
            "{}{}: pump polarity {}",
            if case.oscillator.gain < 0.0 { "falling" } else { "rising" },
            if case.filter.topology.is_active() { ", turned by the active filter" } else { "" },
            if solved.polarity() < 0 { "negative" } else { "positive" }
        ),
    );
    if let Some(rest) = solved.amplifier.as_ref().and_then(|amplifier| amplifier.reference_voltage) {
        near("Op-amp reference", rest, Unit::Volt, "where the pump rests");
    }
    let gain_bandwidth = case.amplifier.as_ref().map(|amplifier| amplifier.gain_bandwidth);
    if let Some(f) = gain_bandwidth.filter(|f| f.is_finite()) {
        near("Op-amp gain-bandwidth", f, Unit::Hertz, "one more pole of the loop");
    }
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: "Frequency plan and operating point".to_owned(),
        columns: vec![
            Column::text("Quantity", "quantity"),
            Column::number("Value", "value"),
            Column::text("Remark", "remark"),
        ],
        rows,
        note: active::idealised(case.filter.topology, solved.amplifier.as_ref()),
    })
}

fn schematic(solved: &SolvedLoop) -> Exhibit {
    let case = &solved.case;
    let (active, order) = words(case.filter.topology);
    let parts: Vec<(String, String)> =
        solved.parts.iter().map(|part| (part.name.to_owned(), part_value(part.value, part.unit))).collect();
    let list = parts.iter().map(|(name, value)| format!("{name} {value}")).collect::<Vec<_>>().join(", ");
    Exhibit::figure(Figure {
        anchor: "schematic".to_owned(),
        caption: "Loop filter, parts on the board".to_owned(),
        alt: format!(
            "Schematic of the {} loop filter of order {order}: {list}.",
            if active { "active" } else { "passive" }
        ),
        drawing: Drawing::Filter(FilterSchematic {
            active,
            order,
            parts,
            pump: all(case.pump.current, Unit::Ampere),
            port: (case.oscillator.input_capacitance > 0.0)
                .then(|| short(case.oscillator.input_capacitance, Unit::Farad)),
            rest: solved
                .amplifier
                .as_ref()
                .and_then(|amplifier| amplifier.reference_voltage)
                .map(|volts| all(volts, Unit::Volt)),
        }),
    })
}

/// Values on the board with all their digits; ideal ones with four.
fn part_value(value: f64, unit: Unit) -> String {
    let exact = print(value, unit, Digits::All);
    if exact.chars().filter(char::is_ascii_digit).count() <= 5 {
        exact
    } else {
        print(value, unit, Digits::Significant(4))
    }
}

/// What the parts on the board cost against ideal ones, in words.
fn rounding_cost(solved: &SolvedLoop) -> String {
    let Some(board) = &solved.board else { return String::new() };
    let change = |ideal: f64, real: f64| {
        let percent = print((real / ideal - 1.0) * 100.0, Unit::One, Digits::Significant(2));
        format!("{percent}\u{202f}%")
    };
    let (ideal, real) = (&board.ideal, &board.real);
    let margin = print(real.phase_margin - ideal.phase_margin, Unit::Degree, Digits::Significant(2));
    let jitter = if ideal.jitter > 0.0 {
        format!(", the jitter by {}", change(ideal.jitter, real.jitter))
    } else {
        String::new()
    };
    format!(
        " Of the {} combinations of neighbours this one keeps the loop closest: it moves the bandwidth by {}, the phase \
         margin by {margin}{jitter}.",
        board.tried,
        change(ideal.bandwidth, real.bandwidth),
    )
}

fn parts_table(solved: &SolvedLoop) -> Exhibit {
    let number = |value: f64, unit: Unit, text: String| Cell::Number { value, unit, text };
    let designed = solved.parts.iter().any(|part| part.ideal.is_some());
    let rows = solved.parts.iter().map(|part| {
        let mut row = vec![Cell::Text(part.name.to_owned())];
        if let Some(ideal) = part.ideal {
            row.push(number(ideal, part.unit, print(ideal, part.unit, Digits::Significant(4))));
        }
        row.push(number(part.value, part.unit, part_value(part.value, part.unit)));
        if let Some(ideal) = part.ideal {
            let change = part.value / ideal - 1.0;
            let percent = print(change * 100.0, Unit::One, Digits::Significant(2));
            row.push(number(change, Unit::One, format!("{percent}\u{202f}%")));
        }
        row.push(Cell::Text(part.series.to_owned()));
        row
    });
    let rows = rows.collect();
    let mut columns = vec![Column::text("Part", "part"), Column::number("On the board", "value")];
    if designed {
        columns.insert(1, Column::number("Computed", "computed"));
        columns.push(Column::number("Change", "change"));
    }
    columns.push(Column::text("Series", "series"));
    Exhibit::table(Table {
        anchor: "table.2".to_owned(),
        caption: if designed { "Filter parts: as computed and on the board" } else { "Filter parts" }
            .to_owned(),
        columns,
        rows,
        note: format!("All other numbers are computed from the parts on the board.{}", rounding_cost(solved)),
    })
}
