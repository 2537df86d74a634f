//! Blocks checked, put in order and solved.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use sha2::{Digest, Sha256};

use crate::blocks::{self, Catalog, Given, Inputs, Kind, Needed, Solution, facts_group};
use crate::diag::{Diagnostic, Severity};
use crate::graph::{self, Vertex};
use crate::note::yaml::Value;
use crate::note::{Fields, Names, RawBlock, Resolved, check};
use crate::results::{BlockResult, LookupFault, MetricPath, Store, TOOL, Warning, group_json};
use crate::source::{Files, SourceMap, Span};
use crate::units::Unit;

/// Everything solved, by name, and the order of the note.
pub(crate) struct Done {
    /// Solved blocks.
    pub solved: BTreeMap<String, Solution>,
    /// All blocks.
    pub catalog: Catalog,
    /// Results.
    pub store: Store,
}

/// A block on its way.
struct Draft<'a> {
    raw: &'a RawBlock,
    kind: &'static dyn Kind,
    given: Given,
    needs: Vec<(String, Span)>,
    sound: bool,
}

/// Knows which names there will be, before anything is solved.
struct Announced<'a> {
    catalog: &'a Catalog,
    values: &'a BTreeSet<String>,
}

impl Names for Announced<'_> {
    fn resolve(&self, name: &str, _wanted: Option<Unit>) -> Resolved {
        let Some(path) = MetricPath::parse(name) else {
            return Resolved::Unknown { message: format!("`{name}` is not a name"), known: Vec::new() };
        };
        let block = self.catalog.blocks.iter().any(|(b, _)| *b == path.block);
        let value = path.names.is_empty() && self.values.contains(&path.block);
        if value || (block && !path.names.is_empty()) {
            return Resolved::Pending;
        }
        let mut known: Vec<String> = self.values.iter().cloned().collect();
        known.extend(self.catalog.blocks.iter().map(|(b, _)| b.clone()));
        let message = if block {
            format!("`{name}` is a block, not a number")
        } else {
            format!("there is no `{}`", path.block)
        };
        Resolved::Unknown { message, known }
    }
}

/// Knows the numbers that have been solved.
struct Known<'a>(&'a Inputs<'a>);

impl Names for Known<'_> {
    fn resolve(&self, name: &str, _wanted: Option<Unit>) -> Resolved {
        match self.0.named(name) {
            Ok(quantity) => Resolved::Value(quantity),
            Err(LookupFault { message, known, .. }) => Resolved::Unknown { message, known },
        }
    }
}

/// Checks, orders and solves all blocks; faults and warnings go to `out`.
pub(crate) fn solve(
    raw: &[RawBlock],
    files: &dyn Files,
    sources: &SourceMap,
    shown: &str,
    out: &mut Vec<Diagnostic>,
) -> Done {
    let catalog = Catalog {
        blocks: raw.iter().filter_map(|b| Some((b.name.clone(), blocks::kind(b.kind)?.name()))).collect(),
    };
    let drafts = draft(raw, &catalog, out);
    let vertices: Vec<Vertex> = drafts
        .iter()
        .map(|d| Vertex { name: d.given.name.clone(), span: d.given.span, needs: d.needs.clone() })
        .collect();
    let order = graph::order(&vertices);
    out.extend(order.faults);
    let mut solved: BTreeMap<String, Solution> = BTreeMap::new();
    let mut digests: BTreeMap<String, String> = BTreeMap::new();
    for index in order.indices {
        let draft = &drafts[index];
        if !draft.sound {
            continue;
        }
        if let Some((missing, span)) = draft.needs.iter().find(|(name, _)| !solved.contains_key(name)) {
            let name = &draft.given.name;
            let text = format!("`{name}` is not solved: it needs `{missing}`");
            out.push(Diagnostic::error("not-solved", text).at(*span).of_block(name));
            continue;
        }
        let inputs = Inputs { solved: &solved, catalog: &catalog, files, sources, shown };
        let mut given = draft.given.clone();
        if !given.fields.names.is_empty() {
            let mut faults = Vec::new();
            given.fields = fields(draft.raw, draft.kind, &Known(&inputs), &mut faults);
            if faults.iter().any(|d| d.severity == Severity::Error) {
                out.extend(faults);
                continue;
            }
        }
        match draft.kind.solve(&given, &inputs) {
            Ok(answer) => {
                out.extend(answer.warnings.iter().cloned());
                let name = given.name.clone();
                digests.insert(name.clone(), digest(&given, draft, &digests, files));
                solved.insert(name, Solution { given, solved: answer });
            }
            Err(faults) => out.extend(faults),
        }
    }
    let store = store(raw, &solved, &digests);
    Done { solved, catalog, store }
}

fn fields(raw: &RawBlock, kind: &'static dyn Kind, names: &dyn Names, out: &mut Vec<Diagnostic>) -> Fields {
    let before = out.len();
    let fields = check(&raw.tree, &blocks::schema(kind), names, out);
    for diagnostic in &mut out[before..] {
        diagnostic.block.get_or_insert_with(|| raw.name.clone());
    }
    fields
}

