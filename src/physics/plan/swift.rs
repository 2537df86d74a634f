//! Channels in machine integers, for plans of thousands of them: the same exact arithmetic as in `plan`, as long as nothing
//! outgrows 128 bits. What does not fit, and whatever can't be made, is left to the long way, which also says why.

use num_rational::Ratio;
use num_traits::{ToPrimitive, Zero};

use super::{Channel, Dividers, Fraction, Modulus, Plan, PlanError, Rational, to_f64};

/// A positive fraction; in lowest terms only where that is said.
type Small = Ratio<u128>;

/// `None` where it is negative or large.
fn small(exact: &Rational) -> Option<Small> {
    Some(Ratio::new_raw(exact.numer().to_u64()?.into(), exact.denom().to_u64()?.into()))
}

/// Puts it in lowest terms.
fn exact(small: &Small) -> Rational {
    let lowest = small.reduced();
    Rational::new_raw((*lowest.numer()).into(), (*lowest.denom()).into())
}

/// Not in lowest terms; `None` where it outgrows machine integers.
fn times(a: &Small, b: &Small) -> Option<Small> {
    let (numerator, denominator) = (a.numer().checked_mul(*b.numer())?, a.denom().checked_mul(*b.denom())?);
    Some(Ratio::new_raw(numerator, denominator))
}

/// Where a channel lies, each number the `f64` nearest to what it is; frequencies in Hz.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// Output frequency, as it is made.
    pub output_frequency: f64,
    /// Oscillator frequency.
    pub oscillator_frequency: f64,
    /// Total feedback ratio N.
    pub feedback_ratio: f64,
    /// Output divider O.
    pub output_divider: f64,
    /// Distance of the oscillator to the nearest multiple of the detector frequency.
    pub boundary_distance: f64,
}

impl Spot {
    pub(super) fn of(plan: &Plan, channel: &Channel) -> Self {
        Self {
            output_frequency: channel.output_frequency(),
            oscillator_frequency: to_f64(&channel.oscillator_frequency),
            feedback_ratio: to_f64(&channel.feedback_ratio),
            output_divider: to_f64(&channel.output_divider),
            boundary_distance: to_f64(&plan.boundary_distance(channel)),
        }
    }
}

/// Oscillator ranges and the dividers behind them.
pub(super) struct Reach {
    output: Vec<Small>,
    oscillator: Vec<(Small, Small)>,
}

impl Reach {
    /// `None` where one is large.
    pub(super) fn new(dividers: &Dividers) -> Option<Self> {
        let sound = |divider: &Small| !divider.is_zero();
        let output =
            dividers.output.iter().map(|divider| small(divider).filter(sound)).collect::<Option<_>>()?;
        let range = |(low, high): &(Rational, Rational)| Some((small(low)?, small(high)?));
        Some(Self { output, oscillator: dividers.oscillator.iter().map(range).collect::<Option<_>>()? })
    }

    /// Place of the least output divider that puts the oscillator into one of its ranges, and the frequency there.
    fn choose(&self, output: &Small) -> Option<(usize, Small)> {
        let mut least: Option<(usize, Small)> = None;
        for (place, divider) in self.output.iter().enumerate() {
            let frequency = times(divider, output)?;
            let inside = self.oscillator.iter().any(|(low, high)| *low <= frequency && frequency <= *high);
            if inside && least.is_none_or(|(other, _)| *divider < self.output[other]) {
                least = Some((place, frequency));
            }
        }
        least
    }

    /// That frequency, Hz; `None` where the long way has to tell.
    pub(super) fn oscillator_for(&self, output: &Rational) -> Option<Rational> {
        self.choose(&small(output)?).map(|(_, frequency)| exact(&frequency))
    }
}

/// How a channel is made.
struct Made {
    /// Place of the output divider in the list.
    output_divider: usize,
    /// Feedback ratio asked for, prescaler not included.
    wanted: Small,
    feedback_divider: u64,
    fraction: Option<(u64, u64)>,
}

impl Made {
    /// Feedback ratio as made, prescaler not included.
    fn ratio(&self) -> Option<Small> {
        let (numerator, modulus) = self.fraction.unwrap_or((0, 1));
        let over = u128::from(self.feedback_divider).checked_mul(modulus.into())?;
        Some(Ratio::new_raw(over.checked_add(numerator.into())?, modulus.into()))
    }
}

/// A plan in machine integers.
struct Known {
    reach: Reach,
    /// Change of the oscillator frequency for one step of the feedback divider, Hz.
    rate: Small,
    detector: Small,
    prescaler: Small,
}

/// A plan, read for its channels.
pub struct Swift<'p> {
    plan: &'p Plan,
    known: Option<Known>,
}

impl<'p> Swift<'p> {
    pub(super) fn new(plan: &'p Plan) -> Self {
        let known = || {
            let prescaler = Small::from(u128::from(plan.dividers.fixed_prescaler));
            let detector = small(&plan.detector_frequency)?;
            let rate = times(&detector, &prescaler).filter(|rate| !rate.is_zero())?;
            Some(Known { reach: Reach::new(&plan.dividers)?, rate, detector, prescaler })
        };
        Self { plan, known: known() }
    }

    /// As [`Plan::channel`].
    pub(super) fn channel(&self, output: &Rational) -> Result<Channel, Box<PlanError>> {
        self.swiftly(output).map_or_else(|| self.plan.channel_at_length(output), Ok)
    }

