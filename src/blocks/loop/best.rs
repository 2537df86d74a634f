//! `bandwidth: optimum`: the question that a note puts, and its answer in words and in a figure.

use super::build::Point;
use super::pump::{self, Current};
use super::{Diagnostic, Digits, Exhibit, Faults, Given, Group, Inputs, Item, Metric, Needed, Unit, print};
use crate::blocks::requirements::limit_names;
use crate::exhibit::{Axis, Curve, Drawing, Figure, Mark, Panel, Plot, Role};
use crate::physics::optimum::{
    self, Aim, Bound, Candidate, HIGHEST, Hop, Limits, MARGINS, Missed, Optimum, Question, RATIOS, Step,
};
use crate::physics::synthesis::Goal;
use crate::results::Limit;

/// Whether the note leaves the bandwidth to the tool.
pub(super) fn asked(given: &Given) -> bool {
    given.fields.word("bandwidth") == Some("optimum")
}

/// Offsets over which the jitter counts, Hz.
pub(super) fn over(given: &Given) -> Option<(f64, f64)> {
    given.fields.group("optimise")?.range("over")
}

/// Limits with the unit of each.
const LIMITS: [(&str, Unit); 3] =
    [("jitter", Unit::Second), ("settling", Unit::Second), ("reference_spur", Unit::DecibelCarrier)];

/// Whether the note asks anything about settling.
fn hops(given: &Given) -> bool {
    let Some(group) = given.fields.group("optimise") else { return false };
    group.word("for") == Some("settling") || group.written("settling")
}

/// What `optimise` says together.
pub(super) fn check(given: &Given, faults: &mut Faults) {
    let Some(group) = given.fields.group("optimise") else { return };
    let named = if group.written("settling") { "settling" } else { "for" };
    if hops(given) && !given.fields.written("outputs") {
        let text = "settling is that of the hop across `outputs`, which the loop does not have";
        faults.place(group.place(named), "settling-outputs", text);
    }
    if hops(given) && !group.written("within") {
        let text = "settling needs `within`, the window in which the hop has to end";
        faults.place(group.place(named), "field-missing", text);
    }
    if group.quantity("within").is_some_and(|within| within <= 0.0) {
        faults.place(group.place("within"), "value-range", "`within` is above zero");
    }
    if group.range("over").is_some_and(|(low, high)| low <= 0.0 || high <= low) {
        faults.place(group.place("over"), "value-range", "`over` is above zero and in order");
    }
}

/// Names in the limits.
pub(super) fn names(given: &Given) -> Vec<Needed> {
    let group = given.fields.group("optimise");
    group.into_iter().flat_map(|group| LIMITS.iter().flat_map(|(name, _)| limit_names(group, name))).collect()
}

