//! The one place where fields are overridden, before they are checked: `from:`, `--with`, an option of `alternatives`.

use super::check::resolve_path;
use super::place::{Place, Text};
use super::schema::{Field, Schema, Type};
use super::unseen::turned;
use super::yaml::{Key, Tree, Value, parse};
use crate::diag::Diagnostic;
use crate::source::{FileFault, Files, SourceMap, Span};

/// Lays a block's own fields over those of `base`: own fields win, groups key by key, tables, entries and lists whole.
pub fn overlay(base: Tree, own: Tree, schema: &Schema<'_>) -> Tree {
    match (base.value, own.value) {
        (Value::Map(below), Value::Map(above)) => {
            let mut merged = below;
            for (key, tree) in above {
                let Some(index) = merged.iter().position(|(k, _)| k.name == key.name) else {
                    merged.push((key, tree));
                    continue;
                };
                let group = schema.field(&key.name).and_then(|field| group(&field.kind));
                let tree = match group {
                    Some(fields) if fits(&merged[index].1, fields) && fits(&tree, fields) => {
                        let (_, under) = merged[index].clone();
                        overlay(under, tree, &Schema { fields: &[fields], entries: None })
                    }
                    _ => tree,
                };
                merged[index] = (key, tree);
            }
            Tree { value: Value::Map(merged), place: own.place }
        }
        (value @ Value::Map(_), Value::Null) => Tree { value, place: own.place },
        (_, value) => Tree { value, place: own.place },
    }
}

/// The fields of a type that may be a group.
fn group(kind: &Type) -> Option<&'static [Field]> {
    match kind {
        Type::Group(fields) => Some(fields),
        Type::Either(kinds) => kinds.iter().find_map(group),
        _ => None,
    }
}

/// Whether a mapping is meant as that group, where a field may also be a table or another group: it has one of its
/// fields, or is empty.
fn fits(tree: &Tree, fields: &[Field]) -> bool {
    match &tree.value {
        Value::Map(entries) => {
            entries.is_empty()
                || entries.iter().any(|(key, _)| fields.iter().any(|field| field.name == key.name))
        }
        _ => true,
    }
}

/// Puts one value at a path of names, making the groups on its way where they are not there.
pub fn set(tree: Tree, path: &[Key], value: Tree) -> Tree {
    let Some((key, rest)) = path.split_first() else { return value };
    let place = tree.place.clone();
    let mut entries = match tree.value {
        Value::Map(entries) => entries,
        _ => Vec::new(),
    };
    let nothing = Tree { value: Value::Null, place: key.place.clone() };
    match entries.iter_mut().find(|(k, _)| k.name == key.name) {
        Some((k, under)) => {
            *k = key.clone();
            let old = std::mem::replace(under, nothing);
            *under = set(old, rest, value);
        }
        None => entries.push((key.clone(), set(nothing, rest, value))),
    }
    Tree { value: Value::Map(entries), place }
}

/// An option `--with PATH=VALUE` of the command line, as a text with places of its own.
pub(super) struct Override {
    /// Names of the path.
    pub path: Vec<Key>,
    /// The value.
    pub value: Tree,
}

impl Override {
    /// Reads it; its text is registered as `--with`.
    pub(super) fn read(
        path: &str,
        value: &str,
        sources: &SourceMap,
        out: &mut Vec<Diagnostic>,
    ) -> Option<Self> {
        let written = format!("{path}={value}");
        let file = sources.add("--with", &written);
        let whole = Span::new(file, 0, written.len());
        let value = parse(Text::piece(file, value, path.len() + 1, whole, ""), out)?;
        let mut at = 0;
        let path = path.split('.').map(|name| {
            let place = value.place.known(Span::new(file, at, at + name.len()));
            at += name.len() + 1;
            Key { name: name.to_owned(), place }
        });
        let path = path.collect();
        // The root of a text stands for its fence; here the value itself is meant.
        let place = value.place.known(Span::new(file, at, written.len()));
        let value =
            if matches!(value.value, Value::Map(_) | Value::List(_)) { value } else { value.settled(&place) };
        Some(Self { path, value })
    }
}

/// What reading part files takes.
pub(super) struct Parts<'a> {
    /// Files below the note's folder.
    pub files: &'a dyn Files,
    /// Texts of the run.
    pub sources: &'a SourceMap,
    /// The folder of the note as the user gave it, for messages; empty or ending in `/`.
    pub shown: &'a str,
}

