//! Preferred values of resistors and capacitors.
//!
//! Source: IEC 60063:2015, Preferred number series for resistors and capacitors, clause 4 tables.

/// A series of preferred values, named after the number of its values in a decade.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Series {
    /// 3 values a decade.
    E3,
    /// 6 values a decade.
    E6,
    /// 12 values a decade.
    E12,
    /// 24 values a decade.
    E24,
    /// 48 values a decade.
    E48,
    /// 96 values a decade.
    E96,
    /// 192 values a decade.
    E192,
}

/// A printed list that no rule gives: eight values differ from `10^(n/24)` rounded.
const E24: [f64; 24] = [
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8,
    7.5, 8.2, 9.1,
];
const E12: [f64; 12] = every(2, &E24);
const E6: [f64; 6] = every(4, &E24);
const E3: [f64; 3] = every(8, &E24);

/// `10^(n/192)` rounded to two decimals, but for 9.20 (the rule would give 9.19).
#[rustfmt::skip]
const E192: [f64; 192] = [
    1.00, 1.01, 1.02, 1.04, 1.05, 1.06, 1.07, 1.09, 1.10, 1.11, 1.13, 1.14, 1.15, 1.17, 1.18, 1.20,
    1.21, 1.23, 1.24, 1.26, 1.27, 1.29, 1.30, 1.32, 1.33, 1.35, 1.37, 1.38, 1.40, 1.42, 1.43, 1.45,
    1.47, 1.49, 1.50, 1.52, 1.54, 1.56, 1.58, 1.60, 1.62, 1.64, 1.65, 1.67, 1.69, 1.72, 1.74, 1.76,
    1.78, 1.80, 1.82, 1.84, 1.87, 1.89, 1.91, 1.93, 1.96, 1.98, 2.00, 2.03, 2.05, 2.08, 2.10, 2.13,
    2.15, 2.18, 2.21, 2.23, 2.26, 2.29, 2.32, 2.34, 2.37, 2.40, 2.43, 2.46, 2.49, 2.52, 2.55, 2.58,
    2.61, 2.64, 2.67, 2.71, 2.74, 2.77, 2.80, 2.84, 2.87, 2.91, 2.94, 2.98, 3.01, 3.05, 3.09, 3.12,
    3.16, 3.20, 3.24, 3.28, 3.32, 3.36, 3.40, 3.44, 3.48, 3.52, 3.57, 3.61, 3.65, 3.70, 3.74, 3.79,
    3.83, 3.88, 3.92, 3.97, 4.02, 4.07, 4.12, 4.17, 4.22, 4.27, 4.32, 4.37, 4.42, 4.48, 4.53, 4.59,
    4.64, 4.70, 4.75, 4.81, 4.87, 4.93, 4.99, 5.05, 5.11, 5.17, 5.23, 5.30, 5.36, 5.42, 5.49, 5.56,
    5.62, 5.69, 5.76, 5.83, 5.90, 5.97, 6.04, 6.12, 6.19, 6.26, 6.34, 6.42, 6.49, 6.57, 6.65, 6.73,
    6.81, 6.90, 6.98, 7.06, 7.15, 7.23, 7.32, 7.41, 7.50, 7.59, 7.68, 7.77, 7.87, 7.96, 8.06, 8.16,
    8.25, 8.35, 8.45, 8.56, 8.66, 8.76, 8.87, 8.98, 9.09, 9.20, 9.31, 9.42, 9.53, 9.65, 9.76, 9.88,
];
const E96: [f64; 96] = every(2, &E192);
const E48: [f64; 48] = every(4, &E192);

/// Every so manyth value of a finer series.
const fn every<const N: usize, const M: usize>(step: usize, of: &[f64; M]) -> [f64; N] {
    let mut values = [0.0; N];
    let mut k = 0;
    while k < N {
        values[k] = of[k * step];
        k += 1;
    }
    values
}

impl Series {
    /// All of them, coarse to fine.
    pub const ALL: [Self; 7] = [Self::E3, Self::E6, Self::E12, Self::E24, Self::E48, Self::E96, Self::E192];

