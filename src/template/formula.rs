//! Formulas of `values`: expressions over numbers.

use std::collections::BTreeMap;
use std::ops::Range;

use minijinja::{Environment, Error, ErrorKind, UndefinedBehavior};

use super::FUEL;
use super::bounds::LONGEST;
use super::token::{KEYWORDS, Kind, Token, tokens};
use crate::units::Unit;

/// Why a formula has no value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FormulaFault {
    /// One sentence, lower case.
    pub message: String,
    /// The bytes of the formula that are to blame.
    pub range: Range<usize>,
    /// Names that exist, where one is unknown.
    pub known: Vec<String>,
}

/// Why a name stands for no number: a sentence, and the names that exist in its place.
pub type Unknown = (String, Vec<String>);

/// Knows the numbers a formula may use: SI values, angles in rad, decibels as written.
pub trait Scope {
    /// The number of a dotted name, and its unit.
    ///
    /// # Errors
    /// A sentence, and the names that exist in its place.
    fn value(&self, name: &str) -> Result<(f64, Unit), Unknown>;
}

/// Functions of one number.
type Function = (&'static str, fn(f64) -> f64);

/// Functions of one number.
const FUNCTIONS: [Function; 8] = [
    ("sqrt", f64::sqrt),
    ("abs", f64::abs),
    ("exp", f64::exp),
    ("ln", f64::ln),
    ("log10", f64::log10),
    ("sin", f64::sin),
    ("cos", f64::cos),
    ("atan", f64::atan),
];

/// Dotted names that a formula uses, with their bytes, in order; functions and `pi` are not among them.
pub fn names_in(text: &str) -> Vec<(String, Range<usize>)> {
    let tokens = tokens(text);
    let mut found = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        let end = path_end(text, &tokens, at);
        if end == at {
            at += 1;
            continue;
        }
        let range = tokens[at].range.start..tokens[end - 1].range.end;
        at = end;
        found.push((text[range.clone()].to_owned(), range));
    }
    found
}

/// One past the last token of the dotted name that begins at `at`; `at` itself where none does.
fn path_end(text: &str, tokens: &[Token], at: usize) -> usize {
    let word = |token: &Token| &text[token.range.clone()];
    let kind = |index: usize| tokens.get(index).map(|token: &Token| token.kind);
    let first = &tokens[at];
    let after_dot = at > 0 && tokens[at - 1].kind == Kind::Dot;
    if first.kind != Kind::Name || after_dot || KEYWORDS.contains(&word(first)) || word(first) == "pi" {
        return at;
    }
    let mut end = at + 1;
    while kind(end) == Some(Kind::Dot) && kind(end + 1) == Some(Kind::Name) {
        end += 2;
    }
    let opens = kind(end) == Some(Kind::Open) && word(&tokens[end]) == "(";
    if !opens {
        end
    } else if end > at + 1 && kind(end + 1) == Some(Kind::Text) && kind(end + 2) == Some(Kind::Close) {
        end + 3
    } else if end > at + 1 {
        end
    } else {
        at
    }
}

/// The value of a formula.
///
/// # Errors
/// [`FormulaFault`]: a name or function that does not exist, bad syntax, a value that is no finite number.
pub fn formula(text: &str, scope: &dyn Scope) -> Result<f64, FormulaFault> {
    let whole = 0..text.len();
    let fault = |message: String, range: Range<usize>| FormulaFault { message, range, known: Vec::new() };
    if text.len() > LONGEST {
        return Err(fault(format!("the formula is longer than {LONGEST} bytes"), whole));
    }
    let (expression, values) = with_numbers(text, scope)?;
    let mut env = Environment::empty();
    env.set_undefined_behavior(UndefinedBehavior::Strict);
    env.set_fuel(Some(FUEL));
    for (name, function) in FUNCTIONS {
        env.add_function(name, move |x: f64| function(x));
    }
    let most = |pick: fn(f64, f64) -> f64| {
        move |numbers: minijinja::value::Rest<f64>| {
            numbers
                .iter()
                .copied()
                .reduce(pick)
                .ok_or_else(|| Error::new(ErrorKind::MissingArgument, "at least one number is needed"))
        }
    };
    env.add_function("min", most(f64::min));
    env.add_function("max", most(f64::max));
    env.add_global("pi", std::f64::consts::PI);
    let said = |what: &str, error: &Error| {
        let detail = error.detail().map_or_else(|| error.kind().to_string(), str::to_owned);
        fault(format!("the formula {what}: {detail}"), whole.clone())
    };
    let compiled = env.compile_expression(&expression).map_err(|error| said("can't be read", &error))?;
    let value = compiled.eval(values).map_err(|error| match error.kind() {
        // The engine refuses what floating point would make infinite, such as 1 / 0.
        ErrorKind::InvalidOperation
            if error.detail().is_some_and(|d| d.starts_with("unable to calculate")) =>
        {
            fault("the formula has no finite value".to_owned(), whole.clone())
        }
        _ => said("has no value", &error),
    })?;
    let number = f64::try_from(value.clone()).ok().filter(|_| value.is_number());
    match number {
        Some(number) if number.is_finite() => Ok(number),
        Some(_) => Err(fault("the formula has no finite value".to_owned(), whole)),
        None => Err(fault("the formula does not give a number".to_owned(), whole)),
    }
}

