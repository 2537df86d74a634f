//! Where ticks stand, exactly: positions are made from decimal text, so that 0.3 is the 0.3 that people write.

/// Ticks of an axis.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ticks {
    /// Those with a label, ascending.
    pub major: Vec<f64>,
    /// Those without.
    pub minor: Vec<f64>,
    /// Decimals that the linear step has after the power of ten 0: 0.25 has 2, 20 has -1.
    pub decimals: i32,
}

/// Share of the axis by which a tick may lie outside of its ends and still count as inside.
const TOLERANCE: f64 = 1e-9;

fn decimal(mantissa: i64, exponent: i32) -> f64 {
    // The text is a number by its making; infinity where it is too large.
    format!("{mantissa}e{exponent}").parse().unwrap_or(f64::INFINITY)
}

/// The exponent of a value: 3 for 1000 to 9999.
pub(super) fn decade(value: f64) -> i32 {
    // The exponent of the shortest decimal text: exact at powers of ten, unlike log10.
    let text = format!("{value:e}");
    text.split_once('e').and_then(|(_, exponent)| exponent.parse().ok()).unwrap_or(0)
}

/// The value times a power of ten, as decimal text would have it.
pub(super) fn shifted(value: f64, power: i32) -> f64 {
    let text = format!("{value:e}");
    let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
    let exponent: i32 = exponent.parse().unwrap_or(0);
    format!("{mantissa}e{}", exponent + power).parse().unwrap_or(value)
}

/// The greatest of 1, 2, 5 times a power of ten that is not above the value.
pub(super) fn digit_below(value: f64) -> f64 {
    let exponent = decade(value);
    [5, 2].into_iter().map(|m| decimal(m, exponent)).find(|v| *v <= value).unwrap_or(decimal(1, exponent))
}

/// The least of 1, 2, 5 times a power of ten that is not below the value.
pub(super) fn digit_above(value: f64) -> f64 {
    let exponent = decade(value);
    [1, 2, 5]
        .into_iter()
        .map(|m| decimal(m, exponent))
        .find(|v| *v >= value)
        .unwrap_or(decimal(1, exponent + 1))
}

/// A step of 1, 2 or 5 times a power of ten: `mantissa * 10^exponent`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Step {
    mantissa: i64,
    exponent: i32,
}

impl Step {
    pub fn new(mantissa: i64, exponent: i32) -> Self {
        Self { mantissa, exponent }
    }

    pub fn value(self) -> f64 {
        decimal(self.mantissa, self.exponent)
    }

    /// The least round step that needs at most `most` intervals for the span; steps of `wished` come first.
    pub fn for_span(span: f64, most: usize, wished: &[i64]) -> Step {
        let most = most.max(1) as f64;
        let fits = |step: &Step| span / step.value() <= most + TOLERANCE;
        if let Some(step) = wished.iter().map(|m| Step::new(*m, 0)).find(fits) {
            return step;
        }
        let start = decade(span / most);
        (start - 1..=start + 1)
            .flat_map(|e| [(1, e), (2, e), (5, e)])
            .map(|(m, e)| Step::new(m, e))
            .find(fits)
            .unwrap_or(Step::new(1, start + 2))
    }

    /// The range widened to whole steps.
    pub fn round_out(self, from: f64, to: f64) -> (f64, f64) {
        let step = self.value();
        let low = (from / step + TOLERANCE).floor() as i64;
        let high = (to / step - TOLERANCE).ceil() as i64;
        (self.multiple(low), self.multiple(high.max(low.saturating_add(1))))
    }

    fn multiple(self, k: i64) -> f64 {
        decimal(k.saturating_mul(self.mantissa), self.exponent)
    }
}

/// Ticks at the multiples of the step.
pub(super) fn linear(from: f64, to: f64, step: Step) -> Ticks {
    let size = step.value();
    let slack = (to - from) * TOLERANCE;
    let first = ((from - slack) / size).ceil() as i64;
    let last = ((to + slack) / size).floor() as i64;
    // A range far from zero against its span has more ticks than doubles tell apart: 1000 are enough for any axis.
    let major = (first..=last.min(first.saturating_add(1000))).map(|k| step.multiple(k)).collect();
    Ticks { major, minor: Vec::new(), decimals: -step.exponent }
}

