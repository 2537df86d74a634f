//! From plan and facts to the solved loop.

use super::active::{self, Limits};
use super::best;
use super::channel::Facts;
use super::fill::{self, Filled};
use super::planning::{self, Planned};
use super::solved::SolvedLoop;
use super::{Arc, Case, Diagnostic, Digits, Faults, Given, Inputs, Unit, first_of, positive_in, print};
use crate::blocks::again::Levels;
use crate::blocks::keep::Keep;
use crate::blocks::{
    amplifier::Amplifier,
    oscillator::{Band, Oscillator},
    reference::Reference,
    supply::Supply,
    synthesizer::Synthesizer,
};
use crate::physics::linear::Linear;
use crate::physics::optimum;
use crate::physics::part::{Filter, Lifts, NoiseFacts, PumpPoint, Topology};
use crate::physics::plan::to_f64;
use crate::physics::poles::Poles;
use crate::physics::sampled::Sampled;

/// The operating point that plan and tuning curve give, before the filter is chosen.
pub(super) struct Point<'a> {
    pub synthesizer: &'a Synthesizer,
    pub band: &'a Band,
    pub amplifier: Option<&'a Amplifier>,
    /// K/N in every channel, magnitude, Hz/V.
    pub slopes: Vec<f64>,
    pub case: Case,
    /// Shifts of noise levels that a trial makes.
    levels: Levels,
    /// What an optimum has to keep.
    pub limits: optimum::Limits,
    /// Whether the loop divides by fractions.
    fractional: bool,
    /// Where what takes long is found again.
    pub keep: Keep<'a>,
}

impl Point<'_> {
    /// Floor of the detector at a pump current, dBc/Hz at 1 Hz detector rate.
    pub(super) fn floor(&self, current: f64) -> Option<f64> {
        let floor = self.synthesizer.floor_of(self.fractional)?;
        Some(floor.level_at(current) + self.levels.floor)
    }
}

/// Fields that plan and operating point do not depend on.
pub(crate) const BESIDE_THE_PLAN: [&str; 9] = [
    "bandwidth",
    "phase_margin",
    "pole_ratio",
    "pump_current",
    "series",
    "max_capacitance",
    "parts",
    "optimise",
    "temperature",
];

