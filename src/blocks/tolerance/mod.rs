//! `tolerance`: the loop over the spread of its parts.

use super::Equation;
use super::fields::{COMMON, default, optional};
use super::prelude::*;
use super::repeat::{self, FAMILY, Repeat};

mod figures;
mod limits;
mod metrics;
mod places;
mod runs;
mod spread;

pub use runs::SolvedTolerance;

use super::band::SolvedBand;
use crate::physics::scatter::Scatter;
use crate::results::Limit;
use places::Places;

/// The kind.
pub struct ToleranceKind;

static SHARE: Type = Type::Quantity(Unit::One);
static PARTS: &[Field] = &[
    optional("R", SHARE, "every resistor"),
    optional("C", SHARE, "every capacitor"),
    optional("C1", SHARE, "this part, in place of its kind"),
    optional("R2", SHARE, "this part"),
    optional("C2", SHARE, "this part"),
    optional("R3", SHARE, "this part"),
    optional("C3", SHARE, "this part"),
    optional("R4", SHARE, "this part"),
    optional("C4", SHARE, "this part"),
];
static REELS: &[Field] = &[
    default("R", Type::Number, "0", "resistors: 0 independent, 1 one error for all"),
    default("C", Type::Number, "0", "capacitors, likewise"),
];
static FIELDS: &[Field] = &[
    optional(
        "of",
        Type::Either(&[Type::List(&Type::Block(FAMILY)), Type::Block(FAMILY)]),
        "loop that is repeated, with its response, phase_noise and spurs blocks; absent: the only one",
    ),
    optional(
        "parts",
        Type::Group(PARTS),
        "tolerances of kinds and of single parts; what is not named here has the part's own `+-`",
    ),
    optional("gain", SHARE, "tolerance of the oscillator's gain"),
    optional("pump", SHARE, "tolerance of the pump current"),
    optional("level", Type::Quantity(Unit::Decibel), "tolerance of every stated noise level, each by itself"),
    optional(
        "temperature",
        Type::Range(Unit::Kelvin),
        "range of temperature: resistor noise, and the oscillator's drift",
    ),
    default(
        "distribution",
        Type::Word(&["uniform", "normal"]),
        "uniform",
        "how tolerances are filled; normal: the tolerance is three standard deviations, cut off there",
    ),
    optional(
        "band",
        Type::Block(&["band"]),
        "band of the same loop in whose channels every run is read; its worst channel counts, in metrics, yield and verdicts",
    ),
    optional(
        "same_reel",
        Type::Group(REELS),
        "rank correlation (Spearman) of the errors of parts of one kind, printed value and tolerance, which come from one \
         reel; each part keeps its own distribution; absent: all are independent",
    ),
    default("runs", Type::Integer, "2000", "trials"),
    default("seed", Type::Integer, "1", "seed of the random numbers; the same seed gives the same trials"),
    default(
        "corners",
        Type::Flag,
        "false",
        "whether the corners are computed to which the sensitivities point",
    ),
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

/// The last is for parts of one reel.
static EQUATIONS: &[Equation] = &[
    Equation {
        name: "First-order deviation",
        tex: r"\sigma_y^2 = \sum_i \left(\frac{\partial y}{\partial x_i}\right)^2 \sigma_i^2",
        source: "law of propagation, JCGM 100:2008, 5.1.2 (from memory)",
    },
    Equation {
        name: "Yield proved with no failure in n runs",
        tex: r"y \ge 0.05^{1/n}",
        source: "Clopper and Pearson, Biometrika 26, 1934; one-sided, 95 %",
    },
    Equation {
        name: "First-order deviation where parts of one reel have the correlation r",
        tex: r"\sigma_y^2 = \sum_i \left(\frac{\partial y}{\partial x_i}\right)^2 \sigma_i^2 + 2 \sum_{i<j} \frac{\partial y}{\partial x_i} \frac{\partial y}{\partial x_j} r\, \sigma_i \sigma_j",
        source: "law of propagation, JCGM 100:2008, 5.2.2 (from memory)",
    },
];

impl Kind for ToleranceKind {
    fn name(&self) -> &'static str {
        "tolerance"
    }
    fn about(&self) -> &'static str {
        "the loop over the spread of its parts"
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        metrics::METRICS
    }
    fn judges(&self) -> bool {
        true
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        repeat::needs(given, catalog)
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let repeat = Repeat::new(given, inputs, &mut faults);
        faults.done()?;
        let repeat = repeat.ok_or_else(Vec::new)?;
        let limits = limits::resolve(&repeat, inputs);
        let spread = spread::read(given, &repeat, &mut faults);
        faults.done()?;
        let (scatter, runs) = spread.ok_or_else(Vec::new)?;
        let corners = given.fields.flag("corners") == Some(true);
        let places = places(given, inputs, &repeat, &scatter, &limits, &mut faults);
        faults.done()?;
        let places = places.ok_or_else(Vec::new)?;
        let tolerance = runs::solve(repeat, scatter, runs, corners, limits, places, inputs.keep);
        metrics::warn(given, &tolerance, &mut faults);
        let mut answer = Solved::new(()).with_metrics(metrics::metrics(&tolerance));
        let equations = if tolerance.scatter.reels.is_empty() { &EQUATIONS[..2] } else { EQUATIONS };
        answer.model = std::sync::Arc::new(tolerance);
        answer.warnings = faults.warnings;
        answer.equations = equations;
        Ok(answer)
    }
    fn show(&self, given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        match solved.model.downcast_ref::<SolvedTolerance>() {
            Some(tolerance) => figures::exhibits(given, tolerance),
            None => Vec::new(),
        }
    }
}

/// The channels that every run is read in.
fn places(
    given: &Given,
    inputs: &Inputs<'_>,
    repeat: &Repeat,
    scatter: &Scatter,
    limits: &[(MetricPath, Limit)],
    faults: &mut Faults,
) -> Option<Places> {
    let Some(name) = given.fields.block("band") else { return Some(Places::design(repeat, scatter)) };
    let band = inputs.model::<SolvedBand>(name)?;
    let place = given.fields.place("band");
    if band.repeat.of != repeat.of {
        let text =
            format!("`{name}` is a band of the loop `{}`, this block is of `{}`", band.repeat.of, repeat.of);
        faults.place(place, "of-another-loop", text);
        return None;
    }
    let places = Places::of_band(repeat, scatter, (name, band), limits, inputs.keep);
    match &places {
        None => faults.place(place, "channels-missing", format!("`{name}` serves no channel")),
        Some(found) => {
            if let Some(missing) = &found.missing {
                faults.warn(place, "channels-missing", format!("{missing}; no run serves the whole band"));
            }
        }
    }
    places
}
