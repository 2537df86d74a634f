//! Checks single values: quantities, ranges, numbers, words, names; says what was expected and what was probably meant.

use std::ops::Range;

use num_rational::Ratio;

use super::check::{Checker, Resolved};
use super::fields::{Item, NameUse};
use super::place::Place;
use super::schema::Type;
use super::yaml::{Tree, Value};
use crate::diag::{Diagnostic, nearest};
use crate::source::Span;
use crate::units::{
    Quantity, QuantityFault, Unit, parse, parse_as, parse_number, parse_range, parse_with_tolerance,
};

/// A text value or a piece of one.
pub(super) struct Scalar<'a> {
    pub text: &'a str,
    pub place: &'a Place,
}

/// What a text turned out to be.
pub(super) enum Reading {
    /// A quantity.
    Known(Quantity),
    /// A name without a value yet.
    Pending(String),
}

/// Whether a text is the dotted name of a number: `clock_jitter`, `lo.bandwidth`, `noise.at("10 kHz")`.
pub fn looks_like_name(text: &str) -> bool {
    let dotted = match text.split_once('(') {
        Some((dotted, argument)) => {
            let quoted = argument.len() >= 3
                && ["\"", "'"]
                    .iter()
                    .any(|q| argument.starts_with(q) && argument.ends_with(&format!("{q})")));
            if !quoted {
                return false;
            }
            dotted
        }
        None => text,
    };
    let word = |word: &str| !word.is_empty() && word.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
    dotted.starts_with(|c: char| c.is_ascii_lowercase())
        && dotted.split('.').all(word)
        && !matches!(dotted, "inf" | "nan")
}

