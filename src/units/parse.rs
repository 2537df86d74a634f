//! Reading quantities, ranges and tolerances.

use std::ops::Range;

use num_bigint::BigInt;
use num_rational::BigRational;

use super::Unit;

/// A decimal number exactly as written: `digits * 10^exponent`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Decimal {
    /// All digits, with sign.
    pub digits: i128,
    /// Power of ten.
    pub exponent: i32,
}

impl Decimal {
    /// The nearest `f64`; correctly rounded.
    pub fn to_f64(self) -> f64 {
        format!("{}e{}", self.digits, self.exponent).parse().unwrap_or(f64::NAN)
    }

    /// The same number as an exact fraction.
    pub fn to_rational(self) -> BigRational {
        let power = BigInt::from(10).pow(self.exponent.unsigned_abs());
        let digits = BigInt::from(self.digits);
        if self.exponent >= 0 {
            BigRational::from_integer(digits * power)
        } else {
            BigRational::new(digits, power)
        }
    }
}

/// A value with its unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// The value in the base of `unit`.
    pub value: f64,
    /// The unit.
    pub unit: Unit,
    /// The value exactly as written, where the conversion is a power of ten.
    pub exact: Option<Decimal>,
}

impl Quantity {
    /// A computed quantity.
    pub fn new(value: f64, unit: Unit) -> Self {
        Self { value, unit, exact: None }
    }

    /// The exact value: as written where it was, else the value of the `f64` itself.
    pub fn rational(&self) -> BigRational {
        self.exact
            .map(Decimal::to_rational)
            .or_else(|| BigRational::from_float(self.value))
            .unwrap_or_default()
    }

    /// The same quantity in another unit of its dimension (deg and rad), where there is one.
    pub fn convert(&self, unit: Unit) -> Option<Quantity> {
        let value = match (self.unit, unit) {
            (a, b) if a == b => return Some(self.clone()),
            (Unit::Radian, Unit::Degree) => self.value.to_degrees(),
            (Unit::Degree, Unit::Radian) => self.value.to_radians(),
            _ => return None,
        };
        Some(Quantity::new(value, unit))
    }
}

/// Why a text is not the quantity it should be. Ranges are bytes of the text.
#[derive(Clone, Debug, PartialEq)]
pub enum QuantityFault {
    /// It does not begin with a number.
    NotANumber,
    /// `inf`, `nan`, or beyond what a number can hold.
    NotFinite,
    /// A number without a unit.
    MissingUnit,
    /// There is no such unit.
    UnknownUnit(Range<usize>),
    /// A unit, but of something else.
    WrongUnit(Range<usize>, Unit),
    /// Commas, underscores or blanks between digits.
    Separator(Range<usize>),
    /// A range without `..`, or whose ends are not in order.
    NotARange,
}

/// Splits a text after its number. A number is a decimal with an optional exponent; `-` or U+2212.
fn number(text: &str) -> Result<(Decimal, &str), QuantityFault> {
    let trimmed = text.trim_start();
    let lower = trimmed.trim_start_matches(['-', '+', '\u{2212}', '.']).to_ascii_lowercase();
    if lower.starts_with("inf") || lower.starts_with("nan") {
        return Err(QuantityFault::NotFinite);
    }
    let (negative, rest) = match trimmed.chars().next() {
        Some(sign @ ('-' | '\u{2212}')) => (true, &trimmed[sign.len_utf8()..]),
        Some('+') => (false, &trimmed[1..]),
        _ => (false, trimmed),
    };
    let bytes = rest.as_bytes();
    let (mut at, mut digits, mut exponent, mut seen, mut point) = (0, 0i128, 0i32, false, false);
    while let Some(&byte) = bytes.get(at) {
        match byte {
            b'0'..=b'9' => {
                seen = true;
                if digits > i128::MAX / 100 {
                    // Digits beyond the 36th change nothing that a number here can hold.
                    exponent += i32::from(!point);
                } else {
                    digits = digits * 10 + i128::from(byte - b'0');
                    exponent -= i32::from(point);
                }
            }
            // `1 .. 2` and `1..2` are ranges, not decimals.
            b'.' if !point && bytes.get(at + 1) != Some(&b'.') => point = true,
            _ => break,
        }
        at += 1;
    }
    if !seen {
        return Err(QuantityFault::NotANumber);
    }
    if let Some(b'e' | b'E') = bytes.get(at) {
        let mut end = at + 1 + usize::from(matches!(bytes.get(at + 1), Some(b'-' | b'+')));
        let first = end;
        while bytes.get(end).is_some_and(u8::is_ascii_digit) {
            end += 1;
        }
        if end > first {
            let written: i32 = rest[at + 1..end].parse().map_err(|_| QuantityFault::NotFinite)?;
            exponent = exponent.checked_add(written).ok_or(QuantityFault::NotFinite)?;
            at = end;
        }
    }
    let after = &rest[at..];
    if let Some(separator @ (',' | '_' | '\'')) = after.chars().next()
        && after[separator.len_utf8()..].starts_with(|c: char| c.is_ascii_digit())
    {
        let start = text.len() - after.len();
        return Err(QuantityFault::Separator(start..start + 1));
    }
    if exponent.abs() > 400 {
        return Err(QuantityFault::NotFinite);
    }
    let number = Decimal { digits: if negative { -digits } else { digits }, exponent };
    if number.to_f64().is_finite() { Ok((number, after)) } else { Err(QuantityFault::NotFinite) }
}

