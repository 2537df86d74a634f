//! From the text of a note to front matter, prose and blocks, each value with its place.

pub mod ast;
mod build;
mod check;
mod csv;
mod fields;
mod front;
mod ids;
mod locate;
mod nesting;
mod overlay;
pub mod place;
mod prose;
mod protect;
mod read;
mod scalar;
pub mod schema;
mod spots;
mod structure;
mod unseen;
pub mod yaml;

pub use check::{Names, Resolved, check};
pub use csv::{Column as DataColumn, Data, read_data};
pub use fields::{Checked, Fields, Item, NameUse, Row};
pub use front::{Approval, Change, FRONT, Front};
pub use ids::Ids;
pub use overlay::{file_fault, overlay, set};
pub use prose::{Fill, Filled, Fragment, Prose};
pub use read::{FORMULA_WORDS, Input, KindInfo, Note, RawBlock, is_note, read, shown_root};
pub use scalar::looks_like_name;
