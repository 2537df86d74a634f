//! Metrics of a tolerance block.

use super::super::judged::percent;
use super::super::repeat::{Cases, Column, Share, metric, put_below};
use super::runs::{QUANTILES, SolvedTolerance};
use super::{Faults, Given, Group, Metric, MetricDoc, Node, Route, Unit};
use crate::num::statistics::{CONFIDENCE, share_bounds};

const SAMPLED: &str = "sampling; its deviation stands beside the first-order one, reported and not judged";
const COUNTED: &str = "counted";
const SORTED: &str = "an order statistic of the runs";

const fn doc(name: &'static str, says: &'static str, why: &'static str) -> MetricDoc {
    MetricDoc { name, unit: Unit::One, says, route: Route::None(why) }
}

pub(super) static METRICS: &[MetricDoc] = &[
    doc("runs", "trials", "a choice"),
    doc(
        "mean.jitter",
        "mean over the runs of each metric of the repeated blocks, in its unit; also by block: `mean.noise.jitter`",
        SAMPLED,
    ),
    doc("deviation.jitter", "standard deviation over the runs", SAMPLED),
    doc(
        "first_order.jitter",
        "standard deviation by first-order sensitivities",
        "the check of `deviation`, reported",
    ),
    doc("p001.jitter", "value that 0.1 % of the runs stay below", SORTED),
    doc("p01.jitter", "value that 1 % of the runs stay below", SORTED),
    doc("p05.jitter", "value that 5 % of the runs stay below", SORTED),
    doc("p50.jitter", "median", SORTED),
    doc("p95.jitter", "value that 95 % of the runs stay below", SORTED),
    doc("p99.jitter", "value that 99 % of the runs stay below", SORTED),
    doc("p999.jitter", "value that 99.9 % of the runs stay below", SORTED),
    doc(
        "corner_low.jitter",
        "value at the corner to which the sensitivities point downwards",
        "exact where the metric is monotone",
    ),
    doc("corner_high.jitter", "the same upwards", "exact where the metric is monotone"),
    doc("channels", "channels of `band` that every run is read in", "a choice, told with the table"),
    MetricDoc {
        name: "worst_channel.jitter",
        unit: Unit::Hertz,
        says: "with `band`: output frequency of the channel that is most often the worst",
        route: Route::None(COUNTED),
    },
    doc("worst_channel_share.jitter", "share of the runs in which it is", COUNTED),
    doc(
        "yield.jitter",
        "share of runs that keep the limits of requirements on the metric; `yield.all`: every limit on the repeated blocks",
        "counted",
    ),
    doc(
        "yield_at_least.jitter",
        "lower bound of that yield, one-sided, 95 % (Clopper-Pearson)",
        "closed form where no run fails, tested",
    ),
    doc(
        "sensitivity.jitter",
        "share of each quantity in the first-order variance, largest first",
        "differences of the same equations",
    ),
];

/// Why a column has no mean.
fn no_moments(unbounded: usize, runs: usize) -> String {
    if unbounded > 0 {
        format!("unbounded in {unbounded} of {runs} runs")
    } else {
        "some runs have no value".to_owned()
    }
}

fn share_metric(share: Option<Share>, of: fn(Share) -> f64) -> Metric {
    match share {
        Some(share) => Metric::real(of(share), Unit::One),
        None => Metric::none(Unit::One, "no requirement sets a limit on it"),
    }
}

pub(super) fn at_least(share: Share) -> f64 {
    share_bounds(share.kept, share.of, 1.0 - CONFIDENCE).0
}

pub(super) fn observed(share: Share) -> f64 {
    share.kept as f64 / share.of as f64
}

