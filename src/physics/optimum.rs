//! The loop of least jitter: bandwidth and, where left open, phase margin and pole ratio.
//!
//! The bandwidth is scanned from where parts can be had up to an eighth of the detector rate; every local minimum of
//! the scan is then polished by itself and the least is taken, so that a hump in a noise curve can't hide it. Parts
//! are ideal. The asked margin shapes the continuous loop; the sampled loop must be stable and keep all of it but
//! [`SAMPLED_LOSS`].

use std::f64::consts::PI;

use super::integral::{Grid, rms_phase};
use super::noise::{CONTRIBUTORS, Ladder, Node, Prepared, table_points};
use super::part::{Case, Filter};
use super::sampled::Sampled;
use super::synthesis::{self, Goal, SynthesisError};
use crate::num::{brent, nelder_mead};

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
}

/// Why a loop is not allowed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Refusal {
    /// No parts.
    Parts(SynthesisError),
    /// The last capacitor is small against the tuning port.
    Port,
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
    /// Jitter (s) over bandwidth (Hz) with margin and pole ratio of the choice.
    pub curve: Vec<(f64, f64)>,
    /// Where the oscillator's noise meets the in-band plateau, Hz: the rule of thumb.
    pub crossing: Option<f64>,
}

/// Loops of one question, each by its variables: `[ln bandwidth, margin?, ratio?]`.
pub struct Search<'q> {
    question: &'q Question,
    prepared: Prepared,
}

impl<'q> Search<'q> {
    /// With `per_decade` offsets; `None` where the range is no range.
    pub fn new(question: &'q Question, per_decade: usize) -> Option<Self> {
        let (from, to) = question.over;
        let grid = Grid::new(from, to, per_decade, &table_points(&question.case))?;
        Some(Self { question, prepared: Prepared::new(&question.case, grid) })
    }

    /// The loop of that bandwidth, margin and pole ratio.
    ///
    /// # Errors
    /// [`Refusal`] where it is not allowed.
    pub fn candidate(&self, bandwidth: f64, margin: f64, ratios: &[f64]) -> Result<Candidate, Refusal> {
        let question = self.question;
        let goal =
            Goal { bandwidth, phase_margin: margin, pole_ratios: ratios.to_vec(), ..question.goal.clone() };
        let (step, filter) = self.parts(&goal)?;
        let mut case = question.case.clone();
        (case.pump.current, case.noise.detector_floor) = (step.current, step.floor);
        case.filter = filter.clone();
        if bandwidth > SAMPLING_MATTERS * case.detector_frequency {
            let sampled = Sampled::new(&case).map_err(|_| Refusal::Sampled)?;
            let kept = sampled.margins().phase_margin.is_some_and(|m| m >= margin - SAMPLED_LOSS);
            if !(sampled.is_stable() && kept) {
                return Err(Refusal::Sampled);
            }
        }
        let mut total = vec![0.0; self.prepared.offsets().len()];
        self.prepared.total_into(&case, &Ladder::new(&case), &mut total);
        let output = case.oscillator.frequency / case.output_divider;
        let jitter = rms_phase(self.prepared.offsets(), &total) / (2.0 * PI * output);
        Ok(Candidate { bandwidth, phase_margin: margin, pole_ratios: goal.pole_ratios, jitter, step, filter })
    }

    fn parts(&self, goal: &Goal) -> Result<(Step, Filter), Refusal> {
        let mut refusal = Refusal::Port;
        for step in &self.question.steps {
            match synthesis::design(goal, step.current) {
                Ok(filter) => {
                    if filter.last_capacitor() >= self.question.port_multiple * goal.input_capacitance {
                        return Ok((*step, filter));
                    }
                    refusal = Refusal::Port;
                }
                Err(why) => refusal = Refusal::Parts(why),
            }
        }
        Err(refusal)
    }

    fn at(&self, x: &[f64]) -> Result<Candidate, Refusal> {
        let (margin, ratios) = self.unpack(&x[1..]);
        self.candidate(x[0].exp(), margin, &ratios)
    }

    fn jitter(&self, x: &[f64]) -> f64 {
        self.at(x).map_or(f64::INFINITY, |candidate| candidate.jitter)
    }

    fn unpack(&self, open: &[f64]) -> (f64, Vec<f64>) {
        let question = self.question;
        let margin = if question.open_margin { open[0] } else { question.goal.phase_margin };
        let ratios = match open.last() {
            Some(ratio) if question.open_ratio => vec![*ratio; question.goal.topology.pole_ratios()],
            _ => question.goal.pole_ratios.clone(),
        };
        (margin, ratios)
    }
}

