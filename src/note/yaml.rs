//! YAML as a tree whose values know their places.

use std::fmt;

use serde::de::{
    DeserializeSeed, Deserializer, EnumAccess, Error, MapAccess, SeqAccess, VariantAccess, Visitor,
};

use super::locate::Step;
use super::nesting::{DEEPEST, too_deep};
use super::place::{Place, Text};
use crate::diag::Diagnostic;

/// The largest block that is read, in bytes.
const LIMIT: usize = 256 * 1024;

/// A value and its place.
#[derive(Clone, Debug)]
pub struct Tree {
    /// The value.
    pub value: Value,
    /// Where it stands.
    pub place: Place,
}

/// A key of a mapping; its place is that of the key itself.
#[derive(Clone, Debug)]
pub struct Key {
    /// The text of the key, as written.
    pub name: String,
    /// Where it stands.
    pub place: Place,
}

/// What a YAML text can say.
#[derive(Clone, Debug)]
pub enum Value {
    /// Nothing.
    Null,
    /// `true` or `false`.
    Flag(bool),
    /// A whole number.
    Integer(i64),
    /// Another number; finite.
    Real(f64),
    /// A text.
    Text(String),
    /// A list.
    List(Vec<Tree>),
    /// A mapping, in order; its keys are unique.
    Map(Vec<(Key, Tree)>),
}

impl Tree {
    /// The value of a key, where this is a mapping that has it.
    pub fn get(&self, name: &str) -> Option<&Tree> {
        match &self.value {
            Value::Map(entries) => entries.iter().find(|(key, _)| key.name == name).map(|(_, tree)| tree),
            _ => None,
        }
    }
}

impl Tree {
    /// A mapping without entries, for a text that can't be read.
    pub(super) fn nothing(text: Text) -> Tree {
        Tree { value: Value::Map(Vec::new()), place: Place::root(text) }
    }

    /// The same values, all at one place: for defaults, which stand nowhere.
    pub(super) fn settled(self, place: &Place) -> Tree {
        let value = match self.value {
            Value::List(items) => Value::List(items.into_iter().map(|item| item.settled(place)).collect()),
            Value::Map(entries) => Value::Map(
                entries
                    .into_iter()
                    .map(|(key, tree)| (Key { place: place.clone(), ..key }, tree.settled(place)))
                    .collect(),
            ),
            other => other,
        };
        Tree { value, place: place.clone() }
    }
}

impl Value {
    /// What it is, for messages.
    pub fn noun(&self) -> &'static str {
        match self {
            Value::Null => "nothing",
            Value::Flag(_) => "yes or no",
            Value::Integer(_) | Value::Real(_) => "a plain number",
            Value::Text(_) => "a text",
            Value::List(_) => "a list",
            Value::Map(_) => "a mapping",
        }
    }
}

/// Reads one YAML text. Faults go to `out`; `None` where it can't be read at all.
///
/// A second key of the same name, `<<`, a tag and a number that is not finite are reported and left out.
pub fn parse(text: Text, out: &mut Vec<Diagnostic>) -> Option<Tree> {
    let root = Place::root(text);
    if root.text().len() > LIMIT {
        let message = format!("a block of {} KiB is too long", root.text().len() / 1024);
        out.push(
            Diagnostic::error("yaml-too-long", message)
                .at(root.span())
                .expected("at most 256 KiB; put tables into a CSV file"),
        );
        return None;
    }
    if let Some(at) = too_deep(root.text()) {
        out.push(
            Diagnostic::error(
                "yaml-too-deep",
                format!("lists and mappings stand more than {DEEPEST} deep inside one another"),
            )
            .at(root.at(at)),
        );
        return None;
    }
    let source = root.text().to_owned();
    match Reader(root.clone()).deserialize(serde_yaml::Deserializer::from_str(&source)) {
        Ok(tree) => Some(sift(tree, out)),
        Err(error) => {
            out.push(fault(&error, &root));
            None
        }
    }
}