/// The expression with a plain variable for each dotted name and a decimal point in each number, and the variables.
/// So nothing in it can be undefined, and whole numbers do not overflow.
fn with_numbers(text: &str, scope: &dyn Scope) -> Result<(String, BTreeMap<String, f64>), FormulaFault> {
    let tokens = tokens(text);
    let mut values = BTreeMap::new();
    let mut out = String::new();
    let mut at = 0;
    while at < tokens.len() {
        out.push(' ');
        let range = tokens[at].range.clone();
        let word = &text[range.clone()];
        let end = path_end(text, &tokens, at);
        if end > at {
            let range = range.start..tokens[end - 1].range.end;
            let (number, _) = scope.value(&text[range.clone()]).map_err(|(message, known)| FormulaFault {
                message,
                range,
                known,
            })?;
            let name = format!("v{}", values.len());
            out.push_str(&name);
            values.insert(name, number);
            at = end;
            continue;
        }
        let called = tokens.get(at + 1).is_some_and(|next| &text[next.range.clone()] == "(");
        let known = || FUNCTIONS.iter().map(|(name, _)| *name).chain(["min", "max"]);
        if tokens[at].kind == Kind::Name
            && called
            && !KEYWORDS.contains(&word)
            && !known().any(|name| name == word)
        {
            let message = format!("there is no function `{word}`");
            return Err(FormulaFault { message, range, known: known().map(str::to_owned).collect() });
        }
        out.push_str(word);
        if tokens[at].kind == Kind::Number && word.bytes().all(|b| b.is_ascii_digit()) {
            out.push_str(".0");
        }
        at += 1;
    }
    Ok((out, values))
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Numbers;

    impl Scope for Numbers {
        fn value(&self, name: &str) -> Result<(f64, Unit), Unknown> {
            match name {
                "snr" => Ok((70.0, Unit::Decibel)),
                "f_if" => Ok((70e6, Unit::Hertz)),
                "lo.bandwidth" => Ok((28e3, Unit::Hertz)),
                "noise.at(\"10 kHz\")" => Ok((-102.0, Unit::DecibelCarrierPerHertz)),
                _ => Err((format!("there is no value `{name}`"), vec!["snr".into(), "f_if".into()])),
            }
        }
    }

    #[test]
    fn formulas_use_numbers_functions_and_names() {
        for (text, expected) in [
            ("10 ** (-snr / 20) / (2 * pi * f_if)", 10f64.powf(-3.5) / (2.0 * std::f64::consts::PI * 70e6)),
            ("sqrt(2) * abs(-3)", 3.0 * 2f64.sqrt()),
            ("min(3, 1, 2) + max(4, 5)", 6.0),
            ("ln(exp(1)) + log10(1e3) + sin(0) + cos(0) + atan(0)", 5.0),
            ("lo.bandwidth / 2 + noise.at(\"10 kHz\")", 13898.0),
            ("2 ** 200", 2f64.powi(200)),
            ("1 / 4", 0.25),
            ("-snr if snr > 60 else 1e-3", -70.0),
        ] {
            let value = formula(text, &Numbers).unwrap_or_else(|fault| panic!("{text}: {fault:?}"));
            assert!((value - expected).abs() <= 1e-14 * expected.abs(), "{text}: {value}");
        }
    }

    #[test]
    fn what_has_no_value_says_why() {
        for (text, message, at) in [
            ("2 * snrr", "there is no value `snrr`", "snrr"),
            ("sqr(2)", "there is no function `sqr`", "sqr"),
            ("1 / 0", "the formula has no finite value", "1 / 0"),
            ("sqrt(-1)", "the formula has no finite value", "sqrt(-1)"),
            ("10 ** 400", "the formula has no finite value", "10 ** 400"),
            ("\"a\"", "the formula does not give a number", "\"a\""),
            ("2 *", "the formula can't be read", "2 *"),
            ("min()", "the formula has no value: at least one number", "min()"),
        ] {
            let fault = formula(text, &Numbers).expect_err(text);
            assert!(fault.message.starts_with(message), "{text}: {}", fault.message);
            assert_eq!(&text[fault.range], at);
        }
    }

    #[test]
    fn names_are_listed_for_the_order_of_blocks() {
        let names: Vec<String> = names_in("sqrt(a.b) + c * pi - noise.at('1 kHz') if d else 2")
            .into_iter()
            .map(|(n, _)| n)
            .collect();
        assert_eq!(names, ["a.b", "c", "noise.at('1 kHz')", "d"]);
    }
}