/// The limits in numbers.
pub(super) fn limits(given: &Given, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<Limits> {
    let mut limits = Limits::default();
    let Some(group) = given.fields.group("optimise") else { return Some(limits) };
    for (name, unit) in LIMITS {
        let Some(Item::Limit(text)) = group.get(name).map(|c| &c.value) else { continue };
        let read = Limit::parse(text, |_, bound| inputs.bound(bound, unit));
        let Ok(Limit::AtMost(bound) | Limit::Below(bound)) = read else {
            let text = format!("`{text}` is not an upper limit of this unit");
            let fault = Diagnostic::error("limit", text).at(group.span(name));
            faults.push(fault.expected(format!("expected <= and {}", unit.described())));
            continue;
        };
        match name {
            "jitter" => limits.jitter = Some(bound),
            "settling" => limits.settling = Some(bound),
            _ => limits.reference_spur = Some(bound),
        }
    }
    faults.sound().map(|()| limits)
}

/// The hop across `outputs`, at the oscillator.
fn hop(given: &Given, point: &Point<'_>) -> Option<Hop> {
    let (low, high) = given.fields.range("outputs")?;
    let within = given.fields.group("optimise")?.quantity("within")?;
    let divider = point.case.output_divider;
    Some(Hop { step: (high - low) * divider, within: within * divider })
}

/// The best loop; `goal` holds what is asked of it, but for the bandwidth.
pub(super) fn find(given: &Given, goal: &Goal, point: &Point<'_>, faults: &mut Faults) -> Option<Optimum> {
    let fields = &given.fields;
    let (currents, port_multiple) = match pump::wanted(given, point.synthesizer, faults)? {
        Current::Given(current) => (vec![current], 0.0),
        Current::Auto => (pump::held(goal, point), 3.0),
    };
    let floor = |current: f64| point.floor(current);
    let settling = fields.group("optimise").and_then(|group| group.word("for")) == Some("settling");
    let question = Question {
        case: point.case.clone(),
        goal: goal.clone(),
        open_margin: !fields.written("phase_margin"),
        open_ratio: !fields.written("pole_ratio"),
        over: over(given)?,
        steps: currents.into_iter().map(|current| Step { current, floor: floor(current) }).collect(),
        port_multiple,
        aim: if settling { Aim::Settling } else { Aim::Jitter },
        limits: point.limits,
        hop: hop(given, point),
    };
    match point.keep.recall("optimum", || optimum::optimum(&question)) {
        Ok(found) => {
            let spurs = point.limits.reference_spur.is_some();
            let said = found.bounds.iter().map(|bound| words(*bound, spurs)).collect::<Vec<_>>().join("; ");
            if !said.is_empty() {
                faults.warn(
                    fields.place("bandwidth"),
                    "optimum-bound",
                    format!("the optimum is bounded: {said}"),
                );
            }
            Some(found)
        }
        Err(Missed::Nothing) => {
            faults.place(
                fields.place("bandwidth"),
                "optimum",
                "no bandwidth up to an eighth of the detector frequency gives a filter that can be built and a stable \
                 sampled loop",
            );
            None
        }
        Err(Missed::Limits(nearest)) => {
            let text =
                format!("no loop keeps the limits of `optimise`; the nearest has {}", merits(&nearest));
            faults.place(fields.place("optimise"), "optimum-limits", text);
            None
        }
    }
}

/// What a loop would give, in words.
fn merits(candidate: &Candidate) -> String {
    let short = |value: f64, unit: Unit| print(value, unit, Digits::Significant(3));
    let mut said = vec![
        format!("bandwidth {}", short(candidate.bandwidth, Unit::Hertz)),
        format!("jitter {}", short(candidate.jitter, Unit::Second)),
    ];
    said.extend(candidate.settling.map(|time| format!("settling {}", short(time, Unit::Second))));
    said.extend(
        candidate
            .reference_spur
            .map(|level| format!("reference spur {}", short(level, Unit::DecibelCarrier))),
    );
    said.join(", ")
}

/// A bound that was hit.
fn words(bound: Bound, spurs: bool) -> String {
    match bound {
        Bound::Highest => format!("bandwidth at the detector frequency over {HIGHEST}"),
        Bound::Parts => "a lower bandwidth has no parts within `max_capacitance`".to_owned(),
        Bound::Sampling => {
            format!("a higher bandwidth loses more than {} deg of margin to sampling", optimum::SAMPLED_LOSS)
        }
        Bound::LeastMargin => format!("phase margin at its lower bound of {} deg", MARGINS.0),
        Bound::LargestMargin => format!("phase margin at its upper bound of {} deg", MARGINS.1),
        Bound::LeastRatio if spurs => format!("pole ratio at its lower bound of {}", RATIOS.0),
        Bound::LeastRatio => {
            format!("pole ratio at its lower bound of {}: spur filtering was given away for jitter", RATIOS.0)
        }
        Bound::Jitter => "the limit on jitter is used up".to_owned(),
        Bound::Settling => "the limit on settling is used up".to_owned(),
        Bound::ReferenceSpur => "the limit on the reference spur is used up".to_owned(),
        Bound::LargestRatio => format!("pole ratio at its upper bound, just below 1 ({})", RATIOS.1),
    }
}

/// Metrics below `optimum`.
pub(super) fn metrics(found: &Optimum) -> Group {
    let mut group = Group::new();
    group.metric("bandwidth", Metric::real(found.best.bandwidth, Unit::Hertz));
    group.metric("phase_margin", Metric::real(found.best.phase_margin, Unit::Degree));
    if let Some(ratio) = found.best.pole_ratios.first() {
        group.metric("pole_ratio", Metric::real(*ratio, Unit::One));
    }
    group.metric("jitter", Metric::real(found.best.jitter, Unit::Second));
    if let Some(time) = found.best.settling {
        group.metric("settling", Metric::real(time, Unit::Second));
    }
    if let Some(level) = found.best.reference_spur {
        group.metric("reference_spur", Metric::real(level, Unit::DecibelCarrier));
    }
    group.metric("minima", Metric::count(found.minima.len() as i64));
    group.metric(
        "rule_of_thumb",
        match found.crossing {
            Some(f) => Metric::real(f, Unit::Hertz),
            None => Metric::none(Unit::Hertz, "the oscillator's noise never meets the in-band plateau"),
        },
    );
    group
}

/// Jitter against bandwidth, with the choice and the rule of thumb.
pub(super) fn figure(given: &Given, found: &Optimum) -> Exhibit {
    let short = |value: f64, unit: Unit| print(value, unit, Digits::Significant(3));
    let best = &found.best;
    let choice =
        format!("chosen: {}, {}", short(best.bandwidth, Unit::Hertz), short(best.jitter, Unit::Second));
    let mut marks = vec![Mark::point(best.bandwidth, best.jitter, &choice)];
    // The choice itself belongs to the curve, also where it lies at the end of the scan.
    let mut jitter: Vec<(f64, f64)> = found.curve.iter().map(|c| (c.bandwidth, c.jitter)).collect();
    jitter.push((best.bandwidth, best.jitter));
    jitter.sort_by(|a, b| a.0.total_cmp(&b.0));
    let drawn = |f: f64| {
        found.curve.first().is_some_and(|c| c.bandwidth <= f)
            && found.curve.last().is_some_and(|c| f <= c.bandwidth)
    };
    let rule = found.crossing.filter(|f| drawn(*f));
    marks.extend(rule.map(|f| Mark::vertical(f, "oscillator meets in-band plateau (rule of thumb)")));
    let rule_words = found.crossing.map_or(String::new(), |f| {
        format!(" The oscillator's noise meets the in-band plateau at {}.", short(f, Unit::Hertz))
    });
    Exhibit::figure(Figure {
        anchor: "figure.2".to_owned(),
        caption: format!(
            "Jitter of loop `{}` against its bandwidth, ideal parts, margin {}",
            given.name,
            short(best.phase_margin, Unit::Degree)
        ),
        alt: format!(
            "Jitter against bandwidth: least, {}, at {}; {} local minima.{rule_words}",
            short(best.jitter, Unit::Second),
            short(best.bandwidth, Unit::Hertz),
            found.minima.len()
        ),
        drawing: Drawing::Plot(Plot::log_x(
            "Bandwidth",
            Unit::Hertz,
            vec![
                Panel::new(
                    Axis::log("rms jitter", Unit::Second),
                    vec![Curve::new("jitter", Role::Total, jitter)],
                )
                .with_marks(marks),
            ],
        )),
    })
}

/// Jitter against settling as the bandwidth goes, with the choice and the limits.
pub(super) fn trade(given: &Given, found: &Optimum, limits: &Limits) -> Option<Exhibit> {
    let best = &found.best;
    let time = best.settling?;
    let points: Vec<(f64, f64)> = found.curve.iter().filter_map(|c| Some((c.settling?, c.jitter))).collect();
    let span = |values: &mut dyn Iterator<Item = f64>, chosen: f64, limit: Option<f64>| {
        // Two decades round the choice; farther loops are of no use to anyone.
        let all = values.chain([chosen]).chain(limit);
        let near = all.filter(|v| *v > chosen / 30.0 && *v < chosen * 30.0);
        let (low, high) = near.fold((chosen, chosen), |(low, high), v| (low.min(v), high.max(v)));
        (low / 1.1, high * 1.1)
    };
    let across = span(&mut points.iter().map(|p| p.0), time, limits.settling);
    let up = span(&mut points.iter().map(|p| p.1), best.jitter, limits.jitter);
    let short = |value: f64, unit: Unit| print(value, unit, Digits::Significant(3));
    let mut marks = vec![
        Mark::Boundary { lines: vec![points], label: "as the bandwidth goes".to_owned() },
        Mark::point(time, best.jitter, &format!("chosen: {}", short(best.bandwidth, Unit::Hertz))),
    ];
    marks.extend(limits.settling.map(|limit| Mark::vertical(limit, "limit on settling")));
    marks.extend(limits.jitter.map(|limit| Mark::horizontal(limit, "limit on jitter")));
    let panel = Panel::new(Axis::log("rms jitter", Unit::Second).from_to(up.0, up.1), Vec::new());
    Some(Exhibit::figure(Figure {
        anchor: "figure.3".to_owned(),
        caption: format!(
            "Jitter of loop \u{201c}{}\u{201d} against the settling of the linear loop, ideal parts, margin {}",
            given.name,
            short(best.phase_margin, Unit::Degree)
        ),
        alt: format!(
            "Jitter against settling time: the choice has {} and {}.",
            short(best.jitter, Unit::Second),
            short(time, Unit::Second)
        ),
        drawing: Drawing::Plot(Plot::new(
            Axis::log("Settling", Unit::Second).from_to(across.0, across.1),
            vec![panel.with_marks(marks)],
        )),
    }))
}
