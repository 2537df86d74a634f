//! From the facts to the frequency plan, and its refusals to messages.

use super::{Arc, Channel, Diagnostic, Digits, Faults, Given, Item, Plan, Quantity, Unit, first_of, print};
use crate::blocks::{
    oscillator::Oscillator,
    reference::Reference,
    synthesizer::{Synthesizer, ratio},
};
use crate::physics::plan::{
    Dividers, Doubler, Fraction, OffRaster, PlanError, Rational, Request, channels, nearest_geometric_mean,
    to_f64,
};

/// The plan, the design channel and all channels to serve.
pub(super) struct Planned {
    pub plan: Arc<Plan>,
    pub channel: Channel,
    pub outputs: Vec<Rational>,
}

/// An exact frequency as people write it.
pub(super) fn hertz(value: &Rational) -> String {
    print(to_f64(value), Unit::Hertz, Digits::Written)
}

pub(super) fn plan(
    given: &Given,
    reference: &Reference,
    oscillator: &Oscillator,
    synthesizer: &Synthesizer,
    faults: &mut Faults,
) -> Option<Planned> {
    let fields = &given.fields;
    let outputs = outputs(given, faults)?;
    let design = match fields.quantity_full("output") {
        Some(output) => output.rational(),
        None => {
            let (low, high, _) = fields.range_full("outputs")?;
            let middle = nearest_geometric_mean(&outputs, &low.rational(), &high.rational())?;
            outputs.get(middle)?.clone()
        }
    };
    let doubler = doubler(given, synthesizer, faults).ok()?;
    let fraction = fraction(given, synthesizer, faults).ok()?;
    let dividers = Dividers {
        fixed_prescaler: synthesizer.fixed_prescaler,
        feedback: synthesizer.feedback.clone(),
        fraction,
        output: output_dividers(given, synthesizer, faults)?,
        oscillator: oscillator_ranges(given, oscillator, faults)?,
    };
    let mut asked = outputs.clone();
    if !asked.contains(&design) {
        asked.push(design.clone());
    }
    let request = Request {
        reference_frequency: reference.frequency.rational(),
        doubler,
        reference_divider: synthesizer.reference_divider.clone(),
        detector_limit: synthesizer.detector_limit.rational(),
        detector_frequency: fields.quantity_full("detector_frequency").map(Quantity::rational),
        step: fields.quantity_full("step").map(Quantity::rational),
        outputs: asked,
        dividers,
    };
    let refuse = |error: &PlanError, faults: &mut Faults| {
        let (field, id, message, hint) = words(error, given);
        let hint = with_fraction(error, hint, synthesizer);
        let mut diagnostic =
            Diagnostic::error(id, message).at(first_of(fields, &[field, "output", "outputs"]).span());
        if let Some(hint) = hint {
            diagnostic = diagnostic.hint(hint);
        }
        faults.push(diagnostic);
    };
    let plan = match Plan::solve(&request) {
        Ok(plan) => plan,
        Err(error) => {
            refuse(&error, faults);
            return None;
        }
    };
    match plan.channel(&design) {
        Ok(channel) => Some(Planned { plan: Arc::new(plan), channel, outputs }),
        Err(error) => {
            refuse(&error, faults);
            None
        }
    }
}

/// Every channel to serve; without `step` only the design channel.
fn outputs(given: &Given, faults: &mut Faults) -> Option<Vec<Rational>> {
    let fields = &given.fields;
    let output = fields.quantity_full("output").map(Quantity::rational);
    let Some((low, high, _)) = fields.range_full("outputs") else {
        if output.is_none() {
            faults.block("field-missing", "a loop needs `output`, or `outputs` with `step`");
        }
        return output.map(|output| vec![output]);
    };
    if low.value <= 0.0 {
        faults.place(fields.place("outputs"), "value-range", "outputs are above zero");
        return None;
    }
    let Some(step) = fields.quantity_full("step") else {
        // No step: only the design channel is served; without one, the band's own middle can't be a channel.
        if output.is_none() {
            faults.place(
                fields.place("outputs"),
                "field-missing",
                "`outputs` needs `step`, or `output` says which channel is meant",
            );
        }
        return output.map(|output| vec![output]);
    };
    match channels(&low.rational(), &high.rational(), &step.rational()) {
        Ok(list) => Some(list),
        Err(error) => {
            faults.place(fields.place("step"), "plan", error.to_string());
            None
        }
    }
}

