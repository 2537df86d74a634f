//! The best loop: least jitter or quickest hop, over the bandwidth and, where left open, phase margin and pole ratio.
//!
//! The bandwidth is scanned from where parts can be had up to an eighth of the detector rate; every local minimum of
//! the scan is then polished by itself and the least is taken, so that a hump in a noise curve can't hide it. Parts
//! are ideal. The asked margin shapes the continuous loop; the sampled loop must be stable and keep all of it but
//! [`SAMPLED_LOSS`]. Limits on jitter, settling and reference spur bound what is allowed.

use super::integral::Grid;
use super::noise::{CONTRIBUTORS, Node};
use super::part::{Case, Filter};
use super::synthesis::{Goal, SynthesisError};
use crate::num::brent;
use crate::num::flat::{Flat, flat, flat_words};

mod bounds;
mod polish;
mod search;

pub use search::Search;

use polish::{least_at, polish};

/// Most of the phase margin that sampling may take, deg.
pub const SAMPLED_LOSS: f64 = 2.0;
/// Range in which an open phase margin is searched, deg.
pub const MARGINS: (f64, f64) = (40.0, 75.0);
/// Range in which an open pole ratio is searched; at exactly 1 no passive filter exists.
pub const RATIOS: (f64, f64) = (0.05, 0.999);
/// The highest bandwidth is the detector rate over this.
pub const HIGHEST: f64 = 8.0;

/// Decades below the highest bandwidth that are looked at.
const DECADES: usize = 6;
/// Bandwidths per decade in the scan.
const SCAN: usize = 40;
/// Offsets per decade while searching; the local minima are polished on [`Grid::FINE`].
const COARSE: usize = 60;
/// Margins and pole ratios at which an open one is scanned.
const OPEN: usize = 5;
/// Below this share of the detector rate the aliases are under 1 % of the open loop and take no 2 deg of margin.
const SAMPLING_MATTERS: f64 = 0.01;

/// A step of the pump that may be taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// A.
    pub current: f64,
    /// Detector floor at that current, dBc/Hz at 1 Hz detector rate.
    pub floor: Option<f64>,
}

/// What is made least.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aim {
    /// rms jitter.
    Jitter,
    /// Settling of the linear loop after [`Question::hop`].
    Settling,
}

/// Limits that a loop has to keep; `None`: not asked.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limits {
    /// Most rms jitter, s.
    pub jitter: Option<f64>,
    /// Most settling, s.
    pub settling: Option<f64>,
    /// Highest reference spur, dBc.
    pub reference_spur: Option<f64>,
}

/// A step of the oscillator and the window in which it has to end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hop {
    /// Hz, at the oscillator.
    pub step: f64,
    /// Half width of the window, Hz, at the oscillator.
    pub within: f64,
}

/// What is searched.
#[derive(Clone, Debug)]
pub struct Question {
    /// The loop; its filter, pump current and detector floor are replaced.
    pub case: Case,
    /// What is asked of the filter; the bandwidth counts for nothing.
    pub goal: Goal,
    /// Whether the phase margin is left open.
    pub open_margin: bool,
    /// Whether the pole ratio is left open; all sections then have the same.
    pub open_ratio: bool,
    /// Offsets over which the jitter is taken, Hz.
    pub over: (f64, f64),
    /// Steps of the pump, the wanted one first: the first whose parts can be had is taken.
    pub steps: Vec<Step>,
    /// Least last capacitor, as a multiple of the tuning port's capacitance.
    pub port_multiple: f64,
    /// What is made least.
    pub aim: Aim,
    /// What has to be kept.
    pub limits: Limits,
    /// The hop that settling is about.
    pub hop: Option<Hop>,
}

/// Why a loop is not allowed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Refusal {
    /// No parts.
    Parts(SynthesisError),
    /// The last capacitor is small against the tuning port.
    Port,
    /// It does not settle.
    Restless,
    /// The sampled loop is unstable or loses more than [`SAMPLED_LOSS`].
    Sampled,
}

/// One loop that is allowed.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// Hz.
    pub bandwidth: f64,
    /// deg.
    pub phase_margin: f64,
    /// T3/T1, T4/T3.
    pub pole_ratios: Vec<f64>,
    /// rms, s.
    pub jitter: f64,
    /// Settling of the linear loop, s, where a hop is stated.
    pub settling: Option<f64>,
    /// Line at the detector frequency, dBc, where there is one.
    pub reference_spur: Option<f64>,
    /// The step of the pump.
    pub step: Step,
    /// Ideal parts.
    pub filter: Filter,
}

