//! Trials: a loop solved again with changes, and judged, without a trace in the results.

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
    /// What trials by the thousand are spared.
    pub spared: Spared,
}

/// What the noise of a trial is spared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Spared {
    /// Nothing.
    #[default]
    Nothing,
    /// The fine grid.
    Fineness,
    /// The fine grid, and the contributors one by one.
    Shares,
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

    /// Whether only these fields are touched.
    pub fn only(&self, names: &[&str]) -> bool {
        let fields = self.fields.iter().map(|(name, _)| name).chain(&self.without);
        fields.into_iter().all(|name| names.contains(name))
    }
}

/// The trial that a block is solved in.
#[derive(Clone, Copy)]
pub struct Trial<'a> {
    /// What is changed.
    pub change: &'a Change,
    /// The blocks as they are without it.
    pub base: &'a Solutions,
}

/// Solves blocks of a note again.
pub trait Again: Sync {
    /// The loop and its `response`, `phase_noise` and `spurs` blocks.
    fn family(&self, of: &str) -> Vec<String>;
    /// All requirements blocks, their names looked up as far as they are known.
    fn requirements(&self, inputs: &Inputs<'_>) -> Vec<Given>;
    /// The note's blocks with the change, those of the family solved again.
    ///
    /// # Errors
    /// The faults of the first block that can't be solved so.
    fn solve(
        &self,
        change: &Change,
        family: &[String],
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
}

impl<'a> Bench<'a> {
    /// For a loop and further blocks to repeat; `None` inside a trial.
    pub fn new(inputs: &Inputs<'a>, of: &str, also: &[String]) -> Option<Self> {
        let again = inputs.again?;
        let mut family = again.family(of);
        family.extend(also.iter().cloned());
        let requirements = again.requirements(inputs);
        Some(Self { inputs: *inputs, again, of: of.to_owned(), family, requirements })
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
        self.again.solve(change, &self.family, &self.inputs).map_err(|faults| {
            let message = faults.into_iter().next().map_or_else(|| "no solution".to_owned(), |f| f.message);
            // The particulars differ from trial to trial.
            message.split(": ").next().unwrap_or_default().to_owned()
        })
    }

    /// The change for trials by the thousand, of which nothing is seen but verdicts.
    pub fn spare(&self, change: Change) -> Change {
        let asks = |given: &Given| {
            given.fields.entries.iter().filter_map(|(_, one)| one.group()?.text("metric")).any(|metric| {
                MetricPath::parse(metric).is_some_and(|path| path.names.iter().any(|name| name == "share"))
            })
        };
        let shares = self.requirements.iter().any(asks);
        Change { spared: if shares { Spared::Fineness } else { Spared::Shares }, ..change }
    }

    /// Verdicts, as nominal, of the requirements on the family.
    ///
    /// # Errors
    /// As [`Bench::solve`].
    pub fn judge(&self, change: &Change) -> Result<Vec<Verdict>, String> {
        Ok(self.verdicts(&self.solve(change)?))
    }

    /// Verdicts, as nominal, on blocks solved with a change.
    pub fn verdicts(&self, solved: &Solutions) -> Vec<Verdict> {
        let inputs = Inputs { solved, again: None, ..self.inputs };
        let on_family = |path: &MetricPath| self.family.contains(&path.block);
        self.requirements.iter().flat_map(|given| requirements::nominal(given, &inputs, &on_family)).collect()
    }
}
