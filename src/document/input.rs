//! What the document is made of, as the pipeline hands it over.

use std::sync::Arc;

use super::{Block, Edition, Tables};
use crate::diag::Diagnostic;
use crate::exhibit::Exhibit;
use crate::note::Front;
use crate::results::Store;
use crate::source::{FileId, SourceMap, Span, Spanned};

/// Fills a text field of a block (`text`, `caption`, `because`, a table's prose cell): live prose, then CommonMark.
pub type Fill<'a> = dyn Fn(&str, Span) -> Result<Vec<Block>, Vec<Diagnostic>> + 'a;

/// Everything a document is made of, for every reader; [`assemble`](super::assemble()) chooses from it.
pub struct Input<'a> {
    /// Who will read it.
    pub edition: Edition,
    /// Front matter.
    pub front: Front,
    /// The note's prose, filled.
    pub prose: Vec<Block>,
    /// All results, internal ones marked.
    pub store: Store,
    /// Blocks in the order of the note, with what they show.
    pub blocks: Vec<BlockInput>,
    /// What was overridden on the command line (`lo.step = 5 MHz`); empty without `--with`.
    pub what_if: Vec<String>,
    /// Name and version of the typesetter, e.g. "typst 0.15.1".
    pub typesetter: String,
    /// Tables filled before.
    pub tables: Arc<Tables>,
    /// Fills text fields.
    pub fill: &'a Fill<'a>,
    /// The texts of the run.
    pub sources: Arc<SourceMap>,
    /// The note among them.
    pub file: FileId,
}

/// One block of the note with all that the document shows of it.
#[derive(Clone, Debug)]
pub struct BlockInput {
    /// Name.
    pub name: String,
    /// Kind.
    pub kind: &'static str,
    /// Line of its fence.
    pub line: usize,
    /// Whether it stays in the house.
    pub internal: bool,
    /// The `caption` field, replaces that of the first exhibit.
    pub caption: Option<Spanned<String>>,
    /// What it shows, in order.
    pub exhibits: Vec<Exhibit>,
    /// For a facts block: basis and source. Its fields are those of the store.
    pub fact: Option<(Option<Basis>, Option<String>)>,
    /// Formulas it was solved with.
    pub equations: Vec<Equation>,
    /// The filter as SPICE cards, for a `loop` block.
    pub netlist: Option<String>,
    /// Items still open, for an `open_items` block.
    pub open_items: usize,
}

/// What a fact rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Basis {
    /// Seen on the bench.
    Measured,
    /// A maker's limit.
    Guaranteed,
    /// A maker's typical value.
    Typical,
    /// Nobody's word.
    Assumed,
}

impl Basis {
    /// The word of the contract.
    pub fn word(self) -> &'static str {
        match self {
            Basis::Measured => "measured",
            Basis::Guaranteed => "guaranteed",
            Basis::Typical => "typical",
            Basis::Assumed => "assumed",
        }
    }
}

/// A formula of the model.
#[derive(Clone, Debug, PartialEq)]
pub struct Equation {
    /// What it gives, e.g. "Open-loop gain".
    pub name: String,
    /// TeX.
    pub tex: String,
    /// Meaning of its signs, and its source.
    pub says: String,
}