/// What keeps the choice from going further.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bound {
    /// Bandwidth at the eighth of the detector rate.
    Highest,
    /// A lower bandwidth has no parts.
    Parts,
    /// A higher bandwidth loses too much margin to sampling.
    Sampling,
    /// Phase margin at its lower bound.
    LeastMargin,
    /// Phase margin at its upper bound.
    LargestMargin,
    /// Pole ratio at its lower bound: spur filtering is given away.
    LeastRatio,
    /// Pole ratio at its upper bound.
    LargestRatio,
    /// The limit on jitter.
    Jitter,
    /// The limit on settling.
    Settling,
    /// The limit on the reference spur.
    ReferenceSpur,
}

/// Why there is no best loop.
#[derive(Clone, Debug, PartialEq)]
pub enum Missed {
    /// No loop is allowed, or the range of offsets is none.
    Nothing,
    /// None keeps the limits; this one comes nearest.
    Limits(Box<Candidate>),
}

/// The best loop.
#[derive(Clone, Debug)]
pub struct Optimum {
    /// The choice.
    pub best: Candidate,
    /// All local minima, ascending in bandwidth, the best among them.
    pub minima: Vec<Candidate>,
    /// What the choice runs into.
    pub bounds: Vec<Bound>,
    /// Loops over the scanned bandwidths with margin and pole ratio of the choice, whether or not they keep the limits.
    pub curve: Vec<Candidate>,
    /// Where the oscillator's noise meets the in-band plateau, Hz: the rule of thumb.
    pub crossing: Option<f64>,
}

flat!(Step { current, floor });
flat!(Candidate { bandwidth, phase_margin, pole_ratios, jitter, settling, reference_spur, step, filter });
flat!(Optimum { best, minima, bounds, curve, crossing });
flat_words!(
    Bound: Highest,
    Parts,
    Sampling,
    LeastMargin,
    LargestMargin,
    LeastRatio,
    LargestRatio,
    Jitter,
    Settling,
    ReferenceSpur
);

impl Flat for Missed {
    fn lay(&self, out: &mut Vec<u8>) {
        match self {
            Missed::Nothing => None,
            Missed::Limits(nearest) => Some(nearest.clone()),
        }
        .lay(out);
    }
    fn pick(from: &mut &[u8]) -> Option<Self> {
        Some(Option::pick(from)?.map_or(Missed::Nothing, Missed::Limits))
    }
}

/// The best loop.
///
/// # Errors
/// [`Missed`] where none is allowed or none keeps the limits.
pub fn optimum(question: &Question) -> Result<Optimum, Missed> {
    let coarse = Search::new(question, COARSE).ok_or(Missed::Nothing)?;
    let fine = Search::new(question, Grid::FINE).ok_or(Missed::Nothing)?;
    let sides = open_sides(question);
    let bandwidths = bandwidths(question.case.detector_frequency);
    let scan: Vec<(f64, Vec<f64>)> = bandwidths.iter().map(|f| least_at(&coarse, *f, &sides)).collect();
    let value = |k: usize| scan.get(k).map_or(f64::INFINITY, |point| point.0);
    let before = |k: usize| k.checked_sub(1).map_or(f64::INFINITY, value);
    let dips = (0..scan.len())
        .filter(|&k| value(k).is_finite() && value(k) <= before(k) && value(k) <= value(k + 1));
    let found: Vec<Candidate> = dips
        .filter_map(|k| {
            let low = bandwidths[k.saturating_sub(1)].ln();
            let high = bandwidths[(k + 1).min(bandwidths.len() - 1)].ln();
            polish(&fine, &scan[k].1, (low, high), &sides)
        })
        .collect();
    let merit = |candidate: &Candidate| fine.merit(candidate);
    let least = found.iter().min_by(|a, b| merit(a).total_cmp(&merit(b))).ok_or(Missed::Nothing)?;
    if question.excess(least) > 0.0 {
        return Err(Missed::Limits(Box::new(least.clone())));
    }
    let best = least.clone();
    let minima: Vec<Candidate> = found.into_iter().filter(|c| question.excess(c) == 0.0).collect();
    let at = |f: &f64| coarse.candidate(*f, best.phase_margin, &best.pole_ratios).ok();
    let curve = bandwidths.iter().filter_map(at).collect();
    let bounds = bounds::bounds(&fine, &best);
    Ok(Optimum { curve, bounds, crossing: crossing(question, &best), minima, best })
}

impl Question {
    /// What is made least, s.
    pub fn value(&self, candidate: &Candidate) -> f64 {
        match self.aim {
            Aim::Jitter => candidate.jitter,
            Aim::Settling => candidate.settling.unwrap_or(f64::INFINITY),
        }
    }

