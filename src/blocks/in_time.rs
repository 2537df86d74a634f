//! Noise seen in the time domain, on demand: every source put into the loop edge by edge, beside the formula.

use super::r#loop::SolvedLoop;
use super::prelude::*;
use crate::exhibit::{Axis, Cell, Column, Curve, Drawing, Figure, Panel, Plot, Role, Scale, Table};
use crate::physics::event::Question;
use crate::physics::event::injected::{Band, Length, injected};
use crate::physics::noise::dbc_per_hz;
use crate::physics::sampled::Sampled;
use crate::results::Second;

/// Periodograms that are averaged, with half of each in the next.
const AVERAGED: usize = 120;

/// The same noise in every run of the program.
const SEED: u64 = 1;

/// How far formula and run may part beyond the statistical error, dB.
const WITHIN: f64 = 0.5;

const UNIT: Unit = Unit::DecibelCarrierPerHertz;

/// Bands of offsets, or why there are none.
pub(super) type InTime = Result<Vec<Band>, String>;

pub(super) const METRIC: MetricDoc = MetricDoc {
    name: "in_time",
    unit: UNIT,
    says: "only with `--thorough`: offset, level and statistical error (95 %) of the band in which a run with the noise of \
           all sources put in edge by edge is farthest from the formula, which takes the sampled loop there; pump without \
           mismatch; from a thirtieth of the bandwidth to ten bandwidths, below half the detector frequency",
    route: Route::SecondWhere(
        "noise injected in time",
        "`--thorough` is given and the sampled loop is stable",
    ),
};

/// Runs a loop with its noise.
pub(super) fn run(solved: &SolvedLoop) -> InTime {
    if !solved.sampled().is_some_and(Sampled::is_stable) {
        return Err("the sampled loop is not stable".to_owned());
    }
    let mut case = solved.case.clone();
    // Its folding is in `spurs`, and is no noise of the formula.
    case.pump.mismatch = 0.0;
    let question = Question::in_lock(case).map_err(|why| why.to_string())?;
    let modulator = question.case.noise.modulator_order.and_then(|_| solved.modulator());
    let length = Length::new(&question.case, solved.bandwidth, AVERAGED);
    injected(&question, modulator.as_ref(), solved.bandwidth, length, SEED).map_err(|why| why.to_string())
}

fn beyond(band: &Band) -> f64 {
    band.difference().abs() - band.error
}

/// The band in which the run is farthest from the formula.
pub(super) fn metrics(found: &InTime) -> Group {
    let mut group = Group::new();
    let worst = match found {
        Ok(bands) => bands.iter().max_by(|a, b| beyond(a).total_cmp(&beyond(b))).ok_or("no noise is stated"),
        Err(why) => Err(why.as_str()),
    };
    match worst {
        Ok(band) => {
            group.metric("offset", Metric::real(band.offset, Unit::Hertz));
            let second = Second {
                value: dbc_per_hz(band.found),
                route: "noise injected in time",
                agrees: beyond(band) <= WITHIN,
                within: "0.5 dB beyond the statistical error",
            };
            group.metric("level", Metric::real(dbc_per_hz(band.predicted), UNIT).with_second(second));
            group.metric("statistical_error", Metric::real(band.error, Unit::Decibel));
        }
        Err(why) => group.metric("level", Metric::none(UNIT, why)),
    }
    group
}

/// The run over the formula, and the bands one by one.
pub(super) fn exhibits(found: &InTime, name: &str) -> Vec<Exhibit> {
    let Ok(bands) = found else { return Vec::new() };
    let Some((first, last)) = bands.first().zip(bands.last()) else { return Vec::new() };
    let points =
        |of: fn(&Band) -> f64| bands.iter().map(|band| (band.offset, dbc_per_hz(of(band)))).collect();
    let curves = vec![
        Curve::new("formula, sampled loop", Role::Total, points(|band| band.predicted)),
        Curve::new("noise injected in time", Role::Measured, points(|band| band.found)),
    ];
    let level = Axis::linear("Phase noise", UNIT);
    let offset = Axis {
        label: "Offset".to_owned(),
        unit: Unit::Hertz,
        scale: Scale::Log,
        range: Some((first.offset, last.offset)),
    };
    let farthest = bands.iter().map(|band| band.difference().abs()).fold(0.0, f64::max);
    let number = |value: f64, unit: Unit| Cell::Number {
        value,
        unit,
        text: print(value, unit, Digits::Significant(3)),
    };
    let rows = bands.iter().map(|band| {
        vec![
            number(band.offset, Unit::Hertz),
            number(dbc_per_hz(band.predicted), UNIT),
            number(dbc_per_hz(band.found), UNIT),
            number(band.difference(), Unit::Decibel),
            number(band.error, Unit::Decibel),
        ]
    });
    vec![
        Exhibit::figure(Figure {
            anchor: "in_time".to_owned(),
            caption: "Noise in the time domain: averaged periodograms over the formula".to_owned(),
            alt: format!(
                "Phase noise of block {name} from a run with the noise of all sources put in edge by edge, over the formula; \
                 they part by {farthest:.2} dB at most."
            ),
            drawing: Drawing::Plot(Plot::new(offset, vec![Panel::new(level, curves)])),
        }),
        Exhibit::table(Table {
            anchor: "table".to_owned(),
            caption: "Noise in the time domain, band by band".to_owned(),
            columns: vec![
                Column::number("Offset", "offset"),
                Column::number("Formula", "formula"),
                Column::number("In time", "in_time"),
                Column::number("Difference", "difference"),
                Column::number("Statistical error (95 %)", "error"),
            ],
            rows: rows.collect(),
            note: format!(
                "They agree where the difference is within {WITHIN} dB and the statistical error. Pump without mismatch."
            ),
        }),
    ]
}
