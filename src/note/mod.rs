//! From the text of a note to front matter, prose and blocks, each value with its place.

pub mod ast;
pub mod schema;
pub mod yaml;
