//! The register layout of a synthesizer: words, fields, bits and how a field's value comes about.

use super::fields::{default, optional, required};
use super::prelude::*;
use crate::note::place::Place;
use crate::template;

/// Bits of the widest word: still a whole number without rounding in results.json and in every spreadsheet.
const WIDEST: i64 = 48;

/// Names that an encoding may use, and what they stand for.
const NAMES: [(&str, &str); 16] = [
    ("N", "integer part of the feedback divider"),
    ("numerator", "numerator of its fraction, 0 with integer dividers"),
    ("denominator", "denominator of its fraction, 1 with integer dividers"),
    ("prescaler", "lower modulus of the dual-modulus prescaler"),
    ("a", "swallow counter"),
    ("b", "main counter"),
    ("P", "fixed prescaler"),
    ("R", "reference divider"),
    ("O", "output divider"),
    ("doubler", "1 where the reference doubler is on, else 0"),
    ("pump_step", "index of the pump current among `pump.currents`, from 0, ascending"),
    ("pump_current", "pump current, A"),
    ("polarity", "1 where the loop's `polarity` is positive, else 0; an active filter turns it"),
    ("detector_frequency", "detector frequency, Hz"),
    ("oscillator_frequency", "oscillator frequency, Hz"),
    ("output_frequency", "output frequency, Hz"),
];

static FIELD: &[Field] = &[
    required(
        "bits",
        Type::Either(&[Type::Integer, Type::IntegerRange]),
        "bits it occupies, lowest first, counted from 0 at the least significant",
    ),
    optional("value", Type::Integer, "a value that never changes"),
    optional(
        "formula",
        Type::Formula,
        "the value of a channel: an expression over N, numerator, denominator, prescaler, a, b, P, R, O, doubler, \
         pump_step, pump_current (A), polarity, detector_frequency, oscillator_frequency and output_frequency (Hz); \
         `//` divides and rounds down",
    ),
    optional(
        "codes",
        Type::Table(Unit::One, Unit::One),
        "what is written for each result of `formula`, e.g. {1: 0, 2: 1, 4: 2}; absent: the result itself",
    ),
    optional("says", Type::Text, "what it does, a few words"),
];
static WORD: &[Field] = &[
    default("width", Type::Integer, "32", "number of bits"),
    required("fields", Type::Entries(&Type::Group(FIELD)), "fields by name; bits of none are 0"),
];
/// The field `program` of a synthesizer.
pub static PROGRAM: &[Field] =
    &[required("words", Type::Entries(&Type::Group(WORD)), "words by name, in the order they are written")];

/// All words.
#[derive(Clone, Debug)]
pub struct Layout {
    /// In the order they are written.
    pub words: Vec<WordLayout>,
}

/// One word.
#[derive(Clone, Debug)]
pub struct WordLayout {
    /// Name.
    pub name: String,
    /// Number of bits.
    pub width: u32,
    /// Its fields, from the highest bit down.
    pub fields: Vec<BitField>,
}

/// A field of a word.
#[derive(Clone, Debug)]
pub struct BitField {
    /// Name.
    pub name: String,
    /// What it does.
    pub says: String,
    /// Lowest bit.
    pub low: u32,
    /// Highest bit.
    pub high: u32,
    /// How its value comes about.
    pub encoding: Encoding,
    /// Where that is written.
    pub place: Place,
}

/// How a field's value comes about.
#[derive(Clone, Debug)]
pub enum Encoding {
    /// Always the same.
    Fixed(u64),
    /// An expression, and what is written for each of its results (itself where there is no table).
    Formula(String, Option<Vec<(f64, u64)>>),
}

impl BitField {
    /// The bits as `15..2`, or `7`.
    pub fn bits(&self) -> String {
        if self.low == self.high { self.low.to_string() } else { format!("{}..{}", self.high, self.low) }
    }

    /// Largest value that it holds.
    pub fn most(&self) -> u64 {
        u64::MAX >> (63 - (self.high - self.low))
    }
}

/// What a name stands for.
fn name_says(name: &str) -> Option<&'static str> {
    NAMES.iter().find(|(known, _)| *known == name).map(|(_, says)| *says)
}

/// The layout of the field `program`; every fault of it at its place.
pub fn layout(fields: &Fields, faults: &mut Faults) -> Option<Layout> {
    let program = fields.group("program")?;
    let words = program.entries("words");
    if words.is_empty() {
        faults.place(program.place("words"), "registers", "a register layout has at least one word");
    }
    let words = words.iter().filter_map(|(key, checked)| word(&key.name, checked.group()?, faults));
    Some(Layout { words: words.collect() })
}

