//! What a settling block asks for, checked and turned into hops.

use super::{
    Diagnostic, Digits, Faults, Given, Quantity, SolvedLoop, Unit, Window, not_negative_in, positive_in,
    print,
};
use crate::blocks::r#loop::{AtChannel, ChannelError};
use crate::note::place::Place;
use crate::physics::event::MOST_CYCLES;
use crate::physics::modulator::Modulator;
use crate::physics::plan::{PlanError, Rational, to_f64};

/// What holds for every hop.
#[derive(Clone, Debug)]
pub(super) struct Terms {
    pub window: Option<Window>,
    /// Half width of the window of the phase, cycles.
    pub phase_window: Option<f64>,
    pub until: Option<f64>,
    pub programming: f64,
    /// Pump current at first (A), and for how long (s).
    pub gear: Option<(f64, f64)>,
    pub linear: bool,
    /// Residual FM (Hz) and the block that states it.
    pub residual_fm: Option<(String, f64)>,
    pub band_selection: f64,
    /// Voltages between which the pump, or the op-amp's output, works, V.
    pub limits: Option<(f64, f64)>,
    /// Those of the pump beside an op-amp, from the op-amp's reference voltage, V.
    pub pin_limits: Option<(f64, f64)>,
    /// Whether an op-amp drives the tuning line.
    pub active: bool,
}

/// A hop with its operating points.
#[derive(Clone, Debug)]
pub(super) struct Ready {
    /// As a person names its ends: the channels asked for, which a fixed modulus only comes near to.
    pub names: (String, String),
    /// Frequency at the output before the hop, Hz; `None`: power-up.
    pub from_frequency: Option<f64>,
    /// Tuning voltage at the start, V.
    pub start: f64,
    pub to: AtChannel,
    /// What steers a fractional divider at the channel aimed at.
    pub modulator: Option<Modulator>,
    /// Whether the core has to choose another band of the oscillator.
    pub band_changes: bool,
}

pub(super) struct Asked {
    pub hops: Vec<Ready>,
    pub terms: Terms,
}

pub(super) fn read(
    given: &Given,
    solved: &SolvedLoop,
    residual_fm: Option<(String, f64)>,
    faults: &mut Faults,
) -> Option<Asked> {
    let fields = &given.fields;
    for name in ["within", "phase_within", "until"] {
        positive_in(fields, name, faults);
    }
    not_negative_in(fields, "programming", faults);
    let window = fields.quantity_full("within").map(|within| match within.unit {
        Unit::Degree => Window::Phase(within.value / 360.0),
        _ => Window::Frequency(within.value),
    });
    let phase = fields.quantity("phase_within").map(|degrees| degrees / 360.0);
    let until = fields.quantity("until");
    if let Some(cycles) = until.map(|until| until * solved.case.detector_frequency)
        && cycles > MOST_CYCLES as f64
    {
        let text = format!(
            "`until` asks for {} detector cycles; at most {} are followed",
            print(cycles, Unit::One, Digits::Significant(3)),
            print(MOST_CYCLES as f64, Unit::One, Digits::All)
        );
        faults.place(fields.place("until"), "too-many-cycles", text);
    }
    let terms = Terms {
        window,
        phase_window: phase.or(match window {
            Some(Window::Phase(cycles)) => Some(cycles),
            _ => None,
        }),
        until,
        programming: fields.quantity("programming").unwrap_or(0.0),
        gear: gear(given, solved, faults),
        linear: fields.word("model") == Some("linear"),
        residual_fm,
        band_selection: solved.facts.synthesizer.band_selection,
        limits: solved.facts.reach,
        pin_limits: pin_limits(solved),
        active: solved.case.filter.topology.is_active(),
    };
    if terms.linear && terms.gear.is_some() {
        faults.place(
            fields.place("gear"),
            "gear-linear",
            "the linear model has one pump current: `gear` needs `model: event`",
        );
    }
    let hops = hops(given, solved, faults)?;
    faults.sound()?;
    Some(Asked { hops, terms })
}

/// How far the pump's pin may go from the op-amp's reference voltage, V; where that is not stated, from the middle of
/// where the pump works.
fn pin_limits(solved: &SolvedLoop) -> Option<(f64, f64)> {
    let (low, high) =
        solved.facts.synthesizer.compliance.filter(|_| solved.case.filter.topology.is_active())?;
    let stated = solved.amplifier.as_ref().and_then(|amplifier| amplifier.reference_voltage);
    let rest = stated.unwrap_or(0.5 * (low + high));
    Some((low - rest, high - rest))
}

/// The larger pump current of the start.
fn gear(given: &Given, solved: &SolvedLoop, faults: &mut Faults) -> Option<(f64, f64)> {
    let gear = given.fields.group("gear")?;
    for name in ["pump_current", "for"] {
        positive_in(gear, name, faults);
    }
    let (current, time) = (gear.quantity("pump_current")?, gear.quantity("for")?);
    let currents = &solved.facts.synthesizer.currents;
    let nearest = currents.iter().min_by(|a, b| (**a - current).abs().total_cmp(&(**b - current).abs()))?;
    if (nearest - current).abs() > 1e-9 * nearest {
        let amperes = |current: f64| print(current, Unit::Ampere, Digits::All);
        let text = format!("the pump can't be set to {}", amperes(current));
        let diagnostic = Diagnostic::error("pump-current", text).at(gear.span("pump_current"));
        faults.push(diagnostic.hint(format!("the nearest step is {}", amperes(*nearest))));
        return None;
    }
    Some((*nearest, time))
}

