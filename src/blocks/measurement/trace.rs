//! Reading a bench trace: which column is what, guessed from header and values or said by the note.

use crate::blocks::prelude::*;
use crate::note::{DataColumn, read_data};
use crate::units;

/// What a column of a trace may hold.
#[derive(Clone, Copy, Debug)]
pub struct Role {
    /// Its word in `columns`.
    pub word: &'static str,
    /// Unit of its values.
    pub unit: Unit,
    /// Words in a header that give it away.
    pub heads: &'static [&'static str],
    /// Whether these values may be such.
    pub looks: fn(&[f64]) -> bool,
}

/// A phase-noise trace: offset and level.
pub const NOISE: [&[Role]; 2] = [
    &[Role {
        word: "offset",
        unit: Unit::Hertz,
        heads: &["offset", "freq", "frequency", "f", "fm"],
        looks: |values| values.iter().all(|f| *f > 0.0) && in_order(values),
    }],
    &[Role {
        word: "level",
        unit: Unit::DecibelCarrierPerHertz,
        heads: &["level", "noise", "phase noise", "l", "l(f)", "ssb", "magnitude", "power"],
        looks: |values| values.iter().all(|level| *level < 0.0),
    }],
];

/// Word of a column of frequencies as they are.
pub const FREQUENCY: &str = "frequency";
/// Word of a column of frequencies from the channel aimed at.
pub const ERROR: &str = "error";
/// Word of a column of phases.
pub const PHASE: &str = "phase";

/// A settling trace: time, and one of frequency, its error, phase, tuning voltage.
pub const SETTLING: [&[Role]; 2] = [
    &[Role { word: "time", unit: Unit::Second, heads: &["time", "t"], looks: in_order }],
    &[
        Role {
            word: FREQUENCY,
            unit: Unit::Hertz,
            heads: &["frequency", "freq", "f", "output"],
            looks: |_| true,
        },
        Role {
            word: ERROR,
            unit: Unit::Hertz,
            heads: &["error", "deviation", "frequency error", "frequency deviation", "df"],
            looks: |_| false,
        },
        Role {
            word: PHASE,
            unit: Unit::Degree,
            heads: &["phase", "phase error", "phase deviation"],
            looks: |_| false,
        },
        Role {
            word: "tuning",
            unit: Unit::Volt,
            heads: &["tuning", "tuning voltage", "voltage", "v", "vt"],
            looks: |_| false,
        },
    ],
];

/// How a column was read.
#[derive(Clone, Debug)]
pub struct Reading {
    /// Number of the column in the file, from 1.
    pub column: usize,
    /// Its name in the header, or empty.
    pub header: String,
    /// What it was taken for.
    pub role: Role,
    /// Unit as written in the header or in `columns`, or the one assumed.
    pub unit: String,
    /// Why.
    pub because: &'static str,
}

/// A trace: for each list of roles asked for the values of one of them, row by row, and how they were found.
#[derive(Clone, Debug)]
pub struct Trace {
    /// Values, in the unit of their role.
    pub values: Vec<Vec<f64>>,
    /// How their column was found.
    pub readings: Vec<Reading>,
}

fn in_order(values: &[f64]) -> bool {
    let rising = values.windows(2).all(|pair| pair[0] <= pair[1]);
    rising || values.windows(2).all(|pair| pair[0] >= pair[1])
}

/// The trace of the field `file`, its columns as `columns` says or as they look.
pub fn trace(given: &Given, inputs: &Inputs<'_>, asked: &[&[Role]], faults: &mut Faults) -> Option<Trace> {
    let fields = &given.fields;
    let mut found = Vec::new();
    let file = (fields.text("file")?, fields.place("file"));
    let data = read_data(inputs.files, inputs.sources, inputs.shown, file, &[], &mut found);
    faults.extend(found);
    let columns = data?.columns;
    let said = fields.list("columns");
    if said.is_empty() {
        guessed(given, &columns, asked, faults)
    } else {
        told(given, &columns, asked, faults)
    }
}

/// The number that was written, whatever unit the header gave it.
fn as_written(column: &DataColumn) -> impl Iterator<Item = f64> {
    let factor = factor(&column.symbol, column.unit).unwrap_or(1.0);
    column.values.iter().map(move |value| value / factor)
}

/// What one of this unit is in the base of `unit`; `None` where it is of another dimension. Levels have no prefixes.
fn factor(symbol: &str, unit: Unit) -> Option<f64> {
    if symbol.is_empty() {
        return Some(1.0);
    }
    let one = units::parse(&format!("1 {symbol}")).ok()?;
    if unit.is_decibel() {
        one.unit.is_decibel().then_some(1.0)
    } else {
        (one.unit == unit).then_some(one.value)
    }
}