/// A YAML error in our words, at its place.
fn fault(error: &serde_yaml::Error, root: &Place) -> Diagnostic {
    let span = error.location().map_or_else(|| root.span(), |place| root.at(place.index()));
    let said = error.to_string();
    // The place is part of the text; ours is better, since it counts from the start of the file.
    let said = said.split(" at line ").next().unwrap_or(&said).trim_end_matches(',');
    let (message, hint) = match said {
        s if s.contains("mapping values are not allowed") => {
            ("a second `: ` in one line", Some("put a text that contains `: ` between quotes"))
        }
        s if s.contains("cannot start any token") => (
            "a value can't start with this character",
            Some("put the text between quotes; indent with blanks, never with tabs"),
        ),
        s if s.contains("did not find expected key") => (
            "the line fits neither the mapping above it nor a new one",
            Some("check the indentation, and quotes around texts with special characters"),
        ),
        s if s.contains("could not find expected ':'") => (
            "a `:` is missing after the name of a field, here or in the line above",
            Some("write `name: value`, with a blank after the `:`"),
        ),
        s if s.contains("expected comment or line break") => (
            "`>` and `|` open a text of several lines, and nothing may stand behind them",
            Some(
                "put a text that begins with them between quotes; look for a quote that is not closed above",
            ),
        ),
        s if s.contains("tab character that violates") => {
            ("a tab indents this line", Some("indent with blanks, never with tabs"))
        }
        s if s.contains("did not find expected ',' or ']'") => {
            ("a list is not closed", Some("close it with `]`"))
        }
        s if s.contains("did not find expected ',' or '}'") => {
            ("a mapping is not closed", Some("close it with `}`"))
        }
        s if s.contains("did not find expected node content") => ("a value is missing here", None),
        s if s.contains("unexpected end of stream") => {
            ("a quoted text is not closed", Some("look for a quote without its partner above"))
        }
        s if s.contains("repetition limit exceeded") => ("aliases (`*name`) repeat too much", None),
        s if s.contains("recursion limit exceeded") => ("values are nested more than 128 levels deep", None),
        s if s.contains("more than one document") => {
            ("a block holds one YAML document, without `---` inside", None)
        }
        s if s.contains("unknown anchor") => ("there is no anchor (`&name`) of this name", None),
        s => (s, None),
    };
    let diagnostic = Diagnostic::error("yaml-syntax", message).at(span);
    match hint {
        Some(hint) => diagnostic.hint(hint),
        None => diagnostic,
    }
}

/// Takes out and reports what YAML allows and a note does not.
fn sift(tree: Tree, out: &mut Vec<Diagnostic>) -> Tree {
    let Tree { value, place } = tree;
    let value = match value {
        Value::Real(number) if !number.is_finite() => {
            out.push(
                Diagnostic::error("not-finite", "a number must be finite")
                    .at(place.span())
                    .expected("`inf` and `nan` are not numbers here"),
            );
            Value::Null
        }
        Value::List(items) => Value::List(items.into_iter().map(|item| sift(item, out)).collect()),
        Value::Map(entries) => {
            let mut kept: Vec<(Key, Tree)> = Vec::new();
            for (key, tree) in entries {
                if key.name == "<<" {
                    out.push(
                        Diagnostic::error("yaml-merge", "merge keys (`<<`) are not read")
                            .at(key.place.span())
                            .hint("use `from: parts/NAME.yaml` for values that several blocks share"),
                    );
                } else if let Some((first, _)) = kept.iter().find(|(k, _)| k.name == key.name) {
                    out.push(
                        Diagnostic::error("duplicate-field", format!("`{}` stands here twice", key.name))
                            .at(key.place.span())
                            .also(first.place.span(), "first here"),
                    );
                } else {
                    let tree = sift(tree, out);
                    kept.push((key, tree));
                }
            }
            Value::Map(kept)
        }
        other => other,
    };
    Tree { value, place }
}

/// Reads the value at one place.
#[derive(Clone)]
struct Reader(Place);

impl Reader {
    fn tree(&self, value: Value) -> Tree {
        Tree { value, place: self.0.clone() }
    }
}

impl<'de> DeserializeSeed<'de> for Reader {
    type Value = Tree;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Tree, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Reader {
    type Value = Tree;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a YAML value")
    }

    fn visit_unit<E: Error>(self) -> Result<Tree, E> {
        Ok(self.tree(Value::Null))
    }

    fn visit_none<E: Error>(self) -> Result<Tree, E> {
        Ok(self.tree(Value::Null))
    }

    fn visit_bool<E: Error>(self, flag: bool) -> Result<Tree, E> {
        Ok(self.tree(Value::Flag(flag)))
    }

    fn visit_i64<E: Error>(self, number: i64) -> Result<Tree, E> {
        Ok(self.tree(Value::Integer(number)))
    }

    fn visit_u64<E: Error>(self, number: u64) -> Result<Tree, E> {
        let value = i64::try_from(number).map_or(Value::Real(number as f64), Value::Integer);
        Ok(self.tree(value))
    }

    fn visit_i128<E: Error>(self, number: i128) -> Result<Tree, E> {
        Ok(self.tree(Value::Real(number as f64)))
    }

    fn visit_u128<E: Error>(self, number: u128) -> Result<Tree, E> {
        Ok(self.tree(Value::Real(number as f64)))
    }