/// Reads a pure number without a unit.
///
/// # Errors
/// [`QuantityFault`].
pub fn parse_number(text: &str) -> Result<Quantity, QuantityFault> {
    let (decimal, rest) = number(text)?;
    if rest.trim().is_empty() {
        Ok(Quantity { value: decimal.to_f64(), unit: Unit::One, exact: Some(decimal) })
    } else {
        let start = text.len() - rest.trim_start().len();
        Err(QuantityFault::UnknownUnit(start..text.trim_end().len()))
    }
}

/// Reads a number with a unit: `80 MHz`, `-228 dBc/Hz`, `2 %`, `25 degC`.
///
/// # Errors
/// [`QuantityFault`]; a number alone is [`QuantityFault::MissingUnit`].
pub fn parse(text: &str) -> Result<Quantity, QuantityFault> {
    let (decimal, rest) = number(text)?;
    let symbol = rest.trim();
    if symbol.is_empty() {
        return Err(QuantityFault::MissingUnit);
    }
    let start = text.len() - rest.trim_start().len();
    let (unit, scale) = read_unit(symbol).ok_or(QuantityFault::UnknownUnit(start..start + symbol.len()))?;
    let quantity = match scale {
        Scale::Power(power) => {
            let exact = Decimal { digits: decimal.digits, exponent: decimal.exponent + power };
            Quantity { value: exact.to_f64(), unit, exact: Some(exact) }
        }
        Scale::Celsius => Quantity::new(decimal.to_f64() + 273.15, unit),
    };
    if quantity.value.is_finite() { Ok(quantity) } else { Err(QuantityFault::NotFinite) }
}

/// Reads a quantity of the unit wanted; deg and rad are converted, for [`Unit::One`] a number alone will do.
///
/// # Errors
/// [`QuantityFault`].
pub fn parse_as(text: &str, wanted: Unit) -> Result<Quantity, QuantityFault> {
    match parse(text) {
        Err(QuantityFault::MissingUnit) if wanted == Unit::One => parse_number(text),
        Err(fault) => Err(fault),
        Ok(quantity) => quantity.convert(wanted).ok_or_else(|| {
            let symbol = number(text).map_or("", |(_, rest)| rest.trim());
            let start = text.trim_end().len() - symbol.len();
            QuantityFault::WrongUnit(start..start + symbol.len(), quantity.unit)
        }),
    }
}

enum Scale {
    Power(i32),
    Celsius,
}

fn prefix(symbol: &str) -> Option<i32> {
    Some(match symbol {
        "" => 0,
        "f" => -15,
        "p" => -12,
        "n" => -9,
        "u" | "µ" | "μ" => -6,
        "m" => -3,
        "k" => 3,
        "M" => 6,
        "G" => 9,
        "T" => 12,
        _ => return None,
    })
}

