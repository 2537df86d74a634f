//! Blocks solved before, for whoever solves a note again and again.

use std::collections::BTreeMap;

use sha2::{Digest, Sha256};

use super::draft::Draft;
use super::hex;
use crate::blocks::{Catalog, Solved};

/// Turns that a solved block is kept without being used: whoever takes an edit back finds it still there.
const TURNS: u64 = 32;

/// Blocks solved by the turns before, each by its name and the digest of all that it was solved from.
#[derive(Default)]
pub(crate) struct Kept {
    blocks: BTreeMap<(String, String), (u64, Solved)>,
    /// Digest of names and kinds of all blocks, which a block may look at.
    catalog: String,
    turn: u64,
    /// Blocks that the last turn had to solve.
    pub again: usize,
    /// All blocks of the last turn.
    pub all: usize,
}

impl Kept {
    pub(super) fn begin(&mut self, catalog: &Catalog) {
        self.catalog = hex(Sha256::digest(format!("{:?}", catalog.blocks)).as_slice());
        self.turn += 1;
        self.blocks.retain(|_, (used, _)| *used + TURNS >= self.turn);
        (self.again, self.all) = (0, catalog.blocks.len());
    }

    fn key(&self, name: &str, digest: &str) -> (String, String) {
        (name.to_owned(), format!("{digest}{}", self.catalog))
    }

    pub(super) fn get(&mut self, name: &str, digest: &str) -> Option<Solved> {
        let (used, solved) = self.blocks.get_mut(&self.key(name, digest))?;
        *used = self.turn;
        Some(solved.clone())
    }

    pub(super) fn put(&mut self, draft: &Draft<'_>, digest: &str, solved: &Solved) {
        self.again += 1;
        // Warnings and verdicts hold places of this turn's texts; what judges looks at requirements that it does not
        // need, and `changes` at the text of the whole note.
        let elsewhere = draft.kind.judges() || draft.kind.name() == "changes";
        if solved.warnings.is_empty() && solved.verdicts.is_empty() && !elsewhere {
            self.blocks.insert(self.key(draft.name(), digest), (self.turn, solved.clone()));
        }
    }
}