impl Checker<'_> {
    /// A quantity or a name.
    pub(super) fn read(&mut self, scalar: &Scalar<'_>, unit: Unit) -> Option<Reading> {
        self.read_piece(scalar.text, 0, scalar.place, Some(unit))
    }

    /// A quantity or a name that stands at `offset` of the whole value.
    fn read_piece(
        &mut self,
        text: &str,
        offset: usize,
        place: &Place,
        unit: Option<Unit>,
    ) -> Option<Reading> {
        if looks_like_name(text) {
            let span = place.part(offset, offset + text.len());
            return self.name(text, span, unit);
        }
        let parsed = match unit {
            Some(unit) => parse_as(text, unit),
            None => parse(text).or_else(|fault| match fault {
                QuantityFault::MissingUnit => parse_number(text),
                fault => Err(fault),
            }),
        };
        match parsed {
            Ok(quantity) => Some(Reading::Known(quantity)),
            Err(fault) => {
                let whole = place.part(offset, offset + text.len());
                let part = |range: Range<usize>| place.part(offset + range.start, offset + range.end);
                let diagnostic = quantity_fault(text, &fault, unit, whole, &part);
                self.fault(diagnostic);
                None
            }
        }
    }

    /// What a name stands for, if its unit fits.
    fn name(&mut self, name: &str, span: Span, wanted: Option<Unit>) -> Option<Reading> {
        let resolved = self.names.resolve(name, wanted);
        let quantity = match resolved {
            Resolved::Pending => {
                self.used.push(NameUse { name: name.to_owned(), span, wanted });
                return Some(Reading::Pending(name.to_owned()));
            }
            Resolved::Value(quantity) => quantity,
            Resolved::Integer(count) => Quantity::new(count as f64, Unit::One),
            Resolved::Unknown { message, known } => {
                let known = known.iter().map(String::as_str);
                let mut diagnostic = Diagnostic::error("unknown-name", message).at(span).nearest(name, known);
                if let Some(unit) = wanted {
                    diagnostic = diagnostic.expected(format!("expected {}, or a name", unit.expectation()));
                }
                self.fault(diagnostic);
                return None;
            }
        };
        self.used.push(NameUse { name: name.to_owned(), span, wanted });
        let Some(unit) = wanted else { return Some(Reading::Known(quantity)) };
        let converted = quantity.convert(unit);
        if converted.is_none() {
            let message = format!("`{name}` is {}", plain_noun(&quantity.unit.described()));
            self.fault(
                Diagnostic::error("unit-wrong", message)
                    .at(span)
                    .expected(format!("expected {}", unit.expectation())),
            );
        }
        converted.map(Reading::Known)
    }

    /// One value that is neither list nor mapping.
    pub(super) fn scalar(&mut self, tree: &Tree, kind: &Type) -> Option<Item> {
        let place = &tree.place;
        match (kind, &tree.value) {
            (Type::Quantity(unit), Value::Text(text)) => {
                Some(match self.read(&Scalar { text, place }, *unit)? {
                    Reading::Known(quantity) => Item::Quantity(quantity),
                    Reading::Pending(name) => Item::Pending(name),
                })
            }
            (Type::Quantity(Unit::One), Value::Integer(_) | Value::Real(_)) => {
                Some(Item::Quantity(plain(&tree.value)?))
            }
            (Type::Toleranced(unit), Value::Text(text)) => self.toleranced(text, place, *unit),
            (Type::AnyQuantity, Value::Text(text)) => Some(match self.read_piece(text, 0, place, None)? {
                Reading::Known(quantity) => Item::Quantity(quantity),
                Reading::Pending(name) => Item::Pending(name),
            }),
            (Type::AnyQuantity, Value::Integer(_) | Value::Real(_)) => {
                Some(Item::Quantity(plain(&tree.value)?))
            }
            (Type::Quantity(unit) | Type::Toleranced(unit), Value::Integer(_) | Value::Real(_)) => {
                let number = as_written(tree);
                let fault = QuantityFault::MissingUnit;
                self.fault(quantity_fault(&number, &fault, Some(*unit), place.span(), &|_| place.span()));
                None
            }
            (Type::Range(unit), Value::Text(text)) => self.range(text, place, *unit, false),
            (Type::SteppedRange(unit), Value::Text(text)) => self.range(text, place, *unit, true),
            (Type::Number, Value::Integer(number)) => Some(Item::Number(*number as f64)),
            (Type::Number, Value::Real(number)) => Some(Item::Number(*number)),
            (Type::Integer, Value::Integer(number)) => Some(Item::Integer(*number)),
            (Type::Fraction, Value::Integer(number)) if *number > 0 => {
                Some(Item::Fraction(Ratio::from_integer(*number)))
            }
            (Type::Integer, Value::Real(number)) if number.fract() == 0.0 && number.abs() < 9e15 => {
                Some(Item::Integer(*number as i64))
            }
            (Type::Number | Type::Integer, Value::Text(text)) => self.plain_number(text, place, kind),
            (Type::IntegerRange, Value::Text(text)) => self.integer_range(text, place),
            (Type::Fraction, Value::Text(text)) => self.fraction(text, place),
            (Type::Word(words), Value::Text(text)) => self.word(text, place, words),
            (Type::Flag, Value::Flag(flag)) => Some(Item::Flag(*flag)),
            (Type::Text, Value::Text(text)) => Some(Item::Text(text.clone())),
            (Type::Prose, Value::Text(text)) => Some(Item::Prose(text.clone())),
            // `revision: 1.10` is a text that YAML takes for a number; what was written counts.
            (Type::Text, Value::Integer(_) | Value::Real(_) | Value::Flag(_)) => {
                Some(Item::Text(as_written(tree)))
            }
            (Type::Prose, Value::Integer(_) | Value::Real(_)) => Some(Item::Prose(as_written(tree))),
            (Type::Block(_), Value::Text(text)) if looks_like_name(text) && !text.contains(['.', '(']) => {
                Some(Item::Block(text.clone()))
            }
            (Type::Metric, Value::Text(text)) if looks_like_name(text.trim()) => {
                Some(Item::Metric(text.trim().to_owned()))
            }
            (Type::Limit, Value::Text(text)) => self.limit(text, place),
            (Type::Formula, Value::Text(text)) => Some(Item::Formula(text.clone())),
            (Type::Formula, Value::Integer(_) | Value::Real(_)) => Some(Item::Formula(as_written(tree))),
            (Type::File, Value::Text(text)) => self.path(text, place),
            (_, value) => {
                let message = match value {
                    Value::Text(text) => format!("`{text}` can't stand here"),
                    other => format!("{} stands here", other.noun()),
                };
                let expected = format!("expected {}", kind.expectation());
                self.fault(Diagnostic::error("wrong-type", message).at(place.span()).expected(expected));
                None
            }
        }
    }

    fn toleranced(&mut self, text: &str, place: &Place, unit: Unit) -> Option<Item> {
        if looks_like_name(text) {
            return Some(match self.read_piece(text, 0, place, Some(unit))? {
                Reading::Known(quantity) => Item::Toleranced(quantity, None),
                Reading::Pending(name) => Item::Pending(name),
            });
        }
        match parse_with_tolerance(text, unit) {
            Ok((quantity, tolerance)) => Some(Item::Toleranced(quantity, tolerance)),
            Err(fault) => {
                let part = |range: Range<usize>| place.part(range.start, range.end);
                self.fault(quantity_fault(text, &fault, Some(unit), place.span(), &part));
                None
            }
        }
    }

    fn range(&mut self, text: &str, place: &Place, unit: Unit, stepped: bool) -> Option<Item> {
        let Ok(range) = parse_range(text) else {
            let message = format!("`{text}` is not a range");
            let expected = format!("expected two ends: `A .. B`, each {}", unit.described());
            self.fault(Diagnostic::error("not-a-range", message).at(place.span()).expected(expected));
            return None;
        };
        let from = self.read_piece(range.from.1, range.from.0, place, Some(unit));
        let to = self.read_piece(range.to.1, range.to.0, place, Some(unit));
        let step = match range.step {
            Some((at, step)) if stepped => Some(self.read_piece(step, at, place, Some(unit))?),
            Some((at, step)) => {
                self.fault(
                    Diagnostic::error("step-not-expected", "this range takes no step")
                        .at(place.part(at, at + step.len())),
                );
                return None;
            }
            None => None,
        };
        let (from, to) = (from?, to?);
        let (from, to, step) = match (from, to, step) {
            (Reading::Known(from), Reading::Known(to), None) => (from, to, None),
            (Reading::Known(from), Reading::Known(to), Some(Reading::Known(step))) => (from, to, Some(step)),
            _ => return Some(Item::Pending(text.to_owned())),
        };
        if from.value > to.value {
            self.fault(
                Diagnostic::error("range-order", "the range ends below its start")
                    .at(place.span())
                    .expected("the lower end comes first"),
            );
            return None;
        }
        if step.as_ref().is_some_and(|step| step.value <= 0.0) {
            self.fault(Diagnostic::error("step-sign", "a step must be above zero").at(place.span()));
            return None;
        }
        Some(Item::Range(from, to, step))
    }

    fn plain_number(&mut self, text: &str, place: &Place, kind: &Type) -> Option<Item> {
        let whole = matches!(kind, Type::Integer);
        if looks_like_name(text) {
            let reading = self.read_piece(text, 0, place, Some(Unit::One))?;
            return match reading {
                Reading::Pending(name) => Some(Item::Pending(name)),
                Reading::Known(quantity) if !whole => Some(Item::Number(quantity.value)),
                Reading::Known(quantity) if quantity.value.fract() == 0.0 => {
                    Some(Item::Integer(quantity.value as i64))
                }
                Reading::Known(_) => {
                    let message = format!("`{text}` is not a whole number");
                    self.fault(Diagnostic::error("not-whole", message).at(place.span()));
                    None
                }
            };
        }
        let message = if parse(text).is_ok() {
            format!("`{text}` has a unit")
        } else {
            format!("`{text}` is not a plain number")
        };
        let expected = format!("expected {}", kind.expectation());
        self.fault(Diagnostic::error("not-plain", message).at(place.span()).expected(expected));
        None
    }

    fn integer_range(&mut self, text: &str, place: &Place) -> Option<Item> {
        let ends = parse_range(text).ok().filter(|range| range.step.is_none());
        let ends = ends.and_then(|range| Some((range.from.1.parse().ok()?, range.to.1.parse().ok()?)));
        match ends {
            Some((from, to)) if from <= to => Some(Item::IntegerRange(from, to)),
            Some(_) => {
                let diagnostic = Diagnostic::error("range-order", "the range ends below its start");
                self.fault(diagnostic.at(place.span()).expected("the lower end comes first"));
                None
            }
            None => {
                let message = format!("`{text}` is not a range of whole numbers");
                let diagnostic = Diagnostic::error("not-a-range", message).at(place.span());
                self.fault(diagnostic.expected("expected whole numbers, e.g. 1 .. 1023"));
                None
            }
        }
    }

    fn fraction(&mut self, text: &str, place: &Place) -> Option<Item> {
        let parts = text.split_once('/').map_or((text, "1"), |(over, under)| (over.trim(), under.trim()));
        match (parts.0.parse::<i64>(), parts.1.parse::<i64>()) {
            (Ok(over), Ok(under)) if over > 0 && under > 0 => Some(Item::Fraction(Ratio::new(over, under))),
            _ => {
                let message = format!("`{text}` is not a divider");
                let expected = format!("expected {}", Type::Fraction.expectation());
                self.fault(Diagnostic::error("not-a-fraction", message).at(place.span()).expected(expected));
                None
            }
        }
    }

    fn word(&mut self, text: &str, place: &Place, words: &'static [&'static str]) -> Option<Item> {
        if let Some(word) = words.iter().find(|word| **word == text) {
            return Some(Item::Word(word));
        }
        let expected = format!("expected {}", Type::Word(words).expectation());
        let diagnostic = Diagnostic::error("unknown-word", format!("`{text}` can't stand here"));
        self.fault(diagnostic.at(place.span()).expected(expected).nearest(text, words.iter().copied()));
        None
    }

    /// The form of a limit: a comparison or a range; its bounds are quantities, plain numbers or names.
    fn limit(&mut self, text: &str, place: &Place) -> Option<Item> {
        let trimmed = text.trim_start();
        let start = text.len() - trimmed.len();
        let sign = ["<=", ">=", "<", ">", "≤", "≥"].into_iter().find(|sign| trimmed.starts_with(sign));
        let before = self.out.len();
        if let Some(sign) = sign {
            let bound = trimmed[sign.len()..].trim();
            let at = start + sign.len() + trimmed[sign.len()..].find(bound).unwrap_or(0);
            self.read_piece(bound, at, place, None);
        } else if let Ok(range) = parse_range(text) {
            for (at, end) in [range.from, range.to] {
                self.read_piece(end, at, place, None);
            }
        } else {
            let message = format!("`{text}` is not a limit");
            let expected = format!("expected {}", Type::Limit.expectation());
            self.fault(Diagnostic::error("not-a-limit", message).at(place.span()).expected(expected));
        }
        (self.out.len() == before).then(|| Item::Limit(text.trim().to_owned()))
    }
}

