//! Blocks checked and their needs found, before anything is solved.

use std::collections::BTreeSet;

use rayon::prelude::*;

use crate::blocks::{self, Catalog, FAMILY, Given, Inputs, Kind, Needed};
use crate::diag::{Diagnostic, Severity};
use crate::note::place::Place;
use crate::note::yaml::{Tree, Value};
use crate::note::{Fields, Names, RawBlock, Resolved, check};
use crate::results::{LookupFault, MetricPath};
use crate::units::Unit;

/// A block on its way.
pub(super) struct Draft<'a> {
    pub raw: &'a RawBlock,
    pub kind: &'static dyn Kind,
    pub given: Given,
    pub needs: Vec<(String, Place)>,
    pub sound: bool,
}

impl Draft<'_> {
    pub(super) fn name(&self) -> &str {
        &self.given.name
    }

    /// Whether it is solved again with these blocks: of a family, or of values.
    pub(super) fn follows(&self, family: &[String], touched: &BTreeSet<&str>) -> bool {
        let follows = family.iter().any(|member| member == self.name()) || self.kind.name() == "values";
        follows && self.needs.iter().any(|(need, _)| touched.contains(need.as_str()))
    }

    pub(super) fn needs(&self, name: &str) -> bool {
        self.needs.iter().any(|(needed, _)| needed == name)
    }
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
pub(super) struct Known<'a>(pub &'a Inputs<'a>);

impl Names for Known<'_> {
    fn resolve(&self, name: &str, _wanted: Option<Unit>) -> Resolved {
        match self.0.named(name) {
            Ok(quantity) => Resolved::Value(quantity),
            Err(LookupFault { message, known, .. }) => Resolved::Unknown { message, known },
        }
    }
}

/// The fields of a block of that name and kind.
pub(super) fn fields(
    name: &str,
    tree: &Tree,
    kind: &'static dyn Kind,
    names: &dyn Names,
    out: &mut Vec<Diagnostic>,
) -> Fields {
    let before = out.len();
    let fields = check(tree, &blocks::schema(kind), names, out);
    for diagnostic in &mut out[before..] {
        diagnostic.block.get_or_insert_with(|| name.to_owned());
    }
    fields
}

/// Every block with its fields checked and its needs found; what names can't tell yet stays pending.
pub(super) fn draft<'a>(raw: &'a [RawBlock], catalog: &Catalog, out: &mut Vec<Diagnostic>) -> Vec<Draft<'a>> {
    let values: BTreeSet<String> =
        raw.iter().filter(|block| block.kind == "values").flat_map(value_names).collect();
    let owner = |name: &str| {
        raw.iter().find(|b| b.kind == "values" && value_names(b).any(|n| n == name)).map(|b| b.name.clone())
    };
    let one = |block: &'a RawBlock| {
        let kind = blocks::kind(block.kind)?;
        let mut out = Vec::new();
        let mut found = Vec::new();
        let announced = Announced { catalog, values: &values };
        let fields = fields(&block.name, &block.tree, kind, &announced, &mut found);
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
        let mut need = |path: &MetricPath, place: Place| {
            if catalog.blocks.iter().any(|(name, _)| *name == path.block) {
                needs.push((path.block.clone(), place));
            } else if path.names.is_empty() {
                // A value of the block's own is sorted out when the block is solved.
                let other = owner(&path.block).filter(|name| *name != block.name);
                needs.extend(other.map(|name| (name, place.clone())));
            }
        };
        for used in &given.fields.names {
            if let Some(path) = MetricPath::parse(&used.name) {
                need(&path, given.fields.place.known(used.span));
            }
        }
        for Needed { path, place } in kind.needs(&given, catalog) {
            need(&path, place);
        }
        for (name, kinds, place) in blocks::block_references(&given.fields) {
            match catalog.blocks.iter().find(|(other, _)| *other == name) {
                Some((_, found)) if kinds.contains(found) => needs.push((name, place)),
                found => out.push(
                    wrong_block(&name, kinds, found.map(|f| f.1), catalog)
                        .at(place.span())
                        .of_block(&given.name),
                ),
            }
        }
        let sound = block.whole && !out.iter().any(|d| d.severity == Severity::Error);
        Some((Draft { raw: block, kind, given, needs, sound }, out))
    };
    let found: Vec<(Draft<'a>, Vec<Diagnostic>)> = raw.par_iter().filter_map(one).collect();
    let (mut drafts, faults): (Vec<Draft<'a>>, Vec<Vec<Diagnostic>>) = found.into_iter().unzip();
    out.extend(faults.into_iter().flatten());
    need_what_is_judged(&mut drafts, catalog);
    drafts
}

/// The loop and the blocks that are repeated with it, among the drafts.
pub(super) fn family(drafts: &[Draft<'_>], of: &str) -> Vec<String> {
    let repeated = |draft: &&Draft<'_>| {
        draft.name() == of || FAMILY[1..].contains(&draft.kind.name()) && draft.needs(of)
    };
    drafts.iter().filter(repeated).map(|draft| draft.name().to_owned()).collect()
}

/// A block that judges its trials needs what the requirements on its loop rest on, never the requirements themselves:
/// so that these may cite it.
fn need_what_is_judged(drafts: &mut [Draft<'_>], catalog: &Catalog) {
    let mut more: Vec<(usize, Vec<(String, Place)>)> = Vec::new();
    for (index, draft) in drafts.iter().enumerate().filter(|(_, draft)| draft.kind.judges()) {
        let members: BTreeSet<String> = draft
            .needs
            .iter()
            .flat_map(|(of, _)| family(drafts, of).into_iter().chain([of.clone()]))
            .collect();
        let place = &draft.given.fields.place;
        let mut needs: Vec<(String, Place)> =
            members.iter().map(|name| (name.clone(), place.clone())).collect();
        for other in drafts.iter().filter(|other| other.kind.name() == "requirements") {
            for (_, checked) in &other.given.fields.entries {
                let Some(one) = checked.group() else { continue };
                let block = |path: MetricPath| path.block;
                let metric = one.text("metric").and_then(MetricPath::parse).map(block);
                if !metric.is_some_and(|block| members.contains(&block)) {
                    continue;
                }
                let names = blocks::requirement_names(one).into_iter().map(|needed| needed.path.block);
                let known = names.filter_map(|name| {
                    let block = catalog.blocks.iter().any(|(block, _)| *block == name);
                    if block { Some(name) } else { owner_of(drafts, &name) }
                });
                needs.extend(known.filter(|name| name != draft.name()).map(|name| (name, place.clone())));
            }
        }
        more.push((index, needs));
    }
    for (index, needs) in more {
        drafts[index].needs.extend(needs);
    }
}

/// The `values` block that gives this name to a number.
pub(super) fn owner_of(drafts: &[Draft<'_>], name: &str) -> Option<String> {
    let owns = |draft: &&Draft<'_>| {
        draft.kind.name() == "values" && value_names(draft.raw).any(|value| value == name)
    };
    drafts.iter().find(owns).map(|draft| draft.name().to_owned())
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
        None if names.is_empty() => {
            let kind = kinds.first().copied().unwrap_or_default();
            diagnostic.hint(format!("the note has no {wanted}; `loopcase describe {kind}` shows one"))
        }
        None => diagnostic.hint(format!("there are: {}", names.join(", "))),
    }
}
