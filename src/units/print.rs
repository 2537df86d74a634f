//! Printing quantities as engineers write them: 2.8825 GHz, 142 fs, 3.9 nF.
//!
//! Text has U+2212 for minus and U+202F between number and unit; [`ascii`] turns it into what a terminal or a
//! spreadsheet takes everywhere.

use super::Unit;

/// How many digits to print.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Digits {
    /// That many significant digits.
    Significant(usize),
    /// All digits that the value has (shortest text that reads back as the same value).
    All,
    /// The same, but twelve of a value that no decimal holds: 2.8825 GHz, and a channel of a fixed modulus as far as any
    /// counter reads it.
    Written,
}

/// Digits that a number has at most where somebody wrote it, and those that are printed of one that has no end.
const WRITTEN: usize = 14;
const ENDLESS: usize = 12;

const PREFIXES: [(i32, &str); 10] = [
    (-15, "f"),
    (-12, "p"),
    (-9, "n"),
    (-6, "µ"),
    (-3, "m"),
    (0, ""),
    (3, "k"),
    (6, "M"),
    (9, "G"),
    (12, "T"),
];

/// Least and greatest power of ten an engineer uses with the unit, and what stands behind the prefix.
pub(crate) fn habit(unit: Unit) -> (i32, i32, &'static str) {
    match unit {
        Unit::One => (0, 0, ""),
        Unit::Hertz => (-6, 12, "Hz"),
        Unit::Second => (-15, 0, "s"),
        Unit::Volt => (-9, 3, "V"),
        Unit::Ampere => (-15, 0, "A"),
        Unit::Farad => (-15, -6, "F"),
        Unit::Ohm => (-3, 9, "Ω"),
        Unit::Watt => (-12, 6, "W"),
        Unit::Metre => (-9, 3, "m"),
        Unit::MetrePerSecond => (0, 3, "m/s"),
        Unit::Kelvin => (0, 0, "°C"),
        Unit::HertzPerVolt => (-3, 9, "Hz/V"),
        Unit::HertzPerKelvin => (-3, 9, "Hz/K"),
        Unit::VoltPerSecond => (0, 0, "V/µs"),
        Unit::VoltPerRootHertz => (-12, 0, "V/√Hz"),
        Unit::AmperePerRootHertz => (-15, 0, "A/√Hz"),
        Unit::Radian => (-6, 0, "rad"),
        Unit::Degree => (0, 0, "°"),
        Unit::Decibel => (0, 0, "dB"),
        Unit::DecibelCarrier => (0, 0, "dBc"),
        Unit::DecibelCarrierPerHertz => (0, 0, "dBc/Hz"),
        Unit::DecibelMilliwatt => (0, 0, "dBm"),
    }
}

/// The value as people read it in this unit (25 for 298.15 K, 50 for 5e7 V/s).
pub(crate) fn shown(value: f64, unit: Unit) -> f64 {
    match unit {
        // Ten decimals: the sum with 273.15 leaves crumbs that nobody wrote.
        Unit::Kelvin => ((value - 273.15) * 1e10).round() / 1e10,
        Unit::VoltPerSecond => value * 1e-6,
        _ => value,
    }
}

/// The value with its unit and the prefix that suits it.
pub fn print(value: f64, unit: Unit, digits: Digits) -> String {
    if !value.is_finite() {
        return "none".to_owned();
    }
    let value = shown(value, unit);
    let (least, most, name) = habit(unit);
    let text = match digits {
        Digits::Significant(n) => format!("{value:.*e}", n.saturating_sub(1)),
        Digits::All => format!("{value:e}"),
        Digits::Written => {
            let all = format!("{value:e}");
            let digits = all.split('e').next().unwrap_or(&all).chars().filter(char::is_ascii_digit).count();
            if digits <= WRITTEN {
                all
            } else {
                let rounded: f64 = format!("{value:.*e}", ENDLESS - 1).parse().unwrap_or(value);
                format!("{rounded:e}")
            }
        }
    };
    let (mantissa, exponent) = text.split_once('e').unwrap_or((&text, "0"));
    let exponent: i32 = exponent.parse().unwrap_or(0);
    let power = if value == 0.0 { 0 } else { exponent.div_euclid(3) * 3 }.clamp(least, most);
    let number = match digits {
        _ if value == 0.0 => "0".to_owned(),
        // Far from every prefix of the unit: rather a power of ten than a row of noughts.
        _ if exponent - power < -5 || exponent - power > 9 => return scientific(mantissa, exponent, name),
        _ => place_point(mantissa, exponent - power),
    };
    join(&number, prefix(power), name)
}

