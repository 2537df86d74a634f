//! `bandwidth: optimum`: the question that a note puts, and its answer in words and in a figure.

use super::build::Point;
use super::pump::{self, Current};
use super::{Digits, Exhibit, Faults, Given, Group, Metric, Unit, print};
use crate::exhibit::{Axis, Curve, Drawing, Figure, Mark, Panel, Plot, Role};
use crate::physics::optimum::{self, Bound, HIGHEST, MARGINS, Optimum, Question, RATIOS, Step};
use crate::physics::synthesis::Goal;

/// Whether the note leaves the bandwidth to the tool.
pub(super) fn asked(given: &Given) -> bool {
    given.fields.word("bandwidth") == Some("optimum")
}

/// Offsets over which the jitter counts, Hz.
pub(super) fn over(given: &Given) -> Option<(f64, f64)> {
    given.fields.group("optimise")?.range("over")
}

/// The best loop; `goal` holds what is asked of it, but for the bandwidth.
pub(super) fn find(given: &Given, goal: &Goal, point: &Point<'_>, faults: &mut Faults) -> Option<Optimum> {
    let fields = &given.fields;
    let (currents, port_multiple) = match pump::wanted(given, point.synthesizer, faults)? {
        Current::Given(current) => (vec![current], 0.0),
        Current::Auto => (pump::held(goal, point), 3.0),
    };
    let floor = |current: f64| point.floor(current);
    let question = Question {
        case: point.case.clone(),
        goal: goal.clone(),
        open_margin: !fields.written("phase_margin"),
        open_ratio: !fields.written("pole_ratio"),
        over: over(given)?,
        steps: currents.into_iter().map(|current| Step { current, floor: floor(current) }).collect(),
        port_multiple,
    };
    let found = optimum::optimum(&question);
    match &found {
        None => faults.place(
            fields.place("bandwidth"),
            "optimum",
            "no bandwidth up to an eighth of the detector frequency gives a filter that can be built and a stable \
             sampled loop",
        ),
        Some(found) => {
            let said = found.bounds.iter().map(|bound| words(*bound)).collect::<Vec<_>>().join("; ");
            if !said.is_empty() {
                faults.warn(fields.place("bandwidth"), "optimum-bound", format!("the optimum is bounded: {said}"));
            }
        }
    }
    found
}

/// A bound that was hit.
fn words(bound: Bound) -> String {
    match bound {
        Bound::Highest => format!("bandwidth at the detector frequency over {HIGHEST}"),
        Bound::Parts => "a lower bandwidth has no parts within `max_capacitance`".to_owned(),
        Bound::Sampling => {
            format!("a higher bandwidth loses more than {} deg of margin to sampling", optimum::SAMPLED_LOSS)
        }
        Bound::LeastMargin => format!("phase margin at its lower bound of {} deg", MARGINS.0),
        Bound::LargestMargin => format!("phase margin at its upper bound of {} deg", MARGINS.1),
        Bound::LeastRatio => {
            format!("pole ratio at its lower bound of {}: spur filtering was given away for jitter", RATIOS.0)
        }
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
    let drawn = |f: f64| {
        found.curve.first().is_some_and(|p| p.0 <= f) && found.curve.last().is_some_and(|p| f <= p.0)
    };
    let rule = found.crossing.filter(|f| drawn(*f));
    marks.extend(rule.map(|f| Mark::vertical(f, "oscillator meets in-band plateau (rule of thumb)")));
    let rule_words = found.crossing.map_or(String::new(), |f| {
        format!(" The oscillator's noise meets the in-band plateau at {}.", short(f, Unit::Hertz))
    });
    Exhibit::Figure(Figure {
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
                    vec![Curve::new("jitter", Role::Total, found.curve.clone())],
                )
                .with_marks(marks),
            ],
        )),
    })
}
