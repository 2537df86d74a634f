//! Requirements on a loop and its blocks, read once for the trials in which they are judged over and over.

use std::sync::{Arc, Mutex};

use super::bounds::Bounds;
use super::prelude::*;
use super::requirements::{self, mask_points};
use super::solved_noise::SolvedNoise;
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

/// A mask over the offsets of a noise block.
struct Over {
    offsets: Vec<f64>,
    bounds: Bounds,
    /// For each bound its place among the offsets; `None`: between them.
    places: Vec<Option<usize>>,
}

impl Over {
    fn new(limit: &Limit, offsets: &[f64]) -> Self {
        let bounds = Bounds::new(limit, offsets);
        let place = |offset: &f64| offsets.binary_search_by(|f| f.total_cmp(offset)).ok();
        Self { offsets: offsets.to_vec(), places: bounds.offsets.iter().map(place).collect(), bounds }
    }

    fn judge(&self, noise: &SolvedNoise) -> Judgement {
        let places = self.bounds.offsets.iter().zip(&self.places);
        let density: Vec<f64> = places.map(|(offset, place)| noise.density(*offset, *place)).collect();
        self.bounds.judge(&density)
    }
}

/// What is the same in all trials.
struct Read {
    path: MetricPath,
    limit: Limit,
    unit: Unit,
    reserve: Option<f64>,
    /// A mask over the grids that noise was judged on, a few at most.
    over: Mutex<Vec<Arc<Over>>>,
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
        Some(Self { path, limit, unit, reserve: verdict.reserve, over: Mutex::default() })
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
        Some(self.over(noise.offsets())?.judge(noise))
    }

    fn over(&self, offsets: &[f64]) -> Option<Arc<Over>> {
        const MOST: usize = 4;
        let mut known = self.over.lock().ok()?;
        if let Some(over) = known.iter().find(|over| over.offsets == offsets) {
            return Some(Arc::clone(over));
        }
        let new = Arc::new(Over::new(&self.limit, offsets));
        if known.len() < MOST {
            known.push(Arc::clone(&new));
        }
        Some(new)
    }
}