/// The prefix of a power of ten that is a multiple of three; empty where there is none.
pub(crate) fn prefix(power: i32) -> &'static str {
    PREFIXES.iter().find(|(p, _)| *p == power).map_or("", |(_, prefix)| prefix)
}

/// A difference of two values of this unit, such as a margin: of levels in dB, of temperatures in K.
pub fn print_difference(value: f64, unit: Unit, digits: Digits) -> String {
    match unit {
        // A difference of temperatures has no zero to be shifted by.
        Unit::Kelvin => format!("{}\u{202f}K", print(value, Unit::One, digits)),
        unit if unit.is_decibel() => print(value, Unit::Decibel, digits),
        unit => print(value, unit, digits),
    }
}

/// The value in a unit of the reader's choice ("kHz"), with a fixed number of decimals.
///
/// `None` where `symbol` is not a unit of that dimension.
pub fn print_fixed(value: f64, unit: Unit, symbol: &str, decimals: usize) -> Option<String> {
    let one = super::parse(&format!("1 {symbol}")).ok();
    let (scaled, name) = match (unit, symbol) {
        (Unit::One, "1" | "") => (value, String::new()),
        (Unit::Kelvin, "degC" | "°C") => (value - 273.15, "°C".to_owned()),
        // A difference of two levels is in dB.
        (unit, "dB") if unit.is_decibel() => (value, "dB".to_owned()),
        (Unit::Radian, "deg" | "°") => (value.to_degrees(), "°".to_owned()),
        (Unit::Degree, "rad") => (value.to_radians(), "rad".to_owned()),
        _ => {
            let one = one.filter(|q| q.unit == unit)?;
            (value / one.value, pretty(symbol))
        }
    };
    Some(join(&format!("{scaled:.decimals$}"), "", &name))
}

/// A limit or quantity as written, with the signs of print: `<= -95 dBc/Hz` as ≤ −95 dBc/Hz, `45 deg .. 70 deg` as 45° … 70°.
pub fn with_signs(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut number = false;
    for word in text.split(' ') {
        let sign = word
            .strip_prefix(['-', '\u{2212}'])
            .filter(|rest| rest.starts_with(|c: char| c.is_ascii_digit()));
        let symbol = word.trim_end_matches([':', ';', ',']);
        let unit = number && super::parse(&format!("1 {symbol}")).is_ok();
        number = sign.unwrap_or(word).starts_with(|c: char| c.is_ascii_digit());
        let printed = match word {
            "<=" => "≤".to_owned(),
            ">=" => "≥".to_owned(),
            ".." => "…".to_owned(),
            _ if unit => {
                let name = if symbol == "degC" { "°C".to_owned() } else { pretty(symbol) };
                format!("{name}{}", &word[symbol.len()..])
            }
            _ => sign.map_or_else(|| word.to_owned(), |rest| format!("\u{2212}{rest}")),
        };
        let space = if unit { "\u{202f}" } else { " " };
        if !out.is_empty() && !printed.starts_with('°') || printed.starts_with("°C") {
            out.push_str(space);
        }
        out.push_str(&printed);
    }
    out
}

fn pretty(symbol: &str) -> String {
    match symbol {
        "deg" => "°".to_owned(),
        _ => symbol.replace("ohm", "Ω").replace("rtHz", "√Hz").replacen(
            'u',
            "µ",
            usize::from(symbol.starts_with('u')),
        ),
    }
}

fn join(number: &str, prefix: &str, name: &str) -> String {
    let number = number.replace('-', "\u{2212}");
    match (prefix, name) {
        ("", "") => number,
        ("", "°") => format!("{number}°"),
        _ => format!("{number}\u{202f}{prefix}{name}"),
    }
}

fn scientific(mantissa: &str, exponent: i32, name: &str) -> String {
    let exponent: String = exponent
        .to_string()
        .chars()
        .map(|c| match c {
            '-' => '⁻',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            digit => char::from_u32(0x2070 + digit.to_digit(10).unwrap_or(0)).unwrap_or(digit),
        })
        .collect();
    join(&format!("{mantissa}·10{exponent}"), "", name)
}

/// Moves the point of a mantissa `d.ddd` by `shift` places, without arithmetic.
fn place_point(mantissa: &str, shift: i32) -> String {
    let (sign, mantissa) = mantissa.strip_prefix('-').map_or(("", mantissa), |rest| ("-", rest));
    let digits: String = mantissa.chars().filter(char::is_ascii_digit).collect();
    let whole = 1 + shift;
    let text = if whole <= 0 {
        format!("0.{}{digits}", "0".repeat(whole.unsigned_abs() as usize))
    } else if whole as usize >= digits.len() {
        format!("{digits}{}", "0".repeat(whole as usize - digits.len()))
    } else {
        format!("{}.{}", &digits[..whole as usize], &digits[whole as usize..])
    };
    format!("{sign}{text}")
}

