//! Data files: columns of numbers with units, each fault at its line and column of the file.

use super::overlay::Parts;
use super::place::Place;
use crate::diag::Diagnostic;
use crate::source::{Files, SourceMap, Span};
use crate::units::{Unit, parse, parse_number};

/// A column of a data file.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Its name in the header, without the unit; empty where there is none.
    pub name: String,
    /// Unit of the values.
    pub unit: Unit,
    /// Its unit as the header writes it; empty where there is none.
    pub symbol: String,
    /// The values in the base of the unit; finite.
    pub values: Vec<f64>,
}

/// A data file: columns of one length.
#[derive(Clone, Debug, PartialEq)]
pub struct Data {
    /// The columns, from the left.
    pub columns: Vec<Column>,
    /// Where each row stands.
    pub rows: Vec<Span>,
}

/// Faults reported of one file; a file of another format would have thousands.
const MOST_FAULTS: usize = 10;

/// Reads a data file: comma, semicolon, tab or blanks between numbers, `#` before comments, an optional header.
///
/// `path` is relative to the note's folder and `place` names it; `units` are those of the first columns where the header says none
/// (a header's unit must be of the same dimension). Faults go to `out`.
pub fn read_data(
    files: &dyn Files,
    sources: &SourceMap,
    shown: &str,
    (path, place): (&str, &Place),
    units: &[Unit],
    out: &mut Vec<Diagnostic>,
) -> Option<Data> {
    let (_, whole) = Parts { files, sources, shown }.text(path, place, out)?;
    let text = sources.text(whole.file);
    let before = out.len();
    let data = columns(&text, whole, units, out);
    for fault in &mut out[before..] {
        fault.labels.push((place.span(), "read here".to_owned()));
    }
    data.filter(|_| out.len() == before)
}

fn columns(text: &str, whole: Span, units: &[Unit], out: &mut Vec<Diagnostic>) -> Option<Data> {
    let before = out.len();
    let mut columns: Vec<Column> = Vec::new();
    let mut rows: Vec<Span> = Vec::new();
    let mut separator = None;
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let at = start;
        start += line.len();
        let content = line.split('#').next().unwrap_or("").trim_end();
        if content.trim().is_empty() {
            continue;
        }
        let separator = *separator.get_or_insert_with(|| separator_of(content));
        let cells = cells(content, separator);
        let row = Span::new(whole.file, at, at + content.len());
        let place = |cell: (usize, &str)| Span::new(whole.file, at + cell.0, at + cell.0 + cell.1.len());
        if columns.is_empty() {
            let header = cells.iter().all(|(_, cell)| starts_as_number(cell).is_none());
            for (index, cell) in cells.iter().enumerate() {
                let (name, symbol) = if header { heading(cell.1) } else { (String::new(), None) };
                let wanted = units.get(index).copied();
                let unit =
                    symbol.as_deref().and_then(|symbol| parse(&format!("1 {symbol}")).ok()).map(|q| q.unit);
                if let (Some(wanted), Some(unit)) = (wanted, unit)
                    && wanted != unit
                {
                    out.push(
                        Diagnostic::error(
                            "column-unit",
                            format!("column {} is not what is needed", index + 1),
                        )
                        .at(place(*cell))
                        .expected(format!("expected {}", wanted.expectation())),
                    );
                }
                let unit = unit.or(wanted).unwrap_or(Unit::One);
                let symbol = symbol.unwrap_or_default();
                columns.push(Column { name, unit, symbol, values: Vec::new() });
            }
            if columns.len() < units.len() {
                let message = format!("the file has {} columns, {} are needed", columns.len(), units.len());
                out.push(Diagnostic::error("columns-missing", message).at(row));
                return None;
            }
            if header {
                continue;
            }
        }
        if cells.len() == columns.len() {
            for (cell, column) in cells.iter().zip(&mut columns) {
                match value(cell.1, &column.symbol, column.unit) {
                    Some(value) => column.values.push(value),
                    None => out.push(
                        Diagnostic::error("not-a-number", format!("`{}` is not a number", cell.1))
                            .at(place(*cell))
                            .expected("expected a decimal number with a point, e.g. 1.5e3"),
                    ),
                }
            }
            rows.push(row);
        } else {
            let message = format!("this line has {} columns, the first has {}", cells.len(), columns.len());
            out.push(Diagnostic::error("columns-uneven", message).at(row));
        }
        if out.len() >= before + MOST_FAULTS {
            return None;
        }
    }
    if rows.is_empty() && out.len() == before {
        out.push(Diagnostic::error("data-empty", "the file has no numbers").at(Span::new(whole.file, 0, 0)));
    }
    Some(Data { columns, rows })
}

fn separator_of(line: &str) -> Option<char> {
    [';', '\t', ','].into_iter().find(|&separator| line.contains(separator))
}

