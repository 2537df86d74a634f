//! Lines that a fractional divider makes: those of its modulator's sequence, and the one near an integer, channel by
//! channel.

use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::spurs::{HARMONICS, Line, SolvedSpurs, Source};
use crate::exhibit::{Axis, Curve, Drawing, Figure, Mark, Panel, Plot, Role};
use crate::physics::spurs::{OutputLine, level};

/// Lines of a sequence below this level are left out: no analyser sees them, dBc.
pub(super) const LEAST: f64 = -160.0;

/// By how much a line has to be above that of equal sources to count as folded, dB.
const FOLDED: f64 = 3.0;

/// The boundary line in every channel: output frequency (Hz), offset (Hz) and level (dBc), if there is one.
pub type BoundaryMap = Vec<(f64, Option<(f64, f64)>)>;

/// Reports a window that is none.
pub(super) fn check(given: &Given, faults: &mut Faults) {
    if given.fields.range("fraction_window").is_some_and(|(from, to)| from < 0.0 || to <= from) {
        let text = "`fraction_window` is a range of offsets, the lower first, e.g. 1 kHz .. 10 MHz";
        faults.place(given.fields.place("fraction_window"), "value-range", text);
    }
}

/// Lines of sequence and boundary within a window of offsets (Hz).
pub(super) fn lines(solved: &SolvedLoop, window: Option<(f64, f64)>) -> Vec<Line> {
    let rate = solved.case.detector_frequency;
    let (from, to) = window.unwrap_or((0.0, rate));
    let to = to.min(f64::from(HARMONICS) * rate);
    let of_sequence = solved.modulator().map_or(String::new(), |modulator| {
        format!("sequence of the modulator, which repeats after {} detector periods", modulator.period())
    });
    let straight = solved.straight_lines(to);
    let sequence = solved.modulator_lines(to).into_iter().map(|line| {
        let level = in_decibels(line.1);
        let same = straight.iter().find(|one| (one.0 - line.0).abs() <= 1e-9 * line.0);
        let folded = same.map_or(f64::NEG_INFINITY, |one| in_decibels(one.1)) + FOLDED < level;
        let (source, cause) = if folded && solved.case.pump.mismatch != 0.0 {
            (Source::Folded, "sequence of the modulator, folded by the mismatch of the pump".to_owned())
        } else {
            (Source::Modulator, of_sequence.clone())
        };
        Line { offset: line.0, level, source, cause }
    });
    let boundary = solved.boundary_line().map(|line| Line {
        offset: line.0,
        level: in_decibels(line.1),
        source: Source::Boundary,
        cause: "fraction near a whole number".to_owned(),
    });
    let high = sequence.filter(|line| line.level > LEAST);
    high.chain(boundary).filter(|line| line.offset >= from && line.offset <= to).collect()
}

/// Level of a line (dBc) from its power by small angles.
fn in_decibels(power: f64) -> f64 {
    level(2.0 * power.sqrt())
}

/// The boundary line in every channel, or where it is highest alone; empty with integer dividers and where none is stated.
pub(super) fn map(solved: &SolvedLoop, highest_alone: bool) -> BoundaryMap {
    if solved.channel.fraction.is_none() || solved.boundary_spur.is_none() {
        return Vec::new();
    }
    let mut found = solved.boundary_map();
    if highest_alone {
        // A level rises with its power: one logarithm does.
        let power =
            |(_, line): &(f64, Option<OutputLine>)| line.map_or(f64::NEG_INFINITY, |(_, power)| power);
        found = found.into_iter().max_by(|a, b| power(a).total_cmp(&power(b))).into_iter().collect();
    }
    let line = |(offset, power): OutputLine| (offset, in_decibels(power));
    found.into_iter().map(|(output, found)| (output, found.map(line))).collect()
}

/// The channel with the highest line: its output, and the line.
fn worst(map: &BoundaryMap) -> Option<(f64, (f64, f64))> {
    let with_line = map.iter().filter_map(|(output, line)| Some((*output, (*line)?)));
    with_line.max_by(|a, b| a.1.1.total_cmp(&b.1.1))
}

/// The metrics of the boundary line.
pub(super) fn put(solved: &SolvedLoop, map: &BoundaryMap, metrics: &mut Group) {
    let unit = Unit::DecibelCarrier;
    let without = |unit: Unit, on_integers: &str| {
        let integers = solved.channel.fraction.is_none() || solved.boundary_spur.is_some();
        if integers {
            Metric::unbounded(unit, on_integers)
        } else {
            Metric::none(unit, "the synthesizer states no `boundary_spur`")
        }
    };
    metrics.metric(
        "boundary_spur",
        match solved.boundary_line() {
            Some((_, power)) => Metric::real(in_decibels(power), unit),
            None if solved.modulator().is_none() => Metric::unbounded(unit, WHOLE),
            None => without(unit, WHOLE),
        },
    );
    let all = "the divider is a whole number in every channel";
    let worst = worst(map);
    metrics.metric(
        "worst_boundary_spur",
        worst.map_or_else(|| without(unit, all), |(_, line)| Metric::real(line.1, unit)),
    );
    metrics.metric(
        "worst_boundary_output",
        worst.map_or_else(|| without(Unit::Hertz, all), |(output, _)| Metric::exact(output, Unit::Hertz)),
    );
}

const WHOLE: &str = "the divider is a whole number";

/// The boundary line over the band; nothing where there is only one channel.
pub(super) fn figure(spurs: &SolvedSpurs, name: &str) -> Option<Exhibit> {
    let SolvedSpurs { of, boundary: map, output: design, .. } = spurs;
    let design = *design;
    let (output, (offset, level)) = worst(map).filter(|_| map.len() > 1)?;
    let hertz = |value: f64| print(value, Unit::Hertz, Digits::Significant(6));
    let decibels = print(level, Unit::DecibelCarrier, Digits::Significant(3));
    let levels = || map.iter().filter_map(|(_, line)| Some((*line)?.1));
    let (low, high) =
        levels().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
    // Channels far from every multiple lie below the figure.
    let low = low.max(high - 100.0);
    let points = map.iter().map(|(output, line)| (*output, line.map_or(f64::NAN, |line| line.1))).collect();
    let mut marks = vec![Mark::point(output, level, &format!("worst: {}", hertz(output)))];
    if map.first().zip(map.last()).is_some_and(|(first, last)| first.0 < design && design < last.0) {
        marks.push(Mark::vertical(design, "design channel"));
    }
    let share = levels().filter(|level| *level > high - 20.0).count();
    Some(Exhibit::figure(Figure {
        anchor: "figure.2".to_owned(),
        caption: format!(
            "Boundary line of the loop \u{201c}{of}\u{201d} in each of its {} channels. It is highest in the channel {}, \
             with {decibels} at an offset of {}.",
            map.len(),
            hertz(output),
            hertz(offset)
        ),
        alt: format!(
            "Level of the line at the distance to the nearest multiple of the detector frequency over {} channels, \
             block {name}; {share} of them lie within 20 dB of the highest, {decibels} at {}.",
            map.len(),
            hertz(output)
        ),
        drawing: Drawing::Plot(Plot::linear_x(
            "Output frequency",
            Unit::Hertz,
            vec![
                Panel::new(
                    Axis::linear("Level of the boundary line", Unit::DecibelCarrier)
                        .from_to((low / 20.0).floor() * 20.0, ((high + 4.0) / 20.0).ceil() * 20.0),
                    vec![Curve::new("boundary line", Role::Modulator, points)],
                )
                .with_marks(marks),
            ],
        )),
    }))
}
