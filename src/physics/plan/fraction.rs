//! The fractional part of a divider as numerator over modulus.

use num_bigint::BigInt;
use num_traits::{NumOps, One, Signed, ToPrimitive, Zero};

use super::Rational;

/// Largest modulus of a range of moduli (a fixed modulus may be larger).
pub const LARGEST_VARIABLE_MODULUS: u64 = 1 << 20;
/// Largest fixed modulus.
pub const LARGEST_FIXED_MODULUS: u64 = 1 << 48;

/// The fractional part of the feedback divider.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fraction {
    /// The moduli there are.
    pub modulus: Modulus,
    /// Order m of the modulator, 1 to 6.
    pub order: u32,
    /// What its first accumulator holds when a channel is set, below every modulus.
    pub start: u64,
}

/// What the denominator of the fraction can be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Modulus {
    /// One value, e.g. `1 << 24`.
    Fixed(u64),
    /// Programmable, both ends included.
    Range(u64, u64),
}

impl Fraction {
    /// How far the divider moves below and above its integer part: `2^(m-1) - 1` and `2^(m-1)`.
    /// Source: the range of an m-th order cascade of one-bit accumulators, derived: m = 1 takes 0 or 1,
    /// and each further stage adds the difference of a bit, doubling the span.
    pub fn excursion(&self) -> (u64, u64) {
        let up = 1u64 << (self.order.clamp(1, 6) - 1);
        (up - 1, up)
    }

    /// `(numerator, modulus)` nearest to `x`, 0 <= x < 1; the numerator may equal the modulus (a carry).
    /// Of exact fractions the least modulus is taken.
    pub fn nearest(&self, x: &Rational) -> (u64, u64) {
        match self.modulus {
            Modulus::Fixed(modulus) => (rounded_numerator(x, modulus), modulus),
            Modulus::Range(low, high) => {
                let (numerator, denominator) = limit_denominator(x, high);
                let scale = low.div_ceil(denominator);
                if denominator * scale <= high {
                    (numerator * scale, denominator * scale)
                } else {
                    // A narrow range (high < 2 low - 1) that holds no multiple of the best denominator.
                    best_of(x, low, high)
                }
            }
        }
    }
}

fn rounded_numerator(x: &Rational, modulus: u64) -> u64 {
    (x * Rational::from_integer(modulus.into())).round().to_integer().to_u64().unwrap_or(modulus)
}

/// Nearest fraction with a modulus in `low..=high`, by trying each.
fn best_of(x: &Rational, low: u64, high: u64) -> (u64, u64) {
    let modulus = match (x.numer().to_u64(), x.denom().to_u64()) {
        (Some(p), Some(q)) => best_modulus(&u128::from(p), &u128::from(q), low, high),
        _ => best_modulus(x.numer(), x.denom(), low, high),
    };
    (rounded_numerator(x, modulus), modulus)
}

/// The least of the moduli m that come nearest to p / q, 0 <= p < q: the error is min(r, q - r) / (m q) with
/// r = p m mod q.
fn best_modulus<T: Clone + PartialOrd + From<u64> + NumOps>(p: &T, q: &T, low: u64, high: u64) -> u64 {
    let distance = |rest: &T| {
        let above = q.clone() - rest.clone();
        if *rest < above { rest.clone() } else { above }
    };
    let mut rest = p.clone() * T::from(low) % q.clone();
    let (mut least, mut best) = (distance(&rest), low);
    for modulus in low + 1..=high {
        rest = rest + p.clone();
        if rest >= *q {
            rest = rest - q.clone();
        }
        let next = distance(&rest);
        if next.clone() * T::from(best) < least.clone() * T::from(modulus) {
            (least, best) = (next, modulus);
        }
    }
    best
}

/// Nearest fraction in lowest terms whose denominator is at most `limit` (>= 1), by continued fraction.
/// Source: Hardy and Wright, An Introduction to the Theory of Numbers, chapter 10 (from memory): the best
/// approximation is the last convergent or the semi-convergent after it.
fn limit_denominator(x: &Rational, limit: u64) -> (u64, u64) {
    let limit = BigInt::from(limit);
    if x.denom() <= &limit {
        return small(x.numer(), x.denom());
    }
    let (mut p0, mut q0, mut p1, mut q1) = (BigInt::zero(), BigInt::one(), BigInt::one(), BigInt::zero());
    let (mut n, mut d) = (x.numer().clone(), x.denom().clone());
    loop {
        let whole = &n / &d;
        let q2 = &q0 + &whole * &q1;
        if q2 > limit {
            break;
        }
        let p2 = &p0 + &whole * &p1;
        (p0, q0, p1, q1) = (p1, q1, p2, q2);
        // The remainder can't reach zero: the last convergent is x, whose denominator is above the limit.
        let rest = n - &whole * &d;
        (n, d) = (d, rest);
    }
    let k = (&limit - &q0) / &q1;
    let (ps, qs) = (&p0 + &k * &p1, &q0 + &k * &q1);
    let semi = (Rational::new(ps.clone(), qs.clone()) - x).abs();
    let convergent = (Rational::new(p1.clone(), q1.clone()) - x).abs();
    if convergent <= semi { small(&p1, &q1) } else { small(&ps, &qs) }
}

/// Both are at most the `u64` limit that the denominator was held to.
fn small(numerator: &BigInt, denominator: &BigInt) -> (u64, u64) {
    (numerator.to_u64().unwrap_or(0), denominator.to_u64().unwrap_or(1))
}

#[cfg(test)]
mod tests {
    use super::super::rational;
    use super::*;

    fn variable(low: u64, high: u64) -> Fraction {
        Fraction { modulus: Modulus::Range(low, high), order: 3, start: 0 }
    }

    #[test]
    fn excursions_double_with_the_order() {
        let span = |order| Fraction { modulus: Modulus::Fixed(2), order, start: 0 }.excursion();
        assert_eq!((span(1), span(2), span(3), span(4)), ((0, 1), (1, 2), (3, 4), (7, 8)));
    }

    #[test]
    fn exact_fractions_take_the_least_modulus() {
        assert_eq!(variable(2, 4095).nearest(&rational(6, 16)), (3, 8));
        assert_eq!(variable(100, 4095).nearest(&rational(3, 8)), (39, 104));
        assert_eq!(variable(2, 4095).nearest(&rational(0, 1)), (0, 2));
    }

    /// Error of the nearest fraction with a modulus in `low..=high`.
    fn least_error(x: &Rational, low: u64, high: u64) -> Rational {
        let errors = (low..=high).map(|d| {
            let n = (x * Rational::from_integer(d.into())).round().to_integer();
            (Rational::new(n, d.into()) - x).abs()
        });
        errors.min().expect("a modulus")
    }

    #[test]
    fn approximation_is_the_best_of_all_moduli() {
        // The last has more digits than a machine word.
        let long = Rational::new(
            "123456789012345678901234567".parse().expect("n"),
            "987654321098765432109876543".parse().expect("d"),
        );
        let short = [(355, 1130), (31415, 100_003), (1, 99_991), (99_990, 99_991), (61_803, 100_000)];
        for x in short.map(|(n, d)| rational(n, d)).into_iter().chain([long]) {
            for (low, high) in [(2, 97), (50, 99), (60, 97), (90, 91)] {
                let found = variable(low, high).nearest(&x);
                let error = (rational(found.0 as i64, found.1 as i64) - &x).abs();
                assert!((low..=high).contains(&found.1));
                assert_eq!(error, least_error(&x, low, high), "{x} in {low}..{high}");
            }
        }
    }
}
