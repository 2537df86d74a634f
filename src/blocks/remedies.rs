//! What it would take: for a requirement that is missed or short of its reserve, the smallest change of each single free
//! choice, and of each fact, that would meet it.
//!
//! A choice is walked outward from where it stands, on ideal parts; the edge that is found is bisected, rounded away from
//! it, and then judged again with the note's own parts, so that what is told holds when it is written into the note.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use rayon::prelude::*;

use super::again::{Bench, Change, Levels};
use super::asked::Outcome;
use super::choice::{self, Choice};
use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::repeat::FAMILY;
use crate::num::flat::Flat;
use crate::physics::optimum::{HIGHEST, RATIOS};
use crate::results::{Remedy, State, Verdict};

/// Steps in each direction, at most.
const STEPS: usize = 48;
/// Most that a fact is improved, dB.
const MOST: f64 = 30.0;
/// How far a found value is moved on, relative, until it holds with the parts on the board.
const ONWARD: [f64; 7] = [0.0, 0.005, 0.01, 0.02, 0.04, 0.08, 0.16];

/// One thing that could be changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Lever {
    Field(Choice),
    Floor,
    Oscillator,
    Reference,
}

use Choice::{Bandwidth, DetectorFrequency, PhaseMargin, PoleRatio, PumpCurrent};
use Lever::{Field, Floor, Oscillator, Reference};

const LEVERS: [Lever; 8] = [
    Field(Bandwidth),
    Field(PhaseMargin),
    Field(PoleRatio),
    Field(PumpCurrent),
    Field(DetectorFrequency),
    Floor,
    Oscillator,
    Reference,
];

impl Lever {
    /// The field of the loop, or the fact, in words.
    fn name(self) -> &'static str {
        match self {
            Field(choice) => choice.field(),
            Floor => "detector floor",
            Oscillator => "oscillator noise",
            Reference => "reference noise",
        }
    }

    fn unit(self) -> Unit {
        match self {
            Field(choice) => choice.unit(),
            Floor | Oscillator | Reference => Unit::Decibel,
        }
    }

    fn is_fact(self) -> bool {
        !matches!(self, Field(_))
    }

    /// The change that puts it at a value.
    fn put(self, base: &Change, value: f64) -> Change {
        let levels = match self {
            Field(choice) => return choice.put(base.clone(), value),
            Floor => Levels { floor: value, ..Levels::default() },
            Oscillator => Levels { oscillator: value, ..Levels::default() },
            Reference => Levels { reference: value, ..Levels::default() },
        };
        Change { levels, ..base.clone() }
    }
}

/// Its choice by the place among all levers.
impl Flat for Remedy {
    fn lay(&self, out: &mut Vec<u8>) {
        let Self { choice, from, to, costs } = self;
        let place = LEVERS.iter().position(|lever| lever.name() == *choice);
        place.unwrap_or(LEVERS.len()).lay(out);
        from.lay(out);
        to.lay(out);
        costs.lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        let choice = LEVERS.get(usize::pick(from)?)?.name();
        Some(Self { choice, from: Flat::pick(from)?, to: Flat::pick(from)?, costs: Flat::pick(from)? })
    }
}

/// What a trial came to; `None` where no loop can be had.
type Found = Option<Arc<Vec<Outcome>>>;

/// Trials of one lever, each value once: what is found for one requirement serves the others.
struct Tried<F> {
    judge: F,
    known: Mutex<BTreeMap<u64, Found>>,
}

impl<F: Fn(f64) -> Option<Vec<Outcome>>> Tried<F> {
    fn new(judge: F) -> Self {
        Self { judge, known: Mutex::default() }
    }

    fn at(&self, value: f64) -> Found {
        let known = || self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(outcome) = known().get(&value.to_bits()) {
            return outcome.clone();
        }
        let outcome = (self.judge)(value).map(Arc::new);
        known().insert(value.to_bits(), outcome.clone());
        outcome
    }

    fn holds(&self, value: f64, id: &str) -> bool {
        self.at(value).is_some_and(|verdicts| holds(&verdicts, id))
    }
}