    /// By how much the limits are exceeded, as a sum of ratios; zero where all are kept.
    pub fn excess(&self, candidate: &Candidate) -> f64 {
        let over = |value: Option<f64>, limit: Option<f64>| match (value, limit) {
            (Some(value), Some(limit)) => (value / limit - 1.0).max(0.0),
            _ => 0.0,
        };
        let spur = match (candidate.reference_spur, self.limits.reference_spur) {
            (Some(level), Some(limit)) => ((level - limit) / 20.0).max(0.0),
            _ => 0.0,
        };
        over(Some(candidate.jitter), self.limits.jitter)
            + over(candidate.settling, self.limits.settling)
            + spur
    }
}

fn bandwidths(detector_frequency: f64) -> Vec<f64> {
    let count = DECADES * SCAN;
    let at = |k: usize| detector_frequency / HIGHEST * 10f64.powf((k as f64 - count as f64) / SCAN as f64);
    (0..=count).map(at).collect()
}

/// Sides of the box of what is open beside the bandwidth.
fn open_sides(question: &Question) -> Vec<(f64, f64)> {
    let margin = question.open_margin.then_some(MARGINS);
    let ratio = (question.open_ratio && question.goal.topology.pole_ratios() > 0).then_some(RATIOS);
    margin.into_iter().chain(ratio).collect()
}

