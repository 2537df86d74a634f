//! Texts, places in them, and the one way to ask for a file.

mod files;
mod keeper;
mod map;

pub use files::{FileFault, Files, Memory, confine};
pub use keeper::Keeper;
pub use map::{FileId, Position, SourceMap, Span, Spanned};
