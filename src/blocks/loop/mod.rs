//! `loop`: plan, operating point, filter and margins of one loop.

use std::sync::Arc;

use super::fields::{COMMON, default, optional, required};
use super::prelude::*;
use crate::note::schema::Need;
use crate::physics::part::{Case, Filter};
use crate::physics::plan::{Channel, Plan};

mod active;
mod best;
mod build;
mod channel;
mod fill;
mod fraction;
mod metrics;
mod planning;
mod pump;
mod show;
mod solved;

pub(crate) use build::BESIDE_THE_PLAN;
pub use channel::{AtChannel, ChannelError};
pub use solved::SolvedLoop;

/// The kind.
pub struct LoopKind;

static SERIES: &[Field] = &[
    default("R", Type::Word(SERIES_NAMES), "E96", "series of the resistors"),
    default("C", Type::Word(SERIES_NAMES), "E24", "series of the capacitors"),
];
static SERIES_NAMES: &[&str] = &["E3", "E6", "E12", "E24", "E48", "E96", "E192"];
static PARTS: &[Field] = &[
    optional(
        "C1",
        Type::Toleranced(Unit::Farad),
        "capacitor at the pump; of an active filter, across R2 and C2 in the feedback",
    ),
    optional("R2", Type::Toleranced(Unit::Ohm), "resistor in series with C2"),
    optional("C2", Type::Toleranced(Unit::Farad), "capacitor of the zero"),
    optional("R3", Type::Toleranced(Unit::Ohm), "series resistor of the first post section"),
    optional("C3", Type::Toleranced(Unit::Farad), "capacitor of the first post section"),
    optional("R4", Type::Toleranced(Unit::Ohm), "series resistor of the second post section"),
    optional("C4", Type::Toleranced(Unit::Farad), "capacitor of the second post section"),
];
static OPTIMISE: &[Field] = &[
    optional("over", Type::Range(Unit::Hertz), "offsets over which the jitter is made least"),
    default(
        "for",
        Type::Word(&["jitter", "settling"]),
        "jitter",
        "what is made least; settling: of the hop from one end of `outputs` to the other, by the linear loop",
    ),
    optional("within", Type::Quantity(Unit::Hertz), "window of that hop, plus or minus, at the output"),
    optional("jitter", Type::Limit, "limit that the jitter has to keep, e.g. <= 200 fs"),
    optional("settling", Type::Limit, "limit that the settling has to keep, e.g. <= 50 us"),
    optional("reference_spur", Type::Limit, "limit that the reference spur has to keep, e.g. <= -80 dBc"),
];
static FIELDS: &[Field] = &[
    required("reference", Type::Block(&["reference"]), "the frequency standard"),
    required("oscillator", Type::Block(&["oscillator"]), "the oscillator"),
    required("synthesizer", Type::Block(&["synthesizer"]), "the synthesizer core"),
    optional("amplifier", Type::Block(&["amplifier"]), "op-amp of an active filter; absent: an ideal one"),
    optional("supply", Type::Block(&["supply"]), "what feeds the oscillator"),
    optional(
        "output",
        Type::Quantity(Unit::Hertz),
        "design channel; absent: the one of `outputs` nearest its geometric mean",
    ),
    optional("outputs", Type::Range(Unit::Hertz), "band to serve"),
    optional("step", Type::Quantity(Unit::Hertz), "step between the channels of `outputs`"),
    optional(
        "bandwidth",
        Type::Either(&[Type::Word(&["optimum"]), Type::Quantity(Unit::Hertz)]),
        "open-loop unity gain that is wanted; `optimum`: the best one, as `optimise` says",
    ),
    optional(
        "phase_margin",
        Type::Quantity(Unit::Degree),
        "phase margin that is wanted; open only with `optimum`",
    ),
    optional("optimise", Type::Group(OPTIMISE), "what `bandwidth: optimum` looks for"),
    required(
        "filter",
        Type::Word(&["passive 2", "passive 3", "passive 4", "active 3", "active 4"]),
        "topology and order of the filter",
    ),
    optional(
        "pole_ratio",
        Type::Either(&[Type::Number, Type::List(&Type::Number)]),
        "time constants of the further poles: T3/T1, or [T3/T1, T4/T3]; absent: 0.3 each, open with `optimum`",
    ),
    default(
        "pump_current",
        Type::Either(&[Type::Word(&["auto"]), Type::Quantity(Unit::Ampere)]),
        "auto",
        "pump current",
    ),
    default(
        "detector_frequency",
        Type::Either(&[Type::Word(&["auto"]), Type::Quantity(Unit::Hertz)]),
        "auto",
        "detector frequency; auto: the highest that serves every channel",
    ),
    default("reference_doubler", Type::Word(&["on", "off"]), "off", "whether the doubler is on"),
    default(
        "output_divider",
        Type::Either(&[Type::Word(&["auto"]), Type::Fraction]),
        "auto",
        "output divider; auto: channel by channel the least that puts the oscillator in range",
    ),
    default(
        "divider",
        Type::Word(&["integer", "fractional"]),
        "integer",
        "kind of feedback divider; `fractional` needs a synthesizer with `fraction`",
    ),
    default(
        "oscillator_band",
        Type::Text,
        "auto",
        "band of the oscillator; auto: the one that holds the target closest to its middle",
    ),
    optional(
        "series",
        Type::Either(&[Type::Word(&["ideal"]), Type::Group(SERIES)]),
        "series of preferred values (IEC 60063) for the parts; absent: R E96, C E24; `ideal` keeps them as computed",
    ),
    default("max_capacitance", Type::Quantity(Unit::Farad), "1 uF", "largest capacitor allowed"),
    optional("parts", Type::Group(PARTS), "a given network, in place of `bandwidth` and `phase_margin`"),
    default("temperature", Type::Quantity(Unit::Kelvin), "25 degC", "temperature of the filter"),
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

/// The fields of a loop as an option of `alternatives` takes them: none is required, none has a default.
pub static OVERRIDES: [Field; FIELDS.len()] = {
    let mut fields = [FIELDS[0]; FIELDS.len()];
    let mut k = 0;
    while k < fields.len() {
        fields[k] = Field { need: Need::Optional, ..FIELDS[k] };
        k += 1;
    }
    fields
};

impl Kind for LoopKind {
    fn name(&self) -> &'static str {
        "loop"
    }
    fn about(&self) -> &'static str {
        "plan, filter and margins of one loop"
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        metrics::METRICS
    }
    fn needs(&self, given: &Given, _catalog: &Catalog) -> Vec<Needed> {
        best::names(given)
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let solved = build::solve(given, inputs, &mut faults);
        faults.done()?;
        let solved = solved.ok_or_else(Vec::new)?;
        let metrics = solved.loop_metrics(&|metric| inputs.looks_at(&given.name, metric));
        let active = solved.case.filter.topology.is_active();
        let mut answer = Solved::new(solved).with_metrics(metrics);
        answer.warnings = faults.warnings;
        answer.equations = if active { metrics::ACTIVE_EQUATIONS } else { metrics::EQUATIONS };
        Ok(answer)
    }
    fn show(&self, given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        match solved.model.downcast_ref::<SolvedLoop>() {
            Some(found) => show::exhibits(given, found),
            None => Vec::new(),
        }
    }
}
