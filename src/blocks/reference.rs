//! `reference`: the frequency standard.

use super::fields::{COMMON, FACTS, PHASE_NOISE, optional, required};
use super::prelude::*;

/// The kind.
pub struct ReferenceKind;

/// The standard as stated.
#[derive(Clone, Debug)]
pub struct Reference {
    /// Frequency, Hz, exact.
    pub frequency: Quantity,
    /// Phase noise at that frequency.
    pub phase_noise: Option<NoiseSpec>,
    /// Relative frequency stability.
    pub stability: Option<f64>,
    /// Slew rate at the reference input, V/s, where a sine of stated level arrives there.
    pub slew: Option<f64>,
}

/// Impedance in which a level in dBm is stated, ohm.
const LEVEL_IMPEDANCE: f64 = 50.0;

/// Peak voltage, V, of a sine of `level` dBm.
fn peak_voltage(level: f64) -> f64 {
    (2.0 * LEVEL_IMPEDANCE * 1e-3 * 10f64.powf(level / 10.0)).sqrt()
}

/// Steepest slope of a sine, V/s: `2 pi f A`. A square wave's edges are the driver's own and set no limit here.
fn slew(given: &Given) -> Option<f64> {
    let level =
        given.fields.quantity_full("level").filter(|_| given.fields.word("waveform") == Some("sine"))?;
    let amplitude = match level.unit {
        Unit::DecibelMilliwatt => peak_voltage(level.value),
        _ => 0.5 * level.value,
    };
    Some(2.0 * std::f64::consts::PI * given.fields.quantity("frequency")? * amplitude)
}

static FIELDS: &[Field] = &[
    required("frequency", Type::Quantity(Unit::Hertz), "frequency of the standard"),
    optional("phase_noise", PHASE_NOISE, "phase noise at that frequency"),
    optional("stability", Type::Quantity(Unit::One), "relative frequency stability, e.g. 0.1 ppm"),
    optional("waveform", Type::Word(&["sine", "square"]), "waveform at the reference input"),
    optional(
        "level",
        Type::Either(&[Type::Quantity(Unit::DecibelMilliwatt), Type::Quantity(Unit::Volt)]),
        "level at the reference input, in dBm (50 ohm) or volts peak to peak",
    ),
];

/// Noise stated at another carrier than the standard's is scaled there, as an ideal divider or multiplier would.
fn warn_about_carrier(given: &Given, noise: Option<&NoiseSpec>, faults: &mut Faults) {
    let Some((frequency, spec)) = given.fields.quantity("frequency").zip(noise) else { return };
    if let Some(at) = spec.at(frequency).1.filter(|at| (at / frequency - 1.0).abs() > 1e-9) {
        let hertz = |f: f64| print(f, Unit::Hertz, Digits::Written);
        let text = format!(
            "the phase noise is stated at {}, this standard runs at {}: it is scaled by {}, as an ideal divider or \
             multiplier would",
            hertz(at),
            hertz(frequency),
            print(20.0 * (frequency / at).log10(), Unit::Decibel, Digits::Significant(3))
        );
        faults.warn(given.fields.place("phase_noise"), "carrier", text);
    }
}

static LISTS: &[&[Field]] = &[FIELDS, FACTS, COMMON];

impl Kind for ReferenceKind {
    fn name(&self) -> &'static str {
        "reference"
    }
    fn about(&self) -> &'static str {
        "the frequency standard"
    }
    fn facts(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        given.positive("frequency", &mut faults);
        let phase_noise = NoiseSpec::read(&given.fields, "phase_noise", inputs, &mut faults);
        warn_about_carrier(given, phase_noise.as_ref(), &mut faults);
        faults.done()?;
        let reference = Reference {
            frequency: given.fields.quantity_full("frequency").cloned().ok_or_else(Vec::new)?,
            phase_noise,
            stability: given.fields.quantity("stability"),
            slew: slew(given),
        };
        let mut answer = Solved::facts(given, reference);
        answer.warnings = faults.warnings;
        Ok(answer)
    }
}

#[cfg(test)]
mod tests {
    use super::peak_voltage;

    /// 7 dBm in 50 ohm is 5.01 mW, 0.5006 V rms, 0.708 V peak.
    #[test]
    fn seven_dbm_is_0_708_volts_peak() {
        let amplitude = peak_voltage(7.0);
        assert!((amplitude - 0.707_95).abs() < 1e-4, "{amplitude}");
    }
}
