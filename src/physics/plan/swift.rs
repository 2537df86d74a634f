//! Channels in machine integers, for plans of thousands of them: the same exact arithmetic as in `plan`, as long as nothing
//! outgrows 128 bits. What does not fit, and whatever can't be made, is left to the long way, which also says why.

use num_traits::{ToPrimitive, Zero};

use super::{Channel, Modulus, Plan, Rational};

/// A positive fraction.
#[derive(Clone, Copy, Debug)]
struct Small {
    over: u128,
    under: u128,
}

impl Small {
    fn new(over: u128, under: u128) -> Self {
        let divisor = common_divisor(over, under).max(1);
        Self { over: over / divisor, under: under / divisor }
    }

    /// `None` where it is negative or large.
    fn of(exact: &Rational) -> Option<Self> {
        Some(Self { over: exact.numer().to_u64()?.into(), under: exact.denom().to_u64()?.into() })
    }

    fn times(self, other: Self) -> Option<Self> {
        Some(Self::new(self.over.checked_mul(other.over)?, self.under.checked_mul(other.under)?))
    }

    fn inverse(self) -> Self {
        Self { over: self.under, under: self.over }
    }

    fn is_at_most(self, other: Self) -> Option<bool> {
        Some(self.over.checked_mul(other.under)? <= other.over.checked_mul(self.under)?)
    }

    fn exact(self) -> Rational {
        // In lowest terms already.
        Rational::new_raw(self.over.into(), self.under.into())
    }
}

fn common_divisor(mut a: u128, mut b: u128) -> u128 {
    loop {
        if let (Ok(small), Ok(other)) = (u64::try_from(a), u64::try_from(b)) {
            let (mut a, mut b) = (small, other);
            while b != 0 {
                (a, b) = (b, a % b);
            }
            return a.into();
        }
        if b == 0 {
            return a;
        }
        (a, b) = (b, a % b);
    }
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
        let output = Small::of(output)?;
        let mut least: Option<(usize, Small, Small)> = None;
        for (place, divider) in self.dividers.output.iter().enumerate() {
            let divider = Small::of(divider)?;
            let frequency = divider.times(output)?;
            let mut inside = false;
            for (low, high) in &self.dividers.oscillator {
                inside |= Small::of(low)?.is_at_most(frequency)? && frequency.is_at_most(Small::of(high)?)?;
            }
            let first = match least {
                Some((_, other, _)) => !other.is_at_most(divider)?,
                None => true,
            };
            if inside && first {
                least = Some((place, divider, frequency));
            }
        }
        let (output_divider, _, frequency) = least?;
        let rate = self.small_rate().filter(|rate| rate.over > 0)?;
        let wanted = frequency.times(rate.inverse())?;
        let (whole, rest) = (u64::try_from(wanted.over / wanted.under).ok()?, wanted.over % wanted.under);
        let feedback = &self.dividers.feedback;
        let (low, high) = feedback.limits()?;
        let inside = |n: u64| n >= low && n <= high;
        let (feedback_divider, fraction) = match &self.dividers.fraction {
            None => (whole, None),
            Some(fraction) => {
                let Modulus::Fixed(modulus) = fraction.modulus else { return None };
                let scaled = rest.checked_mul(modulus.into())?.checked_mul(2)?.checked_add(wanted.under)?;
                let numerator = u64::try_from(scaled / wanted.under.checked_mul(2)?).ok()?;
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
        let (a, b) = (ratio.over.checked_mul(wanted.under)?, wanted.over.checked_mul(ratio.under)?);
        let frequency_error = if a == b {
            Rational::zero()
        } else {
            let off = Small::new(a.abs_diff(b), ratio.under.checked_mul(wanted.under)?);
            let off = off.times(self.small_rate()?)?.times(Small::of(divider)?.inverse())?.exact();
            if a < b { -off } else { off }
        };
        let feedback_ratio = ratio.times(Small::new(self.dividers.fixed_prescaler.into(), 1))?;
        Some(Channel {
            output: output.clone(),
            output_divider: divider.clone(),
            oscillator_frequency: feedback_ratio.times(Small::of(&self.detector_frequency)?)?.exact(),
            feedback_ratio: feedback_ratio.exact(),
            feedback_divider,
            fraction,
            swallow: self.dividers.feedback.swallow(feedback_divider),
            frequency_error,
        })
    }

    /// As [`Plan::counted_rate`].
    fn small_rate(&self) -> Option<Small> {
        Small::of(&self.detector_frequency)?.times(Small::new(self.dividers.fixed_prescaler.into(), 1))
    }
}