/// The cells of a line with the byte each begins at; `None`: any run of blanks separates.
fn cells(line: &str, separator: Option<char>) -> Vec<(usize, &str)> {
    let trim = |at: usize, cell: &'_ str| at + cell.len() - cell.trim_start().len();
    let mut found = Vec::new();
    let mut at = 0;
    let blank = |c: char| separator.map_or(c == ' ', |separator| c == separator);
    for cell in line.split(blank) {
        if separator.is_some() || !cell.is_empty() {
            found.push((trim(at, cell), cell.trim()));
        }
        at += cell.len() + 1;
    }
    found
}

fn starts_as_number(cell: &str) -> Option<char> {
    cell.trim_start_matches(['-', '+', '.', '\u{2212}', '"']).chars().next().filter(char::is_ascii_digit)
}

/// Name and unit of a header cell: `offset (kHz)`, `level [dBc/Hz]`, `time us`, `offset`.
fn heading(cell: &str) -> (String, Option<String>) {
    let cell = cell.trim_matches('"').trim();
    let split = match cell.find(['(', '[']) {
        Some(open) => Some((&cell[..open], cell[open + 1..].trim_end_matches([')', ']']))),
        None => cell.rsplit_once([' ', '_', ',']),
    };
    let is_unit = |symbol: &str| symbol == "1" || parse(&format!("1 {symbol}")).is_ok();
    match split {
        Some((name, unit)) if is_unit(unit.trim()) => (name.trim().to_owned(), Some(unit.trim().to_owned())),
        None if is_unit(cell) && cell != "1" => (String::new(), Some(cell.to_owned())),
        _ => (cell.to_owned(), None),
    }
}

fn value(cell: &str, symbol: &str, unit: Unit) -> Option<f64> {
    let number = if symbol.is_empty() || symbol == "1" {
        parse_number(cell)
    } else {
        parse(&format!("{cell} {symbol}"))
    };
    let value = number.or_else(|_| parse(cell)).ok()?;
    (value.unit == unit || (symbol.is_empty() && value.unit == Unit::One)).then_some(value.value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::note::place::Text;
    use crate::source::Memory;

    const UNITS: [Unit; 2] = [Unit::Hertz, Unit::DecibelCarrierPerHertz];

    fn read(text: &str) -> (Option<Data>, Vec<String>) {
        let sources = SourceMap::new();
        let files = Memory::new([("data/x.csv", text)]);
        let file = sources.add("n.md", "data/x.csv");
        let place = Place::root(Text::whole(file, "data/x.csv", ""));
        let mut out = Vec::new();
        let data = read_data(&files, &sources, "", ("data/x.csv", &place), &UNITS, &mut out);
        let said = out.iter().map(|d| {
            let span = d.span.expect("a place");
            let at = sources.position(span.file, span.start);
            format!("{}:{}:{} {}", sources.name(span.file), at.line, at.column, d.message)
        });
        (data, said.collect())
    }

    #[test]
    fn every_separator_and_header_gives_the_same_columns() {
        for text in [
            "1000,-90\n10000,-110.5\n",
            "# trace\r\noffset (kHz);level (dBc/Hz)\r\n1;-90\r\n10;-110.5 # far\r\n",
            "offset Hz\tlevel\n1e3\t-90\n1e4\t-110.5\n",
            "  1000   -90\n\n  10000  \u{2212}110.5\n",
            "\"offset [kHz]\",\"level [dBc/Hz]\"\n1,-90\n10,-110.5\n",
        ] {
            let (data, said) = read(text);
            assert_eq!(said, Vec::<String>::new(), "{text}");
            let data = data.expect("reads");
            assert_eq!(data.columns[0].values, [1e3, 1e4], "{text}");
            assert_eq!(data.columns[1].values, [-90.0, -110.5]);
            assert_eq!((data.columns[0].unit, data.columns[1].unit), (UNITS[0], UNITS[1]));
        }
    }

    #[test]
    fn faults_stand_at_their_line_and_column() {
        for (text, said) in [
            ("1000,-90\n1e4, x\n", "data/x.csv:2:6 `x` is not a number"),
            ("1000,-90\n1e4,nan\n", "data/x.csv:2:5 `nan` is not a number"),
            ("1000,-90\n1e4\n", "data/x.csv:2:1 this line has 1 columns, the first has 2"),
            ("time (us),level\n1,2\n", "data/x.csv:1:1 column 1 is not what is needed"),
            ("# nothing\n", "data/x.csv:1:1 the file has no numbers"),
            ("5\n", "data/x.csv:1:1 the file has 1 columns, 2 are needed"),
        ] {
            let (data, out) = read(text);
            assert_eq!((data, out.as_slice()), (None, [said.to_owned()].as_slice()), "{text}");
        }
        let (_, out) = read(&format!("1 2 3 4\n{}", "a b c d\n".repeat(60)));
        assert_eq!(out.len(), 12, "after ten faults the line is finished and no other is read");
    }
}
