//! All places of a YAML text in one walk, since one walk for each place is dear where many are asked.
//!
//! Before a value is read it is asked to be what it is not, which fails at its place and reads nothing. What such a
//! walk can't follow is left to `locate`.

use std::cell::RefCell;
use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, EnumAccess, Error, MapAccess, SeqAccess, Visitor};

use super::locate::{Found, Step, Wanted, extent};

/// The places of all values and keys of a text.
#[derive(Clone, Debug)]
pub(super) struct Spots(Vec<Spot>);

#[derive(Clone, Debug)]
struct Spot {
    key: Option<Mark>,
    value: Mark,
    below: Vec<Spot>,
}

/// The first byte, and the text that was read there.
#[derive(Clone, Debug)]
struct Mark {
    start: usize,
    scalar: Option<String>,
}

impl Spots {
    /// `None` where the text holds what such a walk can't follow: anchors, tags, unusual ends of lines.
    pub(super) fn of(text: &str) -> Option<Self> {
        if text.contains(['&', '!']) {
            return None;
        }
        let cursor = RefCell::new(Cursor { text, line: 0, column: 0, offset: 0 });
        let read = Survey(&cursor).deserialize(serde_yaml::Deserializer::from_str(text));
        read.ok().map(|(_, below)| Self(below))
    }

    /// The value or key at the end of `path`; `None` for the whole.
    pub(super) fn found(&self, text: &str, path: &[Step], wanted: Wanted) -> Option<Found> {
        let (Step::Item(last) | Step::Entry(last)) = path.last()?;
        let mut spots = &self.0;
        for Step::Item(at) | Step::Entry(at) in &path[..path.len() - 1] {
            spots = &spots.get(*at)?.below;
        }
        let spot = spots.get(*last)?;
        let mark = match wanted {
            Wanted::Value => &spot.value,
            Wanted::Key => spot.key.as_ref()?,
        };
        extent(text, mark.start, mark.scalar.as_deref())
    }
}

/// Goes through a text forwards, from one place that YAML tells as line and column to the next.
struct Cursor<'t> {
    text: &'t str,
    line: usize,
    column: usize,
    offset: usize,
}

impl Cursor<'_> {
    /// The byte at which an error says that it happened.
    fn offset_of(&mut self, error: &impl fmt::Display) -> Option<usize> {
        let said = error.to_string();
        let told = said.rsplit_once(" at line ").and_then(|(_, place)| {
            let (line, column) = place.split_once(" column ")?;
            Some((line.parse::<usize>().ok()?, column.parse::<usize>().ok()?))
        });
        // Of the first byte nothing is told.
        let (line, column) = told.unwrap_or((1, 1));
        self.advance(line.checked_sub(1)?, column.checked_sub(1)?)
    }

    fn advance(&mut self, line: usize, column: usize) -> Option<usize> {
        while (self.line, self.column) < (line, column) {
            let next = self.text.get(self.offset..)?.chars().next()?;
            self.offset += next.len_utf8();
            match next {
                '\n' => (self.line, self.column) = (self.line + 1, 0),
                '\r' | '\u{85}' | '\u{2028}' | '\u{2029}' | '\u{feff}' => return None,
                _ => self.column += 1,
            }
        }
        ((self.line, self.column) == (line, column)).then_some(self.offset)
    }
}

/// Asks for what no value is.
struct Probe;

impl<'de> DeserializeSeed<'de> for Probe {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_enum("", &[], self)
    }
}

impl<'de> Visitor<'de> for Probe {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("nothing")
    }

    fn visit_enum<A: EnumAccess<'de>>(self, _: A) -> Result<(), A::Error> {
        Err(A::Error::custom("here"))
    }
}

/// Reads a value: its text where it is one, and what lies below it.
#[derive(Clone, Copy)]
struct Survey<'c, 't>(&'c RefCell<Cursor<'t>>);

impl Survey<'_, '_> {
    fn offset_of<E: Error>(self, error: &E) -> Result<usize, E> {
        self.0.borrow_mut().offset_of(error).ok_or_else(|| E::custom("out of order"))
    }
}

type Surveyed = (Option<String>, Vec<Spot>);

macro_rules! plain {
    ($($visit:ident: $of:ty),*) => {
        $(fn $visit<E: Error>(self, _: $of) -> Result<Surveyed, E> {
            Ok((None, Vec::new()))
        })*
    };
}

