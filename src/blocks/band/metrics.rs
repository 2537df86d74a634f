//! Metrics and rows of a band.

use super::super::repeat::{Cases, metric, put_below};
use super::channels::{Row, SolvedBand};
use super::{Digits, Faults, Given, Group, Metric, MetricDoc, Node, Route, Unit, print};
use crate::physics::plan::to_f64;

const READ: &str = "read off the loop in its channel; the design's own numbers have their second routes";
const COUNTED: &str = "counted";

const fn doc(name: &'static str, unit: Unit, says: &'static str, why: &'static str) -> MetricDoc {
    MetricDoc { name, unit, says, route: Route::None(why) }
}

pub(super) static METRICS: &[MetricDoc] = &[
    doc("served", Unit::One, "channels that can be served", COUNTED),
    doc(
        "missing",
        Unit::One,
        "channels that can't: a hole of the divider, out of reach, off the raster",
        COUNTED,
    ),
    doc(
        "on_boundary",
        Unit::One,
        "fractional channels no further from a whole multiple of the detector frequency than the loop's bandwidth there",
        COUNTED,
    ),
    doc(
        "worst.jitter",
        Unit::One,
        "worst value over the channels of each metric of the repeated blocks: the least margin, the most noise; of \
         bandwidth, gain and voltage the one furthest from the design's. Also by block: `worst.noise.jitter`",
        READ,
    ),
    doc("best.jitter", Unit::One, "best value over the channels, likewise", READ),
    doc(
        "stays_locked",
        Unit::One,
        "1 where a channel set at any temperature of the range keeps its tuning voltage within limits at all others, else 0",
        "read off the stated curve and drift",
    ),
    doc(
        "lowest_tuning_voltage",
        Unit::Volt,
        "lowest over channels and temperatures",
        "read off the stated curve",
    ),
    doc(
        "highest_tuning_voltage",
        Unit::Volt,
        "highest over channels and temperatures",
        "read off the stated curve",
    ),
    doc(
        "wanted_current.least",
        Unit::Ampere,
        "least and most pump current that would keep the design's bandwidth in every channel",
        "a product of the stated gain and the dividers",
    ),
];

pub(super) fn metrics(band: &SolvedBand) -> Group {
    let mut m = Group::new();
    m.metric("served", Metric::count(band.rows.len() as i64));
    m.metric("missing", Metric::count(band.missing.len() as i64));
    if band.rows.iter().any(|row| row.boundary().is_some()) {
        m.metric("on_boundary", Metric::count(band.on_boundary().count() as i64));
    }
    let why = band.missing();
    for (name, wants_worst) in [("worst", true), ("best", false)] {
        let mut group = Group::new();
        band.repeat.put(&mut group, |column| {
            let shape = &band.repeat.columns[column];
            let found = band.extremes(column);
            Node::Metric(match (&why, found) {
                // The worst of the others would hide a channel that can't be served at all.
                (Some(why), _) if wants_worst => Metric::none(shape.unit, why.clone()),
                (_, Some((worst, best))) => {
                    let row = if wants_worst { worst } else { best };
                    metric(band.rows[row].values[column], shape)
                }
                (_, None) => Metric::none(shape.unit, "no channel can be served"),
            })
        });
        m.put(name, Node::Group(group));
    }
    m.metric("stays_locked", Metric::count(i64::from(band.stays_locked())));
    let fold = |start: f64, pick: fn(f64, f64) -> f64, of: fn(&Row) -> f64| {
        let value = band.rows.iter().map(of).fold(start, pick);
        if value.is_finite() { Some(value) } else { None }
    };
    let mut put = |name: &str, value: Option<f64>, unit: Unit| {
        let metric = value.map_or_else(
            || Metric::none(unit, "no channel can be served"),
            |value| Metric::real(value, unit),
        );
        put_below(&mut m, name, Node::Metric(metric));
    };
    put("lowest_tuning_voltage", fold(f64::INFINITY, f64::min, |row| row.held.0), Unit::Volt);
    put("highest_tuning_voltage", fold(f64::NEG_INFINITY, f64::max, |row| row.held.1), Unit::Volt);
    put("wanted_current.least", fold(f64::INFINITY, f64::min, |row| row.wanted_current), Unit::Ampere);
    put("wanted_current.most", fold(f64::NEG_INFINITY, f64::max, |row| row.wanted_current), Unit::Ampere);
    m
}