/// The lowest frequency above which the free-running oscillator is below what comes through the detector.
fn crossing(question: &Question, best: &Candidate) -> Option<f64> {
    let mut case = question.case.clone();
    (case.pump.current, case.noise.detector_floor) = (best.step.current, best.step.floor);
    case.filter = best.filter.clone();
    let ratio = |f: f64| {
        let at = |node: Node| -> f64 {
            let present = CONTRIBUTORS.iter().filter(|c| c.nodes().contains(&node) && c.present(&case));
            present.map(|c| c.density(&case, node, f)).sum()
        };
        (at(Node::Oscillator) / (at(Node::Detector) * case.feedback_ratio.powi(2))).ln()
    };
    let scan = bandwidths(case.detector_frequency);
    let pair = scan.windows(2).find(|pair| ratio(pair[0]) > 0.0 && ratio(pair[1]) <= 0.0)?;
    brent::root(ratio, pair[0], pair[1])
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::num::flat::tests::comes_back;
    use crate::physics::linear::tests::case;
    use crate::physics::part::{LevelTable, Topology};

    #[test]
    fn an_optimum_comes_back() {
        let candidate = |jitter: f64, settling: Option<f64>| Candidate {
            bandwidth: 1e4,
            phase_margin: 50.0,
            pole_ratios: vec![0.3, 0.1],
            jitter,
            settling,
            reference_spur: None,
            step: Step { current: 1e-3, floor: Some(-210.0) },
            filter: Filter::of(Topology::Passive(4)),
        };
        let bounds = vec![Bound::Highest, Bound::LeastRatio, Bound::ReferenceSpur];
        let best = candidate(1e-13, Some(1e-4));
        let (minima, curve) =
            (vec![best.clone()], vec![candidate(f64::INFINITY, None), candidate(f64::NAN, None)]);
        let mut found = Optimum { best: best.clone(), minima, bounds, curve, crossing: None };
        for crossing in [None, Some(3e4)] {
            found.crossing = crossing;
            assert_eq!(format!("{:?}", comes_back(&found)), format!("{found:?}"));
        }
        for missed in [Missed::Nothing, Missed::Limits(Box::new(best))] {
            assert_eq!(comes_back(&missed), missed);
        }
    }

    fn table(points: &[(f64, f64)]) -> Option<Arc<LevelTable>> {
        LevelTable::new(points.to_vec()).map(Arc::new)
    }

    /// Loops that differ in gain, rates, order, noise and margin; the last has a hump in its reference.
    fn question(k: usize) -> Question {
        let x = k as f64;
        let order = 2 + (k % 3) as u8;
        let topology = Topology::Passive(order);
        let mut case = case(1e-3, 20e6 + 2e6 * x, 300.0 + 70.0 * x, 1e6 + 250e3 * x, topology, &[]);
        case.reference_frequency = 10e6 * (1.0 + (k % 4) as f64);
        case.noise.detector_floor = Some(-225.0 + (k % 5) as f64);
        let lift = (k % 7) as f64;
        case.noise.oscillator =
            table(&[(1e3, -55.0 - lift), (1e5, -100.0 - lift), (1e6, -122.0), (1e7, -142.0)]);
        case.noise.reference = if k == 19 {
            table(&[
                (100.0, -130.0),
                (1e3, -150.0),
                (8e3, -150.0),
                (1.5e4, -122.0),
                (3e4, -150.0),
                (1e6, -155.0),
            ])
        } else {
            table(&[(100.0, -125.0 - lift), (1e3, -145.0), (1e5, -155.0)])
        };
        let goal = Goal {
            bandwidth: 0.0,
            phase_margin: 45.0 + x,
            pole_ratios: vec![0.2 + 0.03 * lift; topology.pole_ratios()],
            topology,
            slope: case.oscillator.gain.abs() / case.feedback_ratio,
            input_capacitance: 20e-12,
            modulation_bandwidth: None,
            gain_bandwidth: None,
            max_capacitance: 1e-6,
        };
        let steps =
            [5e-3, 2.5e-3, 1e-3, 3e-4].map(|current| Step { current, floor: case.noise.detector_floor });
        Question {
            case,
            goal,
            open_margin: false,
            open_ratio: false,
            over: (100.0, 1e7),
            steps: steps.to_vec(),
            port_multiple: 3.0,
            aim: Aim::Jitter,
            limits: Limits::default(),
            hop: None,
        }
    }

    #[test]
    fn no_bandwidth_of_a_dense_scan_is_better_by_a_thousandth() {
        for k in 0..20 {
            let question = question(k);
            let found = optimum(&question).expect("some loop is allowed");
            let search = Search::new(&question, Grid::FINE).expect("a range");
            let top = question.case.detector_frequency / HIGHEST;
            let least = (0..=600)
                .filter_map(|i| {
                    let f = top * 10f64.powf(-f64::from(i) / 150.0);
                    search.candidate(f, question.goal.phase_margin, &question.goal.pole_ratios).ok()
                })
                .map(|c| c.jitter)
                .fold(f64::INFINITY, f64::min);
            assert!(
                least.is_finite() && found.best.jitter <= least * 1.001,
                "{k}: {} {least}",
                found.best.jitter
            );
            assert!(found.minima.contains(&found.best));
        }
    }

    /// Limits cut into the scan; the least of what is left is found, for either aim.
    #[test]
    fn within_limits_too_no_bandwidth_of_a_dense_scan_is_better() {
        for k in 0..8 {
            let mut question = question(k);
            question.hop = Some(Hop { step: 20e6, within: 1e3 });
            question.case.pump.leakage = 20e-9;
            let free = optimum(&question).expect("some loop is allowed").best;
            let settling = free.settling.expect("a hop is stated");
            for (aim, limits) in [
                (Aim::Jitter, Limits { settling: Some(0.7 * settling), ..Limits::default() }),
                (Aim::Settling, Limits { jitter: Some(1.15 * free.jitter), ..Limits::default() }),
                (
                    Aim::Settling,
                    Limits {
                        jitter: Some(1.5 * free.jitter),
                        reference_spur: free.reference_spur.map(|level| level + 2.0),
                        ..Limits::default()
                    },
                ),
            ] {
                (question.aim, question.limits) = (aim, limits);
                let search = Search::new(&question, Grid::FINE).expect("a range");
                let top = question.case.detector_frequency / HIGHEST;
                let least = (0..=1200)
                    .filter_map(|i| {
                        let f = top * 10f64.powf(-f64::from(i) / 300.0);
                        search.candidate(f, question.goal.phase_margin, &question.goal.pole_ratios).ok()
                    })
                    .filter(|c| question.excess(c) == 0.0)
                    .map(|c| question.value(&c))
                    .fold(f64::INFINITY, f64::min);
                match optimum(&question) {
                    Ok(found) => {
                        assert!(question.excess(&found.best) == 0.0);
                        let value = question.value(&found.best);
                        assert!(value <= least * 1.001, "{k} {aim:?} {limits:?}: {value} {least}");
                    }
                    Err(missed) => {
                        assert!(
                            least.is_infinite() && matches!(missed, Missed::Limits(_)),
                            "{k} {aim:?} {missed:?}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn an_open_margin_never_makes_it_worse() {
        let mut question = question(1);
        let held = optimum(&question).expect("a loop").best.jitter;
        question.open_margin = true;
        question.open_ratio = true;
        let open = optimum(&question).expect("a loop").best;
        assert!(open.jitter <= held * 1.0001, "{} {held}", open.jitter);
        assert!(open.phase_margin >= MARGINS.0 && open.phase_margin <= MARGINS.1);
        assert!(open.pole_ratios.iter().all(|r| *r >= RATIOS.0 && *r <= RATIOS.1));
    }

    #[test]
    fn nothing_allowed_is_no_optimum() {
        let mut question = question(0);
        question.steps.clear();
        assert_eq!(optimum(&question).err(), Some(Missed::Nothing));
    }
}