impl Parts<'_> {
    /// Reads a file that a note names; a fault is reported at the place that names it.
    pub(super) fn text(&self, path: &str, place: &Place, out: &mut Vec<Diagnostic>) -> Option<(Text, Span)> {
        let bytes = match self.files.read(path) {
            Ok(bytes) => bytes,
            Err(fault) => {
                out.push(file_fault(path, &fault).at(place.span()));
                return None;
            }
        };
        let Ok(text) = std::str::from_utf8(&bytes) else {
            let message = format!("`{path}` is not text (UTF-8)");
            out.push(Diagnostic::error("file-not-text", message).at(place.span()));
            return None;
        };
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let file = self.sources.add(&format!("{}{path}", self.shown), text);
        out.extend(turned(text, file));
        let folder = path.rfind('/').map_or("", |at| &path[..at]);
        Some((Text::whole(file, text, folder), Span::new(file, 0, text.len())))
    }

    /// Lays a block over the part files it is `from`.
    ///
    /// # Errors
    /// The block as far as it is there, where a part file can't be had.
    pub(super) fn resolve(
        &self,
        tree: Tree,
        kind: &str,
        schema: &Schema<'_>,
        chain: &mut Vec<String>,
        out: &mut Vec<Diagnostic>,
    ) -> Result<Tree, Tree> {
        let Some(from) = tree.get("from") else { return Ok(tree) };
        let Value::Text(written) = &from.value else { return Err(tree) };
        let Some(path) = resolve_path(from.place.folder(), written) else {
            // The note's own is reported when the field is checked; that of a part file is not among the fields then.
            if !chain.is_empty() {
                out.push(file_fault(written, &FileFault::Outside).at(from.place.span()));
            }
            return Err(tree);
        };
        if chain.contains(&path) {
            let circle: Vec<String> =
                chain.iter().skip_while(|p| **p != path).chain([&path]).map(|p| format!("`{p}`")).collect();
            let message = format!("part files lead in a circle: {}", circle.join(" to "));
            out.push(Diagnostic::error("part-circle", message).at(from.place.span()));
            return Err(tree);
        }
        let place = from.place.clone();
        let Some((text, _)) = self.text(&path, &place, out) else { return Err(tree) };
        let Some(part) = parse(text, out) else { return Err(tree) };
        let Value::Map(entries) = part.value else {
            let message = format!("`{path}` does not hold the fields of a block");
            out.push(
                Diagnostic::error("part-shape", message)
                    .at(part.place.span())
                    .also(place.span(), "read here"),
            );
            return Err(tree);
        };
        let mut kept = Vec::new();
        let mut other_kind = false;
        for (key, value) in entries {
            match (key.name.as_str(), &value.value) {
                ("kind", Value::Text(said)) if said == kind => {}
                ("kind", _) => {
                    let message = format!("this part is not of kind `{kind}`");
                    let diagnostic = Diagnostic::error("part-kind", message).at(value.place.span());
                    out.push(diagnostic.also(place.span(), format!("read here for a `{kind}`")));
                    other_kind = true;
                }
                _ => kept.push((key, value)),
            }
        }
        // The fields of another kind would only be told one by one.
        if other_kind {
            return Err(tree);
        }
        chain.push(path);
        let part = Tree { value: Value::Map(kept), place: part.place };
        let part = self.resolve(part, kind, schema, chain, out);
        chain.pop();
        match part {
            Ok(part) => Ok(overlay(part, tree, schema)),
            Err(part) => Err(overlay(part, tree, schema)),
        }
    }
}

/// Why a file could not be read, with the nearest name that is there.
pub fn file_fault(path: &str, fault: &FileFault) -> Diagnostic {
    match fault {
        FileFault::Missing { neighbours } => {
            Diagnostic::error("file-missing", format!("there is no file `{path}`"))
                .nearest(path, neighbours.iter().map(String::as_str))
        }
        FileFault::Outside => {
            Diagnostic::error("path-outside", format!("`{path}` leaves the folder of the note"))
        }
        FileFault::TooLarge { limit } => {
            Diagnostic::error("file-too-large", format!("`{path}` is larger than {} MiB", limit >> 20))
        }
        FileFault::Refused(why) => {
            Diagnostic::error("file-refused", format!("`{path}` can't be read: {why}"))
        }
    }
}