/// Remedies found before: by loop, the digest of all they were found from and those of each requirement.
pub(crate) type Before = BTreeMap<String, (String, Vec<(String, Vec<Remedy>)>)>;

/// Fills in what it would take for every verdict that needs it. `digest` is of all that the family of a loop and the
/// requirements on it were solved from; where it is as before, nothing is searched.
pub(crate) fn find(
    verdicts: &mut [Verdict],
    inputs: &Inputs<'_>,
    digest: &dyn Fn(&[String]) -> String,
    known: &mut Before,
) {
    // Trials are judged as nominal: what another case decided is not found by them.
    let short =
        |v: &Verdict| v.decided_by.is_none() && (v.state == State::NotMet || v.reserve_kept == Some(false));
    for of in inputs.catalog.of_kind("loop") {
        let Some(search) = Search::new(of, inputs) else { continue };
        let mine: Vec<usize> = (0..verdicts.len())
            .filter(|&i| short(&verdicts[i]) && search.covers(&verdicts[i], inputs))
            .collect();
        if mine.is_empty() {
            continue;
        }
        let wanted: Vec<&str> = mine.iter().map(|&i| verdicts[i].id.as_str()).collect();
        let digest = digest(search.bench.family());
        let same = known.get(of).filter(|(before, found)| {
            *before == digest && found.iter().map(|(id, _)| id.as_str()).eq(wanted.iter().copied())
        });
        let found = match same {
            Some((_, found)) => found.clone(),
            None => search.recalled(&wanted, &digest),
        };
        for (&index, (_, remedies)) in mine.iter().zip(&found) {
            verdicts[index].would_take.clone_from(remedies);
        }
        known.insert(of.to_owned(), (digest, found));
    }
}

struct Search<'a> {
    bench: Bench<'a>,
    solved: &'a SolvedLoop,
    given: &'a Given,
    /// The loop as it is, with what `optimum` found written out.
    base: Change,
}

/// Whether a requirement is met with its reserve.
fn holds(verdicts: &[Outcome], id: &str) -> bool {
    verdicts.iter().any(|v| *v.id == *id && v.state == State::Met && v.reserve_kept != Some(false))
}

impl<'a> Search<'a> {
    fn new(of: &str, inputs: &Inputs<'a>) -> Option<Self> {
        let given = &inputs.solved.get(of)?.given;
        let solved = inputs.solved.get(of)?.solved.model.downcast_ref::<SolvedLoop>()?;
        let base = choice::base(of, solved);
        Some(Self { bench: Bench::new(inputs, of, &[])?, solved, given, base })
    }

    /// The same, found again where it was searched before; `digest` as in [`find`].
    fn recalled(&self, wanted: &[&str], digest: &str) -> Vec<(String, Vec<Remedy>)> {
        let part = format!("{} {digest} {wanted:?}", self.bench.of);
        self.bench.inputs().keep.recall(&part, || self.all(wanted))
    }

    /// What each lever would do for each of the requirements.
    fn all(&self, wanted: &[&str]) -> Vec<(String, Vec<Remedy>)> {
        let before: Vec<Outcome> = self.bench.judge(&Change::of(&self.bench.of)).unwrap_or_default();
        let found: Vec<Vec<Remedy>> =
            LEVERS.par_iter().map(|lever| self.lever(*lever, wanted, &before)).collect();
        let of = |k: usize| found.iter().filter_map(|by_lever| by_lever.get(k).cloned()).collect();
        wanted.iter().enumerate().map(|(k, id)| ((*id).to_owned(), of(k))).collect()
    }

    /// Whether the requirement is on the loop or a block repeated with it, and is judged where it stands.
    fn covers(&self, verdict: &Verdict, inputs: &Inputs<'_>) -> bool {
        let path = verdict.metric.as_deref().and_then(MetricPath::parse);
        let searched = |name: &str| {
            inputs.catalog.blocks.iter().any(|(block, kind)| block == name && FAMILY.contains(kind))
        };
        verdict.judged == "nominal"
            && path.is_some_and(|p| self.bench.repeats(&p.block) && searched(&p.block))
    }

