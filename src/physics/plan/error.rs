//! What can keep a frequency plan from existing, with the numbers a message needs.

use std::fmt;

use num_traits::ToPrimitive;

use super::Rational;
use crate::units::{Digits, Unit, print};

/// Which of the asked quantities is off the detector's raster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OffRaster {
    /// An output frequency.
    Output,
    /// The step between channels.
    Step,
}

/// Why there is no plan. Frequencies in Hz, exact.
#[derive(Clone, Debug, PartialEq)]
pub enum PlanError {
    /// A set of dividers has no member, a frequency or modulus is not positive, or there is no output.
    Empty(&'static str),
    /// A divider is larger than any search should have to cover.
    TooLarge {
        /// Which divider.
        what: &'static str,
        /// Largest value allowed.
        limit: u64,
    },
    /// `outputs` and `step` make more channels than allowed.
    TooManyChannels {
        /// Most channels allowed.
        limit: usize,
    },
    /// The reference is too fast for the doubler.
    DoublerTooFast {
        /// Reference frequency.
        reference: Rational,
        /// Highest frequency the doubler takes at its input.
        limit: Rational,
    },
    /// The detector frequency asked for, or the lowest that can be made, is above the detector's limit.
    DetectorTooFast {
        /// That frequency.
        frequency: Rational,
        /// The detector's limit.
        limit: Rational,
    },
    /// No reference divider gives the detector frequency that was asked for.
    NoReferenceDivider {
        /// The detector frequency asked for.
        wanted: Rational,
        /// Nearest lower detector frequency that can be made.
        below: Option<Rational>,
        /// Nearest higher one within the detector's limit.
        above: Option<Rational>,
    },
    /// No output divider puts the oscillator into its range.
    OscillatorOutOfRange {
        /// The channel.
        output: Rational,
        /// Output ranges that can be reached, one per output divider and band, ascending.
        reachable: Vec<(Rational, Rational)>,
    },
    /// An integer divider can't make the frequency exactly.
    NotAMultiple {
        /// What is off the raster.
        what: OffRaster,
        /// Its value.
        value: Rational,
        /// Nearest lower value that can be made exactly.
        below: Option<Rational>,
        /// Nearest higher one.
        above: Option<Rational>,
    },
    /// Each channel can be made, but not all with one detector frequency.
    NoCommonDetectorFrequency {
        /// Greatest common divisor of the oscillator frequencies and steps, divided by the fixed
        /// prescaler: the detector frequency must divide it.
        raster: Rational,
        /// Lowest detector frequency that can be made.
        finest: Rational,
    },
    /// The feedback divider is outside its range.
    FeedbackOutOfRange {
        /// The channel.
        output: Rational,
        /// Feedback divider needed, fixed prescaler not included.
        needed: Rational,
        /// Least and largest possible value.
        limits: (u64, u64),
    },
    /// The feedback divider is inside its range, but this value does not exist.
    FeedbackHole {
        /// The channel.
        output: Rational,
        /// Feedback divider needed, fixed prescaler not included.
        needed: u64,
        /// Nearest lower value that exists.
        below: Option<u64>,
        /// Nearest higher one.
        above: Option<u64>,
    },
    /// The modulator drives the divider to a value it can't take.
    Excursion {
        /// The channel.
        output: Rational,
        /// Integer part of the feedback divider.
        integer: u64,
        /// Lowest and highest value the modulator asks for (the lowest may be below zero).
        swing: (i64, i64),
        /// Least and largest possible value.
        limits: (u64, u64),
    },
}

/// A frequency with all its digits.
struct Hz<'a>(&'a Rational);

impl fmt::Display for Hz<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&print(self.0.to_f64().unwrap_or(f64::NAN), Unit::Hertz, Digits::All))
    }
}

/// "a or b", "a", "b" or "nothing".
fn either(below: Option<String>, above: Option<String>) -> String {
    match (below, above) {
        (Some(b), Some(a)) => format!("{b} or {a}"),
        (Some(x), None) | (None, Some(x)) => x,
        (None, None) => "nothing".into(),
    }
}

fn either_hz(below: Option<&Rational>, above: Option<&Rational>) -> String {
    either(below.map(|x| Hz(x).to_string()), above.map(|x| Hz(x).to_string()))
}

impl fmt::Display for PlanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty(what) => write!(f, "{what} has no usable value"),
            Self::TooLarge { what, limit } => write!(f, "{what} is larger than {limit}"),
            Self::TooManyChannels { limit } => write!(f, "outputs and step make more than {limit} channels"),
            Self::DoublerTooFast { reference, limit } => {
                write!(f, "a reference of {} is above the doubler's limit of {}", Hz(reference), Hz(limit))
            }
            Self::DetectorTooFast { frequency, limit } => {
                write!(
                    f,
                    "a detector frequency of {} is above the detector's limit of {}",
                    Hz(frequency),
                    Hz(limit)
                )
            }
            Self::NoReferenceDivider { wanted, below, above } => write!(
                f,
                "no reference divider gives a detector frequency of {}; nearest: {}",
                Hz(wanted),
                either_hz(below.as_ref(), above.as_ref())
            ),
            Self::OscillatorOutOfRange { output, reachable } => {
                write!(f, "the oscillator does not reach {}; outputs reached:", Hz(output))?;
                // Ten thousand dividers make as many ranges.
                reachable.iter().take(6).enumerate().try_for_each(|(i, (low, high))| {
                    write!(f, "{} {} .. {}", if i == 0 { "" } else { "," }, Hz(low), Hz(high))
                })?;
                f.write_str(if reachable.len() > 6 { ", .." } else { "" })
            }
            Self::NotAMultiple { what, value, below, above } => write!(
                f,
                "{} of {} can't be made exactly; nearest: {}",
                match what {
                    OffRaster::Output => "an output",
                    OffRaster::Step => "a step",
                },
                Hz(value),
                either_hz(below.as_ref(), above.as_ref())
            ),
            Self::NoCommonDetectorFrequency { raster, finest } => write!(
                f,
                "no detector frequency serves every channel: it must divide {} and be no lower than {}",
                Hz(raster),
                Hz(finest)
            ),
            Self::FeedbackOutOfRange { output, needed, limits } => write!(
                f,
                "{} needs a feedback divider of {}, outside {} .. {}",
                Hz(output),
                needed.to_f64().unwrap_or(f64::NAN),
                limits.0,
                limits.1
            ),
            Self::FeedbackHole { output, needed, below, above } => write!(
                f,
                "{} needs a feedback divider of {needed}, which does not exist; nearest: {}",
                Hz(output),
                either(below.map(|n| n.to_string()), above.map(|n| n.to_string()))
            ),
            Self::Excursion { output, integer, swing, limits } => write!(
                f,
                "at {} the modulator moves the divider around {integer} from {} to {}, outside {} .. {} or its values",
                Hz(output),
                swing.0,
                swing.1,
                limits.0,
                limits.1
            ),
        }
    }
}

impl std::error::Error for PlanError {}
