//! Texts, places in them, and the one way to ask for a file.

mod files;
mod map;

pub use files::{FileFault, Files, Memory, confine};
pub use map::{FileId, Position, SourceMap, Span, Spanned};
