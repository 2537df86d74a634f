//! From the text of a note to front matter, prose and blocks, each value with its place.

pub mod ast;
mod check;
mod fields;
mod locate;
pub mod place;
mod scalar;
pub mod schema;
pub mod yaml;

pub use check::{Names, Resolved, check};
pub use fields::{Checked, Fields, Item, NameUse, Row};
pub use scalar::looks_like_name;
