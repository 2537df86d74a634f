//! `oscillator`: the voltage-controlled oscillator, in one band or several.

use super::fields::{COMMON, FACTS, PHASE_NOISE, optional};
use super::prelude::*;
use crate::physics::part::Tuning;

/// The kind.
pub struct OscillatorKind;

/// The oscillator as stated.
#[derive(Clone, Debug)]
pub struct Oscillator {
    /// Its bands, in the order written; one without a name where the block states none.
    pub bands: Vec<Band>,
}

/// One band.
#[derive(Clone, Debug)]
pub struct Band {
    /// Name; empty where there is only one.
    pub name: String,
    /// Tuning curve.
    pub tuning: Tuning,
    /// Phase noise.
    pub phase_noise: Option<NoiseSpec>,
    /// Carrier at which it is stated, Hz.
    pub phase_noise_at: Option<f64>,
    /// Capacitance of the tuning port, F.
    pub input_capacitance: f64,
    /// Leakage of the tuning port, A.
    pub input_leakage: f64,
    /// -3 dB bandwidth of the tuning port, Hz.
    pub modulation_bandwidth: Option<f64>,
    /// Sensitivity to the supply, Hz/V.
    pub pushing: f64,
    /// Drift of the frequency over temperature, Hz/K.
    pub drift: f64,
}

static BAND: &[Field] = &[
    optional(
        "tuning",
        Type::Table(Unit::Volt, Unit::Hertz),
        "frequency over tuning voltage, rising or falling",
    ),
    optional(
        "gain",
        Type::Quantity(Unit::HertzPerVolt),
        "tuning gain, with `control` and `range` in place of `tuning`",
    ),
    optional("control", Type::Range(Unit::Volt), "tuning voltages"),
    optional("range", Type::Range(Unit::Hertz), "frequencies"),
    optional("phase_noise", PHASE_NOISE, "phase noise of the free-running oscillator"),
    optional("phase_noise_at", Type::Quantity(Unit::Hertz), "carrier of `phase_noise`; absent: as it stands"),
    optional("input_capacitance", Type::Quantity(Unit::Farad), "capacitance of the tuning port"),
    optional("input_leakage", Type::Quantity(Unit::Ampere), "leakage of the tuning port"),
    optional("modulation_bandwidth", Type::Quantity(Unit::Hertz), "-3 dB bandwidth of the tuning port"),
    optional("drift", Type::Quantity(Unit::HertzPerKelvin), "frequency drift over temperature"),
    optional("pushing", Type::Quantity(Unit::HertzPerVolt), "sensitivity to the supply"),
];
static BANDS: &[Field] =
    &[optional("bands", Type::Entries(&Type::Group(BAND)), "named bands, each with these fields")];

static LISTS: &[&[Field]] = &[BAND, BANDS, FACTS, COMMON];

impl Kind for OscillatorKind {
    fn name(&self) -> &'static str {
        "oscillator"
    }
    fn about(&self) -> &'static str {
        "the voltage-controlled oscillator"
    }
    fn facts(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let mut bands = Vec::new();
        if given.fields.written("bands") {
            for (key, checked) in given.fields.entries("bands") {
                if let Item::Group(own) = &checked.value {
                    bands.extend(band(&key.name, own, Some(&given.fields), inputs, &mut faults));
                }
            }
        } else {
            bands.extend(band("", &given.fields, None, inputs, &mut faults));
        }
        faults.done()?;
        let mut answer = Solved::facts(given, Oscillator { bands });
        answer.warnings = faults.warnings;
        Ok(answer)
    }
}

/// One band from its own fields, with the block's where it has none.
fn band(
    name: &str,
    own: &Fields,
    common: Option<&Fields>,
    inputs: &Inputs<'_>,
    faults: &mut Faults,
) -> Option<Band> {
    let from = |field: &str| match common {
        Some(common) if own.get(field).is_none() => common,
        _ => own,
    };
    let quantity = |field: &str| from(field).quantity(field);
    for field in ["input_capacitance", "input_leakage"] {
        not_negative_in(from(field), field, faults);
    }
    for field in ["phase_noise_at", "modulation_bandwidth"] {
        positive_in(from(field), field, faults);
    }
    let stated_within =
        matches!(from("phase_noise").get("phase_noise").map(|c| &c.value), Some(Item::List(_)))
            || from("phase_noise").group("phase_noise").is_some_and(|group| group.written("of"));
    if stated_within && from("phase_noise_at").written("phase_noise_at") {
        faults.place(
            from("phase_noise_at").place("phase_noise_at"),
            "carrier-twice",
            "`phase_noise` says its own carriers, `phase_noise_at` can't stand beside it",
        );
    }
    Some(Band {
        name: name.to_owned(),
        tuning: tuning(own, common, faults)?,
        phase_noise: NoiseSpec::read(from("phase_noise"), "phase_noise", inputs, faults),
        phase_noise_at: quantity("phase_noise_at"),
        input_capacitance: quantity("input_capacitance").unwrap_or(0.0),
        input_leakage: quantity("input_leakage").unwrap_or(0.0),
        modulation_bandwidth: quantity("modulation_bandwidth"),
        pushing: quantity("pushing").unwrap_or(0.0),
        drift: quantity("drift").unwrap_or(0.0),
    })
}

fn tuning(own: &Fields, common: Option<&Fields>, faults: &mut Faults) -> Option<Tuning> {
    let from = |field: &str| match common {
        Some(common) if own.get(field).is_none() => common,
        _ => own,
    };
    if let Some(table) = own.table("tuning") {
        if own.written("gain") {
            faults.place(own.place("gain"), "tuning-twice", "`gain` can't stand beside `tuning`");
        }
        let (volts, hertz): (Vec<f64>, Vec<f64>) = table.iter().map(|row| (row.at, row.value)).unzip();
        let made = Tuning::table(&volts, &hertz);
        if let Err(why) = &made {
            faults.place(own.place("tuning"), "tuning-table", why.to_string());
        }
        return made.ok();
    }
    let gain = from("gain").quantity("gain");
    let control = from("control").range("control");
    let range = from("range").range("range");
    let (Some(gain), Some(control), Some(range)) = (gain, control, range) else {
        let missing: Vec<&str> =
            [("gain", gain.is_none()), ("control", control.is_none()), ("range", range.is_none())]
                .into_iter()
                .filter_map(|(name, absent)| absent.then_some(name))
                .collect();
        let message = if missing.len() == 3 {
            "an oscillator needs `tuning`, or `gain`, `control` and `range`".to_owned()
        } else {
            format!("without `tuning` an oscillator needs `{}` too", missing.join("` and `"))
        };
        faults.place(&own.place, "field-missing", message);
        return None;
    };
    let made = Tuning::line(gain, control, range);
    match made {
        Ok(line) => {
            let span = (control.1 - control.0) * gain.abs();
            let wide = range.1 - range.0;
            if span < wide * (1.0 - 1e-9) {
                let text = format!(
                    "control times gain spans {}, but `range` is {} wide: the ends of the range are out of reach",
                    print(span, Unit::Hertz, Digits::Significant(3)),
                    print(wide, Unit::Hertz, Digits::Significant(3)),
                );
                faults.warn(from("gain").place("gain"), "tuning-span", text);
            }
            Some(line)
        }
        Err(why) => {
            faults.place(from("gain").place("gain"), "tuning-line", why.to_string());
            None
        }
    }
}
