//! `band`: the loop in every channel it serves.

use super::Equation;
use super::fields::{COMMON, default, optional};
use super::prelude::*;
use super::repeat::{self, FAMILY, Repeat};

mod channels;
mod figures;
mod metrics;

pub use channels::SolvedBand;

/// The kind.
pub struct BandKind;

static FIELDS: &[Field] = &[
    optional(
        "of",
        Type::Either(&[Type::List(&Type::Block(FAMILY)), Type::Block(FAMILY)]),
        "loop that is repeated, with its response, phase_noise and spurs blocks; absent: the only one",
    ),
    optional(
        "outputs",
        Type::Either(&[
            Type::List(&Type::Quantity(Unit::Hertz)),
            Type::SteppedRange(Unit::Hertz),
            Type::Quantity(Unit::Hertz),
        ]),
        "channels: `2.7 GHz .. 2.9 GHz step 2.5 MHz`, or a list; absent: the loop's",
    ),
    default(
        "pump",
        Type::Word(&["fixed", "hold_bandwidth"]),
        "fixed",
        "`hold_bandwidth`: in every channel the step of the pump that keeps the bandwidth nearest the design's",
    ),
    optional(
        "temperature",
        Type::Range(Unit::Kelvin),
        "range over which the oscillator drifts; the tuning curve holds at the loop's `temperature`",
    ),
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

static EQUATIONS: &[Equation] = &[Equation {
    name: "Tuning voltage over temperature",
    tex: r"f_\mathrm{osc}(V, \vartheta) = f_\mathrm{osc}(V) + D\, (\vartheta - \vartheta_0)",
    source: "definition of drift; the curve holds at the loop's temperature",
}];

impl Kind for BandKind {
    fn name(&self) -> &'static str {
        "band"
    }
    fn about(&self) -> &'static str {
        "the loop in every channel that it serves"
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        metrics::METRICS
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        repeat::needs(given, catalog)
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let repeat = Repeat::new(given, inputs, &mut faults);
        faults.done()?;
        let repeat = repeat.ok_or_else(Vec::new)?;
        let band = channels::solve(given, repeat, &mut faults);
        faults.done()?;
        let band = band.ok_or_else(Vec::new)?;
        metrics::warn(given, &band, &mut faults);
        let mut answer = Solved::new(()).with_metrics(metrics::metrics(&band));
        answer.beside.put("channels", metrics::rows(&band));
        answer.model = std::sync::Arc::new(band);
        answer.warnings = faults.warnings;
        answer.equations = EQUATIONS;
        Ok(answer)
    }
    fn show(&self, given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        match solved.model.downcast_ref::<SolvedBand>() {
            Some(band) => figures::exhibits(given, band),
            None => Vec::new(),
        }
    }
}