fn word(name: &str, group: &Fields, faults: &mut Faults) -> Option<WordLayout> {
    let width = group.integer("width")?;
    if !(1..=WIDEST).contains(&width) {
        faults.place(
            group.place("width"),
            "registers",
            format!("a word is 1 to {WIDEST} bits wide, not {width}"),
        );
        return None;
    }
    let mut found: Vec<BitField> = Vec::new();
    for (key, checked) in group.entries("fields") {
        let Some(one) = checked.group() else { continue };
        let Some((low, high)) = bits(one, name, width, faults) else { continue };
        if let Some(other) = found.iter().find(|other| low <= other.high && other.low <= high) {
            let text = format!(
                "`{}` takes bits of `{}` ({}) in word {name}: each bit belongs to one field",
                key.name,
                other.name,
                other.bits()
            );
            faults.place(one.place("bits"), "registers", text);
            continue;
        }
        let says = one.text("says").unwrap_or_default().to_owned();
        let mut field = BitField {
            name: key.name.clone(),
            says,
            low,
            high,
            encoding: Encoding::Fixed(0),
            place: one.place.clone(),
        };
        if let Some((encoding, place)) = encoding(one, &field, faults) {
            field.encoding = encoding;
            field.place = place;
        }
        found.push(field);
    }
    found.sort_by_key(|field| std::cmp::Reverse(field.high));
    Some(WordLayout { name: name.to_owned(), width: u32::try_from(width).ok()?, fields: found })
}

fn bits(one: &Fields, word: &str, width: i64, faults: &mut Faults) -> Option<(u32, u32)> {
    let (low, high) = one.integer_range("bits").or_else(|| one.integer("bits").map(|bit| (bit, bit)))?;
    if low < 0 || high >= width {
        let text =
            format!("word {word} has bits 0 to {}, not {}", width - 1, if low < 0 { low } else { high });
        faults.place(one.place("bits"), "registers", text);
        return None;
    }
    u32::try_from(low).ok().zip(u32::try_from(high).ok())
}

fn encoding(one: &Fields, field: &BitField, faults: &mut Faults) -> Option<(Encoding, Place)> {
    match (one.integer("value"), one.text("formula")) {
        (Some(value), None) => {
            let place = one.place("value");
            if one.written("codes") {
                let text = "`codes` belongs to a `formula`; a `value` is written as it stands";
                faults.place(one.place("codes"), "registers", text);
            }
            let value = code(value as f64, field, place, faults)?;
            Some((Encoding::Fixed(value), place.clone()))
        }
        (None, Some(formula)) => {
            let place = one.place("formula");
            for (name, range) in template::names_in(formula) {
                if name_says(&name).is_none() {
                    let known = NAMES.iter().map(|(name, _)| *name);
                    let message = format!("a register field can't be made from `{name}`");
                    let diagnostic = Diagnostic::error("registers", message)
                        .at(place.part(range.start, range.end))
                        .nearest(&name, known);
                    faults.push(diagnostic);
                }
            }
            let codes = one.table("codes").map(|rows| {
                rows.iter()
                    .filter_map(|row| Some((row.at, code(row.value, field, &row.place, faults)?)))
                    .collect()
            });
            Some((Encoding::Formula(formula.to_owned(), codes), place.clone()))
        }
        (value, _) => {
            let text = if value.is_some() {
                format!("`{}` has a `value` and a `formula`; one of them says what is written", field.name)
            } else {
                format!("`{}` needs `value` or `formula`, which say what is written", field.name)
            };
            faults.place(&one.place, "registers", text);
            None
        }
    }
}

/// A number as it is written into the field; a fault where it is no whole number that fits.
fn code(value: f64, field: &BitField, place: &Place, faults: &mut Faults) -> Option<u64> {
    let code = fitting(value, field);
    if code.is_none() {
        faults.place(place, "register-value", unfit(value, field));
    }
    code
}

/// The number as a whole one, where it fits the field.
pub fn fitting(value: f64, field: &BitField) -> Option<u64> {
    let whole = value.round();
    let near = (value - whole).abs() <= 1e-9 * whole.abs().max(1.0);
    (near && whole >= 0.0 && whole <= field.most() as f64).then_some(whole as u64)
}

/// Why it does not fit.
pub fn unfit(value: f64, field: &BitField) -> String {
    format!(
        "`{}` would be {}, but its bits {} hold whole numbers from 0 to {}",
        field.name,
        print(value, Unit::One, if value.fract() == 0.0 { Digits::All } else { Digits::Significant(6) }),
        field.bits(),
        field.most()
    )
}