fn read_unit(symbol: &str) -> Option<(Unit, Scale)> {
    let power = |unit, power| Some((unit, Scale::Power(power)));
    match symbol {
        "%" => return power(Unit::One, -2),
        "ppm" => return power(Unit::One, -6),
        "ppb" => return power(Unit::One, -9),
        "degC" | "°C" => return Some((Unit::Kelvin, Scale::Celsius)),
        "K" => return power(Unit::Kelvin, 0),
        "deg" | "°" => return power(Unit::Degree, 0),
        "dB" => return power(Unit::Decibel, 0),
        "dBc" => return power(Unit::DecibelCarrier, 0),
        "dBc/Hz" => return power(Unit::DecibelCarrierPerHertz, 0),
        "dBm" => return power(Unit::DecibelMilliwatt, 0),
        _ => {}
    }
    let (over, under) = symbol.split_once('/').map_or((symbol, None), |(a, b)| (a.trim(), Some(b.trim())));
    let split = |base: &'static str| over.strip_suffix(base).and_then(prefix);
    let (unit, up) = [
        ("Hz", Unit::Hertz),
        ("Vpp", Unit::Volt),
        ("V", Unit::Volt),
        ("A", Unit::Ampere),
        ("F", Unit::Farad),
        ("ohm", Unit::Ohm),
        ("Ohm", Unit::Ohm),
        ("Ω", Unit::Ohm),
        ("\u{2126}", Unit::Ohm),
        ("W", Unit::Watt),
        ("rad", Unit::Radian),
        ("s", Unit::Second),
        ("m", Unit::Metre),
    ]
    .into_iter()
    .find_map(|(base, unit)| split(base).map(|up| (unit, up)))?;
    let Some(under) = under else { return power(unit, up) };
    match (unit, under) {
        (Unit::Hertz, "V") => power(Unit::HertzPerVolt, up),
        (Unit::Hertz, "degC" | "°C" | "K") => power(Unit::HertzPerKelvin, up),
        (Unit::Volt, "rtHz" | "√Hz") => power(Unit::VoltPerRootHertz, up),
        (Unit::Ampere, "rtHz" | "√Hz") => power(Unit::AmperePerRootHertz, up),
        (Unit::Volt | Unit::Metre, time) => {
            let down = prefix(time.strip_suffix('s')?)?;
            power(if unit == Unit::Volt { Unit::VoltPerSecond } else { Unit::MetrePerSecond }, up - down)
        }
        _ => None,
    }
}

/// A range as text: its ends and an optional step, each with its first byte in the whole.
#[derive(Clone, Debug, PartialEq)]
pub struct RangeText<'a> {
    /// Lower end.
    pub from: (usize, &'a str),
    /// Upper end.
    pub to: (usize, &'a str),
    /// What follows the word `step`.
    pub step: Option<(usize, &'a str)>,
}

/// Splits `A .. B` or `A .. B step C`.
///
/// # Errors
/// [`QuantityFault::NotARange`] without `..`.
pub fn parse_range(text: &str) -> Result<RangeText<'_>, QuantityFault> {
    let dots = text.find("..").ok_or(QuantityFault::NotARange)?;
    let piece = |start: usize, end: usize| {
        let raw = &text[start..end];
        (start + raw.len() - raw.trim_start().len(), raw.trim())
    };
    let rest = dots + 2;
    let step = text[rest..].find(" step ").map(|at| rest + at);
    Ok(RangeText {
        from: piece(0, dots),
        to: piece(rest, step.unwrap_or(text.len())),
        step: step.map(|at| piece(at + 6, text.len())),
    })
}

/// A part's own tolerance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Tolerance {
    /// Of the value: 0.05 for 5 %.
    Relative(f64),
    /// In the unit of the value.
    Absolute(f64),
}