    /// Whether a channel can be made.
    ///
    /// # Errors
    /// As [`Plan::channel`].
    pub(super) fn check(&self, output: &Rational) -> Result<(), Box<PlanError>> {
        match self.make(output) {
            Some(_) => Ok(()),
            None => self.channel(output).map(|_| ()),
        }
    }

    /// Where a channel lies; `None` where it can't be made.
    pub fn spot(&self, output: &Rational) -> Option<Spot> {
        let at_length = || Some(Spot::of(self.plan, &self.plan.channel(output).ok()?));
        self.spot_swiftly(output).or_else(at_length)
    }

    /// How a channel is made; `None` where the long way has to tell.
    fn make(&self, output: &Rational) -> Option<Made> {
        let Known { reach, rate, .. } = self.known.as_ref()?;
        let (output_divider, frequency) = reach.choose(&small(output)?)?;
        let wanted = times(&frequency, &rate.recip())?;
        let (whole, rest) = (wanted.to_integer().to_u64()?, wanted.numer() % wanted.denom());
        let dividers = &self.plan.dividers;
        let (feedback_divider, fraction) = match &dividers.fraction {
            None => (whole, None),
            Some(fraction) => {
                let (numerator, modulus) = nearest_fraction(fraction, rest, *wanted.denom())?;
                if numerator == modulus {
                    (whole + 1, Some((0, modulus)))
                } else {
                    (whole, Some((numerator, modulus)))
                }
            }
        };
        let feedback = &dividers.feedback;
        let moves = fraction.is_some_and(|(numerator, _)| numerator > 0);
        let can = match &dividers.fraction {
            Some(fraction) if moves => {
                let (down, up) = fraction.excursion();
                feedback_divider
                    .checked_sub(down)
                    .is_some_and(|from| feedback.first_gap(from, feedback_divider + up).is_none())
            }
            Some(_) => feedback.contains(feedback_divider),
            None => rest == 0 && feedback.contains(feedback_divider),
        };
        let (low, high) = feedback.limits()?;
        let made = Made { output_divider, wanted, feedback_divider, fraction };
        (can && (low..=high).contains(&feedback_divider)).then_some(made)
    }

    /// `None` where it outgrows machine integers, or can't be made.
    pub(super) fn swiftly(&self, output: &Rational) -> Option<Channel> {
        let (made, known) = (self.make(output)?, self.known.as_ref()?);
        let ratio = made.ratio()?;
        let divider = &known.reach.output[made.output_divider];
        let feedback_ratio = exact(&times(&ratio, &known.prescaler)?);
        // The same frequency over the step of the divider: asked for, and as made.
        let step = times(&known.rate, &divider.recip())?;
        let (numerator, other) = (
            ratio.numer().checked_mul(*made.wanted.denom())?,
            made.wanted.numer().checked_mul(*ratio.denom())?,
        );
        let common = ratio.denom().checked_mul(*made.wanted.denom())?;
        let off = times(&Ratio::new(numerator.abs_diff(other), common), &step)?;
        let frequency_error = if numerator < other { -exact(&off) } else { exact(&off) };
        Some(Channel {
            output: output.clone(),
            output_divider: self.plan.dividers.output[made.output_divider].clone(),
            oscillator_frequency: exact(&times(&ratio, &known.rate)?),
            feedback_ratio,
            feedback_divider: made.feedback_divider,
            fraction: made.fraction,
            swallow: self.plan.dividers.feedback.swallow(made.feedback_divider),
            frequency_error,
        })
    }

    pub(super) fn spot_swiftly(&self, output: &Rational) -> Option<Spot> {
        let (made, known) = (self.make(output)?, self.known.as_ref()?);
        let ratio = made.ratio()?;
        let divider = &known.reach.output[made.output_divider];
        let oscillator = times(&ratio, &known.rate)?;
        let total = times(&ratio, &known.prescaler)?;
        let above = total.numer() % total.denom();
        let off = Ratio::new_raw(above.min(total.denom() - above), *total.denom());
        Some(Spot {
            output_frequency: times(&oscillator, &divider.recip())?.to_f64()?,
            oscillator_frequency: oscillator.to_f64()?,
            feedback_ratio: total.to_f64()?,
            output_divider: divider.to_f64()?,
            boundary_distance: times(&off, &known.detector)?.to_f64()?,
        })
    }
}

/// As [`Fraction::nearest`] of `rest / denominator`, below 1; `None` where the long way has to tell.
fn nearest_fraction(fraction: &Fraction, rest: u128, denominator: u128) -> Option<(u64, u64)> {
    match fraction.modulus {
        Modulus::Fixed(modulus) => {
            let scaled = rest.checked_mul(modulus.into())?.checked_mul(2)?.checked_add(denominator)?;
            Some((u64::try_from(scaled / denominator.checked_mul(2)?).ok()?, modulus))
        }
        Modulus::Range(low, high) => {
            let lowest = Small::new(rest, denominator);
            let (numerator, denominator) = (lowest.numer().to_u64()?, lowest.denom().to_u64()?);
            let scale = low.div_ceil(denominator).max(1);
            let modulus = denominator.checked_mul(scale).filter(|modulus| *modulus <= high)?;
            Some((numerator.checked_mul(scale)?, modulus))
        }
    }
}