/// One group for each channel, those that can't be served last with the reason.
pub(super) fn rows(band: &SolvedBand) -> Node {
    let served = band.rows.iter().map(|row| Node::Group(row_group(band, row)));
    let missing = band.missing.iter().map(|one| {
        let mut group = Group::new();
        group.metric("output", Metric::exact(one.output, Unit::Hertz));
        group.put("why", Node::Text(one.why.clone()));
        Node::Group(group)
    });
    Node::List(served.chain(missing).collect())
}

fn row_group(band: &SolvedBand, row: &Row) -> Group {
    let mut group = Group::new();
    let case = &row.point.case;
    group.metric("output", Metric::exact(row.output(), Unit::Hertz));
    group.metric("oscillator_frequency", Metric::exact(case.oscillator.frequency, Unit::Hertz));
    group.metric("feedback_divider", Metric::count(row.channel.feedback_divider as i64));
    if let Some((numerator, modulus)) = row.channel.fraction {
        group.metric("fraction", Metric::exact(numerator as f64 / modulus as f64, Unit::One));
    }
    if let Some(distance) = row.boundary() {
        group.metric("boundary_distance", Metric::exact(distance, Unit::Hertz));
    }
    let stands_anyway = band.repeat.columns.iter().any(|column| column.name == "boundary_spur");
    if let Some(level) = band.boundary_spur(row).filter(|_| !stands_anyway) {
        group.metric("boundary_spur", Metric::real(level, Unit::DecibelCarrier));
    }
    group.metric("output_divider", Metric::exact(to_f64(&row.channel.output_divider), Unit::One));
    if !row.band.is_empty() {
        group.put("oscillator_band", Node::Text(row.band.clone()));
    }
    if band.temperature.is_some() {
        group.metric("tuning_voltage_cold", Metric::real(row.tuning.0, Unit::Volt));
        group.metric("tuning_voltage_hot", Metric::real(row.tuning.1, Unit::Volt));
        group.metric("stays_locked", Metric::count(i64::from(row.stays_locked)));
    }
    if band.holds {
        group.metric("wanted_current", Metric::real(row.wanted_current, Unit::Ampere));
    }
    for (index, column) in band.repeat.columns.iter().enumerate() {
        let name = match band.repeat.short(index) {
            Some(short) => short.to_owned(),
            // What a response has of its loop stands there once.
            None if band.repeat.columns[..index]
                .iter()
                .any(|c| c.name == column.name && c.block == band.repeat.of) =>
            {
                continue;
            }
            None => format!("{}.{}", column.block, column.name),
        };
        put_below(&mut group, &name, Node::Metric(metric(row.values[index], column)));
    }
    group
}

/// Cautions: channels without a plan, out of their limits, or beyond the pump.
pub(super) fn warn(given: &Given, band: &SolvedBand, faults: &mut Faults) {
    let place = given.fields.place("outputs");
    if let Some(missing) = band.missing() {
        faults.warn(place, "channels-missing", missing);
    }
    let hertz = |f: f64| print(f, Unit::Hertz, Digits::Written);
    let volts = |v: f64| print(v, Unit::Volt, Digits::Significant(3));
    let out: Vec<&Row> = band.rows.iter().filter(|row| !row.stays_locked).collect();
    if let Some(first) = out.first() {
        let text = format!(
            "{} channels leave the limits of the tuning voltage, {} first: it needs {} .. {}, allowed are {} .. {}",
            out.len(),
            hertz(first.output()),
            volts(first.held.0),
            volts(first.held.1),
            volts(first.limits.0),
            volts(first.limits.1)
        );
        faults.warn(place, "tuning-limits", text);
    }
    let steps = &band.repeat.solved.facts.synthesizer.currents;
    if let (true, Some(least), Some(most)) = (band.holds, steps.first(), steps.last()) {
        let beyond = band
            .rows
            .iter()
            .filter(|r| r.wanted_current > most * (1.0 + 1e-9) || r.wanted_current < least * (1.0 - 1e-9));
        let beyond: Vec<&Row> = beyond.collect();
        if let Some(first) = beyond.first() {
            let amperes = |a: f64| print(a, Unit::Ampere, Digits::Significant(3));
            let text = format!(
                "{} channels would need more or less than the pump has to hold the bandwidth: {} needs {}, there is {} .. {}",
                beyond.len(),
                hertz(first.output()),
                amperes(first.wanted_current),
                amperes(*least),
                amperes(*most)
            );
            faults.warn(given.fields.place("pump"), "pump-range", text);
        }
    }
}
