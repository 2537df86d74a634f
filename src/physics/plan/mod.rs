//! The frequency plan: which dividers make the asked frequencies, exactly.
//!
//! Everything here is an exact rational in Hz; nothing is rounded, so that "a multiple" and "an error of
//! zero" mean just that. Conventions: `f_pd = D f_ref / R`, oscillator frequency `f_vco = O f_out`,
//! total feedback ratio `N = P n = f_vco / f_pd`, with n the programmable divider and P the fixed
//! prescaler before it.

use num_rational::BigRational;
use num_traits::{Signed, ToPrimitive, Zero};

use super::modulator::Modulator;

mod channels;
mod dividers;
mod error;
mod fraction;
mod search;
mod swift;

pub use channels::{MOST_CHANNELS, channels, nearest_geometric_mean};
pub use dividers::{
    FeedbackSet, IntegerSet, LARGEST_FEEDBACK_DIVIDER, LARGEST_REFERENCE_DIVIDER, SwallowSetting,
};
pub use error::{OffRaster, PlanError};
pub use fraction::{Fraction, LARGEST_FIXED_MODULUS, LARGEST_VARIABLE_MODULUS, Modulus};
pub use swift::{Spot, Swift};

/// An exact rational number.
pub type Rational = BigRational;

/// What a plan is asked for. Frequencies in Hz.
#[derive(Clone, Debug)]
pub struct Request {
    /// Reference frequency f_ref.
    pub reference_frequency: Rational,
    /// The doubler, where it is switched on.
    pub doubler: Option<Doubler>,
    /// Values of the reference divider R.
    pub reference_divider: IntegerSet,
    /// Highest detector frequency.
    pub detector_limit: Rational,
    /// Detector frequency asked for; `None`: the highest that serves every channel.
    pub detector_frequency: Option<Rational>,
    /// Step between channels: with integer dividers it must lie on the raster too, even for one channel.
    pub step: Option<Rational>,
    /// The channels to serve, in order.
    pub outputs: Vec<Rational>,
    /// The dividers after the detector.
    pub dividers: Dividers,
}

/// A reference doubler that is switched on.
#[derive(Clone, Debug)]
pub struct Doubler {
    /// Highest frequency at its input, Hz.
    pub limit: Option<Rational>,
}

/// Oscillator range and the dividers behind it.
#[derive(Clone, Debug)]
pub struct Dividers {
    /// Fixed prescaler P before the feedback divider (1: none).
    pub fixed_prescaler: u64,
    /// Values of the feedback divider n.
    pub feedback: FeedbackSet,
    /// The modulator of a fractional divider; `None`: integer.
    pub fraction: Option<Fraction>,
    /// Output dividers O to choose from, channel by channel the least that fits (1/2: a doubler).
    pub output: Vec<Rational>,
    /// Oscillator ranges, Hz; one, or one per band.
    pub oscillator: Vec<(Rational, Rational)>,
}

/// The common part of a plan, from which every channel follows.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Reference divider R.
    pub reference_divider: u64,
    /// Whether the doubler is on.
    pub doubled: bool,
    /// Detector frequency f_pd, Hz.
    pub detector_frequency: Rational,
    /// The dividers, as asked.
    pub dividers: Dividers,
}

/// How one output frequency is made.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Output frequency asked for, Hz.
    pub output: Rational,
    /// Output divider O.
    pub output_divider: Rational,
    /// Oscillator frequency, Hz, as it is made.
    pub oscillator_frequency: Rational,
    /// Total feedback ratio N, fixed prescaler included.
    pub feedback_ratio: Rational,
    /// Integer part of the feedback divider.
    pub feedback_divider: u64,
    /// Numerator and modulus of its fractional part; `None` with integer dividers.
    pub fraction: Option<(u64, u64)>,
    /// Counter setting of a swallow divider.
    pub swallow: Option<SwallowSetting>,
    /// Output frequency as made less the one asked for, Hz; zero with integer dividers.
    pub frequency_error: Rational,
}

