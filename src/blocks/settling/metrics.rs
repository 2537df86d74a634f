//! Numbers of a settling block.

use super::{Faults, Given, Group, Hop, Metric, MetricDoc, Node, Route, SolvedSettling, Unit, first_of};

const LINEAR: Route = Route::SecondWhere(
    "linear loop",
    "the step is small: without modulator, slip, limit, gear, leakage, mismatch over a pulse or change of gain",
);

pub(super) static METRICS: &[MetricDoc] = &[
    MetricDoc {
        name: "time",
        unit: Unit::Second,
        says: "from the divider's change to the last instant outside `within`; of several hops the longest",
        route: LINEAR,
    },
    MetricDoc {
        name: "total_time",
        unit: Unit::Second,
        says: "the same with programming, and with the choice of a band where it changes",
        route: Route::None("time in other words"),
    },
    MetricDoc {
        name: "phase_time",
        unit: Unit::Second,
        says: "to the last instant at which the phase at the output is outside its window round the settled phase",
        route: Route::None("same run as time, which has one"),
    },
    MetricDoc {
        name: "overshoot",
        unit: Unit::One,
        says: "largest excursion of the frequency beyond the channel aimed at, as a share of the step",
        route: Route::None("same run as time, which has one"),
    },
    MetricDoc {
        name: "cycle_slips",
        unit: Unit::One,
        says: "edges that the detector lost",
        route: Route::None("a count of the run that time is read from"),
    },
    MetricDoc {
        name: "peak_tuning",
        unit: Unit::Volt,
        says: "farthest tuning voltage in the direction of the hop",
        route: Route::None("same run as time, which has one"),
    },
    MetricDoc {
        name: "curve",
        unit: Unit::Hertz,
        says: "time, frequency error, phase error and tuning voltage of the slowest hop; no extreme is left out",
        route: Route::None("the run itself"),
    },
];

fn metric(value: &Result<f64, String>, unit: Unit) -> Metric {
    match value {
        Ok(value) => Metric::real(*value, unit),
        Err(why) => Metric::none(unit, why.clone()),
    }
}

/// The worst of all hops: the largest, or why there is none.
fn worst(hops: &[Hop], of: impl Fn(&Hop) -> Result<f64, String>) -> Result<f64, String> {
    let mut largest = f64::NEG_INFINITY;
    for hop in hops {
        let found = of(hop).map_err(|why| {
            if hops.len() == 1 { why } else { format!("{} to {}: {why}", hop.names.0, hop.names.1) }
        })?;
        largest = largest.max(found);
    }
    Ok(largest)
}

fn total(hop: &Hop) -> Result<f64, String> {
    hop.time.clone().map(|time| time + hop.before)
}

pub(super) fn metrics(settled: &SolvedSettling) -> Group {
    let hops = &settled.hops;
    let slowest = &hops[settled.slowest];
    let mut group = Group::new();
    let time = worst(hops, |hop| hop.time.clone());
    let mut first = metric(&time, Unit::Second);
    if let Ok(time) = time {
        // The time is that of one hop, and so is its second route.
        let decided = hops.iter().find(|hop| hop.time.as_ref() == Ok(&time));
        first.second = decided.and_then(|hop| hop.second.clone());
    }
    group.metric("time", first);
    group.metric("total_time", metric(&worst(hops, total), Unit::Second));
    group.metric("phase_time", metric(&worst(hops, |hop| hop.phase_time.clone()), Unit::Second));
    group.metric("overshoot", metric(&worst(hops, |hop| hop.overshoot.clone()), Unit::One));
    let slips = worst(hops, |hop| hop.slips.clone().map(|count| count as f64));
    group.metric(
        "cycle_slips",
        match slips {
            Ok(count) => Metric::count(count as i64),
            Err(why) => Metric::none(Unit::One, why),
        },
    );
    group.metric("peak_tuning", metric(&farthest(settled), Unit::Volt));
    let mut curve = Group::new();
    let mut series = |name: &str, unit: Unit, of: fn(&crate::physics::event::Instant) -> f64| {
        curve.put(name, Node::Series { unit, values: slowest.curve.iter().map(of).collect() });
    };
    series("time", Unit::Second, |instant| instant.time);
    series("frequency_error", Unit::Hertz, |instant| instant.frequency_error);
    series("phase_error", Unit::Degree, |instant| 360.0 * instant.phase_error);
    series("tuning", Unit::Volt, |instant| instant.tuning);
    group.put("curve", Node::Group(curve));
    group
}

/// The tuning voltage that goes farthest beyond the one aimed at.
fn farthest(settled: &SolvedSettling) -> Result<f64, String> {
    let beyond = |hop: &Hop| hop.peak_tuning.clone().map(|volts| (volts - hop.aimed).abs());
    let largest = worst(&settled.hops, beyond)?;
    let hop = settled.hops.iter().find(|hop| beyond(hop) == Ok(largest));
    hop.map_or_else(|| Err(String::new()), |hop| hop.peak_tuning.clone())
}

/// Every hop, where there are several.
pub(super) fn beside(settled: &SolvedSettling) -> Group {
    let mut group = Group::new();
    if settled.hops.len() > 1 {
        let hops = settled.hops.iter().map(|hop| {
            let mut one = Group::new();
            let from = hop.frequencies.0.map_or_else(
                || Metric::none(Unit::Hertz, "power-up"),
                |from| Metric::exact(from, Unit::Hertz),
            );
            one.metric("from", from);
            one.metric("to", Metric::exact(hop.frequencies.1, Unit::Hertz));
            one.metric("time", metric(&hop.time, Unit::Second));
            one.metric("total_time", metric(&total(hop), Unit::Second));
            one.metric("overshoot", metric(&hop.overshoot, Unit::One));
            one.metric("peak_tuning", metric(&hop.peak_tuning, Unit::Volt));
            if let Ok(slips) = hop.slips {
                one.metric("cycle_slips", Metric::count(slips as i64));
            }
            Node::Group(one)
        });
        group.put("hops", Node::List(hops.collect()));
    }
    group
}

/// Cautions that the hops give rise to.
pub(super) fn warn(given: &Given, settled: &SolvedSettling, faults: &mut Faults) {
    let fields = &given.fields;
    let place = first_of(fields, &["within", "to", "hops"]);
    for hop in &settled.hops {
        let name = format!("{} to {}", hop.names.0, hop.names.1);
        if let (Err(why), true) = (&hop.time, settled.window.is_some()) {
            faults.warn(place, "not-settled", format!("{name}: {why}"));
        }
        if let Some(text) = hop.limited {
            faults.warn(first_of(fields, &["to", "hops"]), "pump-limit", format!("{name}: {text}"));
        }
    }
}