    /// Where it stands; `None` where the loop leaves it no room.
    fn start(&self, lever: Lever) -> Option<f64> {
        let noise = &self.solved.case.noise;
        match lever {
            Field(choice) => choice.stands(self.given, self.solved),
            Floor => noise.detector_floor.map(|_| 0.0),
            Oscillator => noise.oscillator.as_ref().map(|_| 0.0),
            Reference => noise.reference.as_ref().map(|_| 0.0),
        }
    }

    /// Values outward from the start: one list for each direction, nearest first.
    fn outward(&self, lever: Lever, start: f64) -> [Vec<f64>; 2] {
        let case = &self.solved.case;
        let walk = |next: &dyn Fn(f64) -> f64, within: (f64, f64)| -> Vec<f64> {
            (1..=STEPS).map(|k| next(k as f64)).filter(|x| *x >= within.0 && *x <= within.1).collect()
        };
        let nearest = |mut list: Vec<f64>| -> [Vec<f64>; 2] {
            list.retain(|x| (x / start - 1.0).abs() > 1e-9);
            list.sort_by(|a, b| (a / start).ln().abs().total_cmp(&(b / start).ln().abs()));
            let (up, down) = list.into_iter().partition(|x| *x > start);
            [down, up]
        };
        let steps = match lever {
            Field(choice) => choice.steps(self.given, self.solved, self.bench.inputs()),
            _ => None,
        };
        if let Some(steps) = steps {
            let mut lists = nearest(steps);
            for list in &mut lists {
                list.truncate(STEPS);
            }
            return lists;
        }
        let decade = |sign: f64, within| walk(&|k| start * 10f64.powf(sign * k / 30.0), within);
        match lever {
            Field(PhaseMargin) => [walk(&|k| start - k, (20.0, 85.0)), walk(&|k| start + k, (20.0, 85.0))],
            Field(PoleRatio) => [decade(-1.0, RATIOS), decade(1.0, RATIOS)],
            Field(_) => {
                let limits = (start / 40.0, case.detector_frequency / HIGHEST);
                [decade(-1.0, limits), decade(1.0, limits)]
            }
            Floor | Oscillator | Reference => [walk(&|k| -k, (-MOST, 0.0)), Vec::new()],
        }
    }

    /// What this lever alone would do for each of the requirements.
    fn lever(&self, lever: Lever, wanted: &[&str], before: &[Outcome]) -> Vec<Remedy> {
        let Some(start) = self.start(lever) else { return Vec::new() };
        let ideal = |value: f64| {
            let base = self.base.clone().with("series", Item::Word("ideal")).coarsely();
            self.bench.judge(&lever.put(&base, value)).ok()
        };
        // An `optimum` finds its own place again when a fact is better: so it is judged as the note stands.
        let base = if lever.is_fact() { Change::of(&self.bench.of) } else { self.base.clone() };
        let real = |value: f64| self.bench.judge(&lever.put(&base, value)).ok();
        let (ideal, real) = (Tried::new(ideal), Tried::new(real));
        // From near to far, until every requirement has been met once.
        let first = |values: &Vec<f64>| -> Vec<Option<usize>> {
            let mut found = vec![None; wanted.len()];
            for (k, value) in values.iter().enumerate() {
                let outcome = ideal.at(*value);
                for (found, id) in found.iter_mut().zip(wanted).filter(|(found, _)| found.is_none()) {
                    *found = outcome.as_ref().filter(|verdicts| holds(verdicts, id)).map(|_| k);
                }
                if found.iter().all(Option::is_some) {
                    break;
                }
            }
            found
        };
        let directions = self.outward(lever, start);
        let firsts: Vec<Vec<Option<usize>>> = directions.par_iter().map(first).collect();
        let remedy = |(k, id): (usize, &&str)| {
            let scans =
                directions.iter().zip(&firsts).filter_map(|(values, first)| Some((values, first[k]?)));
            let found = scans.filter_map(|(values, first)| {
                let candidates: Vec<f64> = if matches!(lever, Field(PumpCurrent | DetectorFrequency)) {
                    values[first..].to_vec()
                } else {
                    let below = if first == 0 { start } else { values[first - 1] };
                    onward(lever, start, bisect(below, values[first], |x| ideal.holds(x, id)))
                };
                let mut candidates = candidates.into_iter().take(ONWARD.len());
                candidates.find_map(|value| Some((value, real.at(value).filter(|after| holds(after, id))?)))
            });
            remedy(lever, start, found, before)
        };
        wanted.iter().enumerate().map(remedy).collect()
    }
}