impl Channel {
    /// Output frequency as made, Hz.
    pub fn output_frequency(&self) -> f64 {
        if self.frequency_error.is_zero() {
            return to_f64(&self.output);
        }
        to_f64(&(&self.output + &self.frequency_error))
    }
}

impl Dividers {
    /// Least output divider that puts the oscillator into one of its ranges, and the frequency there.
    ///
    /// # Errors
    /// [`PlanError::OscillatorOutOfRange`].
    pub fn oscillator_for(&self, output: &Rational) -> Result<(&Rational, Rational), Box<PlanError>> {
        let least = self.output.iter().filter_map(|divider| {
            let frequency = divider * output;
            self.oscillator
                .iter()
                .any(|(low, high)| *low <= frequency && frequency <= *high)
                .then_some((divider, frequency))
        });
        least.min_by(|a, b| a.0.cmp(b.0)).ok_or_else(|| {
            let mut reachable: Vec<_> = self
                .output
                .iter()
                .flat_map(|divider| {
                    self.oscillator.iter().map(move |(low, high)| (low / divider, high / divider))
                })
                .collect();
            reachable.sort();
            PlanError::OscillatorOutOfRange { output: output.clone(), reachable }.into()
        })
    }
}

impl Plan {
    /// The plan with the detector frequency asked for, or with the highest that serves every channel;
    /// every channel of `request.outputs` was tested (holes of a swallow divider included).
    ///
    /// # Errors
    /// Every [`PlanError`] but `TooManyChannels`.
    pub fn solve(request: &Request) -> Result<Self, Box<PlanError>> {
        search::solve(request)
    }

    /// How `output` (Hz; it need not be one of the channels asked for) is made with this plan.
    ///
    /// # Errors
    /// `OscillatorOutOfRange`, `NotAMultiple`, `FeedbackOutOfRange`, `FeedbackHole`, `Excursion`.
    pub fn channel(&self, output: &Rational) -> Result<Channel, Box<PlanError>> {
        self.swift().channel(output)
    }

