//! The filter of a loop: given parts, or synthesised and rounded to preferred values.

use super::best;
use super::build::Point;
use super::pump::{self, Because, Current};
use super::solved::BoardPart;
use super::{Checked, Digits, Faults, Fields, Filter, Given, Item, Unit, print};
use crate::physics::board::{self, Board, Shelf};
use crate::physics::optimum::{Candidate, Optimum};
use crate::physics::part::Topology;
use crate::physics::series::Series;
use crate::physics::synthesis::{Designer, Goal};
use crate::units::Tolerance;

/// A filter, with the pump current that goes with it.
pub(super) struct Filled {
    pub filter: Filter,
    pub current: f64,
    /// Why that current.
    pub current_because: Because,
    pub parts: Vec<BoardPart>,
    /// How the preferred values were found, where they were.
    pub board: Option<Board>,
    /// How the bandwidth was found, where it was left open.
    pub optimum: Option<Optimum>,
}

/// Names of the parts of a filter with the unit of each.
pub(super) const PART_NAMES: [(&str, Unit); 7] = [
    ("C1", Unit::Farad),
    ("R2", Unit::Ohm),
    ("C2", Unit::Farad),
    ("R3", Unit::Ohm),
    ("C3", Unit::Farad),
    ("R4", Unit::Ohm),
    ("C4", Unit::Farad),
];

pub(super) fn topology(given: &Given) -> Option<Topology> {
    Some(match given.fields.word("filter")? {
        "passive 2" => Topology::Passive(2),
        "passive 3" => Topology::Passive(3),
        "passive 4" => Topology::Passive(4),
        "active 3" => Topology::Active(3),
        "active 4" => Topology::Active(4),
        _ => return None,
    })
}

pub(super) fn fill(given: &Given, point: &Point<'_>, faults: &mut Faults) -> Option<Filled> {
    let topology = topology(given)?;
    match given.fields.group("parts") {
        Some(parts) => given_parts(given, parts, topology, point, faults),
        None => synthesised(given, topology, point, faults),
    }
}

fn given_parts(
    given: &Given,
    parts: &Fields,
    topology: Topology,
    point: &Point<'_>,
    faults: &mut Faults,
) -> Option<Filled> {
    let mut filter = Filter::of(topology);
    let wanted = filter.part_names();
    let mut board = Vec::new();
    for (name, unit) in PART_NAMES {
        let item = parts.get(name).map(|c| &c.value);
        match (item, wanted.contains(&name)) {
            (Some(Item::Toleranced(quantity, tolerance)), true) => {
                if quantity.value <= 0.0 {
                    faults.place(parts.place(name), "value-range", format!("`{name}` is above zero"));
                }
                filter.set(name, quantity.value);
                board.push(BoardPart {
                    name,
                    unit,
                    value: quantity.value,
                    ideal: None,
                    series: "as given",
                    tolerance: tolerance.map(|t| match t {
                        Tolerance::Relative(share) => share,
                        Tolerance::Absolute(by) => by / quantity.value,
                    }),
                });
            }
            (Some(_), false) => faults.place(
                parts.place(name),
                "part-unused",
                format!("{} filter has no {name}", named(given)),
            ),
            (None, true) => faults.place(
                given.fields.place("parts"),
                "field-missing",
                format!("{} filter needs {name}", named(given)),
            ),
            _ => {}
        }
    }
    faults.sound()?;
    let (current, current_because) = match pump::wanted(given, point.synthesizer, faults)? {
        Current::Given(current) => (current, Because::ASKED),
        Current::Auto => {
            let largest = point.synthesizer.currents.last().copied()?;
            (largest, Because::PARTS_GIVEN)
        }
    };
    Some(Filled { filter, current, current_because, parts: board, board: None, optimum: None })
}

/// "a `passive 3`", "an `active 3`".
fn named(given: &Given) -> String {
    let word = given.fields.word("filter").unwrap_or_default();
    format!("{} `{word}`", if word.starts_with('a') { "an" } else { "a" })
}

/// What is asked of the synthesis, but for the current.
pub(super) fn goal(
    given: &Given,
    topology: Topology,
    point: &Point<'_>,
    faults: &mut Faults,
) -> Option<Goal> {
    let fields = &given.fields;
    let ratios: Vec<f64> = match fields.get("pole_ratio").map(|c| &c.value) {
        Some(Item::List(list)) => list.iter().filter_map(Checked::number).collect(),
        Some(Item::Number(one)) => vec![*one],
        _ => Vec::new(),
    };
    let wanted = topology.pole_ratios();
    if ratios.len() > wanted.max(1) || ratios.iter().any(|r| !(*r > 0.0 && *r <= 1.0)) {
        faults.place(
            fields.place("pole_ratio"),
            "value-range",
            format!("this filter takes {wanted} pole ratio(s), each above 0 and at most 1"),
        );
        return None;
    }
    let last = ratios.last().copied().unwrap_or(0.3);
    let ratios: Vec<f64> = (0..wanted).map(|i| ratios.get(i).copied().unwrap_or(last)).collect();
    Some(Goal {
        // Where they are left open, the search puts its own.
        bandwidth: fields.quantity("bandwidth").unwrap_or(0.0),
        phase_margin: fields.quantity("phase_margin").unwrap_or(0.0),
        pole_ratios: ratios,
        topology,
        slope: (point.case.oscillator.gain / point.case.feedback_ratio).abs(),
        input_capacitance: point.case.oscillator.input_capacitance,
        modulation_bandwidth: point.case.oscillator.modulation_bandwidth,
        gain_bandwidth: point.case.amplifier.map(|a| a.gain_bandwidth).filter(|f| f.is_finite()),
        max_capacitance: fields.quantity("max_capacitance").unwrap_or(1e-6),
    })
}

