//! Trials: a loop solved again with changes, and judged, without a trace in the results.

use std::collections::BTreeSet;

use super::asked::{Asked, Outcome};
use super::inputs::Solutions;
use super::prelude::*;
use super::requirements;
use crate::results::Verdict;

/// Shifts of noise levels, dB.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Levels {
    /// Phase noise of the reference.
    pub reference: f64,
    /// Phase noise of the oscillator.
    pub oscillator: f64,
    /// Floor of the detector.
    pub floor: f64,
}

/// What a trial changes of one loop.
#[derive(Clone, Debug, Default)]
pub struct Change {
    /// Name of the loop.
    pub of: String,
    /// Fields taken out.
    pub without: Vec<&'static str>,
    /// Fields set, after that.
    pub fields: Vec<(&'static str, Item)>,
    /// Shifts of noise levels.
    pub levels: Levels,
    /// Whether noise is found on the coarse grid, as trials by the thousand do.
    pub coarse: bool,
}

impl Change {
    /// Nothing changed yet.
    pub fn of(name: &str) -> Self {
        Self { of: name.to_owned(), ..Self::default() }
    }

    /// With a field set; the last one set holds.
    #[must_use]
    pub fn with(mut self, field: &'static str, item: Item) -> Self {
        self.fields.retain(|(name, _)| *name != field);
        self.fields.push((field, item));
        self
    }

    /// For trials by the thousand, of which nothing is seen but verdicts.
    #[must_use]
    pub fn coarsely(self) -> Self {
        Self { coarse: true, ..self }
    }

    /// Whether only these fields are touched.
    pub fn only(&self, names: &[&str]) -> bool {
        let fields = self.fields.iter().map(|(name, _)| name).chain(&self.without);
        fields.into_iter().all(|name| names.contains(name))
    }
}

/// What verdicts rest on, so that a trial need not find more.
#[derive(Clone, Debug, Default)]
pub struct Looked {
    /// Blocks that are solved again.
    pub blocks: BTreeSet<String>,
    /// Metrics: the block, and the first name below it.
    pub metrics: BTreeSet<(String, String)>,
    /// Those of the blocks in which a name stands for something else then.
    pub moved: BTreeSet<String>,
    /// Requirements whose limits change with the trial.
    pub unsteady: BTreeSet<String>,
}

/// The trial that a block is solved in.
#[derive(Clone, Copy)]
pub struct Trial<'a> {
    /// What is changed.
    pub change: &'a Change,
    /// The blocks as they are without it.
    pub base: &'a Solutions,
    /// All that is looked at, where the trial is only judged.
    pub looked: Option<&'a Looked>,
}

/// Solves blocks of a note again.
pub trait Again: Sync {
    /// The loop and its `response`, `phase_noise` and `spurs` blocks.
    fn family(&self, of: &str) -> Vec<String>;
    /// All requirements blocks, their names looked up as far as they are known.
    fn requirements(&self, inputs: &Inputs<'_>) -> Vec<Given>;
    /// What the verdicts of these requirements on a family rest on.
    fn looked(&self, requirements: &[Given], of: &str, family: &[String], inputs: &Inputs<'_>) -> Looked;
    /// The note's blocks with the change, those of the family solved again: all, or what `looked` names.
    ///
    /// # Errors
    /// The faults of the first block that can't be solved so.
    fn solve(
        &self,
        change: &Change,
        family: &[String],
        looked: Option<&Looked>,
        inputs: &Inputs<'_>,
    ) -> Result<Solutions, Vec<Diagnostic>>;
}

/// A loop with its family and the requirements on them, ready for trials.
pub struct Bench<'a> {
    inputs: Inputs<'a>,
    again: &'a dyn Again,
    /// Name of the loop.
    pub of: String,
    family: Vec<String>,
    requirements: Vec<Given>,
    looked: Looked,
    asked: Vec<Asked>,
}

impl<'a> Bench<'a> {
    /// For a loop and further blocks to repeat; `None` inside a trial.
    pub fn new(inputs: &Inputs<'a>, of: &str, also: &[String]) -> Option<Self> {
        let again = inputs.again?;
        let mut family = again.family(of);
        family.extend(also.iter().cloned());
        let requirements = again.requirements(inputs);
        let looked = again.looked(&requirements, of, &family, inputs);
        let mut asked = Vec::new();
        for given in &requirements {
            for (key, one) in &given.fields.entries {
                let path = one.group().and_then(|one| MetricPath::parse(one.text("metric")?));
                if path.is_some_and(|path| family.contains(&path.block)) {
                    asked.push(Asked::new(given, (key, one), !looked.unsteady.contains(&key.name), inputs));
                }
            }
        }
        Some(Self { inputs: *inputs, again, of: of.to_owned(), family, requirements, looked, asked })
    }

    /// Whether a block is solved again.
    pub fn repeats(&self, block: &str) -> bool {
        self.family.iter().any(|member| member == block)
    }

    /// The loop and what is repeated with it.
    pub fn family(&self) -> &[String] {
        &self.family
    }

    /// The blocks as they stand.
    pub fn inputs(&self) -> &Inputs<'a> {
        &self.inputs
    }

    /// The blocks with a change.
    ///
    /// # Errors
    /// The first fault that keeps the loop from being solved so, as a sentence.
    pub fn solve(&self, change: &Change) -> Result<Solutions, String> {
        self.solve_for(change, None)
    }

    fn solve_for(&self, change: &Change, looked: Option<&Looked>) -> Result<Solutions, String> {
        self.again.solve(change, &self.family, looked, &self.inputs).map_err(|faults| {
            let message = faults.into_iter().next().map_or_else(|| "no solution".to_owned(), |f| f.message);
            // The particulars differ from trial to trial.
            message.split(": ").next().unwrap_or_default().to_owned()
        })
    }

    /// How the requirements on the family come out, as nominal.
    ///
    /// # Errors
    /// As [`Bench::solve`].
    pub fn judge(&self, change: &Change) -> Result<Vec<Outcome>, String> {
        let solved = self.solve_for(change, Some(&self.looked))?;
        let inputs = Inputs { solved: &solved, again: None, ..self.inputs };
        Ok(self.asked.iter().filter_map(|asked| asked.judge(&inputs)).collect())
    }

    /// Verdicts, as nominal, on blocks solved with a change.
    pub fn verdicts(&self, solved: &Solutions) -> Vec<Verdict> {
        let inputs = Inputs { solved, again: None, ..self.inputs };
        let on_family = |path: &MetricPath| self.family.contains(&path.block);
        self.requirements.iter().flat_map(|given| requirements::nominal(given, &inputs, &on_family)).collect()
    }
}