pub(super) fn solve(given: &Given, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<SolvedLoop> {
    let fields = &given.fields;
    check_fields(given, faults)?;
    let reference = inputs.model::<Reference>(fields.block("reference")?)?;
    let oscillator = inputs.shared::<Oscillator>(fields.block("oscillator")?)?;
    let synthesizer = inputs.shared::<Synthesizer>(fields.block("synthesizer")?)?;
    let supply = fields.block("supply").and_then(|name| inputs.model::<Supply>(name));
    check_input(given, reference, &synthesizer, faults);
    let rise = slew_rise(reference, &synthesizer);
    if let Some(slew) = reference.slew.filter(|_| rise > 0.1) {
        let text = format!(
            "the reference arrives with {} only, which lifts the detector floor by {}",
            print(slew, Unit::VoltPerSecond, Digits::Significant(3)),
            print(rise, Unit::Decibel, Digits::Significant(2))
        );
        faults.warn(fields.place("reference"), "slow-reference", text);
    }
    let before = inputs.kept::<SolvedLoop>(&given.name, &BESIDE_THE_PLAN);
    let planned = match before {
        Some(before) => Planned {
            plan: before.plan.clone(),
            channel: before.channel.clone(),
            outputs: before.outputs.clone(),
        },
        None => planning::plan(given, reference, &oscillator, &synthesizer, faults)?,
    };
    let frequency = to_f64(&planned.channel.oscillator_frequency);
    let facts = Facts {
        oscillator: Arc::clone(&oscillator),
        synthesizer: Arc::clone(&synthesizer),
        wanted_band: fields.text("oscillator_band").filter(|band| *band != "auto").map(str::to_owned),
        reach: None,
    };
    let band = choose_band(given, &facts, frequency, faults)?;
    if let Some(text) = band.phase_noise.as_ref().and_then(|spec| spec.outside(frequency)) {
        faults.warn(fields.place("oscillator"), "carrier", format!("the oscillator's {text}"));
    }
    let topology = fill::topology(given)?;
    let amplifier = active::amplifier(given, inputs, topology, &synthesizer, faults)?;
    let limits = active::limits(topology, amplifier, &synthesizer);
    let tuning_voltage = tuning_voltage(given, band, &limits, frequency, faults)?;
    let slopes = before.map_or_else(|| slopes(&planned, &oscillator, band), |before| before.slopes.clone());
    let mut case = case(given, reference, &synthesizer, supply, &planned, (band, tuning_voltage), topology);
    case.amplifier = amplifier.map(|amplifier| amplifier.point);
    let levels = inputs.levels(&given.name);
    (case.noise.lifts.reference, case.noise.lifts.oscillator) = (levels.reference, levels.oscillator);
    let fractional = planning::fractional(given);
    let limits = best::limits(given, inputs, faults)?;
    let keep = inputs.keep;
    let point =
        Point { synthesizer: &synthesizer, band, amplifier, slopes, case, levels, limits, fractional, keep };
    let filled = fill::fill(given, &point, faults)?;
    let ripple = supply.map_or_else(Vec::new, |supply| supply.ripple.clone());
    let mut solved =
        finish(given, reference, planned, (point, &facts), filled, inputs.is_only_judged(), faults)?;
    if let Some(before) = before {
        // Every channel lies where it did.
        solved.channel_points = Arc::clone(&before.channel_points);
    }
    let pump_steps = synthesizer.currents.clone();
    let (trial, only_judged, reference_slew) = (inputs.is_trial(), inputs.is_only_judged(), reference.slew);
    Some(SolvedLoop { reference_slew, limits, pump_steps, trial, only_judged, ripple, ..solved })
}

/// What the fields say together.
fn check_fields(given: &Given, faults: &mut Faults) -> Option<()> {
    let fields = &given.fields;
    let has = |name: &str| fields.written(name);
    if has("parts") {
        for name in ["bandwidth", "phase_margin", "pole_ratio"] {
            if has(name) {
                faults.place(
                    fields.place(name),
                    "parts-and-design",
                    format!("`{name}` can't be asked for where `parts` are given"),
                );
            }
        }
    } else {
        for name in ["bandwidth", "phase_margin"] {
            if !(has(name) || name == "phase_margin" && best::asked(given)) {
                faults.block("field-missing", format!("a loop needs `{name}`, or `parts`"));
            }
        }
    }
    if best::asked(given) && best::over(given).is_none() {
        faults.place(
            fields.place("bandwidth"),
            "optimum-over",
            "`optimum` needs `optimise.over`, the offsets over which the jitter counts",
        );
    }
    best::check(given, faults);
    for name in [
        "bandwidth",
        "max_capacitance",
        "output",
        "step",
        "detector_frequency",
        "pump_current",
        "temperature",
    ] {
        positive_in(fields, name, faults);
    }
    if let Some(margin) = fields.quantity("phase_margin").filter(|margin| !(*margin > 0.0 && *margin < 90.0))
    {
        faults.place(
            fields.place("phase_margin"),
            "value-range",
            format!("a phase margin lies between 0 deg and 90 deg, {margin} deg does not"),
        );
    }
    faults.sound()
}

/// Reference input range.
fn check_input(given: &Given, reference: &Reference, synthesizer: &Synthesizer, faults: &mut Faults) {
    if let Some((low, high)) = synthesizer.input_range {
        let f = reference.frequency.value;
        if f < low || f > high {
            faults.warn(
                given.fields.place("reference"),
                "reference-input",
                format!(
                    "the reference at {} is outside the range of the reference input, {} .. {}",
                    print(f, Unit::Hertz, Digits::Written),
                    print(low, Unit::Hertz, Digits::Written),
                    print(high, Unit::Hertz, Digits::Written)
                ),
            );
        }
    }
}

/// The band that holds the target closest to the middle of its range, or the one asked for.
fn choose_band<'a>(given: &Given, facts: &'a Facts, frequency: f64, faults: &mut Faults) -> Option<&'a Band> {
    let found = facts.band_for(frequency);
    if found.is_none() {
        faults.place(
            given.fields.place("output"),
            "channel-unreachable",
            format!("no band of the oscillator holds {}", print(frequency, Unit::Hertz, Digits::Written)),
        );
    }
    found
}