    /// Its name in the standard, such as `E24`.
    pub fn name(self) -> &'static str {
        match self {
            Self::E3 => "E3",
            Self::E6 => "E6",
            Self::E12 => "E12",
            Self::E24 => "E24",
            Self::E48 => "E48",
            Self::E96 => "E96",
            Self::E192 => "E192",
        }
    }

    /// The series of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.name() == name)
    }

    /// The values of one decade, ascending from 1.
    pub fn values(self) -> &'static [f64] {
        match self {
            Self::E3 => &E3,
            Self::E6 => &E6,
            Self::E12 => &E12,
            Self::E24 => &E24,
            Self::E48 => &E48,
            Self::E96 => &E96,
            Self::E192 => &E192,
        }
    }

    /// The relative tolerance that parts of this series usually have. Common practice, no source: the standard ties
    /// tolerances to E3 to E24 only loosely, and the gaps of a series are wider than this.
    pub fn usual_tolerance(self) -> f64 {
        match self {
            Self::E3 => 0.4,
            Self::E6 => 0.2,
            Self::E12 => 0.1,
            Self::E24 => 0.05,
            Self::E48 => 0.02,
            Self::E96 => 0.01,
            Self::E192 => 0.005,
        }
    }

    /// The value of the series nearest to `value` (> 0) by ratio; the larger one where both are equally near.
    pub fn nearest(self, value: f64) -> f64 {
        let (below, above) = self.neighbours(value);
        if value / below < above / value { below } else { above }
    }

    /// The value of the series nearest to `value` (> 0) by difference; the larger one where both are equally near.
    pub fn nearest_arithmetic(self, value: f64) -> f64 {
        let (below, above) = self.neighbours(value);
        if value - below < above - value { below } else { above }
    }

    /// The largest value of the series that is not above `value` (> 0, finite), and the smallest that is not below
    /// it: both are the same where `value` is, but for a few roundings, one of the series. Each is the double nearest to its decimal text, so that
    /// 3.3 nF compares equal to the literal `3.3e-9`.
    pub fn neighbours(self, value: f64) -> (f64, f64) {
        let values = self.values();
        let decade = value.log10().floor() as i32;
        // A logarithm may round up to the next decade; one more on either side makes the search safe.
        let mut below = decimal(values[0], decade - 1);
        for exponent in decade - 1..=decade + 1 {
            for &mantissa in values {
                let next = decimal(mantissa, exponent);
                if is_same(next, value) {
                    return (next, next);
                }
                if next > value {
                    return (below, next);
                }
                below = next;
            }
        }
        (below, below)
    }
}

/// Powers of ten that a double holds exactly.
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

/// `mantissa x 10^exponent` of a mantissa of two decimals, rounded once: as a whole number times or over a power of ten,
/// both exact; through text where there is no such power.
fn decimal(mantissa: f64, exponent: i32) -> f64 {
    let whole = (mantissa * 100.0).round();
    let power = exponent - 2;
    match TENS.get(power.unsigned_abs() as usize) {
        Some(ten) if power < 0 => whole / ten,
        Some(ten) => whole * ten,
        None => format!("{mantissa}e{exponent}").parse().expect("a number was just written"),
    }
}

/// Whether two values are the same part, an error of a few roundings aside.
fn is_same(a: f64, b: f64) -> bool {
    (a - b).abs() <= 4.0 * f64::EPSILON * a.abs()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::float_cmp, reason = "values must be the very doubles of their texts")]

    use super::*;

    #[test]
    fn every_value_is_its_own_neighbour_in_any_decade() {
        for series in Series::ALL {
            for exponent in -15..10 {
                for &mantissa in series.values() {
                    let value = decimal(mantissa, exponent);
                    assert_eq!(series.neighbours(value), (value, value));
                    assert_eq!(series.nearest(value), value);
                }
            }
        }
    }

    #[test]
    fn values_are_the_doubles_of_their_texts() {
        for exponent in -30..30 {
            for &mantissa in Series::E192.values().iter().chain(Series::E24.values()) {
                let text: f64 = format!("{mantissa}e{exponent}").parse().expect("a number");
                assert_eq!(decimal(mantissa, exponent), text, "{mantissa}e{exponent}");
            }
        }
    }

    #[test]
    fn values_are_the_doubles_of_their_literals() {
        assert_eq!(Series::E24.nearest(3.31e-9), 3.3e-9);
        assert_eq!(Series::E96.nearest(4.99e-12), 4.99e-12);
        assert_eq!(Series::E192.nearest(9.2e5), 9.2e5);
    }

    #[test]
    fn neighbours_wrap_into_the_next_decade() {
        assert_eq!(Series::E24.neighbours(9.5e-9), (9.1e-9, 1e-8));
        assert_eq!(Series::E3.neighbours(9.999999e3), (4.7e3, 1e4));
        assert_eq!(Series::E96.neighbours(0.999), (0.976, 1.0));
    }

    #[test]
    fn neighbours_enclose_and_nearest_is_one_of_them() {
        for series in Series::ALL {
            for k in 0..2000 {
                let value = 10f64.powf(-13.0 + 0.0101 * k as f64);
                let (below, above) = series.neighbours(value);
                assert!(below <= value && value <= above, "{value}: {below} .. {above}");
                assert!(above / below <= 2.2 * (1.0 + 1e-12), "E3 has the widest gap, 1 to 2.2");
                let nearest = series.nearest(value);
                assert!(nearest == below || nearest == above);
            }
        }
    }

    #[test]
    fn a_rounding_error_away_from_a_value_is_that_value() {
        let value = 3.0 * 1.1;
        assert_eq!(Series::E24.neighbours(value), (3.3, 3.3));
    }

    #[test]
    fn names_are_read_back() {
        for series in Series::ALL {
            assert_eq!(Series::from_name(series.name()), Some(series));
        }
        assert_eq!(Series::from_name("E7"), None);
    }
}
