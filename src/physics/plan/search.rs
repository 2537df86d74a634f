//! Search for the reference divider: exact, from the highest detector frequency down.

use num_bigint::BigInt;
use num_traits::{One, Signed, ToPrimitive, Zero};

use super::dividers::{LARGEST_FEEDBACK_DIVIDER, LARGEST_REFERENCE_DIVIDER};
use super::fraction::{LARGEST_FIXED_MODULUS, LARGEST_VARIABLE_MODULUS};
use super::swift::Reach;
use super::{FeedbackSet, Modulus, OffRaster, Plan, PlanError, Rational, Request};

pub(super) fn solve(request: &Request) -> Result<Plan, Box<PlanError>> {
    check_sets(request)?;
    let search = Search::new(request)?;
    let plan = match (&request.detector_frequency, &request.dividers.fraction) {
        (Some(wanted), _) => search.given(wanted)?,
        (None, Some(_)) => return search.highest_fractional(),
        (None, None) => return search.highest_integer(),
    };
    search.check(&plan).map_err(|(_, error)| error)?;
    Ok(plan)
}

type Checked = Result<(), Box<PlanError>>;

/// Refuses sets without a member, and sizes no search should have to cover.
fn check_sets(request: &Request) -> Checked {
    let dividers = &request.dividers;
    let positive = |x: &Rational, what| -> Checked {
        if x.is_positive() { Ok(()) } else { Err(PlanError::Empty(what).into()) }
    };
    let bounded = |value: u64, limit, what| -> Checked {
        if value > limit { Err(PlanError::TooLarge { what, limit }.into()) } else { Ok(()) }
    };
    positive(&request.reference_frequency, "reference.frequency")?;
    positive(&request.detector_limit, "detector.max_frequency")?;
    request.detector_frequency.iter().try_for_each(|f| positive(f, "detector_frequency"))?;
    request.step.iter().try_for_each(|f| positive(f, "step"))?;
    request.outputs.iter().try_for_each(|f| positive(f, "output"))?;
    dividers.output.iter().try_for_each(|o| positive(o, "output_divider"))?;
    if request.outputs.is_empty() {
        return Err(PlanError::Empty("outputs").into());
    }
    if dividers.output.is_empty() {
        return Err(PlanError::Empty("output_divider").into());
    }
    if dividers.oscillator.is_empty() {
        return Err(PlanError::Empty("range").into());
    }
    let reference = request.reference_divider.min().zip(request.reference_divider.max());
    let (low, high) = reference.ok_or(PlanError::Empty("reference_divider"))?;
    if low == 0 {
        return Err(PlanError::Empty("reference_divider").into());
    }
    bounded(high, LARGEST_REFERENCE_DIVIDER, "reference_divider")?;
    if dividers.fixed_prescaler == 0 {
        return Err(PlanError::Empty("fixed_prescaler").into());
    }
    bounded(dividers.fixed_prescaler, LARGEST_FEEDBACK_DIVIDER, "fixed_prescaler")?;
    match &dividers.feedback {
        FeedbackSet::Plain(set) => {
            bounded(set.max().unwrap_or(0), LARGEST_FEEDBACK_DIVIDER, "feedback_divider")?;
        }
        FeedbackSet::Swallow { prescalers, a, b } => {
            let limit = LARGEST_FEEDBACK_DIVIDER;
            prescalers.iter().chain([&a.1, &b.1]).try_for_each(|x| bounded(*x, limit, "feedback_divider"))?;
            let largest = prescalers.iter().max().unwrap_or(&0) * b.1 + a.1;
            bounded(largest, limit, "feedback_divider")?;
        }
    }
    if dividers.feedback.limits().is_none_or(|(low, _)| low == 0) {
        return Err(PlanError::Empty("feedback_divider").into());
    }
    if let Some(fraction) = &dividers.fraction {
        match fraction.modulus {
            Modulus::Fixed(m) => bounded(m, LARGEST_FIXED_MODULUS, "fraction.modulus")?,
            Modulus::Range(_, high) => bounded(high, LARGEST_VARIABLE_MODULUS, "fraction.modulus")?,
        }
        if matches!(fraction.modulus, Modulus::Fixed(0) | Modulus::Range(0, _))
            || matches!(fraction.modulus, Modulus::Range(low, high) if low > high)
        {
            return Err(PlanError::Empty("fraction.modulus").into());
        }
        if fraction.order == 0 {
            return Err(PlanError::Empty("fraction.order").into());
        }
        bounded(fraction.order.into(), 6, "fraction.order")?;
    }
    Ok(())
}

