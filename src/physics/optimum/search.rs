//! One loop after the other: its parts, and what is wanted of it.

use super::{Candidate, Question, Refusal, SAMPLED_LOSS, SAMPLING_MATTERS, Step};
use crate::physics::derived;
use crate::physics::integral::{Grid, rms_phase};
use crate::physics::noise::{Ladder, Prepared, table_points};
use crate::physics::part::Filter;
use crate::physics::sampled::Sampled;
use crate::physics::settling_linear::LinearSettling;
use crate::physics::spurs::reference_spur;
use crate::physics::synthesis::{self, Goal};

/// Merit of a loop that exceeds its limits: above that of every one that keeps them.
const EXCEEDED: f64 = 1e3;

/// Loops of one question, each by its variables: `[ln bandwidth, margin?, ratio?]`.
pub struct Search<'q> {
    pub(super) question: &'q Question,
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
        let settling = match question.hop {
            Some(hop) => {
                let settled =
                    LinearSettling::new(&case).ok().and_then(|linear| linear.time(hop.step, hop.within));
                Some(settled.ok_or(Refusal::Restless)?)
            }
            None => None,
        };
        let ladder = Ladder::new(&case);
        let mut total = vec![0.0; self.prepared.offsets().len()];
        self.prepared.total_into(&case, &ladder, &mut total);
        let output = case.oscillator.frequency / case.output_divider;
        let jitter = derived::jitter(rms_phase(self.prepared.offsets(), &total), output);
        let reference_spur = reference_spur(&case, &ladder);
        let pole_ratios = goal.pole_ratios;
        Ok(Candidate {
            bandwidth,
            phase_margin: margin,
            pole_ratios,
            jitter,
            settling,
            reference_spur,
            step,
            filter,
        })
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

    pub(super) fn at(&self, x: &[f64]) -> Result<Candidate, Refusal> {
        let (margin, ratios) = self.unpack(&x[1..]);
        self.candidate(x[0].exp(), margin, &ratios)
    }

    /// The less, the better: the logarithm of what is made least, far above it where limits are exceeded.
    pub(super) fn merit(&self, candidate: &Candidate) -> f64 {
        let excess = self.question.excess(candidate);
        if excess > 0.0 {
            EXCEEDED + excess
        } else {
            self.question.value(candidate).max(f64::MIN_POSITIVE).ln()
        }
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
