//! Figures and tables of a band: envelopes over the channels with the worst one named.

use super::super::repeat::{Cases, metric};
use super::super::support::{number_cell, spoken};
use super::channels::SolvedBand;
use super::{Digits, Exhibit, Given, Metric, Unit, print};
use crate::exhibit::{Axis, Cell, Column, Curve, Drawing, Figure, Mark, Panel, Plot, Role, Table};

pub(super) fn exhibits(given: &Given, band: &SolvedBand) -> Vec<Exhibit> {
    let mut exhibits = Vec::new();
    if band.rows.len() > 1 {
        exhibits.push(envelope(given, band));
        exhibits.push(tuning(given, band));
    }
    exhibits.push(extremes(band));
    if !band.missing.is_empty() {
        exhibits.push(missing(band));
    }
    if band.on_boundary().next().is_some() {
        exhibits.push(on_boundary(band));
    }
    exhibits
}

fn hertz(value: f64) -> String {
    print(value, Unit::Hertz, Digits::Written)
}

fn short(value: f64, unit: Unit) -> String {
    print(value, unit, Digits::Significant(3))
}

/// Bandwidth, margin and jitter over the output, each with its worst channel.
fn envelope(given: &Given, band: &SolvedBand) -> Exhibit {
    let repeat = &band.repeat;
    let jitter = repeat
        .columns
        .iter()
        .find(|c| c.name == "jitter")
        .map(|c| (c.block.clone(), "jitter", "Jitter, rms"));
    let wanted = [
        (repeat.of.clone(), "bandwidth", "Bandwidth"),
        (repeat.of.clone(), "sampled_phase_margin", "Phase margin, sampled"),
    ];
    let mut words = Vec::new();
    let mut panels = Vec::new();
    for (block, name, label) in wanted.into_iter().chain(jitter) {
        let Some(index) = repeat.columns.iter().position(|c| c.block == block && c.name == name) else {
            continue;
        };
        let Some((worst, _)) = band.extremes(index) else { continue };
        let unit = repeat.columns[index].unit;
        let points: Vec<(f64, f64)> = band.rows.iter().map(|row| (row.output(), row.values[index])).collect();
        let (x, y) = points[worst];
        let mut marks = Vec::new();
        if y.is_finite() {
            let text = format!("{} at {}", short(y, unit), hertz(x));
            words.push(format!("{} worst {text}", label.to_lowercase()));
            marks.push(Mark::point(x, y, &text));
        }
        let curve = Curve::new(&label.to_lowercase(), Role::Total, points);
        panels.push(Panel::new(Axis::linear(label, unit), vec![curve]).with_marks(marks));
    }
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: format!(
            "The loop \u{201c}{}\u{201d} in {} channels; the worst channel is marked",
            repeat.of,
            band.rows.len()
        ),
        alt: format!("Curves over the output frequency of block {}: {}.", given.name, words.join("; ")),
        drawing: Drawing::Plot(Plot::linear_x("Output frequency", Unit::Hertz, panels)),
    })
}

/// Tuning voltage over frequency, at the loop's temperature and at the ends of the range.
fn tuning(given: &Given, band: &SolvedBand) -> Exhibit {
    let celsius = |kelvin: f64| print(kelvin, Unit::Kelvin, Digits::Significant(3));
    let home = band.repeat.solved.case.temperature;
    let line = |name: &str, role: Role, volts: &dyn Fn(usize) -> f64| {
        let points = band.rows.iter().enumerate().map(|(i, row)| (row.output(), volts(i))).collect();
        Curve::new(name, role, points)
    };
    let mut curves =
        vec![line(&celsius(home), Role::Total, &|i| band.rows[i].point.case.oscillator.tuning_voltage)];
    if let Some((cold, hot)) = band.temperature {
        curves.push(line(&celsius(cold), Role::Second, &|i| band.rows[i].tuning.0));
        curves.push(line(&celsius(hot), Role::Output, &|i| band.rows[i].tuning.1));
    }
    // Bands of an oscillator may have limits of their own: the narrowest are drawn.
    let low = band.rows.iter().map(|row| row.limits.0).fold(f64::NEG_INFINITY, f64::max);
    let high = band.rows.iter().map(|row| row.limits.1).fold(f64::INFINITY, f64::min);
    let marks = [
        Mark::horizontal(low, &format!("lower limit {}", short(low, Unit::Volt))),
        Mark::horizontal(high, &format!("upper limit {}", short(high, Unit::Volt))),
    ];
    let over = if band.temperature.is_some() { " and temperature" } else { "" };
    let (lowest, highest) = band
        .rows
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), row| (a.min(row.held.0), b.max(row.held.1)));
    Exhibit::figure(Figure {
        anchor: "figure.2".to_owned(),
        caption: format!("Tuning voltage over frequency{over}, with its limits"),
        alt: format!(
            "Tuning voltage over the output frequency of block {}: {} to {}, limits {} and {}.",
            given.name,
            short(lowest, Unit::Volt),
            short(highest, Unit::Volt),
            short(low, Unit::Volt),
            short(high, Unit::Volt)
        ),
        drawing: Drawing::Plot(Plot::linear_x(
            "Output frequency",
            Unit::Hertz,
            vec![Panel::new(Axis::linear("Tuning voltage", Unit::Volt), curves).with_marks(marks)],
        )),
    })
}