impl<'de> DeserializeSeed<'de> for Survey<'_, '_> {
    type Value = Surveyed;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Surveyed, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Survey<'_, '_> {
    type Value = Surveyed;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a YAML value")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Surveyed, E> {
        Ok((Some(text.to_owned()), Vec::new()))
    }

    plain!(
        visit_bool: bool, visit_i64: i64, visit_u64: u64, visit_i128: i128, visit_u128: u128, visit_f64: f64
    );

    fn visit_unit<E: Error>(self) -> Result<Surveyed, E> {
        Ok((None, Vec::new()))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Surveyed, A::Error> {
        let mut below = Vec::new();
        loop {
            let start = match items.next_element_seed(Probe) {
                Ok(None) => return Ok((None, below)),
                Ok(Some(())) => return Err(A::Error::custom("no place told")),
                Err(error) => self.offset_of(&error)?,
            };
            let Some((scalar, under)) = items.next_element_seed(self)? else { return Ok((None, below)) };
            below.push(Spot { key: None, value: Mark { start, scalar }, below: under });
        }
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Surveyed, A::Error> {
        let mut below = Vec::new();
        loop {
            let start = match entries.next_key_seed(Probe) {
                Ok(None) => return Ok((None, below)),
                Ok(Some(())) => return Err(A::Error::custom("no place told")),
                Err(error) => self.offset_of(&error)?,
            };
            let Some(name) = entries.next_key::<String>()? else { return Ok((None, below)) };
            let key = Some(Mark { start, scalar: Some(name) });
            let start = match entries.next_value_seed(Probe) {
                Ok(()) => return Err(A::Error::custom("no place told")),
                Err(error) => self.offset_of(&error)?,
            };
            let (scalar, under) = entries.next_value_seed(self)?;
            below.push(Spot { key, value: Mark { start, scalar }, below: under });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::note::locate::locate;

    /// Compares all places below `path` with those that a walk of its own finds; how many they are.
    fn same(text: &str, found: &Spots, spots: &[Spot], path: &mut Vec<Step>) -> usize {
        let mut count = 0;
        for (at, spot) in spots.iter().enumerate() {
            path.push(if spot.key.is_some() { Step::Entry(at) } else { Step::Item(at) });
            let wanted =
                if spot.key.is_some() { &[Wanted::Value, Wanted::Key][..] } else { &[Wanted::Value] };
            for &wanted in wanted {
                let expected = locate(text, path, wanted);
                assert!(expected.is_some(), "{path:?} of {text:?}");
                assert_eq!(found.found(text, path, wanted), expected, "{path:?} of {text:?}");
                count += 1;
            }
            count += same(text, found, &spot.below, path);
            path.pop();
        }
        count
    }

    #[test]
    fn one_walk_finds_what_a_walk_for_each_place_finds() {
        let mut places = 0;
        for text in [
            "a: 80 MHz # x\nb:\n  - 'q r'\n  - {c: 5, d: \"say \\\"so\\\"\"}\n10 kHz: -95\n",
            "- 1\n- [2, 'x', {µ: ~, Ω: 1 kΩ}]\n- true\n",
            "{a: 1, b: [1, 2.5, .inf]}",
            "a:\nb: |\n  one\n\n  two\n\nc: >-\n  x y\n  z\n'd e': \"p\n  q\"\nf:",
            "\n# above\n\nLO-1: {text: Quiet at line 3 column 4, limit: \"<= 3 fs\"}\nLO-2:\n  text: Größe\n",
            "a: {}\nb: []\nc:\n  - - 1\n    - 2\n  -\n    x: 1\n? k\n: v\na at line 7 column 2: 1\n",
        ] {
            let spots = Spots::of(text).unwrap_or_else(|| panic!("{text:?}"));
            places += same(text, &spots, &spots.0, &mut Vec::new());
        }
        assert!(places > 50, "{places}");
    }

    #[test]
    fn what_it_can_not_follow_is_left() {
        for text in ["a: &x 1\nb: *x\n", "a: !t 1\n", "a: 1\r\nb: 2\r\n", "a: [1\n", "a: 1\n---\nb: 2\n"] {
            assert!(Spots::of(text).is_none(), "{text:?}");
        }
        assert_eq!(Spots::of("7").and_then(|spots| spots.found("7", &[], Wanted::Value)), None);
    }
}