/// A plain YAML number as a pure number.
fn plain(value: &Value) -> Option<Quantity> {
    match value {
        Value::Integer(number) => parse_number(&number.to_string()).ok(),
        Value::Real(number) => Some(Quantity::new(*number, Unit::One)),
        _ => None,
    }
}

/// What a unit measures, without the example.
/// A value as it was written; one that stands in no text (`--with`) as numbers are.
fn as_written(tree: &Tree) -> String {
    match (tree.place.written(), &tree.value) {
        (Some(text), _) => text.to_owned(),
        (None, Value::Integer(number)) => number.to_string(),
        (None, Value::Real(number)) => number.to_string(),
        (None, Value::Flag(flag)) => flag.to_string(),
        (None, Value::Text(text)) => text.clone(),
        _ => String::new(),
    }
}

fn plain_noun(text: &str) -> &str {
    text.split(", e.g.").next().unwrap_or(text)
}

/// A fault of a quantity as a diagnostic: what was expected, and what was probably meant.
fn quantity_fault(
    text: &str,
    fault: &QuantityFault,
    unit: Option<Unit>,
    whole: Span,
    part: &dyn Fn(Range<usize>) -> Span,
) -> Diagnostic {
    let expected = unit.map_or("quantity, e.g. 80 MHz", Unit::expectation);
    let said = |id, message: String, span| {
        Diagnostic::error(id, message).at(span).expected(format!("expected {expected}"))
    };
    let text = text.trim();
    match fault {
        QuantityFault::MissingUnit => {
            let diagnostic = said("unit-missing", format!("`{text}` has no unit"), whole);
            match likely_scale(text, unit).or_else(|| example_unit(expected)) {
                Some(example) => diagnostic.hint(format!("did you mean `{text} {example}`?")),
                None => diagnostic,
            }
        }
        QuantityFault::UnknownUnit(range) => {
            let symbol = text.get(range.clone()).unwrap_or(text).trim();
            let diagnostic =
                said("unit-unknown", format!("there is no unit `{symbol}`"), part(range.clone()));
            match likely_unit(symbol, unit) {
                Some(likely) => diagnostic.hint(format!("did you mean `{likely}`?")),
                None => diagnostic,
            }
        }
        QuantityFault::WrongUnit(range, found) => {
            let symbol = text.get(range.clone()).unwrap_or(text).trim();
            said(
                "unit-wrong",
                format!("`{symbol}` is a unit of {}", plain_noun(found.expectation())),
                part(range.clone()),
            )
        }
        QuantityFault::NotFinite => said("not-finite", format!("`{text}` is not a finite number"), whole),
        QuantityFault::Separator(range) => {
            said("separator", format!("`{text}` has a separator between its digits"), part(range.clone()))
                .hint("write all digits together, with a point for decimals")
        }
        QuantityFault::NotANumber | QuantityFault::NotARange => {
            said("not-a-quantity", format!("`{text}` is not a quantity"), whole)
        }
    }
}