/// Worst and best value of every metric, each with its channel.
fn extremes(band: &SolvedBand) -> Exhibit {
    let repeat = &band.repeat;
    // One channel is neither the worst nor the best.
    let one = band.rows.len() == 1;
    let mut rows: Vec<Vec<Cell>> = Vec::new();
    for (index, column) in repeat.columns.iter().enumerate() {
        let Some((worst, best)) = band.extremes(index) else { continue };
        let values = [worst, best].map(|row| band.rows[row].values[index]);
        // What is the same in every channel has no worst one.
        let same = band.rows.len() > 1
            && (values[0].total_cmp(&values[1]).is_eq()
                || (values[0] - values[1]).abs() <= 1e-12 * values[0].abs());
        if same
            || repeat.short(index).is_none()
                && column.block != repeat.of
                && repeat.columns[..index].iter().any(|c| c.name == column.name && c.block == repeat.of)
        {
            continue;
        }
        let cells = |row: usize| {
            let value = number_cell(&metric(band.rows[row].values[index], column));
            let output = band.rows[row].output();
            [value, Cell::Number { value: output, unit: Unit::Hertz, text: hertz(output) }]
        };
        let name = [Cell::Text(column.block.clone()), Cell::Text(spoken(&column.name))];
        let cells = if one {
            cells(worst).into_iter().take(1).collect()
        } else {
            [cells(worst), cells(best)].concat()
        };
        rows.push(name.into_iter().chain(cells).collect());
    }
    let served = band.rows.len();
    let locked = match (band.temperature, band.stays_locked()) {
        (None, _) => String::new(),
        (Some((cold, hot)), stays) => {
            let kelvin = |k: f64| print(k, Unit::Kelvin, Digits::Significant(3));
            let word = if stays { "stays" } else { "does not stay" };
            format!(
                " Set at any temperature from {} to {} and held at all others, the loop {word} within the limits of the tuning voltage.",
                kelvin(cold),
                kelvin(hot)
            )
        }
    };
    let currents = if band.holds {
        let steps = &band.repeat.solved.facts.synthesizer.currents;
        let of = |pick: fn(f64, f64) -> f64, start: f64| {
            band.rows.iter().map(|r| r.wanted_current).fold(start, pick)
        };
        let amperes = |a: f64| short(a, Unit::Ampere);
        format!(
            " To hold the bandwidth the pump would have to give {} to {}; it has {} steps from {} to {}.",
            amperes(of(f64::min, f64::INFINITY)),
            amperes(of(f64::max, 0.0)),
            steps.len(),
            amperes(steps.first().copied().unwrap_or(0.0)),
            amperes(steps.last().copied().unwrap_or(0.0))
        )
    } else {
        String::new()
    };
    let mut columns = vec![Column::text("Block", "block"), Column::text("Metric", "metric")];
    let (caption, note) = if one {
        columns.push(Column::number("Value", "value"));
        (format!("The loop in the channel {}", hertz(band.rows[0].output())), String::new())
    } else {
        columns.extend([
            Column::number("Worst", "worst"),
            Column::number("in channel", "worst_channel_Hz"),
            Column::number("Best", "best"),
            Column::number("in channel", "best_channel_Hz"),
        ]);
        (
            format!("Worst and best over {served} channels"),
            "Of bandwidth, gain, current and voltage the worst is the one furthest from the design channel's."
                .to_owned(),
        )
    };
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption,
        columns,
        rows,
        note: format!("{note}{locked}{currents}").trim_start().to_owned(),
    })
}

/// Channels that can't be served.
fn missing(band: &SolvedBand) -> Exhibit {
    let rows = band.missing.iter().map(|one| {
        let number = Cell::Number { value: one.output, unit: Unit::Hertz, text: hertz(one.output) };
        vec![number, Cell::Text(one.why.clone())]
    });
    Exhibit::table(Table {
        anchor: "table.2".to_owned(),
        caption: band
            .missing()
            .map_or(String::new(), |_| format!("Channels that can't be served: {}", band.missing.len())),
        columns: vec![Column::number("Channel", "channel_Hz"), Column::text("Why", "why")],
        rows: rows.collect(),
        note: String::new(),
    })
}

/// Fractional channels near a whole number.
fn on_boundary(band: &SolvedBand) -> Exhibit {
    let number =
        |value: f64, unit: Unit| Cell::Number { value, unit, text: print(value, unit, Digits::Written) };
    let rows = band.on_boundary().map(|row| {
        let distance = row.boundary().unwrap_or(0.0);
        let level = match band.boundary_spur(row) {
            Some(level) => number_cell(&Metric::real(level, Unit::DecibelCarrier)),
            None if distance > 0.0 => Cell::Text("not stated".to_owned()),
            None => Cell::Text("none: a whole number".to_owned()),
        };
        vec![number(row.output(), Unit::Hertz), number(distance, Unit::Hertz), level]
    });
    let rows: Vec<_> = rows.collect();
    Exhibit::table(Table {
        anchor: "table.3".to_owned(),
        caption: format!("Channels on an integer boundary, or within the bandwidth of one: {}", rows.len()),
        columns: vec![
            Column::number("Channel", "channel_Hz"),
            Column::number("Distance", "distance_Hz"),
            Column::number("Line there", "line_dBc"),
        ],
        rows,
        note:
            "The distance is that of the oscillator to the nearest whole multiple of the detector frequency."
                .to_owned(),
    })
}
