//! What a block is solved from: its fields, and the blocks solved before it.

use std::any::Any;
use std::collections::BTreeMap;
use std::sync::Arc;

use super::again::{Again, Levels, Trial};
use super::keep::Keep;
use super::prelude::*;
use super::{SolvedLoop, solved_noise::SolvedNoise, values::Values};
use crate::note::{place::Place, read_data};
use crate::results::{find_below, one_number};
use crate::source::{Files, SourceMap, Span};
use crate::units::{QuantityFault, parse_as};

/// A block as given: name, fields, place.
#[derive(Clone, Debug)]
pub struct Given {
    /// Name.
    pub name: String,
    /// Kind.
    pub kind: &'static str,
    /// Where its fence opens.
    pub span: Span,
    /// Its fields, checked.
    pub fields: Fields,
    /// Whether it stays in the house.
    pub internal: bool,
}

impl Given {
    /// Reports where the quantity is not above zero.
    pub fn positive(&self, name: &str, faults: &mut Faults) {
        positive_in(&self.fields, name, faults);
    }
}

/// A dotted name that has to be solved first, and where it is written.
#[derive(Clone, Debug)]
pub struct Needed {
    /// The name; its first word is the block (or a value).
    pub path: MetricPath,
    /// Where it stands.
    pub place: Place,
}

/// Names and kinds of all blocks of the note, in order.
#[derive(Clone, Debug, Default)]
pub struct Catalog {
    /// Name and kind.
    pub blocks: Vec<(String, &'static str)>,
}

impl Catalog {
    /// Names of the blocks of a kind.
    pub fn of_kind<'a>(&'a self, kind: &'static str) -> impl Iterator<Item = &'a str> {
        self.blocks.iter().filter(move |(_, k)| *k == kind).map(|(name, _)| name.as_str())
    }

    /// The only block of that kind, where there is just one.
    pub fn only(&self, kind: &'static str) -> Option<&str> {
        let mut found = self.of_kind(kind);
        found.next().filter(|_| self.of_kind(kind).count() == 1)
    }
}

/// A block that has been solved.
#[derive(Clone)]
pub struct Solution {
    /// As given.
    pub given: Arc<Given>,
    /// What came out.
    pub solved: Arc<Solved>,
}

/// Solved blocks by name.
pub type Solutions = BTreeMap<Arc<str>, Arc<Solution>>;

/// Everything a block may look at while it is solved.
#[derive(Clone, Copy)]
pub struct Inputs<'a> {
    /// Blocks solved so far, by name.
    pub solved: &'a Solutions,
    /// All blocks of the note.
    pub catalog: &'a Catalog,
    /// The note's files.
    pub files: &'a dyn Files,
    /// Texts, for messages.
    pub sources: &'a SourceMap,
    /// Folder of those files as the user would write it; empty or ending in `/`.
    pub shown: &'a str,
    /// How blocks are solved again with changes; not inside a trial.
    pub again: Option<&'a dyn Again>,
    /// Whether long runs are wanted that check formulas in the time domain.
    pub thorough: bool,
    /// The trial this is a part of, where it is one.
    pub trial: Option<Trial<'a>>,
    /// Where what takes long is found again; nothing of a trial is, since its change is not in the key.
    pub keep: Keep<'a>,
}

