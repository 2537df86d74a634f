//! Blocks checked, put in order and solved.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use sha2::{Digest, Sha256};

use crate::blocks::{self, Catalog, Given, Inputs, Solution, Solutions, facts_group};
use crate::diag::{Diagnostic, Severity};
use crate::graph::{self, Vertex};
use crate::note::RawBlock;
use crate::results::{BlockResult, Store, TOOL, Warning, group_json};
use crate::source::{Files, SourceMap};

mod again;
mod draft;
mod kept;

use again::Trials;
use draft::{Draft, Known, draft, fields};

pub(crate) use kept::Kept;

/// Everything solved, by name, and the order of the note.
pub(crate) struct Done {
    /// Solved blocks.
    pub solved: Solutions,
    /// All blocks.
    pub catalog: Catalog,
    /// Results.
    pub store: Store,
}

/// Checks, orders and solves all blocks; faults and warnings go to `out`.
pub(crate) fn solve(
    raw: &[RawBlock],
    files: &dyn Files,
    sources: &SourceMap,
    shown: &str,
    kept: &mut Kept,
    out: &mut Vec<Diagnostic>,
) -> Done {
    let catalog = Catalog {
        blocks: raw.iter().filter_map(|b| Some((b.name.clone(), blocks::kind(b.kind)?.name()))).collect(),
    };
    kept.begin(&catalog);
    let drafts = draft(raw, &catalog, out);
    let vertices: Vec<Vertex> = drafts
        .iter()
        .map(|d| Vertex { name: d.given.name.clone(), span: d.given.span, needs: d.needs.clone() })
        .collect();
    let order = graph::order(&vertices);
    out.extend(order.faults.iter().cloned());
    let mut solved = Solutions::new();
    let trials = Trials { drafts: &drafts, order: &order.indices };
    let mut digests: BTreeMap<String, String> = BTreeMap::new();
    for &index in &order.indices {
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
        let inputs = Inputs {
            solved: &solved,
            catalog: &catalog,
            files,
            sources,
            shown,
            again: Some(&trials),
            trial: None,
        };
        let mut given = draft.given.clone();
        if !given.fields.names.is_empty() {
            let mut faults = Vec::new();
            let tree = &draft.raw.tree;
            given.fields = fields(&given.name, tree, draft.kind, &Known(&inputs), &mut faults);
            if faults.iter().any(|d| d.severity == Severity::Error) {
                out.extend(faults);
                continue;
            }
        }
        let digest = digest(&given, draft, &digests, files);
        let answer = match kept.get(&given.name, &digest) {
            Some(answer) => Ok(answer),
            None => draft.kind.solve(&given, &inputs).inspect(|answer| kept.put(draft, &digest, answer)),
        };
        match answer {
            Ok(answer) => {
                out.extend(answer.warnings.iter().cloned());
                let name = given.name.clone();
                digests.insert(name.clone(), digest);
                solved.insert(name, Arc::new(Solution { given, solved: answer }));
            }
            Err(faults) => out.extend(faults),
        }
    }
    let mut store = store(raw, &solved, &digests);
    let trials = Some(&trials as &dyn blocks::Again);
    let inputs =
        Inputs { solved: &solved, catalog: &catalog, files, sources, shown, again: trials, trial: None };
    blocks::find_remedies(&mut store.requirements, &inputs);
    Done { solved, catalog, store }
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
    for path in blocks::files_used(&given.fields) {
        add(path.as_bytes());
        // One that can't be read is told by whoever needs it.
        add(&files.read(&path).unwrap_or_default());
    }
    hex(hash.finalize().as_slice())
}

fn hex(bytes: &[u8]) -> String {
    let digit = |value: u8| char::from_digit(value.into(), 16).unwrap_or('0');
    bytes.iter().flat_map(|byte| [byte >> 4, byte & 15].map(digit)).collect()
}

/// Results in the order of the note.
fn store(raw: &[RawBlock], solved: &Solutions, digests: &BTreeMap<String, String>) -> Store {
    let mut store = Store::default();
    for block in raw {
        let Some(solution) = solved.get(&block.name) else { continue };
        let Solution { given, solved } = solution.as_ref();
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