struct Search<'a> {
    request: &'a Request,
    /// Frequency at the reference divider's input, `D f_ref`.
    input: Rational,
    /// Least reference divider that respects the detector's limit.
    first_divider: u64,
    /// Largest reference divider.
    last_divider: u64,
    /// Oscillator frequency of each channel.
    oscillator: Vec<Rational>,
}

impl<'a> Search<'a> {
    fn new(request: &'a Request) -> Result<Self, Box<PlanError>> {
        let mut input = request.reference_frequency.clone();
        if let Some(doubler) = &request.doubler {
            if let Some(limit) = doubler.limit.as_ref().filter(|limit| input > **limit) {
                return Err(PlanError::DoublerTooFast { reference: input, limit: limit.clone() }.into());
            }
            input *= BigInt::from(2);
        }
        let last_divider = request.reference_divider.max().unwrap_or(1);
        let least = (&input / &request.detector_limit).ceil().to_integer().to_u64().unwrap_or(u64::MAX);
        let Some(first_divider) = request.reference_divider.at_least(least) else {
            let frequency = input / BigInt::from(last_divider);
            return Err(
                PlanError::DetectorTooFast { frequency, limit: request.detector_limit.clone() }.into()
            );
        };
        let reach = Reach::new(&request.dividers);
        let oscillator = |output| match reach.as_ref().and_then(|reach| reach.oscillator_for(output)) {
            Some(frequency) => Ok(frequency),
            None => request.dividers.oscillator_for(output).map(|(_, frequency)| frequency),
        };
        let oscillator = request.outputs.iter().map(oscillator).collect::<Result<_, _>>()?;
        Ok(Self { request, input, first_divider, last_divider, oscillator })
    }

    fn plan(&self, reference_divider: u64) -> Plan {
        Plan {
            reference_divider,
            doubled: self.request.doubler.is_some(),
            detector_frequency: &self.input / BigInt::from(reference_divider),
            dividers: self.request.dividers.clone(),
        }
    }

    /// `P D f_ref`: what one step of the feedback divider is worth at R = 1.
    fn counted_input(&self) -> Rational {
        &self.input * BigInt::from(self.request.dividers.fixed_prescaler)
    }

    /// Output dividers in use, each once.
    fn output_dividers(&self) -> Vec<Rational> {
        let mut list: Vec<_> =
            self.oscillator.iter().zip(&self.request.outputs).map(|(f, out)| f / out).collect();
        list.sort();
        list.dedup();
        list
    }

    /// Makes every channel (and, with integer dividers, the step) with `plan`; the error comes with
    /// the number of channels served before it.
    fn check(&self, plan: &Plan) -> Result<(), (usize, Box<PlanError>)> {
        let swift = plan.swift();
        for (served, output) in self.request.outputs.iter().enumerate() {
            swift.check(output).map_err(|error| (served, error))?;
        }
        if let (Some(step), None) = (&self.request.step, &self.request.dividers.fraction) {
            for divider in self.output_dividers() {
                plan.check_step(step, &divider).map_err(|error| (self.oscillator.len(), error))?;
            }
        }
        Ok(())
    }

    fn given(&self, wanted: &Rational) -> Result<Plan, Box<PlanError>> {
        let limit = &self.request.detector_limit;
        if wanted > limit {
            return Err(PlanError::DetectorTooFast { frequency: wanted.clone(), limit: limit.clone() }.into());
        }
        let ratio = &self.input / wanted;
        let set = &self.request.reference_divider;
        let whole = ratio.to_integer().to_u64().unwrap_or(u64::MAX - 1);
        if ratio.is_integer() && set.contains(whole) {
            return Ok(self.plan(whole));
        }
        let made = |r: u64| &self.input / BigInt::from(r);
        let below = set.at_least(whole + 1).map(made);
        let above = set.at_most(whole).filter(|r| *r >= self.first_divider).map(made);
        Err(PlanError::NoReferenceDivider { wanted: wanted.clone(), below, above }.into())
    }

