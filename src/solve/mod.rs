//! Blocks checked, put in order and solved.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::blocks::{self, Catalog, Inputs, Keep, Solution, Solutions};
use crate::diag::{Diagnostic, Severity};
use crate::graph::{self, Vertex};
use crate::note::RawBlock;
use crate::results::{BlockResult, Results, Store, Warning};
use crate::source::{Files, SourceMap};

mod again;
mod digest;
mod draft;
mod kept;

use again::Trials;
use digest::{digest, of_remedies};
use draft::{Known, draft, fields};

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
    thorough: bool,
    kept: &mut Kept,
    out: &mut Vec<Diagnostic>,
) -> Done {
    let catalog = Catalog {
        blocks: raw.iter().filter_map(|b| Some((b.name.clone(), blocks::kind(b.kind)?.name()))).collect(),
    };
    kept.begin(&catalog);
    let keeper = kept.keeper.clone();
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
    let mut results: BTreeMap<String, Arc<Results>> = BTreeMap::new();
    for &index in &order.indices {
        let draft = &drafts[index];
        if !draft.sound {
            continue;
        }
        if let Some((missing, place)) =
            draft.needs.iter().find(|(name, _)| !solved.contains_key(name.as_str()))
        {
            let name = &draft.given.name;
            let text = format!("`{name}` is not solved: it needs `{missing}`");
            out.push(Diagnostic::error("not-solved", text).at(place.span()).of_block(name));
            continue;
        }
        let inputs = Inputs {
            solved: &solved,
            catalog: &catalog,
            files,
            sources,
            shown,
            again: Some(&trials),
            thorough,
            trial: None,
            keep: Keep::default(),
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
        let digest = digest(&given, draft, &digests, &inputs);
        let answer = match kept.get(draft, &digest, sources) {
            Some(answer) => Ok(answer),
            None => {
                let key = kept.lasting_key((draft.name(), given.kind), &digest, thorough);
                let inputs = Inputs { keep: Keep::new(keeper.as_deref(), &key), ..inputs };
                draft.kind.solve(&given, &inputs).map(|answer| {
                    let answer = (answer.results(), Arc::new(answer));
                    kept.put(draft, &digest, &answer, sources);
                    answer
                })
            }
        };
        match answer {
            Ok((found, answer)) => {
                out.extend(answer.warnings.iter().cloned());
                let name = given.name.clone();
                digests.insert(name.clone(), digest);
                results.insert(name.clone(), found);
                solved.insert(name.into(), Arc::new(Solution { given: Arc::new(given), solved: answer }));
            }
            Err(faults) => out.extend(faults),
        }
    }
    let mut store = store(raw, &solved, &results, &digests);
    let trials = Some(&trials as &dyn blocks::Again);
    // The search adds what its digest covers.
    let key = kept.lasting_key(("", "remedies"), "", thorough);
    let inputs = Inputs {
        solved: &solved,
        catalog: &catalog,
        files,
        sources,
        shown,
        again: trials,
        thorough,
        trial: None,
        keep: Keep::new(keeper.as_deref(), &key),
    };
    let digest = |family: &[String]| of_remedies(family, &digests, &inputs);
    blocks::find_remedies(&mut store.requirements, &inputs, &digest, &mut kept.remedies);
    Done { solved, catalog, store }
}

/// Results in the order of the note.
fn store(
    raw: &[RawBlock],
    solved: &Solutions,
    results: &BTreeMap<String, Arc<Results>>,
    digests: &BTreeMap<String, String>,
) -> Store {
    let mut store = Store::default();
    for block in raw {
        let (Some(solution), Some(results)) = (solved.get(block.name.as_str()), results.get(&block.name))
        else {
            continue;
        };
        let Solution { given, solved } = solution.as_ref();
        store.blocks.push(BlockResult {
            name: given.name.clone(),
            kind: given.kind,
            span: given.span,
            line: block.line,
            digest: digests.get(&given.name).cloned().unwrap_or_default(),
            internal: given.internal,
            results: Arc::clone(results),
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
