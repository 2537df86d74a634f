//! Channels in machine integers, for plans of thousands of them: the same exact arithmetic as in `plan`, as long as nothing
//! outgrows 128 bits. What does not fit, and whatever can't be made, is left to the long way, which also says why.

use num_rational::Ratio;
use num_traits::{CheckedMul, CheckedSub, ToPrimitive, Zero};

use super::{Channel, Modulus, Plan, Rational};

/// A positive fraction.
type Small = Ratio<u128>;

/// `None` where it is negative or large.
fn small(exact: &Rational) -> Option<Small> {
    Some(Ratio::new_raw(exact.numer().to_u64()?.into(), exact.denom().to_u64()?.into()))
}

fn exact(small: &Small) -> Rational {
    Rational::new_raw((*small.numer()).into(), (*small.denom()).into())
}

/// How a channel is made.
pub(super) struct Made {
    /// Place of the output divider in the list.
    output_divider: usize,
    /// Feedback ratio asked for, prescaler not included.
    wanted: Small,
    feedback_divider: u64,
    fraction: Option<(u64, u64)>,
}

impl Plan {
    /// How a channel is made; `None` where the long way has to tell.
    pub(super) fn make(&self, output: &Rational) -> Option<Made> {
        let output = small(output)?;
        let mut least: Option<(usize, Small, Small)> = None;
        for (place, divider) in self.dividers.output.iter().enumerate() {
            let divider = small(divider).filter(|divider| !divider.is_zero())?;
            let frequency = divider.checked_mul(&output)?;
            let mut inside = false;
            for (low, high) in &self.dividers.oscillator {
                inside |= small(low)? <= frequency && frequency <= small(high)?;
            }
            if inside && least.is_none_or(|(_, other, _)| divider < other) {
                least = Some((place, divider, frequency));
            }
        }
        let (output_divider, _, frequency) = least?;
        let rate = self.small_rate().filter(|rate| !rate.is_zero())?;
        let wanted = frequency.checked_mul(&rate.recip())?;
        let (whole, rest) = (wanted.to_integer().to_u64()?, wanted.numer() % wanted.denom());
        let feedback = &self.dividers.feedback;
        let (low, high) = feedback.limits()?;
        let inside = |n: u64| n >= low && n <= high;
        let (feedback_divider, fraction) = match &self.dividers.fraction {
            None => (whole, None),
            Some(fraction) => {
                let Modulus::Fixed(modulus) = fraction.modulus else { return None };
                let scaled =
                    rest.checked_mul(modulus.into())?.checked_mul(2)?.checked_add(*wanted.denom())?;
                let numerator = u64::try_from(scaled / wanted.denom().checked_mul(&2)?).ok()?;
                match numerator {
                    0 => (whole, Some((0, modulus))),
                    full if full == modulus => (whole + 1, Some((0, modulus))),
                    _ => (whole, Some((numerator, modulus))),
                }
            }
        };
        let moves = fraction.is_some_and(|(numerator, _)| numerator > 0);
        let can = match &self.dividers.fraction {
            Some(fraction) if moves => {
                let (down, up) = fraction.excursion();
                feedback_divider
                    .checked_sub(down)
                    .is_some_and(|from| feedback.first_gap(from, feedback_divider + up).is_none())
            }
            Some(_) => feedback.contains(feedback_divider),
            None => rest == 0 && feedback.contains(feedback_divider),
        };
        let made = Made { output_divider, wanted, feedback_divider, fraction };
        (can && inside(feedback_divider)).then_some(made)
    }

    /// The channel in full; `None` where it outgrows machine integers.
    pub(super) fn channel_of(&self, output: &Rational, made: &Made) -> Option<Channel> {
        let &Made { output_divider, wanted, feedback_divider, fraction } = made;
        let divider = &self.dividers.output[output_divider];
        let (numerator, modulus) = fraction.unwrap_or((0, 1));
        let over = u128::from(feedback_divider).checked_mul(modulus.into())?.checked_add(numerator.into())?;
        let ratio = Small::new(over, modulus.into());
        let rate = self.small_rate()?.checked_mul(&small(divider)?.recip())?;
        let frequency_error = if ratio < wanted {
            -exact(&wanted.checked_sub(&ratio)?.checked_mul(&rate)?)
        } else {
            exact(&ratio.checked_sub(&wanted)?.checked_mul(&rate)?)
        };
        let feedback_ratio = ratio.checked_mul(&u128::from(self.dividers.fixed_prescaler).into())?;
        Some(Channel {
            output: output.clone(),
            output_divider: divider.clone(),
            oscillator_frequency: exact(&feedback_ratio.checked_mul(&small(&self.detector_frequency)?)?),
            feedback_ratio: exact(&feedback_ratio),
            feedback_divider,
            fraction,
            swallow: self.dividers.feedback.swallow(feedback_divider),
            frequency_error,
        })
    }

    /// As [`Plan::counted_rate`].
    fn small_rate(&self) -> Option<Small> {
        small(&self.detector_frequency)?.checked_mul(&u128::from(self.dividers.fixed_prescaler).into())
    }
}
