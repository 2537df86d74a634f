//! Requirements on a loop and its blocks, read once for the trials in which they are judged over and over.

use std::sync::{Arc, OnceLock};

use super::phase_noise::SolvedNoise;
use super::prelude::*;
use super::requirements::{self, mask_points};
use super::spurs::SolvedSpurs;
use crate::note::yaml::Key;
use crate::results::{Judgement, Limit, State, Verdict};

/// How a requirement came out in a trial.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// Its identifier.
    pub id: Arc<str>,
    /// Met or not.
    pub state: State,
    /// Margin in the unit of the metric, positive when met.
    pub margin: Option<f64>,
    /// Whether the margin wanted is there; `None`: none is.
    pub reserve_kept: Option<bool>,
}

/// A requirement as it is judged, nominally.
pub struct Asked {
    id: Arc<str>,
    given: Given,
    /// `None` where its limit moves with the trial, or where it could not be judged as the note stands.
    read: Option<Read>,
}

/// Offsets of a noise block, and those at which it is judged, each with the level allowed.
type Over = (Vec<f64>, Vec<(f64, f64)>);

/// What is the same in all trials.
struct Read {
    path: MetricPath,
    limit: Limit,
    unit: Unit,
    reserve: Option<f64>,
    /// The offsets of the noise that were judged first, and a mask over them.
    over: OnceLock<Over>,
}

impl Asked {
    /// A requirement, with the blocks as they stand; `steady`: nothing that its limit names changes in a trial.
    pub fn new(given: &Given, (key, one): (&Key, &Checked), steady: bool, inputs: &Inputs<'_>) -> Self {
        let mut alone = given.clone();
        alone.fields.entries.retain(|(other, _)| other.name == key.name);
        let read = one.group().filter(|_| steady).and_then(|one| Read::new(&alone, one, inputs));
        Self { id: key.name.as_str().into(), given: alone, read }
    }

    /// How it comes out; `None` where it can't be judged.
    pub fn judge(&self, inputs: &Inputs<'_>) -> Option<Outcome> {
        let id = Arc::clone(&self.id);
        if let Some((read, judged)) = self.read.as_ref().and_then(|read| Some((read, read.judge(inputs)?))) {
            let reserve_kept = read.reserve.map(|reserve| judged.keeps(reserve));
            return Some(Outcome { id, state: judged.state, margin: judged.margin, reserve_kept });
        }
        let verdict = requirements::nominal(&self.given, inputs, &|_| true).pop()?;
        let Verdict { state, margin, reserve_kept, .. } = verdict;
        Some(Outcome { id, state, margin, reserve_kept })
    }
}

impl Read {
    fn new(given: &Given, one: &Fields, inputs: &Inputs<'_>) -> Option<Self> {
        let path = MetricPath::parse(one.text("metric")?)?;
        let verdict = requirements::nominal(given, inputs, &|_| true).pop()?;
        let unit = verdict.unit;
        let limit = match one.table("limit") {
            Some(rows) => Limit::Mask(mask_points(rows)),
            None => requirements::limit(given, one, unit, inputs)?,
        };
        Some(Self { path, limit, unit, reserve: verdict.reserve, over: OnceLock::new() })
    }

    /// `None` where the trial has nothing to be judged so.
    fn judge(&self, inputs: &Inputs<'_>) -> Option<Judgement> {
        if !matches!(self.limit, Limit::Mask(_)) {
            let metric = inputs.metric(&self.path).ok().filter(|metric| metric.unit == self.unit)?;
            return Some(self.limit.judge(&metric));
        }
        if self.unit == Unit::DecibelCarrier {
            let spurs = inputs.model::<SolvedSpurs>(&self.path.block)?;
            return Some(self.limit.judge_lines(spurs.lines.iter().map(|line| (line.offset, line.level))));
        }
        let noise = inputs.model::<SolvedNoise>(&self.path.block)?;
        let offsets = noise.offsets();
        let known = self.over.get_or_init(|| (offsets.to_vec(), self.limit.over(offsets)));
        let own;
        let over = if known.0 == offsets {
            &known.1
        } else {
            own = self.limit.over(offsets);
            &own
        };
        Some(Judgement::nearest(over.iter().copied(), |f| noise.total_at(f)))
    }
}