/// Reads `4.7 nF +- 5 %` or `4.7 nF ± 0.2 nF`, and a quantity without a tolerance.
///
/// # Errors
/// [`QuantityFault`].
pub fn parse_with_tolerance(
    text: &str,
    wanted: Unit,
) -> Result<(Quantity, Option<Tolerance>), QuantityFault> {
    let Some((at, sign)) =
        ["+-", "±", "+/-"].iter().find_map(|sign| text.find(sign).map(|at| (at, sign.len())))
    else {
        return Ok((parse_as(text, wanted)?, None));
    };
    let quantity = parse_as(&text[..at], wanted)?;
    let shift = |range: Range<usize>| range.start + at + sign..range.end + at + sign;
    let tolerance = parse(&text[at + sign..]).map_err(|fault| match fault {
        QuantityFault::UnknownUnit(range) => QuantityFault::UnknownUnit(shift(range)),
        QuantityFault::Separator(range) => QuantityFault::Separator(shift(range)),
        other => other,
    })?;
    let tolerance = match tolerance.unit {
        Unit::One => Tolerance::Relative(tolerance.value.abs()),
        unit if unit == wanted => Tolerance::Absolute(tolerance.value.abs()),
        unit => return Err(QuantityFault::WrongUnit(at + sign..text.len(), unit)),
    };
    Ok((quantity, Some(tolerance)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> (f64, Unit) {
        let quantity = parse(text).unwrap_or_else(|fault| panic!("{text}: {fault:?}"));
        (quantity.value, quantity.unit)
    }

    #[test]
    fn reads_what_the_contract_lists() {
        for (text, expected, unit) in [
            ("80 MHz", 80e6, Unit::Hertz),
            ("4.7 nF", 4.7e-9, Unit::Farad),
            ("-228 dBc/Hz", -228.0, Unit::DecibelCarrierPerHertz),
            ("\u{2212}160dBc/Hz", -160.0, Unit::DecibelCarrierPerHertz),
            ("60 MHz/V", 60e6, Unit::HertzPerVolt),
            ("55 deg", 55.0, Unit::Degree),
            ("2 %", 0.02, Unit::One),
            ("25 degC", 298.15, Unit::Kelvin),
            ("120 fs", 120e-15, Unit::Second),
            ("10 ohm", 10.0, Unit::Ohm),
            ("1.5 kΩ", 1500.0, Unit::Ohm),
            ("0.1 ppm", 1e-7, Unit::One),
            ("7 dBm", 7.0, Unit::DecibelMilliwatt),
            ("50 V/us", 50e6, Unit::VoltPerSecond),
            ("4 nV/rtHz", 4e-9, Unit::VoltPerRootHertz),
            ("4 nV/√Hz", 4e-9, Unit::VoltPerRootHertz),
            ("1.5e-9s", 1.5e-9, Unit::Second),
            ("1e+07 Hz", 1e7, Unit::Hertz),
            ("3 µs", 3e-6, Unit::Second),
            ("3 μs", 3e-6, Unit::Second),
            ("100 kHz/degC", 1e5, Unit::HertzPerKelvin),
            ("10 mrad", 0.01, Unit::Radian),
        ] {
            assert_eq!(value(text), (expected, unit), "{text}");
        }
    }

    #[test]
    fn refuses_what_is_not_a_quantity() {
        for (text, fault) in [
            ("80", QuantityFault::MissingUnit),
            ("MHz", QuantityFault::NotANumber),
            ("inf Hz", QuantityFault::NotFinite),
            ("nan", QuantityFault::NotFinite),
            ("1e999 Hz", QuantityFault::NotFinite),
            ("80 MHx", QuantityFault::UnknownUnit(3..6)),
            ("1,000 Hz", QuantityFault::Separator(1..2)),
            ("1_000 Hz", QuantityFault::Separator(1..2)),
            ("", QuantityFault::NotANumber),
        ] {
            assert_eq!(parse(text), Err(fault), "{text}");
        }
        assert_eq!(parse_as("80 ms", Unit::Hertz), Err(QuantityFault::WrongUnit(3..5, Unit::Second)));
    }

    #[test]
    fn prefixes_do_not_cost_a_bit() {
        assert_eq!(value("4.7 nF").0.to_bits(), 4.7e-9f64.to_bits());
        assert_eq!(value("2.8825 GHz").0.to_bits(), 2_882_500_000.0f64.to_bits());
        let third = parse("33.333333 MHz").expect("a quantity");
        assert_eq!(third.rational(), BigRational::from_integer(BigInt::from(33_333_333)));
    }

    #[test]
    fn ranges_and_tolerances() {
        let range = parse_range("2.7 GHz .. 2.9 GHz step 2.5 MHz").expect("a range");
        assert_eq!((range.from, range.to), ((0, "2.7 GHz"), (11, "2.9 GHz")));
        assert_eq!(range.step, Some((24, "2.5 MHz")));
        assert_eq!(parse_range("1..1023").expect("a range").to, (3, "1023"));
        let (quantity, tolerance) = parse_with_tolerance("4.7 nF ± 5 %", Unit::Farad).expect("a part");
        assert_eq!((quantity.value, tolerance), (4.7e-9, Some(Tolerance::Relative(0.05))));
        let (_, tolerance) = parse_with_tolerance("10 pF +- 0.5 pF", Unit::Farad).expect("a part");
        assert_eq!(tolerance, Some(Tolerance::Absolute(0.5e-12)));
        let separated = parse_with_tolerance("4.7 nF +- 1,000 pF", Unit::Farad);
        assert_eq!(separated, Err(QuantityFault::Separator(11..12)));
    }
}
