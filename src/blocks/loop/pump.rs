//! The pump current: as asked, or the largest step that can be built and held over the band.

use super::build::Point;
use super::{Diagnostic, Digits, Faults, Given, Unit, first_of, print};
use crate::blocks::synthesizer::Synthesizer;
use crate::physics::synthesis::{Designer, Goal, SynthesisError};

/// Why a step can't be used.
#[derive(Clone, Debug)]
enum WhyNot {
    Room,
    Parts(SynthesisError),
    /// Its filter feels the spread of the tuning port.
    SmallLast,
}

impl std::fmt::Display for WhyNot {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Room => write!(f, "leaves no room to hold the bandwidth over the band"),
            Self::Parts(why) => write!(f, "can't be built ({why})"),
            Self::SmallLast => {
                write!(f, "makes the last capacitor smaller than three times the tuning port's")
            }
        }
    }
}

/// Why a pump current was taken; put into words where they are read.
#[derive(Clone, Debug)]
pub struct Because(Reason);

#[derive(Clone, Debug)]
enum Reason {
    Asked,
    /// The largest, with parts that are given.
    PartsGiven,
    Largest(f64),
    /// The next is not to be had.
    LargestUsable(f64, WhyNot),
}

impl Because {
    pub(super) const ASKED: Self = Self(Reason::Asked);
    pub(super) const PARTS_GIVEN: Self = Self(Reason::PartsGiven);
}

impl std::fmt::Display for Because {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.0 {
            Reason::Asked => write!(f, "as asked"),
            Reason::PartsGiven => write!(f, "the largest step, since the parts are given"),
            Reason::Largest(current) => {
                write!(f, "{} is the largest step, and its parts can be built", amperes(*current))
            }
            Reason::LargestUsable(current, why) => {
                write!(f, "{} is the largest step that can be used: the next {why}", amperes(*current))
            }
        }
    }
}

pub(super) enum Current {
    Given(f64),
    Auto,
}

fn amperes(current: f64) -> String {
    print(current, Unit::Ampere, Digits::All)
}

/// The current asked for; one that the pump can't be set to is a fault that names the nearest.
pub(super) fn wanted(given: &Given, synthesizer: &Synthesizer, faults: &mut Faults) -> Option<Current> {
    let Some(wanted) = given.fields.quantity("pump_current") else { return Some(Current::Auto) };
    let near = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs();
    if let Some(step) = synthesizer.currents.iter().find(|step| near(wanted, **step)) {
        return Some(Current::Given(*step));
    }
    let nearest =
        synthesizer.currents.iter().min_by(|a, b| (**a - wanted).abs().total_cmp(&(**b - wanted).abs()));
    let mut diagnostic =
        Diagnostic::error("pump-current", format!("the pump can't be set to {}", amperes(wanted)));
    diagnostic = diagnostic.at(given.fields.span("pump_current"));
    if let Some(step) = nearest {
        diagnostic = diagnostic.hint(format!("the nearest step is {}", amperes(*step)));
    }
    faults.push(diagnostic);
    None
}

/// Whether I K / N can be held in every channel from a step: the channel of least K/N needs more current by the same
/// factor.
fn room(goal: &Goal, point: &Point<'_>) -> impl Fn(f64) -> bool {
    let top = point.synthesizer.currents.last().copied().unwrap_or(0.0);
    let least_slope = point.slopes.iter().copied().fold(goal.slope, f64::min);
    let slope = goal.slope;
    move |current| current * slope / least_slope <= top * (1.0 + 1e-9)
}

/// Steps, largest first, from which I K / N can be held in every channel.
pub(super) fn held(goal: &Goal, point: &Point<'_>) -> Vec<f64> {
    let room = room(goal, point);
    point.synthesizer.currents.iter().rev().copied().filter(|current| room(*current)).collect()
}

/// The largest step that keeps every part realisable and from which I K / N can be held in every channel.
///
/// A large current means small resistors and a low floor; where the gain falls towards a band edge, a step
/// below the top is kept for it.
pub(super) fn choose(
    given: &Given,
    goal: &Goal,
    designer: &Designer<'_>,
    point: &Point<'_>,
    faults: &mut Faults,
) -> Option<(f64, Because)> {
    let currents = &point.synthesizer.currents;
    let top = currents.last().copied()?;
    let room = room(goal, point);
    let usable = |current: f64| {
        if !room(current) {
            return Err(WhyNot::Room);
        }
        let filter = designer.design(current).map_err(WhyNot::Parts)?;
        if filter.last_capacitor() < 3.0 * goal.input_capacitance { Err(WhyNot::SmallLast) } else { Ok(()) }
    };
    // Why a step can't be used, largest step first.
    let mut why_not: Vec<WhyNot> = Vec::new();
    for &current in currents.iter().rev() {
        match usable(current) {
            Ok(()) => {
                let reason = match why_not.pop() {
                    None => Reason::Largest(current),
                    Some(why) => Reason::LargestUsable(current, why),
                };
                return Some((current, Because(reason)));
            }
            Err(why) => why_not.push(why),
        }
    }
    let (largest, last) = (why_not.first()?, why_not.last()?);
    let (least, top) = (amperes(currents[0]), amperes(top));
    let message = if currents.len() == 1 {
        format!("the pump's one current, {top}, {largest}")
    } else {
        format!(
            "no step of the pump gives parts that can be built: the largest, {top}, {largest}; the least, {least}, {last}"
        )
    };
    let place = first_of(&given.fields, &["pump_current", "bandwidth"]);
    let hint = if matches!(largest, WhyNot::SmallLast) {
        "a `pump_current` that is asked for may leave the last capacitor smaller than three times the tuning port's"
    } else {
        "another `bandwidth`, `phase_margin` or `max_capacitance` may do"
    };
    faults.push(Diagnostic::error("pump-current", message).at(place.span()).hint(hint));
    None
}