impl Inputs<'_> {
    /// What a block of that name left for others, where it is of that type.
    pub fn model<M: Any + Send + Sync>(&self, name: &str) -> Option<&M> {
        self.solved.get(name)?.solved.model.downcast_ref()
    }

    /// The same, to be kept.
    pub fn shared<M: Any + Send + Sync>(&self, name: &str) -> Option<Arc<M>> {
        Arc::clone(&self.solved.get(name)?.solved.model).downcast().ok()
    }

    /// Whether this is a trial: nothing is shown of it, so that second routes and curves can be spared.
    pub fn is_trial(&self) -> bool {
        self.trial.is_some()
    }

    /// Whether this is a trial that is only judged.
    pub fn is_only_judged(&self) -> bool {
        self.trial.is_some_and(|trial| trial.looked.is_some())
    }

    /// Whether anything looks at that metric of a block (the first name below it): in trials that are only judged, few.
    pub fn looks_at(&self, block: &str, metric: &str) -> bool {
        let looked = self.trial.and_then(|trial| trial.looked);
        looked.is_none_or(|looked| looked.metrics.iter().any(|(of, name)| of == block && name == metric))
    }

    /// Whether this is a trial that finds noise on the coarse grid.
    pub fn is_coarse(&self) -> bool {
        self.trial.is_some_and(|trial| trial.change.coarse)
    }

    /// What this block left before the trial, where the trial changes none but these of its fields.
    pub fn kept<M: Any + Send + Sync>(&self, name: &str, fields: &[&str]) -> Option<&M> {
        let trial = self.trial.as_ref()?;
        if trial.change.of != name || !trial.change.only(fields) {
            return None;
        }
        trial.base.get(name)?.solved.model.downcast_ref()
    }

    /// Shifts of noise levels that the trial makes on that loop.
    pub fn levels(&self, name: &str) -> Levels {
        let change = self.trial.as_ref().map(|trial| trial.change);
        change.filter(|change| change.of == name).map_or_else(Levels::default, |change| change.levels)
    }

    /// The block that `of` names, or the only one of that kind.
    pub fn of<'b>(&'b self, given: &'b Given, kind: &'static str) -> Option<&'b str> {
        given.fields.block("of").or_else(|| self.catalog.only(kind))
    }

    /// The quantity a dotted name stands for.
    ///
    /// # Errors
    /// [`LookupFault`] with what is there instead.
    pub fn named(&self, name: &str) -> Result<Quantity, LookupFault> {
        let path = MetricPath::parse(name).ok_or_else(|| LookupFault {
            wrong: name.to_owned(),
            known: Vec::new(),
            message: format!("`{name}` is not a name"),
        })?;
        let metric = self.metric(&path)?;
        let value = metric.number().ok_or_else(|| LookupFault {
            wrong: name.to_owned(),
            known: Vec::new(),
            message: format!("`{name}` has no value: {}", metric.why.as_deref().unwrap_or("none")),
        })?;
        let exact = self.values_quantity(&path).and_then(|quantity| quantity.exact);
        Ok(Quantity { value, unit: metric.unit, exact })
    }

    /// A bound of a limit in a unit: a quantity, or the name of one.
    ///
    /// # Errors
    /// What is wrong with the quantity, where it is no name either.
    pub fn bound(&self, text: &str, unit: Unit) -> Result<f64, QuantityFault> {
        let named = |fault| self.named(text).ok().and_then(|quantity| quantity.convert(unit)).ok_or(fault);
        parse_as(text, unit).or_else(named).map(|quantity| quantity.value)
    }

    fn values_quantity(&self, path: &MetricPath) -> Option<&Quantity> {
        if !path.names.is_empty() {
            return None;
        }
        self.solved.values().find_map(|s| s.solved.model.downcast_ref::<Values>()?.0.get(&path.block))
    }

    /// The metric a dotted name leads to.
    ///
    /// # Errors
    /// [`LookupFault`] with what is there instead.
    pub fn metric(&self, path: &MetricPath) -> Result<Metric, LookupFault> {
        one_number(self.node(path)?, path)
    }

    /// The result a dotted name leads to.
    ///
    /// # Errors
    /// [`LookupFault`] with what is there instead.
    pub fn node(&self, path: &MetricPath) -> Result<Node, LookupFault> {
        let names = self.catalog.blocks.iter().map(|(name, _)| name.as_str());
        if path.names.is_empty() {
            if let Some(quantity) = self.values_quantity(path) {
                return Ok(Node::Metric(Metric::real(quantity.value, quantity.unit)));
            }
            let values = self.solved.values().filter_map(|s| s.solved.model.downcast_ref::<Values>());
            let known = values.flat_map(|values| values.0.keys().map(String::as_str));
            return Err(LookupFault::no_value(&path.block, known, names));
        }
        match self.solved.get(path.block.as_str()) {
            Some(solution) => {
                let solved = &solution.solved;
                let roots = [Some(&solved.metrics), solved.fields.as_ref(), Some(&solved.beside)];
                find_below(&path.block, &roots, &solved.functions, &path.names, path.argument.as_deref())
            }
            None => Err(LookupFault::no_block(&path.block, names)),
        }
    }

    /// Offsets (Hz) and levels (dBc/Hz) of a data file named by the `file` field of `group`.
    pub fn level_file(&self, group: &Fields, faults: &mut Faults) -> Option<Vec<(f64, f64)>> {
        let place = group.place("file");
        let units = [Unit::Hertz, Unit::DecibelCarrierPerHertz];
        let mut found = Vec::new();
        let data =
            read_data(self.files, self.sources, self.shown, (group.text("file")?, place), &units, &mut found);
        faults.extend(found);
        match data?.columns.as_slice() {
            [offsets, levels, ..] => {
                Some(offsets.values.iter().copied().zip(levels.values.iter().copied()).collect())
            }
            _ => {
                faults.place(place, "data-columns", "the file has one column; offset and level are wanted");
                None
            }
        }
    }

    /// Output frequency (Hz) and total phase noise of a loop, or of the loop of a `phase_noise` block.
    pub fn total_noise(&self, name: &str) -> Option<(f64, LevelTable)> {
        let of_block = || self.model::<SolvedNoise>(name).map(|noise| &*noise.solved);
        let solved = self.model::<SolvedLoop>(name).or_else(of_block)?;
        Some((solved.output_frequency(), solved.total_noise()?))
    }
}
