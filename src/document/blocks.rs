//! Exhibits in their places, and facts as used.

use std::sync::Arc;

use super::{Basis, Block, Inline, Rows};
use crate::exhibit::{Column, Figure};
use crate::results::{BlockResult, Group, Node, State};
use crate::units::{Digits, Unit, print};

/// What one block shows where its fence stood.
#[derive(Clone, Debug, PartialEq)]
pub struct Exhibits {
    /// The block.
    pub block: String,
    /// Its exhibits, in order.
    pub placed: Vec<Placed>,
}

/// One exhibit, numbered.
#[derive(Clone, Debug, PartialEq)]
pub enum Placed {
    /// A figure.
    Figure(Box<PlacedFigure>),
    /// A table.
    Table(PlacedTable),
    /// Prose behind a lead in bold.
    Prose {
        /// A word or two; empty for none.
        lead: String,
        /// The text.
        text: Vec<Block>,
    },
}

/// A figure with number and caption.
#[derive(Clone, Debug, PartialEq)]
pub struct PlacedFigure {
    /// Dotted name: `noise.figure`.
    pub label: String,
    /// Number among the figures.
    pub number: usize,
    /// Caption.
    pub caption: Vec<Inline>,
    /// Path of its file.
    pub file: String,
    /// The figure.
    pub figure: Arc<Figure>,
    /// Line of the block in the note.
    pub line: usize,
}

/// A table with number and caption.
#[derive(Clone, Debug, PartialEq)]
pub struct PlacedTable {
    /// Dotted name: `noise.table`.
    pub label: String,
    /// Number among the tables.
    pub number: usize,
    /// Caption.
    pub caption: Vec<Inline>,
    /// Path of its file.
    pub file: String,
    /// Columns.
    pub columns: Vec<Column>,
    /// Rows, each as long as `columns`.
    pub rows: Rows,
    /// Small print below, empty for none.
    pub note: String,
    /// Line of the block in the note.
    pub line: usize,
}

/// A cell, its prose filled.
#[derive(Clone, Debug, PartialEq)]
pub enum TableCell {
    /// Nothing.
    Empty,
    /// Text.
    Prose(Vec<Inline>),
    /// A formula, TeX, of a block at this line of the note.
    Math(String, usize),
    /// A number: printed, and raw in its unit.
    Number {
        /// Raw value.
        value: f64,
        /// Its unit.
        unit: Unit,
        /// As printed.
        text: String,
    },
    /// A verdict; `true` where a margin wanted is not kept.
    Verdict(State, bool),
}

/// A facts block as the appendix of inputs shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct Fact {
    /// Name of the block.
    pub block: String,
    /// Kind.
    pub kind: &'static str,
    /// Basis, where stated.
    pub basis: Option<Basis>,
    /// Source, where stated.
    pub source: Option<String>,
    /// Fields as used: dotted name and printed value.
    pub fields: Vec<(String, String)>,
}

/// File of an exhibit: `noise` and `figure.2` give `figures/noise.2.svg`.
pub(super) fn file_of(block: &str, anchor: &str, folder: &str, plain: &str, ending: &str) -> String {
    let rest = match anchor.strip_prefix(plain) {
        Some("") => String::new(),
        Some(rest) if rest.starts_with('.') => rest.to_owned(),
        _ => format!(".{anchor}"),
    };
    format!("{folder}/{block}{rest}.{ending}")
}

/// The fields of a facts block, flat, in order.
pub(super) fn fields_of(block: &BlockResult) -> Vec<(String, String)> {
    let mut out = Vec::new();
    if let Some(fields) = &block.results.fields {
        flatten(fields, "", &mut out);
    }
    // `values` are facts whose numbers are metrics.
    if block.kind == "values" {
        flatten(&block.results.metrics, "", &mut out);
    }
    out
}

fn flatten(group: &Group, prefix: &str, out: &mut Vec<(String, String)>) {
    for (name, node) in &group.0 {
        let path = if prefix.is_empty() { name.clone() } else { format!("{prefix}.{name}") };
        match node {
            // Said beside the name of the block.
            _ if prefix.is_empty() && matches!(name.as_str(), "source" | "basis") => {}
            Node::Group(inner) => match pairs(inner).or_else(|| ends(inner)).or_else(|| word(inner)) {
                Some(text) => out.push((path, text)),
                None => flatten(inner, &path, out),
            },
            other => out.push((path, one(other))),
        }
    }
}

/// A table of two series as "10 kHz: −90 dBc/Hz; ..".
fn pairs(group: &Group) -> Option<String> {
    let [(_, Node::Series { unit: xu, values: xs }), (_, Node::Series { unit: yu, values: ys })] =
        group.0.as_slice()
    else {
        return None;
    };
    if xs.len() != ys.len() {
        return None;
    }
    let pair = |(x, y): (&f64, &f64)| format!("{}: {}", six_digits(*x, *xu), six_digits(*y, *yu));
    Some(shortened(&xs.iter().zip(ys).map(pair).collect::<Vec<_>>(), "; "))
}

/// A range as "0.5 V … 4.5 V".
fn ends(group: &Group) -> Option<String> {
    match group.0.as_slice() {
        [(from, Node::Metric(low)), (to, Node::Metric(high))] if from == "from" && to == "to" => {
            Some(format!("{} … {}", low.print(), high.print()))
        }
        [first, second, (name, Node::Metric(step))] if name == "step" => {
            let range = ends(&Group(vec![first.clone(), second.clone()]))?;
            Some(format!("{range}, step {}", step.print()))
        }
        _ => None,
    }
}

