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
        let phase_noise = NoiseSpec::read(given, "phase_noise", inputs, &mut faults);
        faults.done()?;
        let reference = Reference {
            frequency: given.fields.quantity_full("frequency").cloned().ok_or_else(Vec::new)?,
            phase_noise,
            stability: given.fields.quantity("stability"),
        };
        Ok(Solved::facts(given, reference))
    }
}
