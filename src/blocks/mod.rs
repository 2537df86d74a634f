//! The kinds of block: one file each, one registry.
//!
//! A kind is data (name, fields, metrics) and three functions: what it needs, how it is solved, what it shows.
//! Adding one: a file here, its `mod` line and its line in [`KINDS`]; parsing, suggestions, `describe`, ordering and
//! results.json follow from the registry.

use std::any::Any;
use std::sync::Arc;

use crate::diag::Diagnostic;
use crate::exhibit::Exhibit;
use crate::note::KindInfo;
use crate::note::schema::{Field, Schema, Type};
use crate::results::{Group, MetricFunction, Results, Verdict};
use crate::units::Unit;

mod again;
mod alternatives;
mod amplifier;
mod asked;
mod band;
mod bounds;
mod changes;
mod choice;
mod compliance;
mod decision;
mod fields;
mod fractional;
mod in_time;
mod inputs;
mod judged;
mod keep;
mod r#loop;
mod measurement;
mod noise_figures;
mod noise_spec;
mod noise_trials;
mod open_items;
mod oscillator;
mod parts_list;
mod phase_noise;
mod prelude;
mod program;
mod reference;
mod region;
mod region_figure;
mod registers;
mod remedies;
mod repeat;
mod requirements;
mod response;
mod response_figures;
mod settling;
mod solved_noise;
mod spur_figures;
mod spur_folded;
mod spur_fractional;
mod spurs;
mod supply;
mod support;
mod synthesizer;
mod tolerance;
mod values;

pub use again::{Again, Change, Looked, Trial};
#[cfg(test)]
pub(crate) use again::{Bench, Levels};
pub use changes::Changes;
pub use fields::{COMMON, FACTS};
pub use inputs::{Catalog, Given, Inputs, Needed, Solution, Solutions};
pub use keep::Keep;
pub use r#loop::{AtChannel, ChannelError, SolvedLoop};
pub use open_items::OpenItems;
pub(crate) use remedies::{Before as RemediesBefore, find as find_remedies};
pub use repeat::FAMILY;
pub use requirements::{limit_names, names as requirement_names};
pub use settling::{Hop, Path, SolvedSettling, Window};
pub use support::{block_references, facts_group, files_used, prose_fields};

/// All kinds, in the order in which help lists them.
pub static KINDS: &[&dyn Kind] = &[
    &values::ValuesKind,
    &reference::ReferenceKind,
    &oscillator::OscillatorKind,
    &supply::SupplyKind,
    &amplifier::AmplifierKind,
    &synthesizer::SynthesizerKind,
    &r#loop::LoopKind,
    &response::ResponseKind,
    &phase_noise::PhaseNoiseKind,
    &spurs::SpursKind,
    &band::BandKind,
    &tolerance::ToleranceKind,
    &region::RegionKind,
    &alternatives::AlternativesKind,
    &measurement::MeasurementKind,
    &settling::SettlingKind,
    &requirements::RequirementsKind,
    &compliance::ComplianceKind,
    &parts_list::PartsListKind,
    &program::ProgramKind,
    &decision::DecisionKind,
    &open_items::OpenItemsKind,
    &changes::ChangesKind,
];

/// The kind of that name.
pub fn kind(name: &str) -> Option<&'static dyn Kind> {
    KINDS.iter().copied().find(|kind| kind.name() == name)
}

/// What solving a block gives: results, or every fault that was found.
pub type Answer = Result<Solved, Vec<Diagnostic>>;