/// The doubler, where it is on.
fn doubler(given: &Given, synthesizer: &Synthesizer, faults: &mut Faults) -> Result<Option<Doubler>, ()> {
    if given.fields.word("reference_doubler") != Some("on") {
        return Ok(None);
    }
    let Some(facts) = &synthesizer.doubler else {
        let place = given.fields.place("reference_doubler");
        faults.place(place, "no-doubler", "this synthesizer has no `reference_doubler`");
        return Err(());
    };
    Ok(Some(Doubler { limit: facts.limit.as_ref().map(Quantity::rational) }))
}

/// Whether the loop divides by fractions.
pub(super) fn fractional(given: &Given) -> bool {
    given.fields.word("divider") == Some("fractional")
}

/// The modulator, where it is asked for.
fn fraction(given: &Given, synthesizer: &Synthesizer, faults: &mut Faults) -> Result<Option<Fraction>, ()> {
    if !fractional(given) {
        return Ok(None);
    }
    let Some(facts) = &synthesizer.fraction else {
        let message = "this synthesizer states no `fraction`, so its divider can't be fractional";
        faults.place(given.fields.place("divider"), "no-fraction", message);
        return Err(());
    };
    Ok(Some(facts.fraction.clone()))
}

/// The hint, with the way out that a core with a fractional mode has.
fn with_fraction(error: &PlanError, hint: Option<String>, synthesizer: &Synthesizer) -> Option<String> {
    let between =
        matches!(error, PlanError::NotAMultiple { .. } | PlanError::NoCommonDetectorFrequency { .. });
    if !between || synthesizer.fraction.is_none() {
        return hint;
    }
    let way = "`divider: fractional` may do, which this synthesizer has";
    Some(hint.map_or_else(|| way.to_owned(), |hint| format!("{hint}; {way}")))
}

fn output_dividers(given: &Given, synthesizer: &Synthesizer, faults: &mut Faults) -> Option<Vec<Rational>> {
    let Some(Item::Fraction(wanted)) = given.fields.get("output_divider").map(|c| &c.value) else {
        return Some(synthesizer.output_dividers.clone());
    };
    let wanted = ratio(*wanted);
    if synthesizer.output_dividers.contains(&wanted) {
        return Some(vec![wanted]);
    }
    let list: Vec<String> = synthesizer.output_dividers.iter().take(12).map(ToString::to_string).collect();
    faults.place(
        given.fields.place("output_divider"),
        "output-divider",
        format!("the synthesizer can't divide its output by {wanted}; it offers {}", list.join(", ")),
    );
    None
}

/// Ranges of the bands that may be used.
fn oscillator_ranges(
    given: &Given,
    oscillator: &Oscillator,
    faults: &mut Faults,
) -> Option<Vec<(Rational, Rational)>> {
    let wanted = given.fields.text("oscillator_band").filter(|band| *band != "auto");
    let exact = |f: f64| Rational::from_float(f).unwrap_or_default();
    let bands: Vec<_> =
        oscillator.bands.iter().filter(|band| wanted.is_none_or(|wanted| band.name == wanted)).collect();
    if bands.is_empty() {
        let names: Vec<&str> =
            oscillator.bands.iter().map(|b| b.name.as_str()).filter(|n| !n.is_empty()).collect();
        let wanted = wanted.unwrap_or_default();
        let mut diagnostic =
            Diagnostic::error("oscillator-band", format!("the oscillator has no band `{wanted}`"));
        diagnostic = diagnostic.at(given.fields.span("oscillator_band"));
        faults.push(diagnostic.nearest(wanted, names));
        return None;
    }
    Some(
        bands
            .iter()
            .map(|band| {
                let (low, high) = band.tuning.frequency_range();
                (exact(low), exact(high))
            })
            .collect(),
    )
}

