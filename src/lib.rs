//! loopcase: from a design note to a solved, typeset design-justification document.
//!
//! The data flow, stage by stage (`pipeline` calls them in this order):
//! 1. `source` serves the text of the note, its parts and its data;
//! 2. `note` takes it apart: front matter, prose, blocks of YAML with their places;
//! 3. `graph` orders the blocks by their references to each other;
//! 4. `blocks` solves each of them with `physics`, into `results`;
//! 5. `exhibit` describes tables and figures of what was solved;
//! 6. `document` puts prose (filled by `template`) and exhibits together for one edition;
//! 7. `emit` turns the document into files, `disk` and `typeset` bring them to the reader.

pub mod archive;
pub mod blocks;
pub mod cli;
pub mod compare;
pub mod diag;
pub mod disk;
pub mod document;
pub mod emit;
pub mod exhibit;
pub mod graph;
pub mod note;
pub mod num;
pub mod physics;
pub mod pipeline;
pub mod results;
mod solve;
pub mod source;
pub mod template;
pub mod typeset;
pub mod units;