/// The second route of a metric, or why it has none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Route {
    /// Name of the second route.
    Second(&'static str),
    /// Name of the second route, and where it applies, a phrase.
    SecondWhere(&'static str, &'static str),
    /// A sentence.
    None(&'static str),
}

/// A metric as `describe` shows it.
#[derive(Clone, Copy, Debug)]
pub struct MetricDoc {
    /// Its name below the block.
    pub name: &'static str,
    /// Its unit.
    pub unit: Unit,
    /// Meaning, one sentence without full stop.
    pub says: &'static str,
    /// Its second route.
    pub route: Route,
}

/// One kind of block.
pub trait Kind: Sync {
    /// Name as written in the fence.
    fn name(&self) -> &'static str;
    /// What it is, a few words.
    fn about(&self) -> &'static str;
    /// Whether its name may be left out.
    fn nameless(&self) -> bool {
        false
    }
    /// Whether it states facts (and takes `from`, `source`, `basis`, `record`).
    fn facts(&self) -> bool {
        false
    }
    /// Whether it judges trials of its loop by the note's requirements.
    fn judges(&self) -> bool {
        false
    }
    /// Its fields, list after list: its own, those of all facts, those of every block.
    fn fields(&self) -> &'static [&'static [Field]];
    /// What stands under names of the author's choice, where the whole block is a list of such.
    fn entries(&self) -> Option<&'static Type> {
        None
    }
    /// Its metrics.
    fn metrics(&self) -> &'static [MetricDoc] {
        &[]
    }
    /// Contributors whose shares and curves it gives: name and meaning.
    fn contributors(&self) -> Vec<(&'static str, &'static str)> {
        Vec::new()
    }
    /// Blocks it needs beyond those its fields name.
    fn needs(&self, _given: &Given, _catalog: &Catalog) -> Vec<Needed> {
        Vec::new()
    }
    /// Solves it.
    ///
    /// # Errors
    /// Every fault, each with its place.
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer;
    /// What the document shows of it; follows from the block, what it needs and what [`Kind::looks_at`] names.
    fn show(&self, _given: &Given, _solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        Vec::new()
    }
    /// What else its exhibits show of the note, as a text that changes with it.
    fn looks_at(&self, _given: &Given, _inputs: &Inputs<'_>) -> String {
        String::new()
    }
}

/// What may stand in a block of that kind.
pub fn schema(kind: &dyn Kind) -> Schema<'static> {
    Schema { fields: kind.fields(), entries: kind.entries() }
}

/// The kinds as the reader of notes wants them.
pub fn kind_infos() -> Vec<KindInfo> {
    let info = |kind: &&'static dyn Kind| KindInfo {
        name: kind.name(),
        nameless: kind.nameless(),
        facts: kind.facts(),
        values: kind.name() == "values",
        schema: schema(*kind),
    };
    KINDS.iter().map(info).collect()
}

/// An equation the document's appendix shows where a block rests on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Equation {
    /// What it gives.
    pub name: &'static str,
    /// TeX.
    pub tex: &'static str,
    /// Where it comes from.
    pub source: &'static str,
}

/// A solved block.
#[derive(Clone)]
pub struct Solved {
    /// Metrics.
    pub metrics: Group,
    /// Metrics with an argument.
    pub functions: Vec<(String, MetricFunction)>,
    /// What stands beside the metrics in results.json.
    pub beside: Group,
    /// Fields of a facts block, as used.
    pub fields: Option<Group>,
    /// What later blocks build on.
    pub model: Arc<dyn Any + Send + Sync>,
    /// Verdicts of a requirements block.
    pub verdicts: Vec<Verdict>,
    /// Warnings.
    pub warnings: Vec<Diagnostic>,
    /// Equations that were used.
    pub equations: &'static [Equation],
}

impl Solved {
    /// Nothing but what later blocks build on.
    pub fn new<M: Any + Send + Sync>(model: M) -> Self {
        Self::of(Arc::new(model))
    }

    /// The same of a model that is shared.
    pub fn of(model: Arc<dyn Any + Send + Sync>) -> Self {
        Self {
            metrics: Group::new(),
            functions: Vec::new(),
            beside: Group::new(),
            fields: None,
            model,
            verdicts: Vec::new(),
            warnings: Vec::new(),
            equations: &[],
        }
    }

    /// A facts block: its fields as used.
    pub fn facts<M: Any + Send + Sync>(given: &Given, model: M) -> Self {
        Self { fields: Some(facts_group(&given.fields)), ..Self::new(model) }
    }

    /// Its results, as they are stored.
    pub fn results(&self) -> Arc<Results> {
        Results::new(self.fields.clone(), self.metrics.clone(), self.functions.clone(), self.beside.clone())
    }

    /// Sets the metrics.
    #[must_use]
    pub fn with_metrics(mut self, metrics: Group) -> Self {
        self.metrics = metrics;
        self
    }
}
