//! Whether a formula's result scales as its unit says: the formula is evaluated again in other base units.
//!
//! Where each base unit becomes smaller by a factor, every quantity's number grows by the factor of its own dimension; so
//! must the result. What adds, compares or takes the logarithm of unlike quantities does not.

use super::formula::{FormulaFault, Scope, Unknown, formula};
use crate::units::{BASES, Dimension, Unit};

/// Powers of two by which a base unit shrinks. Far apart, so that neither summand of `1 fs + 1 GHz` hides the other.
const FAR: [i32; 2] = [40, -40];
/// The same, where a high power would overflow.
const NEAR: [i32; 2] = [4, -4];
/// Relative difference that counts as rounding; scaling by powers of two adds none of its own.
const ROUNDING: f64 = 1e-9;

/// Names in scaled base units.
struct Scaled<'a> {
    scope: &'a dyn Scope,
    by: [i32; BASES],
}

impl Scope for Scaled<'_> {
    fn value(&self, name: &str) -> Result<(f64, Unit), Unknown> {
        let (number, unit) = self.scope.value(name)?;
        Ok((number * unit.dimension().growth(self.by), unit))
    }
}

/// Checks that the formula, which has the value `number`, gives a quantity of `unit`.
///
/// Only what decides the value is seen: of `a if c else b` the branch that is taken.
///
/// # Errors
/// [`FormulaFault`] that says what the formula gives instead, or that it mixes quantities that are not alike.
pub fn keeps_dimension(text: &str, number: f64, unit: Unit, scope: &dyn Scope) -> Result<(), FormulaFault> {
    if number == 0.0 {
        return Ok(());
    }
    let growth = |by: [i32; BASES]| {
        let scaled = formula(text, &Scaled { scope, by }).ok()?;
        Some(scaled / number).filter(|ratio| *ratio != 0.0 && ratio.is_finite())
    };
    let only = |base: usize, power: i32| std::array::from_fn(|k| if k == base { power } else { 0 });
    let wanted = unit.dimension();
    let mut found = [0i8; BASES];
    let mut alike = true;
    let mut wrong = false;
    for (base, halves_found) in found.iter_mut().enumerate() {
        let far = FAR.map(|power| (power, growth(only(base, power))));
        let seen = if far.iter().all(|(_, ratio)| ratio.is_some()) {
            far
        } else {
            NEAR.map(|power| (power, growth(only(base, power))))
        };
        let mut halves = None;
        for (power, ratio) in seen {
            let Some(ratio) = ratio else {
                alike = false;
                continue;
            };
            let fits = |d: Dimension| {
                let expected = d.growth(only(base, power));
                (ratio - expected).abs() <= ROUNDING * expected
            };
            wrong |= !fits(wanted);
            let exponent = (2.0 * ratio.abs().log2() / f64::from(power)).round();
            let candidate = exponent.clamp(-100.0, 100.0) as i8;
            let mut one = [0i8; BASES];
            one[base] = candidate;
            alike &= fits(Dimension(one)) && halves.is_none_or(|h| h == candidate);
            halves = Some(candidate);
        }
        *halves_found = halves.unwrap_or(0);
    }
    if alike && !wrong {
        return Ok(());
    }
    let symbol = if unit == Unit::One { "a pure number" } else { unit.symbol() };
    let message = if alike {
        format!("the formula gives {}, its `unit` says {symbol}", Dimension(found))
    } else {
        format!(
            "the formula does not give {symbol}: it adds or compares quantities of different units, or takes a \
             function of one that is no pure number"
        )
    };
    Err(FormulaFault { message, range: 0..text.len(), known: Vec::new() })
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Facts;

    impl Scope for Facts {
        fn value(&self, name: &str) -> Result<(f64, Unit), Unknown> {
            match name {
                "f" => Ok((70e6, Unit::Hertz)),
                "tau" => Ok((120e-15, Unit::Second)),
                "gate" => Ok((100e-15, Unit::Second)),
                "v" => Ok((5.0, Unit::Volt)),
                "i" => Ok((2e-3, Unit::Ampere)),
                "r" => Ok((50.0, Unit::Ohm)),
                "c" => Ok((1e-9, Unit::Farad)),
                "e" => Ok((4e-9, Unit::VoltPerRootHertz)),
                "t" => Ok((298.15, Unit::Kelvin)),
                "snr" => Ok((70.0, Unit::Decibel)),
                "phi" => Ok((0.5, Unit::Radian)),
                _ => Err((format!("no `{name}`"), Vec::new())),
            }
        }
    }

    fn check(text: &str, unit: Unit) -> Result<(), String> {
        let number = formula(text, &Facts).unwrap_or_else(|fault| panic!("{text}: {fault:?}"));
        keeps_dimension(text, number, unit, &Facts).map_err(|fault| fault.message)
    }

    #[test]
    fn formulas_of_the_right_unit_are_kept() {
        for (text, unit) in [
            ("10 ** (-snr / 20) / (2 * pi * f)", Unit::Second),
            ("sqrt(tau ** 2 - gate ** 2)", Unit::Second),
            ("max(0, tau - gate)", Unit::Second),
            ("max(0, gate - tau)", Unit::Second),
            ("20 * log10(tau / gate)", Unit::Decibel),
            ("tau if tau > gate else gate", Unit::Second),
            ("f if f * tau < 1 else 1 / tau", Unit::Hertz),
            ("v ** 2 / r", Unit::Watt),
            ("v * i", Unit::Watt),
            ("r * c", Unit::Second),
            ("e * sqrt(f)", Unit::Volt),
            ("sin(phi) + atan(f * tau)", Unit::Radian),
            ("-f", Unit::Hertz),
            ("tau ** 20 / tau ** 19", Unit::Second),
            ("tau - tau", Unit::Volt),
        ] {
            assert_eq!(check(text, unit), Ok(()), "{text}");
        }
    }

    #[test]
    fn a_wrong_unit_is_named() {
        for (text, unit, said) in [
            ("v ** 2 / 50", Unit::Watt, "the formula gives V^2, its `unit` says W"),
            ("1 / f", Unit::Hertz, "the formula gives s, its `unit` says Hz"),
            ("2 * 3", Unit::Second, "the formula gives a pure number, its `unit` says s"),
            ("f * tau * 2 * f", Unit::One, "the formula gives s^-1, its `unit` says a pure number"),
            ("e * 3", Unit::Volt, "the formula gives s^(1/2) V, its `unit` says V"),
        ] {
            assert_eq!(check(text, unit), Err(said.to_owned()), "{text}");
        }
    }

    #[test]
    fn unlike_quantities_are_found_whatever_their_size() {
        for (text, unit) in [
            ("tau + f", Unit::Hertz),
            ("f + tau", Unit::Second),
            ("log10(f)", Unit::One),
            ("20 * log10(v)", Unit::Decibel),
            ("f if f > tau else 2 * f", Unit::Hertz),
            ("sin(tau)", Unit::One),
            ("sqrt(1 - tau)", Unit::One),
            ("t - 273.15", Unit::Kelvin),
            ("exp(-tau)", Unit::One),
            ("max(tau, 1e-15)", Unit::Second),
        ] {
            let said = check(text, unit).expect_err(text);
            assert!(said.contains("different units"), "{text}: {said}");
        }
    }
}
