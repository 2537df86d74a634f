//! Bounds what a template of a note can build: behind every tag that gives a value a name, the value is counted.
//!
//! A list that holds itself twice, forty times over, has more entries than anything could print or compare; the engine counts
//! steps, not entries. Every list has to be built step by step through names (an expression is short), so that a count at
//! each name is enough.

use minijinja::{Error, ErrorKind, Value, value::ValueKind};

use super::tags::word;
use super::token::quoted_end;

/// Name of the filter that counts.
pub(super) const FILTER: &str = "held";

/// Most entries of a list, with all that it holds.
const MOST: usize = 10_000;

/// Tags that count what a tag has named; empty where it names nothing. No line ends, and white space is cut as by the tag.
pub(super) fn guards(tag: &str) -> String {
    let cut = tag.strip_suffix("%}").and_then(|rest| rest.chars().last()).filter(|c| matches!(c, '-' | '+'));
    let cut = cut.map(String::from).unwrap_or_default();
    // An argument may be left out.
    let may_lack = matches!(word(tag), "macro" | "call");
    let guard = |name: &str| {
        let set = format!("{{% set {name} = {name}|{FILTER} {cut}%}}");
        if may_lack { format!("{{% if {name} is defined %}}{set}{{% endif {cut}%}}") } else { set }
    };
    named(tag).into_iter().map(guard).collect()
}

/// Names that a tag gives to values.
fn named(tag: &str) -> Vec<&str> {
    if !tag.starts_with("{%") {
        return Vec::new();
    }
    let word = word(tag);
    let Some((_, rest)) = tag.split_once(word) else { return Vec::new() };
    let rest = rest.trim_end_matches("%}").trim_end_matches(['-', '+']);
    let target = |piece: &'_ str| piece.split_once('=').map_or(piece.len(), |(name, _)| name.len());
    let targets: Vec<&str> = match word {
        "set" if rest.contains('=') => pieces(&rest[..target(rest)]),
        "for" => rest.find(" in ").map_or(Vec::new(), |end| pieces(&rest[..end])),
        "with" => pieces(rest),
        "macro" => rest.find('(').map_or(Vec::new(), |open| pieces(inside(&rest[open..]))),
        "call" if rest.trim_start().starts_with('(') => pieces(inside(rest.trim_start())),
        _ => Vec::new(),
    };
    let targets = targets.into_iter().map(|piece| piece[..target(piece)].trim());
    let is_name = |name: &&str| {
        !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '_' | '.'))
    };
    targets.map(|name| name.trim_matches(['(', ')', ' '])).filter(is_name).collect()
}

/// Bytes outside of quotes with their places, each with how many brackets stand open behind it.
fn bare(text: &str) -> Vec<(usize, u8, usize)> {
    let bytes = text.as_bytes();
    let (mut found, mut depth, mut at) = (Vec::new(), 0_usize, 0);
    while at < bytes.len() {
        match bytes[at] {
            b'"' | b'\'' => {
                at = quoted_end(bytes, at);
                continue;
            }
            b'(' | b'[' | b'{' => depth += 1,
            b')' | b']' | b'}' => depth = depth.saturating_sub(1),
            _ => {}
        }
        found.push((at, bytes[at], depth));
        at += 1;
    }
    found
}

/// What stands in the brackets that a text begins with.
fn inside(text: &str) -> &str {
    let end = bare(text).into_iter().find(|(_, _, depth)| *depth == 0).map_or(text.len(), |(at, ..)| at);
    text.get(1..end).unwrap_or_default()
}

/// Parts between commas that stand in no brackets and quotes.
fn pieces(text: &str) -> Vec<&str> {
    // Brackets round all targets hold none back.
    let most = usize::from(text.trim_start().starts_with('('));
    let (mut found, mut from) = (Vec::new(), 0);
    for (at, byte, depth) in bare(text) {
        if byte == b',' && depth <= most {
            found.push(&text[from..at]);
            from = at + 1;
        }
    }
    found.push(&text[from..]);
    found
}

/// The filter: the value as it is.
///
/// # Errors
/// Where it has more than [`MOST`] entries with all that they hold.
pub(super) fn held(value: Value) -> Result<Value, Error> {
    let mut left = MOST;
    if fits(&value, &mut left, 0) {
        return Ok(value);
    }
    let text = format!("a list of more than {MOST} entries, with all that they hold, can't be kept");
    Err(Error::new(ErrorKind::InvalidOperation, text))
}

fn fits(value: &Value, left: &mut usize, depth: usize) -> bool {
    if depth > 30 {
        return false;
    }
    if !matches!(value.kind(), ValueKind::Seq | ValueKind::Map | ValueKind::Iterable) {
        return true;
    }
    let Ok(entries) = value.try_iter() else { return true };
    for entry in entries {
        if *left == 0 {
            return false;
        }
        *left -= 1;
        let inner =
            if value.kind() == ValueKind::Map { value.get_item(&entry).unwrap_or_default() } else { entry };
        if !fits(&inner, left, depth + 1) {
            return false;
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_is_found() {
        for (tag, names) in [
            ("{% set x = [1, 2] %}", &["x"][..]),
            ("{%- set ns.x = a == b -%}", &["ns.x"]),
            ("{% set a, b = [1, 2] %}", &["a", "b"]),
            ("{% set (a, b) = [1, 2] %}", &["a", "b"]),
            ("{% set x %}", &[]),
            ("{% for i in [1, 2] if i > 1 %}", &["i"]),
            ("{% for k, v in x|items %}", &["k", "v"]),
            ("{% with a = [1, 2], b = f(c=\"x,y\") %}", &["a", "b"]),
            ("{% macro m(a, b=[1, 2]) %}", &["a", "b"]),
            ("{% call(u) m(1) %}", &["u"]),
            ("{% call m(1) %}", &[]),
            ("{% if x == 1 %}", &[]),
            ("{{ x }}", &[]),
        ] {
            assert_eq!(named(tag), names, "{tag}");
        }
        assert_eq!(guards("{%- set x = 1 -%}"), "{% set x = x|held -%}");
    }

    #[test]
    fn what_doubles_is_stopped() {
        let mut value = Value::from(vec![1, 2]);
        assert!(held(value.clone()).is_ok());
        for _ in 0..20 {
            value = Value::from(vec![value.clone(), value]);
        }
        assert!(held(value).is_err());
    }
}