    /// Fractional: every ratio can be made, so the least reference divider that keeps N in range.
    fn highest_fractional(&self) -> Result<Plan, Box<PlanError>> {
        let counted = self.counted_input();
        let (n_min, n_max) = self.request.dividers.feedback.limits().unwrap_or((1, 1));
        // Below this the lowest channel has too small a ratio, above the next the highest one too large
        // (by more than the rounding of a fraction can mend).
        let lowest = self.oscillator.iter().min().unwrap_or(&counted);
        let highest = self.oscillator.iter().max().unwrap_or(&counted);
        let scaled = |n: u64, f: &Rational| (&counted * BigInt::from(n) / f).floor().to_integer().to_u64();
        let from = scaled(n_min.saturating_sub(1), lowest).unwrap_or(u64::MAX).max(self.first_divider);
        let to = scaled(n_max + 1, highest).unwrap_or(u64::MAX);
        let mut failure = Failure::default();
        for r in self.request.reference_divider.members_from(from).take_while(|r| *r <= to) {
            let plan = self.plan(r);
            match self.check(&plan) {
                Ok(()) => return Ok(plan),
                Err((served, error)) => failure.keep(served, error),
            }
        }
        Err(failure.0.map_or_else(|| self.out_of_range(from), |(_, error)| error))
    }

    /// Where no divider was worth trying: the error of the nearest one that exists.
    fn out_of_range(&self, wanted: u64) -> Box<PlanError> {
        let set = &self.request.reference_divider;
        let nearest = set.at_least(wanted).or_else(|| set.at_most(wanted)).unwrap_or(self.last_divider);
        let nearest = nearest.max(self.first_divider);
        match self.check(&self.plan(nearest)) {
            Err((_, error)) => error,
            Ok(()) => PlanError::Empty("reference_divider").into(),
        }
    }

    /// Integer: `P f_pd` must divide the common raster G of all oscillator frequencies and steps, so that
    /// with `G / (P D f_ref) = u / v` in lowest terms only `R = j v` will do, and then `G = j u P f_pd`.
    /// A channel is `k G`, its divider `k j u`: integers from here on.
    fn highest_integer(&self) -> Result<Plan, Box<PlanError>> {
        let raster = self.raster();
        let ratio = &raster / self.counted_input();
        let (Some(unit), Some(stride)) = (ratio.numer().to_u64(), ratio.denom().to_u64()) else {
            return Err(self.no_common_divider(&raster).into());
        };
        let multiples: Vec<u64> = self
            .oscillator
            .iter()
            .map(|f| {
                (f / &raster).to_integer().to_u64().and_then(|k| k.checked_mul(unit)).unwrap_or(u64::MAX)
            })
            .collect();
        let (least, largest) = multiples.iter().fold((u64::MAX, 0), |(l, h), k| (l.min(*k), h.max(*k)));
        let feedback = &self.request.dividers.feedback;
        let (n_min, n_max) = feedback.limits().unwrap_or((1, 1));

        let first = self.first_divider.div_ceil(stride);
        let last = self.last_divider / stride;
        let candidates = || (first..=last).filter(|j| self.request.reference_divider.contains(j * stride));
        let worth_trying = |j: &u64| *j >= n_min.div_ceil(least) && *j <= n_max / largest;
        let mut furthest: Option<(usize, u64)> = None;
        for j in candidates().filter(worth_trying) {
            match multiples.iter().position(|k| !feedback.contains(k * j)) {
                None => return Ok(self.plan(j * stride)),
                Some(served) if furthest.is_none_or(|(most, _)| served > most) => {
                    furthest = Some((served, j));
                }
                Some(_) => {}
            }
        }
        // The failure to report: of the divider that serves most channels, else of the one nearest the range.
        let wanted = n_min.div_ceil(least);
        let told = furthest.map(|(_, j)| j).or_else(|| candidates().min_by_key(|j| j.abs_diff(wanted)));
        match told.map(|j| self.check(&self.plan(j * stride))) {
            Some(Err((_, error))) => Err(error),
            _ => Err(self.no_common_divider(&raster).into()),
        }
    }

