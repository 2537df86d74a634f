//! The op-amp of an active filter: the limits it sets, and what it can't keep up with.

use super::{Case, Digits, Faults, Given, Inputs, Unit, print};
use crate::blocks::{amplifier::Amplifier, synthesizer::Synthesizer};
use crate::physics::part::Topology;

/// What holds the tuning voltage: its name in messages, and its limits, V.
pub(super) struct Limits {
    pub whose: &'static str,
    pub volts: Option<(f64, f64)>,
    /// What reaches further, for hints.
    pub further: Option<&'static str>,
}

/// What limits the tuning line: the pump of a passive filter, the op-amp of an active one.
pub(super) fn limits(topology: Topology, amplifier: Option<&Amplifier>, synthesizer: &Synthesizer) -> Limits {
    if topology.is_active() {
        Limits { whose: "the op-amp's swing", volts: amplifier.and_then(|a| a.swing), further: None }
    } else {
        Limits {
            whose: "the pump's compliance",
            volts: synthesizer.compliance,
            further: Some("an active filter (`filter: active 3`) reaches as far as its op-amp's `swing`"),
        }
    }
}

/// The op-amp that the loop names, checked against filter and pump; the outer `None` where that is a fault.
#[expect(clippy::option_option, reason = "a fault is not the same as an ideal op-amp")]
pub(super) fn amplifier<'a>(
    given: &Given,
    inputs: &'a Inputs<'_>,
    topology: Topology,
    synthesizer: &Synthesizer,
    faults: &mut Faults,
) -> Option<Option<&'a Amplifier>> {
    let Some(name) = given.fields.block("amplifier") else { return Some(None) };
    let place = given.fields.place("amplifier");
    if !topology.is_active() {
        faults.place(
            place,
            "amplifier-unused",
            "a passive filter has no op-amp; `amplifier` goes with `active 3` or `active 4`",
        );
        return None;
    }
    let amplifier = inputs.model::<Amplifier>(name)?;
    if let (Some(rest), Some((low, high))) = (amplifier.reference_voltage, synthesizer.compliance)
        && !(low..=high).contains(&rest)
    {
        faults.place(
            place,
            "reference-voltage",
            format!(
                "the pump rests at the op-amp's `reference_voltage` of {}, outside its own compliance of {} .. {}",
                volts(rest),
                volts(low),
                volts(high)
            ),
        );
        return None;
    }
    Some(Some(amplifier))
}

fn volts(value: f64) -> String {
    print(value, Unit::Volt, Digits::Significant(4))
}

/// A pump that is on charges C1 faster than the op-amp's output may move.
///
/// The output has to carry the pump's current through the feedback, of which C1 takes all at first: I / C1 is the
/// steepest slope. Source: the op-amp's summing node, derived here.
pub(super) fn warn_about_slew(
    given: &Given,
    case: &Case,
    amplifier: Option<&Amplifier>,
    faults: &mut Faults,
) {
    let Some(allowed) = amplifier.and_then(|amplifier| amplifier.slew_rate) else { return };
    let steepest = case.pump.current / case.filter.c1;
    if steepest > allowed {
        let slope = |value: f64| print(value, Unit::VoltPerSecond, Digits::Significant(3));
        let text = format!(
            "the pump's pulses of {} into C1 ask the op-amp's output for {}, its slew rate is {}: while it slews the \
             filter is not the one computed here, and the pump's pin leaves the reference voltage; a larger C1, or a \
             smaller pump current, is gentler",
            print(case.pump.current, Unit::Ampere, Digits::Significant(3)),
            slope(steepest),
            slope(allowed)
        );
        faults.warn(given.fields.place("amplifier"), "slew-rate", text);
    }
}

/// What the document says of facts that are taken as ideal; nothing for a passive filter.
pub(super) fn idealised(topology: Topology, amplifier: Option<&Amplifier>) -> String {
    match amplifier {
        _ if !topology.is_active() => String::new(),
        None => "No amplifier is named: the op-amp is ideal, without noise, bias current or limits, and the pump rests \
                 where it works."
            .to_owned(),
        Some(amplifier) if amplifier.unstated.is_empty() => String::new(),
        Some(amplifier) => {
            let names: Vec<String> = amplifier.unstated.iter().map(|name| name.replace('_', " ")).collect();
            format!("Of the op-amp not stated, and therefore ideal: {}.", names.join(", "))
        }
    }
}