/// The loop of least jitter; `None` where no loop is allowed or the range is no range.
pub fn optimum(question: &Question) -> Option<Optimum> {
    let coarse = Search::new(question, COARSE)?;
    let fine = Search::new(question, Grid::FINE)?;
    let sides = open_sides(question);
    let bandwidths = bandwidths(question.case.detector_frequency);
    let scan: Vec<(f64, Vec<f64>)> = bandwidths.iter().map(|f| least_at(&coarse, *f, &sides)).collect();
    let value = |k: usize| scan.get(k).map_or(f64::INFINITY, |point| point.0);
    let before = |k: usize| k.checked_sub(1).map_or(f64::INFINITY, value);
    let dips = (0..scan.len())
        .filter(|&k| value(k).is_finite() && value(k) <= before(k) && value(k) <= value(k + 1));
    let minima: Vec<Candidate> = dips
        .filter_map(|k| {
            let low = bandwidths[k.saturating_sub(1)].ln();
            let high = bandwidths[(k + 1).min(bandwidths.len() - 1)].ln();
            polish(&fine, &scan[k].1, (low, high), &sides)
        })
        .collect();
    let best = minima.iter().min_by(|a, b| a.jitter.total_cmp(&b.jitter))?.clone();
    let curve = bandwidths.iter().filter_map(|f| {
        let candidate = coarse.candidate(*f, best.phase_margin, &best.pole_ratios).ok()?;
        Some((*f, candidate.jitter))
    });
    let bounds = bounds(&fine, &best);
    Some(Optimum { curve: curve.collect(), bounds, crossing: crossing(question, &best), minima, best })
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

/// Least jitter at a bandwidth over a grid of what is open, and where.
fn least_at(search: &Search<'_>, bandwidth: f64, sides: &[(f64, f64)]) -> (f64, Vec<f64>) {
    let mut points = vec![vec![bandwidth.ln()]];
    for (low, high) in sides {
        let with = |point: &Vec<f64>, k: usize| {
            let mut longer = point.clone();
            longer.push(low + (high - low) * k as f64 / (OPEN - 1) as f64);
            longer
        };
        points = points.iter().flat_map(|point| (0..OPEN).map(move |k| with(point, k))).collect();
    }
    let valued = points.into_iter().map(|point| (search.jitter(&point), point));
    valued.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((f64::INFINITY, vec![bandwidth.ln()]))
}

fn polish(
    search: &Search<'_>,
    start: &[f64],
    (low, high): (f64, f64),
    sides: &[(f64, f64)],
) -> Option<Candidate> {
    let mut found = start.to_vec();
    if sides.is_empty() {
        found[0] = brent::minimum(|x| search.jitter(&[x]), low, high, 1e-7).0;
    } else {
        let whole: Vec<(f64, f64)> = std::iter::once((start[0] - 0.5, (start[0] + 0.5).min(top(search))))
            .chain(sides.iter().copied())
            .collect();
        // A simplex can lie down on a side of the box: it is set up anew where it ended.
        for step in [0.2, 0.1, 0.03] {
            let plan = nelder_mead::Search { step, width: 1e-5, calls: 300 };
            found = nelder_mead::minimum(|x| search.jitter(x), &found, &whole, plan).at;
        }
    }
    let candidates = [search.at(&found), search.at(start)];
    candidates.into_iter().flatten().min_by(|a, b| a.jitter.total_cmp(&b.jitter))
}

fn top(search: &Search<'_>) -> f64 {
    (search.question.case.detector_frequency / HIGHEST).ln()
}

/// How near a bound counts as on it, as a share.
const NEAR: f64 = 5e-3;

fn bounds(search: &Search<'_>, best: &Candidate) -> Vec<Bound> {
    let question = search.question;
    let near = |x: f64, end: f64, (low, high): (f64, f64)| (x - end).abs() <= NEAR * (high - low);
    let moved = |share: f64| {
        search.candidate(best.bandwidth * (1.0 + share), best.phase_margin, &best.pole_ratios).err()
    };
    let mut bounds = Vec::new();
    if best.bandwidth.ln() >= top(search) - NEAR {
        bounds.push(Bound::Highest);
    } else if moved(NEAR) == Some(Refusal::Sampled) {
        bounds.push(Bound::Sampling);
    }
    if matches!(moved(-NEAR), Some(Refusal::Parts(_))) {
        bounds.push(Bound::Parts);
    }
    if question.open_margin {
        let at = |end| near(best.phase_margin, end, MARGINS);
        bounds.extend(at(MARGINS.0).then_some(Bound::LeastMargin));
        bounds.extend(at(MARGINS.1).then_some(Bound::LargestMargin));
    }
    if let (true, Some(ratio)) = (question.open_ratio, best.pole_ratios.first()) {
        let at = |end| near(*ratio, end, RATIOS);
        bounds.extend(at(RATIOS.0).then_some(Bound::LeastRatio));
        bounds.extend(at(RATIOS.1).then_some(Bound::LargestRatio));
    }
    bounds
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
    use crate::physics::linear::tests::case;
    use crate::physics::part::{LevelTable, Topology};

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
        assert!(optimum(&question).is_none());
    }
}