/// Tuning voltage inside what pump or op-amp can reach.
fn tuning_voltage(
    given: &Given,
    band: &Band,
    limits: &Limits,
    frequency: f64,
    faults: &mut Faults,
) -> Option<f64> {
    let place = first_of(&given.fields, &["output", "outputs"]);
    let volts = |v: f64| print(v, Unit::Volt, Digits::Significant(4));
    let Some(voltage) = band.tuning.voltage_for(frequency) else {
        faults.place(
            place,
            "channel-unreachable",
            format!("the tuning curve does not reach {}", print(frequency, Unit::Hertz, Digits::Written)),
        );
        return None;
    };
    if let Some((low, high)) = limits.volts
        && (voltage < low || voltage > high)
    {
        let (f_low, f_high) = (band.tuning.frequency(low), band.tuning.frequency(high));
        let mut diagnostic = Diagnostic::error(
            "tuning-voltage",
            format!(
                "the oscillator needs {} for {}, outside {} of {} .. {}",
                volts(voltage),
                print(frequency, Unit::Hertz, Digits::Written),
                limits.whose,
                volts(low),
                volts(high)
            ),
        );
        let mut hints = Vec::new();
        if let (Some(a), Some(b)) = (f_low, f_high) {
            let short = |f: f64| print(f, Unit::Hertz, Digits::Significant(5));
            hints.push(format!(
                "within it the oscillator reaches {} .. {}",
                short(a.min(b)),
                short(a.max(b))
            ));
        }
        hints.extend(limits.further.map(str::to_owned));
        if !hints.is_empty() {
            diagnostic = diagnostic.hint(hints.join("; "));
        }
        faults.push(diagnostic.at(place.span()));
        return None;
    }
    Some(voltage)
}

/// K/N at the design channel and at every channel that is served, magnitude, Hz/V.
fn slopes(planned: &Planned, oscillator: &Oscillator, design: &Band) -> Vec<f64> {
    let plan = planned.plan.swift();
    let slope = |output| {
        let spot = plan.spot(output)?;
        let frequency = spot.oscillator_frequency;
        let bands =
            oscillator.bands.iter().filter_map(|band| Some((band, band.tuning.voltage_for(frequency)?)));
        let (band, voltage) = bands.min_by_key(|(band, _)| band.name != design.name)?;
        Some((band.tuning.gain(voltage) / spot.feedback_ratio).abs())
    };
    planned.outputs.iter().filter_map(slope).collect()
}

