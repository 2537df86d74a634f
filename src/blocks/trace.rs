//! Reading a bench trace: which column is what, guessed from header and values or said by the note.

use super::prelude::*;
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
pub const NOISE: [Role; 2] = [
    Role {
        word: "offset",
        unit: Unit::Hertz,
        heads: &["offset", "freq", "frequency", "f", "fm"],
        looks: |values| values.iter().all(|f| *f > 0.0) && in_order(values),
    },
    Role {
        word: "level",
        unit: Unit::DecibelCarrierPerHertz,
        heads: &["level", "noise", "phase noise", "l", "l(f)", "ssb", "magnitude", "power"],
        looks: |values| values.iter().all(|level| *level < 0.0),
    },
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

/// A trace: values of the roles asked for, row by row, and how they were found.
#[derive(Clone, Debug)]
pub struct Trace {
    /// For each role its values in its unit.
    pub values: Vec<Vec<f64>>,
    /// For each role how its column was found.
    pub readings: Vec<Reading>,
}

fn in_order(values: &[f64]) -> bool {
    let rising = values.windows(2).all(|pair| pair[0] <= pair[1]);
    rising || values.windows(2).all(|pair| pair[0] >= pair[1])
}

/// The trace of the field `file`, its columns as `columns` says or as they look.
pub fn trace(given: &Given, inputs: &Inputs<'_>, roles: &[Role], faults: &mut Faults) -> Option<Trace> {
    let fields = &given.fields;
    let mut found = Vec::new();
    let file = (fields.text("file")?, fields.place("file"));
    let data = read_data(inputs.files, inputs.sources, inputs.shown, file, &[], &mut found);
    faults.extend(found);
    let columns = data?.columns;
    let said = fields.list("columns");
    if said.is_empty() {
        guessed(given, &columns, roles, faults)
    } else {
        told(given, &columns, roles, faults)
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

fn guessed(given: &Given, columns: &[DataColumn], roles: &[Role], faults: &mut Faults) -> Option<Trace> {
    let mut taken: Vec<usize> = Vec::new();
    let mut trace = Trace { values: Vec::new(), readings: Vec::new() };
    for role in roles {
        let free = || columns.iter().enumerate().filter(|(k, _)| !taken.contains(k));
        let bare = |column: &DataColumn| column.symbol.is_empty();
        // Analysers head the levels with dB or dBc as often as with dBc/Hz.
        let decibels =
            |unit: Unit| unit.is_decibel() && role.unit.is_decibel() && unit != Unit::DecibelMilliwatt;
        let by_unit = free().find(|(_, c)| !bare(c) && (c.unit == role.unit || decibels(c.unit)));
        let by_name = || {
            let named = |c: &DataColumn| role.heads.iter().any(|head| head.eq_ignore_ascii_case(&c.name));
            free().find(|(_, c)| bare(c) && named(c))
        };
        let by_looks = || free().find(|(_, c)| bare(c) && (role.looks)(&c.values));
        let found = by_unit
            .map(|found| (found, "unit in the header"))
            .or_else(|| by_name().map(|found| (found, "name in the header, unit assumed")))
            .or_else(|| by_looks().map(|found| (found, "guessed from the values, unit assumed")));
        let Some(((k, column), because)) = found else {
            let text = format!("no column of the file looks like `{}` in {}", role.word, role.unit.symbol());
            let words: Vec<String> =
                roles.iter().map(|role| format!("{} {}", role.word, role.unit.symbol())).collect();
            let hint = format!("say what stands where, e.g. `columns: [{}]`", words.join(", "));
            faults.push(Diagnostic::error("trace-columns", text).at(given.fields.span("file")).hint(hint));
            return None;
        };
        taken.push(k);
        let unit = if bare(column) { role.unit.symbol() } else { &column.symbol };
        trace.readings.push(Reading {
            column: k + 1,
            header: column.name.clone(),
            role: *role,
            unit: unit.to_owned(),
            because,
        });
        trace.values.push(column.values.clone());
    }
    Some(trace)
}

fn told(given: &Given, columns: &[DataColumn], roles: &[Role], faults: &mut Faults) -> Option<Trace> {
    let said = given.fields.list("columns");
    if said.len() > columns.len() {
        let text = format!("`columns` names {} columns, the file has {}", said.len(), columns.len());
        faults.place(given.fields.place("columns"), "trace-columns", text);
        return None;
    }
    let mut found: Vec<Option<(Vec<f64>, Reading)>> = vec![None; roles.len()];
    for (k, (item, column)) in said.iter().zip(columns).enumerate() {
        let text = item.text().unwrap_or_default().trim();
        if text == "skip" {
            continue;
        }
        let (word, symbol) = text.split_once(' ').unwrap_or((text, ""));
        let Some(index) = roles.iter().position(|role| role.word == word) else {
            let known = roles.iter().map(|role| role.word).chain(["skip"]);
            let list = known.clone().collect::<Vec<_>>().join(", ");
            let expected = format!("expected one of {list}; a unit may follow, e.g. `offset kHz`");
            let message = format!("`{word}` is not what a column can be");
            let diagnostic = Diagnostic::error("trace-columns", message).at(item.place.span());
            faults.push(diagnostic.expected(expected).nearest(word, known));
            continue;
        };
        let role = roles[index];
        // A unit written here wins; without one the header's holds, and without that the base unit.
        let (symbol, because) = match symbol.trim() {
            "" if column.symbol.is_empty() => (role.unit.symbol(), "said in `columns`, unit assumed"),
            "" => (column.symbol.as_str(), "said in `columns`, unit in the header"),
            symbol => (symbol, "said in `columns`"),
        };
        let Some(factor) = factor(symbol, role.unit) else {
            let message = format!("`{symbol}` is not a unit of `{word}`");
            let expected = format!("expected a {}", role.unit.expectation());
            faults.push(Diagnostic::error("trace-columns", message).at(item.place.span()).expected(expected));
            continue;
        };
        if found[index].is_some() {
            faults.place(&item.place, "trace-columns", format!("`{word}` stands in `columns` twice"));
            continue;
        }
        let reading =
            Reading { column: k + 1, header: column.name.clone(), role, unit: symbol.to_owned(), because };
        found[index] = Some((as_written(column).map(|value| value * factor).collect(), reading));
    }
    faults.sound()?;
    for (role, found) in roles.iter().zip(&found) {
        if found.is_none() {
            let text = format!("`columns` does not say which column is `{}`", role.word);
            faults.place(given.fields.place("columns"), "trace-columns", text);
        }
    }
    faults.sound()?;
    let (values, readings) = found.into_iter().flatten().unzip();
    Some(Trace { values, readings })
}
