//! The document of one edition: prose filled, exhibits placed and numbered, links resolved.
//!
//! The edition is chosen here, for the prose and for the results handed on alike, so that no emitter ever sees what
//! it must not print.

mod assemble;
mod audience;
mod blocks;
mod caveats;
mod input;
mod links;
mod look;
mod matrix;
mod summary;
mod tables;
mod verdict;
mod words;

pub use crate::note::ast::{Block, Inline, plain_text};
pub use crate::note::{Approval, Change, Front};
pub use assemble::{Document, assemble, image_file};
pub use blocks::{Exhibits, Fact, Placed, PlacedFigure, PlacedTable, TableCell};
pub use caveats::{CAUTIONS, LEFT_OUT};
pub use input::{Basis, BlockInput, Equation, Fill, Input};
pub use links::{Anchor, AnchorKind};
pub use look::Look;
pub use matrix::MatrixRow;
pub use summary::{KeyFigure, TwiceRow};
pub use tables::{Rows, SetTable, Tables};
pub use verdict::Cover;

/// Who reads it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Edition {
    /// All of it, for the reviewers in the house.
    Review,
    /// Without what is marked internal.
    Customer,
}

impl Edition {
    /// The word of the command line.
    pub fn word(self) -> &'static str {
        match self {
            Edition::Review => "review",
            Edition::Customer => "customer",
        }
    }
}