    /// Greatest common divisor of all oscillator frequencies and of the step at the oscillator.
    fn raster(&self) -> Rational {
        let steps = self
            .request
            .step
            .iter()
            .flat_map(|step| self.output_dividers().into_iter().map(move |o| o * step));
        self.oscillator.iter().cloned().chain(steps).fold(Rational::zero(), common_divisor)
    }

    /// Why no reference divider fits the raster: a channel or the step that no detector frequency makes,
    /// else that no single one makes them all.
    fn no_common_divider(&self, raster: &Rational) -> PlanError {
        let counted = self.counted_input();
        let possible = |frequency: &Rational| {
            let stride = (frequency / &counted).denom().to_u64();
            stride.is_some_and(|v| {
                let first = self.first_divider.div_ceil(v);
                (first..=self.last_divider / v).any(|j| self.request.reference_divider.contains(j * v))
            })
        };
        for (frequency, output) in self.oscillator.iter().zip(&self.request.outputs) {
            if !possible(frequency) {
                let feedback = &self.request.dividers.feedback;
                let (below, above) = self.nearest(frequency, feedback);
                let scale = output / frequency;
                return PlanError::NotAMultiple {
                    what: OffRaster::Output,
                    value: output.clone(),
                    below: below.map(|f| f * &scale),
                    above: above.map(|f| f * &scale),
                };
            }
        }
        for (step, divider) in
            self.request.step.iter().flat_map(|s| self.output_dividers().into_iter().map(move |o| (s, o)))
        {
            let frequency = step * &divider;
            if !possible(&frequency) {
                let any = FeedbackSet::Plain(super::IntegerSet::Range(1, u64::MAX));
                let (below, above) = self.nearest(&frequency, &any);
                return PlanError::NotAMultiple {
                    what: OffRaster::Step,
                    value: step.clone(),
                    below: below.map(|f| f / &divider),
                    above: above.map(|f| f / &divider),
                };
            }
        }
        let prescaler = BigInt::from(self.request.dividers.fixed_prescaler);
        let finest = &self.input / BigInt::from(self.last_divider);
        PlanError::NoCommonDetectorFrequency { raster: raster / prescaler, finest }
    }

    /// Nearest frequencies `n P D f_ref / R` below and above one that can't be made itself, over every R.
    fn nearest(&self, frequency: &Rational, feedback: &FeedbackSet) -> (Option<Rational>, Option<Rational>) {
        let counted = self.counted_input();
        let ratio = frequency / &counted;
        // n / R as a pair of small integers, compared by cross products.
        let less = |x: (u64, u64), y: (u64, u64)| {
            u128::from(x.0) * u128::from(y.1) < u128::from(y.0) * u128::from(x.1)
        };
        let mut below: Option<(u64, u64)> = None;
        let mut above: Option<(u64, u64)> = None;
        for r in self.request.reference_divider.members_from(self.first_divider) {
            let Some(floor) = (ratio.numer() * BigInt::from(r) / ratio.denom()).to_u64() else { continue };
            if let Some(n) = feedback.at_most(floor)
                && below.is_none_or(|best| less(best, (n, r)))
            {
                below = Some((n, r));
            }
            if let Some(n) = floor.checked_add(1).and_then(|n| feedback.at_least(n))
                && above.is_none_or(|best| less((n, r), best))
            {
                above = Some((n, r));
            }
        }
        let made = |(n, r): (u64, u64)| Rational::new(n.into(), r.into()) * &counted;
        (below.map(made), above.map(made))
    }
}

/// The failure of the detector frequency that served the most channels, the highest of equals.
#[derive(Default)]
struct Failure(Option<(usize, Box<PlanError>)>);

impl Failure {
    fn keep(&mut self, served: usize, error: Box<PlanError>) {
        if self.0.as_ref().is_none_or(|(most, _)| served > *most) {
            self.0 = Some((served, error));
        }
    }
}

/// Greatest common divisor of two rationals, none negative; the other one where one is zero.
fn common_divisor(mut x: Rational, mut y: Rational) -> Rational {
    while !y.is_zero() {
        let whole = if x.denom().is_one() && y.denom().is_one() {
            Rational::from_integer(x.numer() % y.numer())
        } else {
            &x % &y
        };
        x = std::mem::replace(&mut y, whole);
    }
    x
}
