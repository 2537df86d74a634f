//! Dimensions of units, for checking formulas.

use std::fmt;

use super::Unit;

/// Number of base units: s, V, A, m, K.
pub const BASES: usize = 5;

/// Symbols of the base units. Volt and ampere are bases, since a loop knows no mass.
const SYMBOLS: [&str; BASES] = ["s", "V", "A", "m", "K"];

/// Exponents of the base units, in halves (a noise density goes with the root of a time).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dimension(pub [i8; BASES]);

impl Dimension {
    /// The factor by which a number of this dimension grows where base unit k becomes 2^`by[k]` times smaller.
    ///
    /// A power of two where `by` is even, so that scaling rounds nothing.
    pub fn growth(self, by: [i32; BASES]) -> f64 {
        let halves: i32 = self.0.iter().zip(by).map(|(exponent, by)| i32::from(*exponent) * by).sum();
        2f64.powf(f64::from(halves) / 2.0)
    }
}

impl fmt::Display for Dimension {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.iter().all(|halves| *halves == 0) {
            return f.write_str("a pure number");
        }
        let mut first = true;
        for (halves, symbol) in self.0.iter().zip(SYMBOLS).filter(|(halves, _)| **halves != 0) {
            f.write_str(if first { "" } else { " " })?;
            first = false;
            match (halves % 2, halves / 2) {
                (0, 1) => f.write_str(symbol)?,
                (0, whole) => write!(f, "{symbol}^{whole}")?,
                _ => write!(f, "{symbol}^({halves}/2)")?,
            }
        }
        Ok(())
    }
}

impl Unit {
    /// The dimension; angles, ratios and levels in decibels are pure numbers.
    pub fn dimension(self) -> Dimension {
        Dimension(match self {
            Unit::One
            | Unit::Radian
            | Unit::Degree
            | Unit::Decibel
            | Unit::DecibelCarrier
            | Unit::DecibelCarrierPerHertz
            | Unit::DecibelMilliwatt => [0, 0, 0, 0, 0],
            Unit::Hertz => [-2, 0, 0, 0, 0],
            Unit::Second => [2, 0, 0, 0, 0],
            Unit::Volt => [0, 2, 0, 0, 0],
            Unit::Ampere => [0, 0, 2, 0, 0],
            Unit::Farad => [2, -2, 2, 0, 0],
            Unit::Ohm => [0, 2, -2, 0, 0],
            Unit::Watt => [0, 2, 2, 0, 0],
            Unit::Metre => [0, 0, 0, 2, 0],
            Unit::MetrePerSecond => [-2, 0, 0, 2, 0],
            Unit::Kelvin => [0, 0, 0, 0, 2],
            Unit::HertzPerVolt => [-2, -2, 0, 0, 0],
            Unit::HertzPerKelvin => [-2, 0, 0, 0, -2],
            Unit::VoltPerSecond => [-2, 2, 0, 0, 0],
            Unit::VoltPerRootHertz => [1, 2, 0, 0, 0],
            Unit::AmperePerRootHertz => [1, 0, 2, 0, 0],
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dimensions_print_in_base_units() {
        for (unit, text) in [
            (Unit::One, "a pure number"),
            (Unit::Decibel, "a pure number"),
            (Unit::Hertz, "s^-1"),
            (Unit::Volt, "V"),
            (Unit::Farad, "s V^-1 A"),
            (Unit::VoltPerRootHertz, "s^(1/2) V"),
            (Unit::HertzPerKelvin, "s^-1 K^-1"),
        ] {
            assert_eq!(unit.dimension().to_string(), text);
        }
    }

    #[test]
    fn products_of_units_have_the_sum_of_their_dimensions() {
        let sum = |a: Unit, b: Unit| {
            let (a, b) = (a.dimension().0, b.dimension().0);
            Dimension(std::array::from_fn(|k| a[k] + b[k]))
        };
        assert_eq!(sum(Unit::Ohm, Unit::Farad), Unit::Second.dimension());
        assert_eq!(sum(Unit::Ohm, Unit::Ampere), Unit::Volt.dimension());
        assert_eq!(sum(Unit::HertzPerVolt, Unit::Volt), Unit::Hertz.dimension());
        assert_eq!(sum(Unit::MetrePerSecond, Unit::Second), Unit::Metre.dimension());
        let growth = |unit: Unit, by| unit.dimension().growth(by).to_bits();
        assert_eq!(growth(Unit::Farad, [40, 0, -40, 0, 0]), 1f64.to_bits());
        assert_eq!(growth(Unit::VoltPerRootHertz, [4, -1, 0, 0, 0]), 2f64.to_bits());
    }
}
