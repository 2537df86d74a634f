//! `measurement`: a trace from the bench against the model.

use super::fields::{COMMON, FACTS, OUTPUT_FLOOR, default, optional, required};
use super::prelude::*;
use super::settling::SolvedSettling;
use super::solved_noise::SolvedNoise;

mod noise;
mod noise_figures;
mod settling;
mod settling_figures;
mod trace;

/// The kind.
pub struct MeasurementKind;

/// Kinds that predict what a bench shows.
static MODELS: &[&str] = &["phase_noise", "settling"];

static FIELDS: &[Field] = &[
    required("file", Type::File, "CSV file of the trace"),
    optional(
        "columns",
        Type::List(&Type::Text),
        "what the columns are, from the left, e.g. [offset kHz, skip, level dBc/Hz], or [time us, X] with X one of \
         frequency, error, phase, tuning and its unit; absent: guessed, a header's units hold",
    ),
    optional(
        "of",
        Type::Block(MODELS),
        "block that predicts it; absent: the only phase_noise block, or the only settling block where there is none",
    ),
    optional(
        "hop",
        Type::Integer,
        "which hop of the settling block it is, from 1; absent: the slowest, which its figure shows",
    ),
    optional(
        "start",
        Type::Quantity(Unit::Second),
        "time in a settling trace at which the divider changes; absent: 0 s",
    ),
    optional(
        "agree_within",
        Type::Either(&[
            Type::Quantity(Unit::Decibel),
            Type::Quantity(Unit::Hertz),
            Type::Quantity(Unit::Degree),
            Type::Quantity(Unit::Volt),
        ]),
        "difference that counts as agreement; absent: 2 dB (a dB or two is good: common practice, no source), of a \
         settling trace 2 % of the step, or 5 deg",
    ),
    optional(
        "over",
        Type::Either(&[Type::Range(Unit::Hertz), Type::Range(Unit::Second)]),
        "offsets or times (from `start`) that are compared; absent: the whole noise trace, a settling trace from its \
         start until both have settled",
    ),
    optional(
        "instrument_floor",
        OUTPUT_FLOOR,
        "floor of the analyser; points within 3 dB of it are not judged",
    ),
    default(
        "line_height",
        Type::Quantity(Unit::Decibel),
        "6 dB",
        "points this far above the running median, over no more than a tenth of a decade, are spurs and left out",
    ),
];

const READ: Route = Route::None("read off the trace; the prediction has its routes in its own block");

static METRICS: &[MetricDoc] = &[
    MetricDoc {
        name: "worst_difference",
        unit: Unit::Decibel,
        says: "largest distance of a judged point from the prediction, either way; of a settling trace in its own unit",
        route: READ,
    },
    MetricDoc {
        name: "worst_offset",
        unit: Unit::Hertz,
        says: "where that is in a phase-noise trace",
        route: READ,
    },
    MetricDoc {
        name: "worst_time",
        unit: Unit::Second,
        says: "when that is in a settling trace",
        route: READ,
    },
    MetricDoc {
        name: "mean_difference",
        unit: Unit::Decibel,
        says: "mean of measured less predicted over the judged points; of a settling trace in its own unit",
        route: READ,
    },
    MetricDoc {
        name: "share_within",
        unit: Unit::One,
        says: "share of the judged points within `agree_within`",
        route: READ,
    },
    MetricDoc {
        name: "agrees",
        unit: Unit::One,
        says: "1 where at least 95 % of the judged points are within `agree_within` and, of a settling trace with a \
               window, the lock times differ by no more than a tenth, else 0",
        route: READ,
    },
    MetricDoc {
        name: "jitter",
        unit: Unit::Second,
        says: "rms jitter of the trace without its spurs, over `over` or the limits of its block",
        route: READ,
    },
    MetricDoc {
        name: "predicted_jitter",
        unit: Unit::Second,
        says: "rms jitter of the model over the same limits",
        route: READ,
    },
    MetricDoc {
        name: "spur_count",
        unit: Unit::One,
        says: "number of spurs that were recognised and left out",
        route: READ,
    },
    MetricDoc {
        name: "lock_time",
        unit: Unit::Second,
        says: "from the divider's change to the last instant at which a settling trace is outside the window of its block",
        route: READ,
    },
    MetricDoc { name: "predicted_lock_time", unit: Unit::Second, says: "the same of the model", route: READ },
    MetricDoc {
        name: "scatter",
        unit: Unit::Hertz,
        says: "standard deviation of measured less predicted after the predicted lock time of a settling trace, in its \
               unit: noise of bench and loop",
        route: READ,
    },
    MetricDoc {
        name: "curve",
        unit: Unit::DecibelCarrierPerHertz,
        says: "offsets, measured and predicted levels of the trace, spurs included; of a settling trace times, measured \
               and predicted values",
        route: READ,
    },
];