pub(super) fn metrics(solved: &SolvedTolerance) -> Group {
    let repeat = &solved.repeat;
    let runs = solved.count();
    let mut m = Group::new();
    m.metric("runs", Metric::count(runs as i64));
    let mut put = |name: &str, of: &dyn Fn(usize, &Column) -> Metric| {
        let mut group = Group::new();
        repeat.put(&mut group, |column| Node::Metric(of(column, &repeat.columns[column])));
        m.put(name, Node::Group(group));
    };
    let moment = |column: usize, value: f64| {
        let unit = difference_unit(repeat.columns[column].unit);
        let summary = &solved.summaries[column];
        if summary.finite == runs {
            Metric::real(value, unit)
        } else {
            Metric::none(unit, no_moments(summary.unbounded, runs))
        }
    };
    put("mean", &|column, shape| {
        let found = moment(column, solved.summaries[column].moments.0);
        Metric { unit: shape.unit, ..found }
    });
    put("deviation", &|column, _| moment(column, solved.summaries[column].moments.1));
    put("first_order", &|column, _| moment(column, solved.summaries[column].first_order));
    for (index, (name, _)) in QUANTILES.iter().enumerate() {
        put(name, &|column, shape| metric(solved.summaries[column].quantiles[index], shape));
    }
    if solved.summaries.iter().any(|summary| summary.corners.is_some()) {
        let corner = |column: usize, pick: fn((f64, f64)) -> f64| {
            solved.summaries[column].corners.map_or(f64::NAN, pick)
        };
        put("corner_low", &|column, shape| metric(corner(column, |c| c.0), shape));
        put("corner_high", &|column, shape| metric(corner(column, |c| c.1), shape));
    }
    put("yield", &|column, _| share_metric(solved.summaries[column].kept, observed));
    put("yield_at_least", &|column, _| share_metric(solved.summaries[column].kept, at_least));
    let all = Some(solved.all).filter(|_| !solved.yields.is_empty());
    put_below(&mut m, "yield.all", Node::Metric(share_metric(all, observed)));
    put_below(&mut m, "yield_at_least.all", Node::Metric(share_metric(all, at_least)));
    if solved.places.band.is_some() {
        m.metric("channels", Metric::count(solved.places.taken.len() as i64));
        let same = "the same in every channel";
        let found: Vec<_> = (0..repeat.columns.len()).map(|column| solved.worst_channel(column)).collect();
        let mut put = |name: &str, unit: Unit, of: fn((f64, f64)) -> Metric| {
            let mut group = Group::new();
            repeat.put(&mut group, |column| {
                Node::Metric(found[column].map_or_else(|| Metric::none(unit, same), of))
            });
            m.put(name, Node::Group(group));
        };
        put("worst_channel", Unit::Hertz, |(output, _)| Metric::exact(output, Unit::Hertz));
        put("worst_channel_share", Unit::One, |(_, share)| Metric::real(share, Unit::One));
    }
    let mut sensitivity = Group::new();
    repeat.put(&mut sensitivity, |column| {
        let mut ranking = Group::new();
        for (name, share) in solved.ranking(column) {
            ranking.metric(&name, Metric::real(share, Unit::One));
        }
        Node::Group(ranking)
    });
    m.put("sensitivity", Node::Group(sensitivity));
    m
}

/// Differences of levels are in dB.
fn difference_unit(unit: Unit) -> Unit {
    if unit.is_decibel() { Unit::Decibel } else { unit }
}

/// Cautions: runs that are not stable, runs that few requirements could rest on.
pub(super) fn warn(given: &Given, solved: &SolvedTolerance, faults: &mut Faults) {
    let margin = solved.repeat.columns.iter().position(|column| column.name == "sampled_phase_margin");
    let unstable =
        margin.map_or(0, |column| solved.column(column).filter(|m| m.is_nan() || *m <= 0.0).count());
    if unstable > 0 {
        let text =
            format!("{unstable} of {} runs leave the sampled loop without phase margin", solved.count());
        faults.warn(given.fields.place("parts"), "unstable-runs", text);
    }
    let lost = solved.all.of - solved.all.kept;
    if lost > 0 && !solved.yields.is_empty() {
        let least = solved.yields.iter().min_by_key(|(_, _, share)| share.kept);
        let often = least.map_or(String::new(), |(path, ..)| {
            format!(", most often that on `{}.{}`", path.block, path.names.join("."))
        });
        let text = format!(
            "{lost} of {} runs miss a limit of a requirement{often}: the yield is at least {} (95 % confidence)",
            solved.all.of,
            percent(at_least(solved.all))
        );
        faults.warn(given.fields.place("of"), "yield", text);
    }
}