    fn visit_f64<E: Error>(self, number: f64) -> Result<Tree, E> {
        Ok(self.tree(Value::Real(number)))
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Tree, E> {
        Ok(self.tree(Value::Text(text.to_owned())))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Tree, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element_seed(Reader(self.0.child(Step::Item(list.len()))))? {
            list.push(item);
        }
        Ok(self.tree(Value::List(list)))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Tree, A::Error> {
        let mut map = Vec::new();
        while let Some(name) = entries.next_key_seed(KeyText)? {
            let place = self.0.child(Step::Entry(map.len()));
            let tree = entries.next_value_seed(Reader(place.clone()))?;
            map.push((Key { name, place: place.key() }, tree));
        }
        Ok(self.tree(Value::Map(map)))
    }

    fn visit_enum<A: EnumAccess<'de>>(self, tagged: A) -> Result<Tree, A::Error> {
        let (_, value) = tagged.variant::<String>()?;
        value.newtype_variant::<serde::de::IgnoredAny>()?;
        Err(A::Error::custom("tags (`!name`) are not read"))
    }
}

/// Reads a key as the text it was written as.
struct KeyText;

impl<'de> DeserializeSeed<'de> for KeyText {
    type Value = String;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<String, D::Error> {
        struct Text;
        impl Visitor<'_> for Text {
            type Value = String;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("the name of a field")
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<String, E> {
                Ok(text.to_owned())
            }
        }
        deserializer.deserialize_str(Text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::SourceMap;

    fn read(text: &str) -> (Option<Tree>, Vec<Diagnostic>, SourceMap) {
        let sources = SourceMap::new();
        let file = sources.add("x.yaml", text);
        let mut out = Vec::new();
        let tree = parse(Text::whole(file, text, ""), &mut out);
        (tree, out, sources)
    }

    fn place(out: &[Diagnostic], sources: &SourceMap) -> (usize, usize) {
        let span = out[0].span.expect("a place");
        let at = sources.position(span.file, span.start);
        (at.line, at.column)
    }

    #[test]
    fn a_tree_keeps_order_and_places() {
        let (tree, out, sources) = read("b: 1\na: {c: [x, 2.5, true, ~]}\n10: y\n");
        let tree = tree.expect("reads");
        assert!(out.is_empty());
        let Value::Map(entries) = &tree.value else { panic!("a mapping") };
        assert_eq!(entries.iter().map(|(key, _)| key.name.as_str()).collect::<Vec<_>>(), ["b", "a", "10"]);
        let c = tree.get("a").and_then(|a| a.get("c")).expect("is there");
        let Value::List(items) = &c.value else { panic!("a list") };
        assert!(matches!(items[1].value, Value::Real(2.5)));
        let span = items[1].place.span();
        assert_eq!((sources.position(span.file, span.start).column, span.end - span.start), (12, 3));
        let key = c.place.key_span();
        assert_eq!(sources.position(key.file, key.start).column, 5);
    }

    #[test]
    fn what_a_note_does_not_allow_is_reported_at_its_place() {
        for (text, id, at) in [
            ("a: 1\nb:\n  c: 1\n  c: 2\n", "duplicate-field", (4, 3)),
            ("a: &x {b: 1}\nc:\n  <<: *x\n", "yaml-merge", (3, 3)),
            ("a: .inf\n", "not-finite", (1, 4)),
            ("a: [1, .nan]\n", "not-finite", (1, 8)),
            ("a: b: c\n", "yaml-syntax", (1, 5)),
            ("a: 1\n\tb: 2\n", "yaml-syntax", (2, 1)),
            ("a: @x\n", "yaml-syntax", (1, 4)),
        ] {
            let (_, out, sources) = read(text);
            assert_eq!((out[0].id, place(&out, &sources)), (id, at), "{text:?}: {out:?}");
            assert!(!out[0].message.contains("at line"), "{}", out[0].message);
        }
    }

    #[test]
    fn hostile_texts_are_refused_with_a_place() {
        let bomb = (1..10).fold("a0: &a0 [x,x,x,x,x,x,x,x,x]\n".to_owned(), |text, n| {
            let alias = format!("*a{}", n - 1);
            format!("{text}a{n}: &a{n} [{}]\n", vec![alias; 9].join(","))
        });
        for (text, words) in [
            (bomb, "repeat too much"),
            (format!("a: {}", "[".repeat(400)), "more than 100 deep"),
            (format!("a:\n  {}x", "- ".repeat(400)), "more than 128 levels deep"),
            ("a: ".to_owned() + &"x".repeat(300 * 1024), "too long"),
            ("a: !run x\n".to_owned(), "tags"),
            ("a: 1\n---\nb: 2\n".to_owned(), "one YAML document"),
            ("a: *x\n".to_owned(), "anchor"),
        ] {
            let (tree, out, _) = read(&text);
            assert!(tree.is_none());
            assert!(out[0].message.contains(words) && out[0].span.is_some(), "{:?}", out[0]);
        }
    }
}