/// The nearest of the values that were found, with the verdicts there.
fn remedy(
    lever: Lever,
    start: f64,
    found: impl Iterator<Item = (f64, Arc<Vec<Outcome>>)>,
    before: &[Outcome],
) -> Remedy {
    let far = |value: f64| if start > 0.0 && value > 0.0 { (value / start).ln().abs() } else { value.abs() };
    let least = found.min_by(|a, b| far(a.0).total_cmp(&far(b.0)));
    let metric = |value| Metric::exact(value, lever.unit());
    let from = if lever.is_fact() { None } else { Some(Metric::real(start, lever.unit())) };
    let Some((value, after)) = least else {
        return Remedy { choice: lever.name(), from, to: None, costs: Vec::new() };
    };
    let lost = before.iter().filter(|v| v.state == State::Met);
    let lost = lost.filter(|v| after.iter().any(|a| a.id == v.id && a.state == State::NotMet));
    let costs = lost.map(|v| v.id.to_string()).collect();
    Remedy { choice: lever.name(), from, to: Some(metric(value)), costs }
}

/// The last value on the way from `fails` to `holds` at which it holds.
fn bisect(mut fails: f64, mut holds: f64, test: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..12 {
        let middle = 0.5 * (fails + holds);
        if test(middle) { holds = middle } else { fails = middle }
    }
    holds
}

/// An edge rounded away from the start, then further and further on.
fn onward(lever: Lever, start: f64, edge: f64) -> Vec<f64> {
    if lever.is_fact() {
        // Tenths of a dB, then halves more.
        let first = (edge * 10.0 - 1e-9).floor() / 10.0;
        return (0..ONWARD.len()).map(|k| first - 0.5 * k as f64).collect();
    }
    let up = edge > start;
    let round = |x: f64| {
        let power = x.abs().log10().floor() as i32 - 2;
        let unit = 10f64.powi(power);
        let whole = if up { (x / unit - 1e-9).ceil() } else { (x / unit + 1e-9).floor() };
        // A whole number over a power of ten is the decimal that is written so; a multiple of 0.1 is not.
        if power < 0 { whole / 10f64.powi(-power) } else { whole * unit }
    };
    ONWARD.iter().map(|share| round(if up { edge * (1.0 + share) } else { edge * (1.0 - share) })).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::flat::tests::comes_back;

    #[test]
    fn remedies_come_back() {
        let from = Some(Metric::real(1e4, Unit::Hertz));
        let remedies: Vec<Remedy> = LEVERS
            .iter()
            .map(|lever| Remedy {
                choice: lever.name(),
                from: from.clone().filter(|_| !lever.is_fact()),
                to: lever.is_fact().then(|| Metric::exact(-2.5, lever.unit())),
                costs: vec!["LO-1".to_owned(), "LO-2".to_owned()],
            })
            .collect();
        assert_eq!(comes_back(&remedies), remedies);
    }

    #[test]
    fn an_edge_is_found_and_rounded_away_from_the_start() {
        let edge = bisect(10.0, 20.0, |x| x >= 13.37);
        assert!((edge - 13.37).abs() < 0.01 && edge >= 13.37, "{edge}");
        let further = onward(Field(Bandwidth), 10.0, 13.371);
        assert!(further[0] > 13.371 && further[0] < 13.5, "{further:?}");
        assert!(further.windows(2).all(|pair| pair[1] >= pair[0]));
        assert!((onward(Field(PhaseMargin), 52.0, 36.31)[0] - 36.3).abs() < f64::EPSILON);
        let lower = onward(Field(Bandwidth), 10.0, 4.448);
        assert!(lower[0] < 4.448 && lower[0] > 4.4, "{lower:?}");
        let levels = onward(Floor, 0.0, -2.34);
        assert!((levels[0] + 2.4).abs() < 1e-12 && levels[1] < levels[0], "{levels:?}");
    }
}