/// Share of the judged points that has to agree. Stated in the document; no source.
const ENOUGH: f64 = 0.95;

static LISTS: &[&[Field]] = &[FIELDS, FACTS, COMMON];

impl Kind for MeasurementKind {
    fn name(&self) -> &'static str {
        "measurement"
    }
    fn about(&self) -> &'static str {
        "a trace from the bench against the model"
    }
    fn facts(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        METRICS
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        let path = predicting(given, catalog).and_then(MetricPath::parse);
        path.map(|path| Needed { path, place: given.fields.place("of").clone() }).into_iter().collect()
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let Some(of) = predicting(given, inputs.catalog) else {
            let names: Vec<&str> = MODELS.iter().flat_map(|kind| inputs.catalog.of_kind(kind)).collect();
            let text = if names.is_empty() {
                format!("there is no phase_noise or settling block for `{}`", given.name)
            } else {
                format!("`of` has to say which block predicts the trace: {}", names.join(", "))
            };
            faults.block("field-missing", text);
            faults.done()?;
            return Err(Vec::new());
        };
        let mut answer = if let Some(model) = inputs.model::<SolvedNoise>(of) {
            let compared = noise::compare(given, inputs, (of, model), &mut faults);
            faults.done()?;
            let compared = compared.ok_or_else(Vec::new)?;
            noise::warn(&compared, given, &mut faults);
            let metrics = noise::metrics(&compared, model);
            let within = Metric::exact(compared.within, Unit::Decibel);
            facts(given, compared, within, &[]).with_metrics(metrics)
        } else {
            let model = inputs.model::<SolvedSettling>(of).ok_or_else(Vec::new)?;
            let compared = settling::compare(given, inputs, (of, model), &mut faults);
            faults.done()?;
            let compared = compared.ok_or_else(Vec::new)?;
            settling::warn(&compared, given, &mut faults);
            let metrics = settling::metrics(&compared);
            let within = Metric::exact(compared.within, compared.unit);
            facts(given, compared, within, &["line_height"]).with_metrics(metrics)
        };
        answer.warnings = faults.warnings;
        Ok(answer)
    }
    fn show(&self, given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        if let Some(compared) = solved.model.downcast_ref::<noise::Compared>() {
            return noise_figures::exhibits(compared, given, solved);
        }
        match solved.model.downcast_ref::<settling::Compared>() {
            Some(compared) => settling_figures::exhibits(compared, given, solved),
            None => Vec::new(),
        }
    }
}

/// The facts as used: with the difference that counts as agreement, without what this trace has no use for.
fn facts<M: std::any::Any + Send + Sync>(given: &Given, model: M, within: Metric, unused: &[&str]) -> Solved {
    let mut solved = Solved::facts(given, model);
    if let Some(fields) = &mut solved.fields {
        fields.0.retain(|(name, _)| !unused.contains(&name.as_str()));
        if !given.fields.written("agree_within") {
            fields.metric("agree_within", within);
        }
    }
    solved
}

/// The block that predicts the trace.
fn predicting<'a>(given: &'a Given, catalog: &'a Catalog) -> Option<&'a str> {
    let noise = catalog.of_kind("phase_noise").next().is_some();
    let kind = if noise { "phase_noise" } else { "settling" };
    given.fields.block("of").or_else(|| catalog.only(kind))
}

/// A quantity of this unit, above zero, or what stands in for it; of another unit it is a fault.
fn unit_of(
    fields: &Fields,
    name: &str,
    unit: Unit,
    absent: f64,
    of: &str,
    faults: &mut Faults,
) -> Option<f64> {
    positive_in(fields, name, faults);
    let Some(quantity) = fields.quantity_full(name) else { return Some(absent) };
    if quantity.unit != unit {
        let text = format!("`{name}` of {of} is {}", unit.described());
        faults.place(fields.place(name), "trace-unit", text);
        return None;
    }
    Some(quantity.value)
}