/// The base unit, where the number looks as if it were written in it: with an exponent, or far from the few digits that go
/// with a prefix.
fn likely_scale(text: &str, unit: Option<Unit>) -> Option<&'static str> {
    let unit = unit.filter(|unit| !unit.is_decibel() && *unit != Unit::Kelvin)?;
    let size: f64 = text.parse::<f64>().ok()?.abs();
    (text.contains(['e', 'E']) || !(0.01..1000.0).contains(&size)).then(|| unit.symbol())
}

/// The unit of the example in an expectation: `MHz` in "frequency, e.g. 80 MHz".
fn example_unit(expectation: &str) -> Option<&str> {
    let example = expectation.split_once("e.g. ")?.1.split(" or ").next()?;
    example.split_once(' ').map(|(_, unit)| unit)
}

/// The unit that was probably meant: the same letters in another case, or one letter off; of the wanted unit first.
fn likely_unit(symbol: &str, wanted: Option<Unit>) -> Option<String> {
    const PREFIXES: [&str; 10] = ["", "k", "M", "G", "T", "m", "u", "n", "p", "f"];
    const OTHERS: [&str; 12] =
        ["degC", "dBc/Hz", "dBc", "dBm", "dB", "deg", "ppm", "ppb", "%", "V/us", "nV/rtHz", "pA/rtHz"];
    let mut known: Vec<String> = Vec::new();
    for unit in Unit::ALL {
        for prefix in PREFIXES {
            let name = format!("{prefix}{}", unit.symbol());
            if parse(&format!("1 {name}")).is_ok_and(|quantity| quantity.unit == unit) {
                known.push(name);
            }
        }
    }
    known.extend(OTHERS.map(str::to_owned));
    let fits = |name: &&String| {
        wanted.is_none_or(|unit| {
            parse(&format!("1 {name}")).is_ok_and(|quantity| quantity.convert(unit).is_some())
        })
    };
    let same = |name: &&String| name.eq_ignore_ascii_case(symbol);
    known
        .iter()
        .find(|name| same(name) && fits(name))
        .or_else(|| known.iter().find(same))
        .cloned()
        .or_else(|| nearest(symbol, known.iter().filter(fits).map(String::as_str)).map(str::to_owned))
}