/// Ticks of a log axis: decades from two up, 1-2-5 below, every digit below one decade, round steps where fewer
/// than two digits fit.
pub(super) fn log(from: f64, to: f64) -> Ticks {
    let span = (to / from).log10();
    let inside = |v: &f64| {
        let u = (v / from).log10();
        (-TOLERANCE * span..=span * (1.0 + TOLERANCE)).contains(&u)
    };
    let decades = decade(from)..=decade(to);
    let digits = |wanted: &[i64]| -> Vec<f64> {
        decades.clone().flat_map(|e| wanted.iter().map(move |m| decimal(*m, e))).filter(inside).collect()
    };
    let every: Vec<f64> = digits(&[1, 2, 3, 4, 5, 6, 7, 8, 9]);
    let major: Vec<f64> = if span >= 2.0 - TOLERANCE {
        // Twelve labels are as many as an axis carries; then every second or third decade.
        let stride = (span / 12.0).ceil().max(1.0) as i32;
        decades.clone().filter(|e| e % stride == 0).map(|e| decimal(1, e)).filter(inside).collect()
    } else if span >= 1.0 - TOLERANCE {
        digits(&[1, 2, 5])
    } else {
        every.clone()
    };
    if major.len() < 2 {
        return linear(from, to, Step::for_span(to - from, 5, &[]));
    }
    let minor = if span > 12.0 {
        digits(&[1]).into_iter().filter(|v| !major.contains(v)).collect()
    } else {
        every.into_iter().filter(|v| !major.contains(v)).collect()
    };
    Ticks { major, minor, decimals: 0 }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "ticks are exact, not nearly so")]
mod tests {
    use super::*;

    #[test]
    fn decades_from_two_up() {
        let ticks = log(100.0, 1e7);
        assert_eq!(ticks.major, [1e2, 1e3, 1e4, 1e5, 1e6, 1e7]);
        assert_eq!(ticks.minor.len(), 5 * 8);
        assert_eq!(log(1e-12, 1e-9).major, [1e-12, 1e-11, 1e-10, 1e-9]);
        assert_eq!(log(150.0, 9e4).major, [1e3, 1e4]);
        assert_eq!(log(1e-15, 1e15).major.len(), 11);
    }

    #[test]
    fn one_two_five_below_two_decades() {
        assert_eq!(log(1e3, 5e4).major, [1e3, 2e3, 5e3, 1e4, 2e4, 5e4]);
        assert_eq!(log(1e3, 1e4).major, [1e3, 2e3, 5e3, 1e4]);
    }

    #[test]
    fn every_digit_below_one_decade() {
        assert_eq!(log(2e3, 8e3).major, [2e3, 3e3, 4e3, 5e3, 6e3, 7e3, 8e3]);
        assert_eq!(log(0.08, 0.3).major, [0.08, 0.09, 0.1, 0.2, 0.3]);
    }

    #[test]
    fn round_steps_where_no_two_digits_fit() {
        assert_eq!(log(1.05e3, 1.45e3).major, [1.1e3, 1.2e3, 1.3e3, 1.4e3]);
    }

    #[test]
    fn linear_ticks_are_the_decimals_people_write() {
        let step = Step::for_span(0.6, 6, &[]);
        assert_eq!(linear(0.0, 0.6, step).major, [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6]);
        let step = Step::for_span(100.0, 5, &[]);
        assert_eq!(linear(-160.0, -60.0, step).major, [-160.0, -140.0, -120.0, -100.0, -80.0, -60.0]);
        assert_eq!(Step::for_span(7e-6, 5, &[]).value(), 2e-6);
        assert_eq!(Step::for_span(170.0, 6, &[15, 30, 45, 90]).value(), 30.0);
    }

    #[test]
    fn digits_around_a_value() {
        assert_eq!([digit_below(3.1e-15), digit_above(3.1e-15)], [2e-15, 5e-15]);
        assert_eq!([digit_below(1e3), digit_above(1e3)], [1e3, 1e3]);
        assert_eq!(digit_above(7e4), 1e5);
        assert_eq!(shifted(120e-6, 6), 120.0);
    }

    #[test]
    fn ranges_widen_to_whole_steps() {
        let step = Step::new(20, 0);
        assert_eq!(step.round_out(-151.2, -83.0), (-160.0, -80.0));
        assert_eq!(step.round_out(-160.0, -80.0), (-160.0, -80.0));
        assert_eq!(step.round_out(3.0, 3.0), (0.0, 20.0));
        assert_eq!(step.round_out(20.0, 20.0), (20.0, 40.0));
    }
}