/// The same text with `-`, plain blanks and ASCII unit names.
pub fn ascii(text: &str) -> String {
    text.replace('\u{2212}', "-")
        .replace(['\u{202f}', '\u{a0}'], " ")
        .replace("°C", "degC")
        .replace('°', " deg")
        .replace('µ', "u")
        .replace('Ω', "ohm")
        .replace("√Hz", "rtHz")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::parse;

    fn shown_as(value: f64, unit: Unit, digits: Digits) -> String {
        ascii(&print(value, unit, digits))
    }

    #[test]
    fn prints_as_engineers_write() {
        let three = Digits::Significant(3);
        for (value, unit, digits, expected) in [
            (2_882_500_000.0, Unit::Hertz, Digits::All, "2.8825 GHz"),
            (142.4e-15, Unit::Second, three, "142 fs"),
            (3.9e-9, Unit::Farad, Digits::All, "3.9 nF"),
            (28_000.0, Unit::Hertz, three, "28.0 kHz"),
            (999_600.0, Unit::Hertz, three, "1.00 MHz"),
            (-102.14, Unit::DecibelCarrierPerHertz, three, "-102 dBc/Hz"),
            (52.36, Unit::Degree, three, "52.4 deg"),
            (298.15, Unit::Kelvin, Digits::All, "25 degC"),
            (5e7, Unit::VoltPerSecond, Digits::All, "50 V/us"),
            (1120.0, Unit::One, Digits::All, "1120"),
            (0.0, Unit::Hertz, three, "0 Hz"),
            (4.7e-3, Unit::Farad, Digits::All, "4700 uF"),
            (4700.0, Unit::Ohm, Digits::All, "4.7 kohm"),
            (0.0123, Unit::One, three, "0.0123"),
            (5_599_999_998.569489, Unit::Hertz, Digits::Written, "5.59999999857 GHz"),
            (2_882_500_000.0, Unit::Hertz, Digits::Written, "2.8825 GHz"),
        ] {
            assert_eq!(shown_as(value, unit, digits), expected);
        }
    }

    #[test]
    fn all_digits_read_back_as_the_same_value() {
        let mut seed = 1u64;
        for unit in
            Unit::ALL.into_iter().filter(|u| !matches!(u, Unit::One | Unit::Kelvin | Unit::VoltPerSecond))
        {
            for _ in 0..300 {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let value = ((seed >> 11) as f64 / 9e15 + 0.1) * 10f64.powi((seed % 9) as i32 - 4);
                let text = print(value, unit, Digits::All);
                if !text.contains('·') {
                    let back = parse(&text).unwrap_or_else(|fault| panic!("{text}: {fault:?}"));
                    assert_eq!(back.value.to_bits(), value.to_bits(), "{text}");
                }
            }
        }
    }

    #[test]
    fn what_is_written_gets_the_signs_of_print() {
        for (text, wanted) in [
            ("<= -95 dBc/Hz", "≤ −95 dBc/Hz"),
            ("45 deg .. 70 deg", "45° … 70°"),
            ("<= clock_jitter", "≤ clock_jitter"),
            ("<= 80 us", "≤ 80 µs"),
            ("-5 Hz .. 5 Hz", "−5 Hz … 5 Hz"),
            (">= 1", "≥ 1"),
            ("1 kHz: -88 dBc/Hz; 10 kHz: -98 dBc/Hz", "1 kHz: −88 dBc/Hz; 10 kHz: −98 dBc/Hz"),
            ("-10 degC .. 45 degC", "−10 °C … 45 °C"),
        ] {
            assert_eq!(with_signs(text).replace('\u{202f}', " "), wanted);
        }
        assert_eq!(with_signs("<= 2 ms"), "≤ 2\u{202f}ms");
    }

    #[test]
    fn a_fixed_unit_and_decimals() {
        assert_eq!(print_fixed(28_043.0, Unit::Hertz, "kHz", 1).as_deref(), Some("28.0\u{202f}kHz"));
        assert_eq!(print_fixed(28_043.0, Unit::Hertz, "ms", 1), None);
        assert_eq!(print_fixed(0.123, Unit::One, "%", 1).as_deref(), Some("12.3\u{202f}%"));
    }
}