/// A register word as "16 bits; 2 to 9: divider = R; 12: lock = 1", its fields from the lowest bit up.
fn word(group: &Group) -> Option<String> {
    let [(_, Node::Metric(width)), (name, Node::Group(fields))] = group.0.as_slice() else { return None };
    if name != "fields" {
        return None;
    }
    let mut parts: Vec<(f64, String)> = Vec::new();
    for (name, field) in &fields.0 {
        let Node::Group(field) = field else { return None };
        let (low, bits) = match field.get("bits")? {
            Node::Metric(bit) => (bit.number()?, bit.print()),
            Node::Group(bits) => match bits.0.as_slice() {
                [(_, Node::Metric(low)), (_, Node::Metric(high))] => {
                    (low.number()?, format!("{} to {}", low.print(), high.print()))
                }
                _ => return None,
            },
            _ => return None,
        };
        let made = field.get("formula").or_else(|| field.get("value")).map(one).unwrap_or_default();
        let codes = match field.get("codes") {
            Some(Node::Group(codes)) => format!(" ({})", pairs(codes)?),
            _ => String::new(),
        };
        parts.push((low, format!("{bits}: {name} = {made}{codes}")));
    }
    parts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let parts: Vec<String> = parts.into_iter().map(|(_, text)| text).collect();
    Some(format!("{} bits; {}", width.print(), parts.join("; ")))
}

/// All of a short list; of a long one the ends and how many.
fn shortened(items: &[String], between: &str) -> String {
    const MOST: usize = 24;
    match items {
        [first @ .., last] if items.len() > MOST => {
            format!("{} values, {} … {last}", items.len(), first[..3].join(between))
        }
        _ => items.join(between),
    }
}

fn one(node: &Node) -> String {
    match node {
        Node::Metric(metric) => metric.print(),
        Node::Text(text) => text.clone(),
        Node::Flag(flag) => if *flag { "on" } else { "off" }.to_owned(),
        Node::List(list) => shortened(&list.iter().map(one).collect::<Vec<_>>(), ", "),
        Node::Group(group) => {
            let inner = group.0.iter().map(|(name, node)| format!("{name} {}", one(node)));
            inner.collect::<Vec<_>>().join(", ")
        }
        Node::Series { unit, values } => {
            shortened(&values.iter().map(|v| six_digits(*v, *unit)).collect::<Vec<_>>(), ", ")
        }
    }
}

/// A number of six digits, without the noughts behind the point that nobody wrote.
fn six_digits(value: f64, unit: Unit) -> String {
    let text = print(value, unit, Digits::Significant(6));
    let end = text.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == '\u{2212}')).unwrap_or(text.len());
    let (number, rest) = text.split_at(end);
    if !number.contains('.') || rest.starts_with('·') {
        return text;
    }
    format!("{}{rest}", number.trim_end_matches('0').trim_end_matches('.'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Metric;

    #[test]
    fn files_follow_anchors() {
        for (anchor, file) in [
            ("figure", "figures/lo.svg"),
            ("figure.2", "figures/lo.2.svg"),
            ("schematic", "figures/lo.schematic.svg"),
            ("figures", "figures/lo.figures.svg"),
        ] {
            assert_eq!(file_of("lo", anchor, "figures", "figure", "svg"), file);
        }
    }

    #[test]
    fn a_register_word_is_one_line() {
        let bits = |low: i64, high: i64| {
            let mut bits = Group::new();
            bits.metric("from", Metric::count(low));
            bits.metric("to", Metric::count(high));
            Node::Group(bits)
        };
        let mut divider = Group::new();
        divider.put("bits", bits(2, 9));
        divider.put("formula", Node::Text("N".to_owned()));
        let mut address = Group::new();
        address.put("bits", Node::Metric(Metric::count(0)));
        address.metric("value", Metric::count(1));
        let mut fields = Group::new();
        fields.put("divider", Node::Group(divider));
        fields.put("address", Node::Group(address));
        let mut main = Group::new();
        main.metric("width", Metric::count(16));
        main.put("fields", Node::Group(fields));
        let mut words = Group::new();
        words.put("main", Node::Group(main));
        let mut out = Vec::new();
        flatten(&words, "", &mut out);
        let line = "16 bits; 0: address = 1; 2 to 9: divider = N";
        assert_eq!(out, [("main".to_owned(), line.to_owned())]);
    }

    #[test]
    fn a_stepped_range_is_one_line() {
        let mut currents = Group::new();
        for (name, value) in [("from", 1e-3), ("to", 5e-3), ("step", 5e-4)] {
            currents.metric(name, Metric::exact(value, Unit::Ampere));
        }
        let text = ends(&currents).map(|text| crate::units::ascii(&text));
        assert_eq!(text.as_deref(), Some("1 mA … 5 mA, step 500 uA"));
    }

    #[test]
    fn fields_are_flat_and_tables_are_pairs() {
        let mut table = Group::new();
        table.put("offset", Node::Series { unit: Unit::Hertz, values: vec![1e3, 1e4] });
        table.put("level", Node::Series { unit: Unit::DecibelCarrierPerHertz, values: vec![-90.0, -110.5] });
        let mut pump = Group::new();
        pump.metric("leakage", Metric::exact(1e-9, Unit::Ampere));
        let mut fields = Group::new();
        fields.put("phase_noise", Node::Group(table));
        fields.put("pump", Node::Group(pump));
        let mut out = Vec::new();
        flatten(&fields, "", &mut out);
        let plain: Vec<(String, String)> =
            out.into_iter().map(|(n, v)| (n, crate::units::ascii(&v))).collect::<Vec<_>>();
        assert_eq!(
            plain,
            [
                ("phase_noise".to_owned(), "1 kHz: -90 dBc/Hz; 10 kHz: -110.5 dBc/Hz".to_owned()),
                ("pump.leakage".to_owned(), "1 nA".to_owned())
            ]
        );
    }
}