/// Every block with its fields checked and its needs found; what names can't tell yet stays pending.
fn draft<'a>(raw: &'a [RawBlock], catalog: &Catalog, out: &mut Vec<Diagnostic>) -> Vec<Draft<'a>> {
    let values: BTreeSet<String> =
        raw.iter().filter(|block| block.kind == "values").flat_map(value_names).collect();
    let owner = |name: &str| {
        raw.iter().find(|b| b.kind == "values" && value_names(b).any(|n| n == name)).map(|b| b.name.clone())
    };
    let mut drafts = Vec::new();
    for block in raw {
        let Some(kind) = blocks::kind(block.kind) else { continue };
        let before = out.len();
        let mut found = Vec::new();
        let fields = fields(block, kind, &Announced { catalog, values: &values }, &mut found);
        // What a part file that can't be had would have brought is not missed field by field.
        out.extend(found.into_iter().filter(|d| block.whole || d.id != "missing-field"));
        let given = Given {
            name: block.name.clone(),
            kind: kind.name(),
            span: block.span,
            fields,
            internal: block.internal,
        };
        let mut needs = Vec::new();
        let mut need = |path: &MetricPath, span: Span| {
            if catalog.blocks.iter().any(|(name, _)| *name == path.block) {
                needs.push((path.block.clone(), span));
            } else if path.names.is_empty() {
                // A value of the block's own is sorted out when the block is solved.
                let other = owner(&path.block).filter(|name| *name != block.name);
                needs.extend(other.map(|name| (name, span)));
            }
        };
        for used in &given.fields.names {
            if let Some(path) = MetricPath::parse(&used.name) {
                need(&path, used.span);
            }
        }
        for Needed { path, place } in kind.needs(&given, catalog) {
            need(&path, place.span());
        }
        for (name, kinds, place) in blocks::block_references(&given.fields) {
            match catalog.blocks.iter().find(|(other, _)| *other == name) {
                Some((_, found)) if kinds.contains(found) => needs.push((name, place.span())),
                found => out.push(
                    wrong_block(&name, kinds, found.map(|f| f.1), catalog)
                        .at(place.span())
                        .of_block(&given.name),
                ),
            }
        }
        let sound = block.whole && !out[before..].iter().any(|d| d.severity == Severity::Error);
        drafts.push(Draft { raw: block, kind, given, needs, sound });
    }
    drafts
}

/// Names that a `values` block gives to numbers.
fn value_names(block: &RawBlock) -> impl Iterator<Item = String> + '_ {
    let entries = match &block.tree.value {
        Value::Map(entries) => entries.as_slice(),
        _ => &[],
    };
    let common = |name: &str| blocks::COMMON.iter().any(|field| field.name == name);
    entries.iter().map(|(key, _)| key.name.clone()).filter(move |name| !common(name))
}

fn wrong_block(name: &str, kinds: &[&str], found: Option<&str>, catalog: &Catalog) -> Diagnostic {
    let wanted = kinds.join(" or ");
    let message = match found {
        Some(found) => format!("`{name}` is a block of kind {found}, not {wanted}"),
        None => format!("there is no block `{name}`"),
    };
    let names: Vec<&str> =
        catalog.blocks.iter().filter(|(_, kind)| kinds.contains(kind)).map(|(n, _)| n.as_str()).collect();
    let diagnostic = Diagnostic::error("block-unknown", message)
        .expected(format!("expected the name of a block of kind {wanted}"));
    match crate::diag::nearest(name, names.iter().copied()) {
        Some(near) => diagnostic.hint(format!("did you mean `{near}`?")),
        None if names.is_empty() => diagnostic,
        None => diagnostic.hint(format!("there are: {}", names.join(", "))),
    }
}

/// Digest of all that a block was solved from: tool, kind, fields as resolved, digests of blocks and files it uses.
fn digest(given: &Given, draft: &Draft<'_>, digests: &BTreeMap<String, String>, files: &dyn Files) -> String {
    let mut hash = Sha256::new();
    let mut add = |bytes: &[u8]| {
        hash.update((bytes.len() as u64).to_le_bytes());
        hash.update(bytes);
    };
    add(TOOL.as_bytes());
    add(given.kind.as_bytes());
    add(group_json(&facts_group(&given.fields)).to_string().as_bytes());
    let needs: BTreeSet<&str> = draft.needs.iter().map(|(name, _)| name.as_str()).collect();
    for name in needs {
        add(name.as_bytes());
        add(digests.get(name).map_or("", String::as_str).as_bytes());
    }
    let served = files.served();
    for path in blocks::files_used(&given.fields) {
        add(path.as_bytes());
        add(served.get(&path).map_or(&[], |bytes| bytes));
    }
    let hex =
        |byte: u8| [byte >> 4, byte & 15].map(|digit| char::from_digit(digit.into(), 16).unwrap_or('0'));
    hash.finalize().iter().flat_map(|byte| hex(*byte)).collect()
}

/// Results in the order of the note.
fn store(raw: &[RawBlock], solved: &BTreeMap<String, Solution>, digests: &BTreeMap<String, String>) -> Store {
    let mut store = Store::default();
    for block in raw {
        let Some(Solution { given, solved }) = solved.get(&block.name) else { continue };
        store.blocks.push(BlockResult {
            name: given.name.clone(),
            kind: given.kind,
            span: given.span,
            line: block.line,
            digest: digests.get(&given.name).cloned().unwrap_or_default(),
            internal: given.internal,
            fields: solved.fields.clone(),
            metrics: solved.metrics.clone(),
            functions: solved.functions.clone(),
            beside: solved.beside.clone(),
        });
        store.requirements.extend(solved.verdicts.iter().cloned());
    }
    store
}

/// Warnings as results carry them.
pub(crate) fn warnings(found: &[Diagnostic], store: &Store, sources: &Arc<SourceMap>) -> Vec<Warning> {
    found
        .iter()
        .filter(|d| d.severity == Severity::Warning)
        .map(|d| {
            let block = d.block.clone().unwrap_or_default();
            let internal = store.block(&block).is_some_and(|b| b.internal);
            let line = d.span.map_or(0, |span| sources.position(span.file, span.start).line);
            Warning { block, line, text: d.message.clone(), internal }
        })
        .collect()
}
