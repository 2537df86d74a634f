//! Blocks solved before, for whoever solves a note again and again.

use std::collections::BTreeMap;
use std::sync::Arc;

use sha2::{Digest, Sha256};

use super::digest::hex;
use super::draft::Draft;
use crate::blocks::{Catalog, RemediesBefore, Solved};
use crate::diag::Diagnostic;
use crate::results::Results;
use crate::source::{Keeper, SourceMap, Span};

/// Turns that a solved block is kept without being used: whoever takes an edit back finds it still there.
const TURNS: u64 = 32;

/// What a block gave: as it is stored, and all of it.
pub(super) type Answered = (Arc<Results>, Arc<Solved>);

/// A block solved before.
struct Entry {
    used: u64,
    answered: Answered,
    /// Where its warnings point, in their order.
    places: Vec<Anchor>,
}

/// A place that can be found again in a later turn's texts.
enum Anchor {
    /// In the note: how far behind the start of its block, and all text up to its end.
    Note { from: usize, text: String },
    /// In another file, of this name and text.
    File { name: String, text: Arc<str>, start: usize, end: usize },
}

impl Anchor {
    /// `None` for a place before its block, which moves with what stands between.
    fn new(span: Span, block: Span, sources: &SourceMap) -> Option<Self> {
        let text = sources.text(span.file);
        if span.file == block.file {
            let from = span.start.checked_sub(block.start)?;
            return Some(Self::Note { from, text: text.get(block.start..span.end)?.to_owned() });
        }
        Some(Self::File { name: sources.name(span.file), text, start: span.start, end: span.end })
    }

    /// `None` where the text is not what it was.
    fn find(&self, block: Span, sources: &SourceMap) -> Option<Span> {
        match self {
            Self::Note { from, text } => {
                let note = sources.text(block.file);
                let end = block.start + text.len();
                (note.get(block.start..end) == Some(text.as_str()))
                    .then(|| Span::new(block.file, block.start + from, end))
            }
            Self::File { name, text, start, end } => {
                sources.again(name, text).map(|file| Span::new(file, *start, *end))
            }
        }
    }
}

/// All places of a warning.
fn places(warning: &mut Diagnostic) -> impl Iterator<Item = &mut Span> {
    warning.span.iter_mut().chain(warning.labels.iter_mut().map(|(span, _)| span))
}

/// Blocks solved by the turns before, each by its name and the digest of all that it was solved from.
#[derive(Default)]
pub(crate) struct Kept {
    blocks: BTreeMap<(String, String), Entry>,
    /// What missed requirements would take.
    pub remedies: RemediesBefore,
    /// Digest of names and kinds of all blocks, which a block may look at.
    catalog: String,
    turn: u64,
    /// Blocks that the last turn had to solve.
    pub again: usize,
    /// All blocks of the last turn.
    pub all: usize,
    /// Where what took long outlives the program.
    pub keeper: Option<Arc<dyn Keeper>>,
}

impl Kept {
    pub(super) fn begin(&mut self, catalog: &Catalog) {
        self.catalog = hex(Sha256::digest(format!("{:?}", catalog.blocks)).as_slice());
        self.turn += 1;
        self.blocks.retain(|_, entry| entry.used + TURNS >= self.turn);
        (self.again, self.all) = (0, catalog.blocks.len());
    }

    fn key(&self, name: &str, digest: &str) -> (String, String) {
        (name.to_owned(), format!("{digest}{}", self.catalog))
    }

    /// What tells the long parts of a block from all others, in any run of this program.
    pub(super) fn lasting_key(&self, (name, kind): (&str, &str), digest: &str, thorough: bool) -> String {
        format!("{kind} {name} {digest} {}{}", self.catalog, if thorough { " thorough" } else { "" })
    }

    pub(super) fn get(&mut self, draft: &Draft<'_>, digest: &str, sources: &SourceMap) -> Option<Answered> {
        let key = self.key(draft.name(), digest);
        let entry = self.blocks.get_mut(&key)?;
        let (results, mut solved) = entry.answered.clone();
        if !entry.places.is_empty() {
            let mut known = entry.places.iter();
            for span in Arc::make_mut(&mut solved).warnings.iter_mut().flat_map(places) {
                *span = known.next()?.find(draft.given.span, sources)?;
            }
        }
        entry.used = self.turn;
        Some((results, solved))
    }

    pub(super) fn put(&mut self, draft: &Draft<'_>, digest: &str, answered: &Answered, sources: &SourceMap) {
        self.again += 1;
        let (_, solved) = answered;
        // Verdicts hold places of this turn's texts and cost little; `changes` looks at the text of the whole note.
        if !solved.verdicts.is_empty() || draft.kind.name() == "changes" {
            return;
        }
        let spans = solved
            .warnings
            .iter()
            .flat_map(|warning| warning.span.into_iter().chain(warning.labels.iter().map(|(span, _)| *span)));
        let places: Option<Vec<Anchor>> =
            spans.map(|span| Anchor::new(span, draft.given.span, sources)).collect();
        if let Some(places) = places {
            let entry = Entry { used: self.turn, answered: answered.clone(), places };
            self.blocks.insert(self.key(draft.name(), digest), entry);
        }
    }
}