/// Field, id, message and hint for a refusal.
fn words(error: &PlanError, given: &Given) -> (&'static str, &'static str, String, Option<String>) {
    let either = |below: Option<String>, above: Option<String>| match (below, above) {
        (Some(b), Some(a)) => Some(format!("the two nearest that can be made are {b} and {a}")),
        (Some(x), None) | (None, Some(x)) => Some(format!("the nearest that can be made is {x}")),
        (None, None) => None,
    };
    let channel = |output: &Rational| {
        // The design channel is written in the note; another one has to be named.
        let is_design = given.fields.quantity_full("output").is_some_and(|q| q.rational() == *output);
        if is_design { "output" } else { "outputs" }
    };
    match error {
        PlanError::OscillatorOutOfRange { output, reachable } => {
            let ranges: Vec<String> = reachable
                .iter()
                .take(6)
                .map(|(low, high)| {
                    let short = |f: &Rational| print(to_f64(f), Unit::Hertz, Digits::Significant(6));
                    format!("{} .. {}", short(low), short(high))
                })
                .collect();
            (
                channel(output),
                "channel-unreachable",
                format!("the oscillator does not reach the channel {}", hertz(output)),
                Some(format!("with its dividers it serves {}", ranges.join(", "))),
            )
        }
        PlanError::NotAMultiple { what, value, below, above } => {
            let (field, name) = match what {
                OffRaster::Output => (channel(value), "the channel"),
                OffRaster::Step => ("step", "the step"),
            };
            (
                field,
                "channel-off-raster",
                format!("whole-number dividers can't make {name} {} exactly", hertz(value)),
                either(below.as_ref().map(hertz), above.as_ref().map(hertz)),
            )
        }
        PlanError::FeedbackHole { output, needed, below, above } => (
            channel(output),
            "divider-hole",
            format!(
                "the channel {} needs N = {needed}, which lies in a hole of the swallow divider",
                hertz(output)
            ),
            either(below.map(|n| format!("N = {n}")), above.map(|n| format!("N = {n}"))),
        ),
        PlanError::FeedbackOutOfRange { output, needed, limits } => (
            channel(output),
            "divider-range",
            format!(
                "the channel {} needs N = {}, outside {} .. {}",
                hertz(output),
                to_f64(needed),
                limits.0,
                limits.1
            ),
            None,
        ),
        PlanError::Excursion { output, integer, swing, limits } => (
            channel(output),
            "divider-excursion",
            format!(
                "in the channel {} the modulator moves N round {integer} from {} to {}, which the feedback divider \
                 ({} .. {}) can't follow",
                hertz(output),
                swing.0,
                swing.1,
                limits.0,
                limits.1
            ),
            Some("a lower `detector_frequency` makes N larger".to_owned()),
        ),
        PlanError::DetectorTooFast { frequency, limit } => (
            "detector_frequency",
            "detector-frequency",
            format!(
                "a detector frequency of {} is above the detector's limit of {}",
                hertz(frequency),
                hertz(limit)
            ),
            None,
        ),
        PlanError::NoReferenceDivider { wanted, below, above } => (
            "detector_frequency",
            "detector-frequency",
            format!("no reference divider gives a detector frequency of {}", hertz(wanted)),
            either(below.as_ref().map(hertz), above.as_ref().map(hertz)),
        ),
        PlanError::DoublerTooFast { .. } => ("reference_doubler", "doubler", error.to_string(), None),
        PlanError::NoCommonDetectorFrequency { .. } | PlanError::TooManyChannels { .. } => {
            ("step", "plan", error.to_string(), None)
        }
        _ => ("output", "plan", error.to_string(), None),
    }
}