fn guessed(given: &Given, columns: &[DataColumn], asked: &[&[Role]], faults: &mut Faults) -> Option<Trace> {
    let mut taken: Vec<usize> = Vec::new();
    let mut trace = Trace { values: Vec::new(), readings: Vec::new() };
    for roles in asked {
        let bare = |column: &DataColumn| column.symbol.is_empty();
        let named =
            |c: &DataColumn, role: &Role| role.heads.iter().any(|head| head.eq_ignore_ascii_case(&c.name));
        // Analysers head the levels with dB or dBc as often as with dBc/Hz.
        let measured_in = |c: &DataColumn, role: &Role| {
            let decibels = c.unit.is_decibel() && role.unit.is_decibel() && c.unit != Unit::DecibelMilliwatt;
            !bare(c) && (c.unit == role.unit || decibels)
        };
        // The surest sign of any role and column comes first.
        let first = |sign: &dyn Fn(&DataColumn, &Role) -> bool| {
            let free = || columns.iter().enumerate().filter(|(k, _)| !taken.contains(k));
            roles.iter().find_map(|role| free().find(|(_, c)| sign(c, role)).map(|found| (found, *role)))
        };
        let found = first(&|c, role| measured_in(c, role) && named(c, role))
            .or_else(|| first(&measured_in))
            .map(|found| (found, "unit in the header"))
            .or_else(|| {
                let found = first(&|c, role| bare(c) && named(c, role))?;
                Some((found, "name in the header, unit assumed"))
            })
            .or_else(|| {
                let found = first(&|c, role| bare(c) && (role.looks)(&c.values))?;
                Some((found, "guessed from the values, unit assumed"))
            });
        let Some((((k, column), role), because)) = found else {
            let words: Vec<String> =
                roles.iter().map(|role| format!("`{}` in {}", role.word, role.unit.symbol())).collect();
            let text = format!("no column of the file looks like {}", words.join(" or "));
            let words: Vec<String> = asked
                .iter()
                .filter_map(|roles| roles.first())
                .map(|role| format!("{} {}", role.word, role.unit.symbol()))
                .collect();
            let hint = format!("say what stands where, e.g. `columns: [{}]`", words.join(", "));
            faults.push(Diagnostic::error("trace-columns", text).at(given.fields.span("file")).hint(hint));
            return None;
        };
        taken.push(k);
        let unit = if bare(column) { role.unit.symbol() } else { &column.symbol };
        trace.readings.push(Reading {
            column: k + 1,
            header: column.name.clone(),
            role,
            unit: unit.to_owned(),
            because,
        });
        trace.values.push(column.values.clone());
    }
    Some(trace)
}

fn told(given: &Given, columns: &[DataColumn], asked: &[&[Role]], faults: &mut Faults) -> Option<Trace> {
    let said = given.fields.list("columns");
    if said.len() > columns.len() {
        let text = format!("`columns` names {} columns, the file has {}", said.len(), columns.len());
        faults.place(given.fields.place("columns"), "trace-columns", text);
        return None;
    }
    let mut found: Vec<Option<(Vec<f64>, Reading)>> = vec![None; asked.len()];
    for (k, (item, column)) in said.iter().zip(columns).enumerate() {
        let text = item.text().unwrap_or_default().trim();
        if text == "skip" {
            continue;
        }
        let (word, symbol) = text.split_once(' ').unwrap_or((text, ""));
        let at = asked.iter().enumerate().find_map(|(index, roles)| {
            roles.iter().find(|role| role.word == word).map(|role| (index, *role))
        });
        let Some((index, role)) = at else {
            let known = asked.iter().flat_map(|roles| roles.iter()).map(|role| role.word).chain(["skip"]);
            let example = if asked[0][0].unit == Unit::Second { "time us" } else { "offset kHz" };
            let list = known.clone().collect::<Vec<_>>().join(", ");
            let expected = format!("expected one of {list}; a unit may follow, e.g. `{example}`");
            let message = format!("`{word}` is not what a column can be");
            let diagnostic = Diagnostic::error("trace-columns", message).at(item.place.span());
            faults.push(diagnostic.expected(expected).nearest(word, known));
            continue;
        };
        // A unit written here wins; without one the header's holds, and without that the base unit.
        let (symbol, because) = match symbol.trim() {
            "" if column.symbol.is_empty() => (role.unit.symbol(), "said in `columns`, unit assumed"),
            "" => (column.symbol.as_str(), "said in `columns`, unit in the header"),
            symbol => (symbol, "said in `columns`"),
        };
        let Some(factor) = factor(symbol, role.unit) else {
            let message = format!("`{symbol}` is not a unit of `{word}`");
            let expected = format!("expected {}", role.unit.described());
            faults.push(Diagnostic::error("trace-columns", message).at(item.place.span()).expected(expected));
            continue;
        };
        if let Some((_, other)) = &found[index] {
            let text = if other.role.word == word {
                format!("`{word}` stands in `columns` twice")
            } else {
                format!(
                    "`{word}` can't stand beside `{}` in `columns`: one of them is compared",
                    other.role.word
                )
            };
            faults.place(&item.place, "trace-columns", text);
            continue;
        }
        let reading =
            Reading { column: k + 1, header: column.name.clone(), role, unit: symbol.to_owned(), because };
        found[index] = Some((as_written(column).map(|value| value * factor).collect(), reading));
    }
    faults.sound()?;
    for (roles, found) in asked.iter().zip(&found) {
        if found.is_none() {
            let words: Vec<String> = roles.iter().map(|role| format!("`{}`", role.word)).collect();
            let text = format!("`columns` does not say which column is {}", words.join(" or "));
            faults.place(given.fields.place("columns"), "trace-columns", text);
        }
    }
    faults.sound()?;
    let (values, readings) = found.into_iter().flatten().unzip();
    Some(Trace { values, readings })
}