/// Every hop with its places: of the start and of the end.
fn hops(given: &Given, solved: &SolvedLoop, faults: &mut Faults) -> Option<Vec<Ready>> {
    let fields = &given.fields;
    let mut pairs: Vec<(&Quantity, &Place, &Quantity, &Place)> = Vec::new();
    if fields.written("hops") {
        if let Some(name) = ["from", "to"].into_iter().find(|name| fields.written(name)) {
            faults.place(fields.place(name), "hop-twice", format!("`{name}` can't stand beside `hops`"));
        }
        for hop in fields.list("hops") {
            match hop.list().unwrap_or_default() {
                [from, to] => {
                    pairs.extend(
                        from.quantity().zip(to.quantity()).map(|(a, b)| (a, &from.place, b, &to.place)),
                    );
                }
                _ => faults.place(&hop.place, "hop-pair", "a hop is a pair [from, to]"),
            }
        }
        if fields.list("hops").is_empty() {
            faults.place(fields.place("hops"), "hop-pair", "`hops` holds no hop");
        }
    } else {
        match (fields.quantity_full("from"), fields.quantity_full("to")) {
            (Some(from), Some(to)) => pairs.push((from, fields.place("from"), to, fields.place("to"))),
            _ => faults.block("field-missing", "a settling block needs `from` and `to`, or `hops`"),
        }
    }
    let found: Vec<Ready> =
        pairs.into_iter().filter_map(|(from, a, to, b)| ready(solved, (from, a), (to, b), faults)).collect();
    faults.sound()?;
    Some(found)
}

fn ready(
    solved: &SolvedLoop,
    (from, from_place): (&Quantity, &Place),
    (to, to_place): (&Quantity, &Place),
    faults: &mut Faults,
) -> Option<Ready> {
    if to.unit != Unit::Hertz {
        faults.place(to_place, "hop-end", "a hop ends at a channel: a frequency, e.g. 2.8 GHz");
        return None;
    }
    let target = channel(solved, to, to_place, faults);
    let asked = |channel: &Quantity| print(channel.value, Unit::Hertz, Digits::Written);
    let end = asked(to);
    if from.unit == Unit::Volt {
        let to = target?;
        let hertz = to.band.tuning.beyond(from.value);
        let (low, high) = to.band.tuning.voltage_range();
        let range = || {
            let volts = |v: f64| print(v, Unit::Volt, Digits::Significant(3));
            format!("{} lies outside the tuning curve ({} .. {})", volts(from.value), volts(low), volts(high))
        };
        if hertz <= 0.0 {
            let text = format!("{}, whose end's straight line gives no frequency there", range());
            faults.place(from_place, "start-outside", text);
            return None;
        }
        if from.value < low || from.value > high {
            let text = format!("{}: its end's straight line is followed to there", range());
            faults.warn(from_place, "start-outside", text);
        }
        let names = (print(from.value, Unit::Volt, Digits::All), end);
        let (band_changes, modulator) = (false, solved.plan.modulator(&to.channel));
        return Some(Ready { names, from_frequency: None, start: from.value, to, modulator, band_changes });
    }
    let (start, to) = channel(solved, from, from_place, faults).zip(target)?;
    if start.channel.output == to.channel.output {
        faults.place(to_place, "hop-end", "the hop ends where it starts: two channels were expected");
        return None;
    }
    Some(Ready {
        names: (asked(from), end),
        from_frequency: Some(start.output_frequency()),
        start: start.case.oscillator.tuning_voltage,
        band_changes: start.band.name != to.band.name,
        modulator: solved.plan.modulator(&to.channel),
        to,
    })
}

/// The operating point of a channel, or what is wrong with it.
fn channel(solved: &SolvedLoop, output: &Quantity, place: &Place, faults: &mut Faults) -> Option<AtChannel> {
    let hertz = |f: &Rational| print(to_f64(f), Unit::Hertz, Digits::Written);
    let output = output.rational();
    let error = match solved.at_channel(&output) {
        Ok(found) => return Some(found),
        Err(error) => error,
    };
    let diagnostic = match &error {
        ChannelError::Plan(why) => match &**why {
            PlanError::NotAMultiple { below, above, .. } => {
                let text = format!("whole-number dividers can't make the channel {} exactly", hertz(&output));
                let near: Vec<String> = [below, above].into_iter().flatten().map(hertz).collect();
                let diagnostic = Diagnostic::error("channel-off-raster", text).at(place.span());
                if near.is_empty() {
                    diagnostic
                } else {
                    diagnostic.hint(format!("the nearest that can be made: {}", near.join(" and ")))
                }
            }
            PlanError::OscillatorOutOfRange { .. } => {
                let text = format!("the oscillator does not reach the channel {}", hertz(&output));
                Diagnostic::error("channel-unreachable", text).at(place.span())
            }
            other => Diagnostic::error("channel-unreachable", other.to_string()).at(place.span()),
        },
        ChannelError::OutOfReach(_) => {
            Diagnostic::error("channel-unreachable", error.to_string()).at(place.span())
        }
    };
    faults.push(diagnostic);
    None
}