fn synthesised(given: &Given, topology: Topology, point: &Point<'_>, faults: &mut Faults) -> Option<Filled> {
    let mut goal = goal(given, topology, point, faults)?;
    let mut optimum = None;
    let (current, current_because, ideal) = if best::asked(given) {
        let found = best::find(given, &goal, point, faults)?;
        let Candidate { bandwidth, phase_margin, ref pole_ratios, step, ref filter, .. } = found.best;
        (goal.bandwidth, goal.phase_margin, goal.pole_ratios) =
            (bandwidth, phase_margin, pole_ratios.clone());
        let filter = filter.clone();
        let because = match pump::wanted(given, point.synthesizer, faults)? {
            Current::Given(_) => Because::ASKED,
            Current::Auto => pump::choose(given, &goal, &Designer::new(&goal), point, faults)?.1,
        };
        optimum = Some(found);
        (step.current, because, filter)
    } else {
        let designer = Designer::new(&goal);
        let (current, because) = match pump::wanted(given, point.synthesizer, faults)? {
            Current::Given(current) => (current, Because::ASKED),
            Current::Auto => pump::choose(given, &goal, &designer, point, faults)?,
        };
        match designer.design(current) {
            Ok(ideal) => (current, because, ideal),
            Err(why) => {
                faults.place(given.fields.place("bandwidth"), "filter", why.to_string());
                return None;
            }
        }
    };
    let series = series(given);
    let board = match series {
        None => None,
        Some((resistors, capacitors)) => {
            let over = best::over(given).unwrap_or((goal.bandwidth / 100.0, goal.bandwidth * 10.0));
            let shelf = Shelf { resistors, capacitors, max_capacitance: goal.max_capacitance, over };
            let mut case = point.case.clone();
            (case.pump.current, case.filter) = (current, ideal.clone());
            case.noise.detector_floor = point.floor(current);
            match point.keep.recall("board", || board::choose(&case, &shelf).map_err(|why| why.to_string())) {
                Ok(board) => Some(board),
                Err(why) => {
                    faults.place(given.fields.place("bandwidth"), "filter", why);
                    return None;
                }
            }
        }
    };
    let filter = board.as_ref().map_or_else(|| ideal.clone(), |board| board.filter.clone());
    let part = |(name, unit): (&'static str, Unit)| {
        let (label, tolerance) = match series {
            None => ("ideal", None),
            Some((r, c)) => {
                let series = if unit == Unit::Ohm { r } else { c };
                (series.name(), Some(series.usual_tolerance()))
            }
        };
        let (value, ideal) = (filter.get(name)?, ideal.get(name));
        Some(BoardPart { name, unit, value, ideal, series: label, tolerance })
    };
    let parts = PART_NAMES.into_iter().filter_map(part).collect();
    warn_about_port(given, &filter, point, faults);
    Some(Filled { filter, current, current_because, parts, board, optimum })
}

/// Preferred series of resistors and capacitors; `None`: parts stay ideal.
fn series(given: &Given) -> Option<(Series, Series)> {
    let named = |fields: Option<&Fields>, name: &str, usual: Series| {
        fields.and_then(|f| f.word(name)).and_then(Series::from_name).unwrap_or(usual)
    };
    match given.fields.get("series").map(|c| &c.value) {
        Some(Item::Word(_)) => None,
        Some(Item::Group(group)) => {
            Some((named(Some(group), "R", Series::E96), named(Some(group), "C", Series::E24)))
        }
        _ => Some((Series::E96, Series::E24)),
    }
}

/// A given current may leave the last capacitor small against the tuning port: that is said, not refused.
fn warn_about_port(given: &Given, filter: &Filter, point: &Point<'_>, faults: &mut Faults) {
    let port = point.case.oscillator.input_capacitance;
    let last = filter.last_capacitor();
    if port > 0.0 && last < 3.0 * port {
        faults.warn(
            given.fields.place("filter"),
            "port-capacitance",
            format!(
                "the last capacitor ({}) is less than three times the tuning port's {}: its spread moves the loop",
                print(last, Unit::Farad, Digits::Significant(3)),
                print(port, Unit::Farad, Digits::Significant(3))
            ),
        );
    }
}