    /// The plan read once, for where many channels lie.
    pub fn swift(&self) -> Swift<'_> {
        Swift::new(self)
    }

    fn channel_at_length(&self, output: &Rational) -> Result<Channel, Box<PlanError>> {
        let (output_divider, wanted) = self.dividers.oscillator_for(output)?;
        let divider = &wanted / self.counted_rate();
        let (feedback_divider, fraction) = match &self.dividers.fraction {
            None if divider.is_integer() => (self.integer_divider(output, &divider)?, None),
            None => return Err(self.off_raster(output, output_divider, &divider).into()),
            Some(fraction) => {
                let (integer, setting) = self.fractional_divider(output, &divider, fraction)?;
                (integer, Some(setting))
            }
        };
        let made = match fraction {
            Some((numerator, modulus)) if numerator > 0 => {
                Rational::from_integer(feedback_divider.into())
                    + Rational::new(numerator.into(), modulus.into())
            }
            _ => Rational::from_integer(feedback_divider.into()),
        };
        let frequency_error = if made == divider {
            Rational::zero()
        } else {
            (&made - &divider) * self.counted_rate() / output_divider
        };
        let feedback_ratio = made * self.prescaler();
        Ok(Channel {
            output: output.clone(),
            output_divider: output_divider.clone(),
            oscillator_frequency: &feedback_ratio * &self.detector_frequency,
            feedback_ratio,
            feedback_divider,
            fraction,
            swallow: self.dividers.feedback.swallow(feedback_divider),
            frequency_error,
        })
    }

    /// The modulator at work on `channel`; `None` with integer dividers and where the fraction is zero.
    pub fn modulator(&self, channel: &Channel) -> Option<Modulator> {
        let (numerator, modulus) = channel.fraction?;
        let fraction = self.dividers.fraction.as_ref()?;
        Modulator::new(fraction.order, modulus, numerator, fraction.start)
    }

    /// Distance of the oscillator in `channel` from the nearest multiple of the detector frequency, Hz.
    pub fn boundary_distance(&self, channel: &Channel) -> Rational {
        (&channel.feedback_ratio - channel.feedback_ratio.round()).abs() * &self.detector_frequency
    }

    fn prescaler(&self) -> Rational {
        Rational::from_integer(self.dividers.fixed_prescaler.into())
    }

    /// Change of the oscillator frequency for one step of the feedback divider, Hz: `P f_pd`.
    fn counted_rate(&self) -> Rational {
        self.prescaler() * &self.detector_frequency
    }

    fn limits(&self) -> (u64, u64) {
        self.dividers.feedback.limits().unwrap_or((0, 0))
    }

    fn integer_divider(&self, output: &Rational, divider: &Rational) -> Result<u64, Box<PlanError>> {
        let limits = self.limits();
        let outside =
            || PlanError::FeedbackOutOfRange { output: output.clone(), needed: divider.clone(), limits };
        let needed = divider.to_integer().to_u64().ok_or_else(outside)?;
        if needed < limits.0 || needed > limits.1 {
            return Err(outside().into());
        }
        let feedback = &self.dividers.feedback;
        if feedback.contains(needed) {
            Ok(needed)
        } else {
            let (below, above) = (feedback.at_most(needed), feedback.at_least(needed));
            Err(PlanError::FeedbackHole { output: output.clone(), needed, below, above }.into())
        }
    }

    fn fractional_divider(
        &self,
        output: &Rational,
        divider: &Rational,
        fraction: &Fraction,
    ) -> Result<(u64, (u64, u64)), Box<PlanError>> {
        let whole = divider.floor();
        let (numerator, modulus) = fraction.nearest(&(divider - &whole));
        if numerator == 0 || numerator == modulus {
            let integer = &whole + Rational::from_integer((numerator / modulus).into());
            return Ok((self.integer_divider(output, &integer)?, (0, modulus)));
        }
        let limits = self.limits();
        let integer =
            whole.to_integer().to_u64().filter(|n| (limits.0..=limits.1).contains(n)).ok_or_else(|| {
                PlanError::FeedbackOutOfRange { output: output.clone(), needed: divider.clone(), limits }
            })?;
        let (down, up) = fraction.excursion();
        let fits = integer
            .checked_sub(down)
            .is_some_and(|from| self.dividers.feedback.first_gap(from, integer + up).is_none());
        if !fits {
            // Both are small: the limits of the feedback divider are checked before a plan is made.
            let swing = (integer as i64 - down as i64, (integer + up) as i64);
            return Err(PlanError::Excursion { output: output.clone(), integer, swing, limits }.into());
        }
        Ok((integer, (numerator, modulus)))
    }

    fn off_raster(&self, output: &Rational, output_divider: &Rational, divider: &Rational) -> PlanError {
        let feedback = &self.dividers.feedback;
        let floor = divider.floor().to_integer().to_u64().unwrap_or(u64::MAX - 1);
        let made = |n: u64| Rational::from_integer(n.into()) * self.counted_rate() / output_divider;
        PlanError::NotAMultiple {
            what: OffRaster::Output,
            value: output.clone(),
            below: feedback.at_most(floor).map(made),
            above: feedback.at_least(floor + 1).map(made),
        }
    }

    /// Whether `step`, at the output of a channel with this output divider, is a multiple of the raster.
    fn check_step(&self, step: &Rational, output_divider: &Rational) -> Result<(), Box<PlanError>> {
        let rate = self.counted_rate() / output_divider;
        let steps = step / &rate;
        if steps.is_integer() {
            return Ok(());
        }
        let below = steps.floor() * &rate;
        let above = Some(steps.ceil() * rate);
        let below = below.is_positive().then_some(below);
        Err(PlanError::NotAMultiple { what: OffRaster::Step, value: step.clone(), below, above }.into())
    }
}

/// The nearest `f64` of an exact value; infinite where it has none.
pub fn to_f64(exact: &Rational) -> f64 {
    exact.to_f64().unwrap_or(f64::INFINITY)
}

#[cfg(test)]
fn rational(numerator: i64, denominator: i64) -> Rational {
    Rational::new(numerator.into(), denominator.into())
}

#[cfg(test)]
mod tests;