fn case(
    given: &Given,
    reference: &Reference,
    synthesizer: &Synthesizer,
    supply: Option<&Supply>,
    planned: &Planned,
    (band, tuning_voltage): (&Band, f64),
    topology: Topology,
) -> Case {
    let frequency = to_f64(&planned.channel.oscillator_frequency);
    let reference_noise = reference.phase_noise.as_ref().map(|spec| spec.scaled(reference.frequency.value));
    let (oscillator_noise, stated_at) = band.noise(frequency);
    Case {
        reference_frequency: reference.frequency.value,
        detector_frequency: to_f64(&planned.plan.detector_frequency),
        feedback_ratio: to_f64(&planned.channel.feedback_ratio),
        fixed_prescaler: synthesizer.fixed_prescaler as f64,
        output_divider: to_f64(&planned.channel.output_divider),
        oscillator: band.point(frequency, tuning_voltage),
        pump: PumpPoint {
            current: synthesizer.currents.last().copied().unwrap_or(0.0),
            mismatch: synthesizer.mismatch,
            leakage: synthesizer.leakage_of(planning::fractional(given)),
            pulse: synthesizer.pulse,
        },
        filter: Filter::of(topology),
        amplifier: None,
        noise: NoiseFacts {
            reference: reference_noise,
            oscillator: oscillator_noise,
            oscillator_at: stated_at,
            supply: supply.and_then(|s| s.noise.clone()).map(Arc::new),
            detector_floor: None,
            slew_rise: slew_rise(reference, synthesizer),
            flicker: synthesizer.flicker,
            modulator_order: planned.plan.modulator(&planned.channel).map(|modulator| modulator.order()),
            output_floor: synthesizer.output_floor.clone().map(Arc::new),
            lifts: Lifts::default(),
        },
        temperature: given.fields.quantity("temperature").unwrap_or(298.15),
    }
}

/// Rise of the detector floor by the slew rate at the reference input, dB: never a fall.
fn slew_rise(reference: &Reference, synthesizer: &Synthesizer) -> f64 {
    match (&synthesizer.slew, reference.slew) {
        (Some(table), Some(slew)) if slew > 0.0 => table.level_at(slew).max(0.0),
        _ => 0.0,
    }
}

/// The loop with the parts on the board: everything is computed again from them.
fn finish(
    given: &Given,
    reference: &Reference,
    planned: Planned,
    (point, facts): (Point<'_>, &Facts),
    filled: Filled,
    only_judged: bool,
    faults: &mut Faults,
) -> Option<SolvedLoop> {
    let floor = point.floor(filled.current);
    let mut case = point.case;
    case.pump.current = filled.current;
    case.filter = filled.filter.clone();
    case.noise.detector_floor = floor;
    // Until here by formula, so that filter and bandwidth were chosen with it; never both in one sum.
    case.noise.modulator_order =
        planned.plan.modulator(&planned.channel).and_then(|modulator| modulator.noise_order());
    let refuse = |why: &dyn std::fmt::Display, faults: &mut Faults| {
        faults.place(first_of(&given.fields, &["parts", "bandwidth"]), "loop", why.to_string());
    };
    // Where nothing but verdicts is seen, the bandwidth is read off the poles, and the rest where a verdict asks for it.
    let quick = Poles::new(&case).open().filter(|_| only_judged);
    let found = match quick {
        Some(_) => None,
        None => match Linear::new(&case).and_then(|linear| Ok((linear, Sampled::new(&case)?))) {
            Ok(found) => Some(found),
            Err(why) => {
                refuse(&why, faults);
                return None;
            }
        },
    };
    let bandwidth = quick.map(|open| open.bandwidth);
    let bandwidth = bandwidth.or_else(|| found.as_ref()?.0.margins().bandwidth).unwrap_or(f64::NAN);
    let reach = active::limits(case.filter.topology, point.amplifier, point.synthesizer).volts;
    let facts = Facts { reach, ..facts.clone() };
    let tuning_limits = facts.tuning_limits(point.band);
    active::warn_about_slew(given, &case, point.amplifier, faults);
    let mut solved = SolvedLoop::new(
        case,
        bandwidth,
        planned,
        point.slopes,
        filled,
        tuning_limits,
        point.band.name.clone(),
        reference.stability,
        reach.map(|volts| volts.1).or(Some(tuning_limits.1)),
        point.amplifier.cloned(),
        facts,
    );
    solved.boundary_spur = point.synthesizer.boundary_spur_of(planning::fractional(given));
    if let Some((linear, sampled)) = found {
        solved = solved.with(linear, sampled);
    }
    if !only_judged {
        solved.warn(given, faults);
    }
    Some(solved)
}
