//! Where in its text a value of a YAML tree stands, found by walking the text again.
//!
//! serde_yaml keeps no places, but it adds one to every error. So a walk that follows the path of a value and fails
//! there, on purpose, learns where it stands. That is done only when somebody asks.

use std::cell::RefCell;
use std::fmt;

use serde::de::{
    DeserializeSeed, Deserializer, EnumAccess, Error, IgnoredAny, MapAccess, SeqAccess, VariantAccess,
    Visitor,
};

/// One step down a YAML tree, by position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Into an item of a list.
    Item(usize),
    /// Into the value of an entry of a mapping.
    Entry(usize),
}

/// What is looked for at the end of a path.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    /// The value.
    Value,
    /// The key of the last entry.
    Key,
}

/// A place in the text of a block, in bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Found {
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
    /// First byte of the text itself, where it stands there as it is (inside quotes, say).
    pub verbatim: Option<usize>,
}

/// Finds the value or key at the end of `path`; `None` where the text can't be walked that far.
pub(super) fn locate(text: &str, path: &[Step], wanted: Wanted) -> Option<Found> {
    let scalar = RefCell::new(None);
    let walk = Walk { path, wanted, scalar: &scalar };
    let error = walk.deserialize(serde_yaml::Deserializer::from_str(text)).err()?;
    let start = error.location()?.index().min(text.len());
    extent(text, start, scalar.into_inner().as_deref())
}

/// The place of what begins at `start` and reads as `scalar`, where it is a text.
pub(super) fn extent(text: &str, start: usize, scalar: Option<&str>) -> Option<Found> {
    let rest = text.get(start..)?;
    let quote = rest.chars().next().filter(|c| matches!(c, '"' | '\'')).map_or(0, char::len_utf8);
    let verbatim = scalar
        .filter(|scalar| !scalar.is_empty() && rest[quote..].starts_with(scalar))
        .map(|scalar| (start + quote, scalar.len()));
    Some(match verbatim {
        Some((at, len)) => Found { start, end: at + len + quote, verbatim: Some(at) },
        None => Found { start, end: start + token_len(rest), verbatim: None },
    })
}

/// Length of what stands at the start of `rest` as far as it can be told without a parser: a quoted text, a bracket
/// with what is in it, the head of a block text, else a word. Never past the end of its line but inside quotes and brackets.
fn token_len(rest: &str) -> usize {
    let mut depth = 0usize;
    let mut quote = None;
    let mut previous = ' ';
    for (at, c) in rest.char_indices() {
        let end = at + c.len_utf8();
        match (quote, c) {
            (Some('"'), '"') if previous == '\\' => {}
            (Some(open), c) if open == c => {
                quote = None;
                if depth == 0 {
                    return end;
                }
            }
            (Some(_), _) => {}
            (None, '"' | '\'') if at == 0 || depth > 0 => quote = Some(c),
            (None, '[' | '{') => depth += 1,
            (None, ']' | '}') if depth > 1 => depth -= 1,
            (None, ']' | '}') if depth == 1 => return end,
            (None, ']' | '}' | ',') if depth == 0 => return at,
            (None, ' ' | '\t' | '\n' | '\r') if depth == 0 => return at,
            (None, ':') if depth == 0 && rest[end..].starts_with([' ', '\n', '\r']) => return at,
            _ => {}
        }
        previous = c;
    }
    rest.len()
}

#[derive(Clone, Copy)]
struct Walk<'p> {
    path: &'p [Step],
    wanted: Wanted,
    scalar: &'p RefCell<Option<String>>,
}

impl<'de> DeserializeSeed<'de> for Walk<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

/// Fails, so that the error is given a place; its text is never shown.
fn here<E: Error>() -> Result<(), E> {
    Err(E::custom("here"))
}

impl<'de> Visitor<'de> for Walk<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a YAML value")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<(), E> {
        *self.scalar.borrow_mut() = Some(text.to_owned());
        here()
    }

    fn visit_bool<E: Error>(self, _: bool) -> Result<(), E> {
        here()
    }

    fn visit_i64<E: Error>(self, _: i64) -> Result<(), E> {
        here()
    }

    fn visit_u64<E: Error>(self, _: u64) -> Result<(), E> {
        here()
    }

    fn visit_i128<E: Error>(self, _: i128) -> Result<(), E> {
        here()
    }

    fn visit_u128<E: Error>(self, _: u128) -> Result<(), E> {
        here()
    }

    fn visit_f64<E: Error>(self, _: f64) -> Result<(), E> {
        here()
    }

    fn visit_unit<E: Error>(self) -> Result<(), E> {
        here()
    }

    fn visit_none<E: Error>(self) -> Result<(), E> {
        here()
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<(), A::Error> {
        let Some((Step::Item(index), rest)) = self.path.split_first() else { return here() };
        for _ in 0..*index {
            items.next_element::<IgnoredAny>()?;
        }
        items.next_element_seed(Walk { path: rest, ..self })?;
        here()
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<(), A::Error> {
        let Some((Step::Entry(index), rest)) = self.path.split_first() else { return here() };
        for _ in 0..*index {
            entries.next_entry::<IgnoredAny, IgnoredAny>()?;
        }
        if rest.is_empty() && self.wanted == Wanted::Key {
            entries.next_key_seed(KeyHere(self.scalar))?;
        } else {
            entries.next_key::<IgnoredAny>()?;
            entries.next_value_seed(Walk { path: rest, ..self })?;
        }
        here()
    }

    fn visit_enum<A: EnumAccess<'de>>(self, tagged: A) -> Result<(), A::Error> {
        let (IgnoredAny, value) = tagged.variant::<IgnoredAny>()?;
        value.newtype_variant_seed(self)
    }
}

/// Fails at the key it is given.
struct KeyHere<'p>(&'p RefCell<Option<String>>);

impl<'de> DeserializeSeed<'de> for KeyHere<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        // As a string, so that `10:` and `true:` are keys like any other.
        deserializer.deserialize_str(Walk { path: &[], wanted: Wanted::Value, scalar: self.0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(text: &str, path: &[Step], wanted: Wanted) -> String {
        let found = locate(text, path, wanted).unwrap_or_else(|| panic!("{path:?} in {text:?}"));
        text[found.start..found.end].to_owned()
    }

    #[test]
    fn values_and_keys_are_found_where_they_stand() {
        let text = "a: 80 MHz # x\nb:\n  - 'q r'\n  - {c: 5, d: \"say \\\"so\\\"\"}\n10 kHz: -95\n";
        let (item, entry) = (Step::Item, Step::Entry);
        for (path, value) in [
            (vec![entry(0)], "80 MHz"),
            (vec![entry(1), item(0)], "'q r'"),
            (vec![entry(1), item(1)], "{c: 5, d: \"say \\\"so\\\"\"}"),
            (vec![entry(1), item(1), entry(0)], "5"),
            (vec![entry(1), item(1), entry(1)], "\"say \\\"so\\\"\""),
            (vec![entry(2)], "-95"),
        ] {
            assert_eq!(found(text, &path, Wanted::Value), value);
        }
        assert_eq!(found(text, &[entry(2)], Wanted::Key), "10 kHz");
        assert_eq!(found(text, &[entry(1), item(1), entry(1)], Wanted::Key), "d");
    }
}
