//! Some blocks solved again with changes: for regions, alternatives and what a requirement would take.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::draft::{Draft, Known, family, fields};
use crate::blocks::{Again, Change, Given, Inputs, Keep, Solution, Solutions, Trial};
use crate::diag::{Diagnostic, Severity};

/// The drafts of a note, in the order of solving.
pub(super) struct Trials<'a> {
    pub drafts: &'a [Draft<'a>],
    pub order: &'a [usize],
}

impl Again for Trials<'_> {
    fn family(&self, of: &str) -> Vec<String> {
        family(self.drafts, of)
    }

    fn requirements(&self, inputs: &Inputs<'_>) -> Vec<Given> {
        let drafts = self.drafts.iter().filter(|draft| draft.kind.name() == "requirements");
        drafts.map(|draft| given(draft, None, inputs).unwrap_or_else(|_| draft.given.clone())).collect()
    }

    fn solve(
        &self,
        change: &Change,
        family: &[String],
        inputs: &Inputs<'_>,
    ) -> Result<Solutions, Vec<Diagnostic>> {
        let mut solved = inputs.solved.clone();
        let mut touched = BTreeSet::from([change.of.as_str()]);
        for draft in self.order.iter().map(|&index| &self.drafts[index]) {
            let name = draft.name();
            let own = name == change.of;
            let follows = family.iter().any(|member| member == name) || draft.kind.name() == "values";
            let repeated =
                own || follows && draft.needs.iter().any(|(need, _)| touched.contains(need.as_str()));
            if !repeated || !inputs.solved.contains_key(name) {
                continue;
            }
            touched.insert(name);
            let inputs = Inputs {
                solved: &solved,
                again: None,
                trial: Some(Trial { change, base: inputs.solved }),
                keep: Keep::default(),
                ..*inputs
            };
            let given = given(draft, own.then_some(change), &inputs)?;
            let answer = draft.kind.solve(&given, &inputs)?;
            solved.insert(name.to_owned(), Arc::new(Solution { given, solved: Arc::new(answer) }));
        }
        Ok(solved)
    }
}

/// A block as given, with the change laid over it and its names looked up.
fn given(draft: &Draft<'_>, change: Option<&Change>, inputs: &Inputs<'_>) -> Result<Given, Vec<Diagnostic>> {
    let mut given = draft.given.clone();
    if !given.fields.names.is_empty() {
        let mut faults = Vec::new();
        given.fields = fields(&given.name, &draft.raw.tree, draft.kind, &Known(inputs), &mut faults);
        faults.retain(|fault| fault.severity == Severity::Error);
        if !faults.is_empty() {
            return Err(faults);
        }
    }
    if let Some(change) = change {
        for name in &change.without {
            given.fields.remove(name);
        }
        for (name, item) in &change.fields {
            let field = draft.kind.fields().iter().copied().flatten().find(|field| field.name == *name);
            if let Some(field) = field {
                given.fields.set(field, item.clone());
            }
        }
    }
    Ok(given)
}
