//! Channels of a band, and the one that stands for it.

use num_traits::{One, Signed, ToPrimitive};

use super::{PlanError, Rational};

/// Most channels a band may have.
pub const MOST_CHANNELS: usize = 100_000;

/// Channels every `step` from `low` up to at most `high`, Hz, exact.
///
/// # Errors
/// [`PlanError::Empty`] where `low` or `step` is not positive or `high` is below `low`,
/// [`PlanError::TooManyChannels`].
pub fn channels(low: &Rational, high: &Rational, step: &Rational) -> Result<Vec<Rational>, Box<PlanError>> {
    if !low.is_positive() || high < low {
        return Err(PlanError::Empty("outputs").into());
    }
    if !step.is_positive() {
        return Err(PlanError::Empty("step").into());
    }
    let too_many = PlanError::TooManyChannels { limit: MOST_CHANNELS };
    let count = ((high - low) / step).to_integer().to_usize().ok_or_else(|| too_many.clone())?;
    if count >= MOST_CHANNELS {
        return Err(too_many.into());
    }
    let common = low.denom() * step.denom();
    let over = |exact: &Rational| exact.numer() * (&common / exact.denom());
    let (first, by) = (over(low), over(step));
    let at = |k: usize| {
        let sum = &first + &by * k;
        // Whole numbers are in lowest terms.
        if common.is_one() { Rational::from_integer(sum) } else { Rational::new(sum, common.clone()) }
    };
    Ok((0..=count).map(at).collect())
}

/// Index of the channel nearest the geometric mean of `low` and `high` (the lower of two equally near).
/// `channels`: ascending. `None` where there are none.
///
/// The mean itself is irrational as a rule, so squares are compared and the choice is exact.
pub fn nearest_geometric_mean(channels: &[Rational], low: &Rational, high: &Rational) -> Option<usize> {
    let square = low * high;
    let above = channels.partition_point(|f| f * f <= square);
    if above == 0 || above == channels.len() {
        return channels.len().checked_sub(1).map(|last| above.min(last));
    }
    let middle = (&channels[above - 1] + &channels[above]) / Rational::from_integer(2.into());
    Some(if &middle * &middle >= square { above - 1 } else { above })
}

#[cfg(test)]
mod tests {
    use super::super::rational;
    use super::*;

    #[test]
    fn channels_start_at_the_lower_end_and_are_exact() {
        let list = channels(&rational(27, 10), &rational(29, 10), &rational(1, 30)).unwrap();
        assert_eq!(list.len(), 7);
        assert_eq!(list[0], rational(27, 10));
        assert_eq!(list[6], rational(29, 10));
        let short = channels(&rational(1, 1), &rational(2, 1), &rational(3, 10)).unwrap();
        assert_eq!(short.last(), Some(&rational(19, 10)));
    }

    #[test]
    fn impossible_bands_are_refused() {
        assert!(channels(&rational(2, 1), &rational(1, 1), &rational(1, 1)).is_err());
        assert!(channels(&rational(1, 1), &rational(2, 1), &rational(0, 1)).is_err());
        assert_eq!(
            channels(&rational(1, 1), &rational(i64::MAX, 1), &rational(1, 1_000_000)),
            Err(PlanError::TooManyChannels { limit: MOST_CHANNELS }.into())
        );
    }

    #[test]
    fn design_channel_is_nearest_the_geometric_mean() {
        // sqrt(1000 * 2000) = 1414.2
        let list = channels(&rational(1000, 1), &rational(2000, 1), &rational(100, 1)).unwrap();
        assert_eq!(nearest_geometric_mean(&list, &rational(1000, 1), &rational(2000, 1)), Some(4));
        // sqrt(100 * 225) = 150 lies exactly between 125 and 175: the lower is taken
        let list = channels(&rational(100, 1), &rational(225, 1), &rational(25, 1)).unwrap();
        assert_eq!(nearest_geometric_mean(&list, &rational(100, 1), &rational(225, 1)), Some(2));
        let tie = [rational(125, 1), rational(175, 1)];
        assert_eq!(nearest_geometric_mean(&tie, &rational(100, 1), &rational(225, 1)), Some(0));
        assert_eq!(nearest_geometric_mean(&[], &rational(1, 1), &rational(2, 1)), None);
        assert_eq!(nearest_geometric_mean(&[rational(5, 1)], &rational(1, 1), &rational(2, 1)), Some(0));
    }
}
