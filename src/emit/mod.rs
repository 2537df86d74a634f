//! Output formats: one file each, from a document to files in memory.

mod csv;
mod figures;
mod html;
mod json;
mod marks;
mod math;
pub mod package;
mod prose;
mod quote;
mod report;
mod spice;
mod tables;
mod typst;

pub use marks::note_line;

use std::sync::Arc;

use crate::diag::Diagnostic;
use crate::document::{Document, Look};

/// A file of the result folder, not yet written.
#[derive(Clone, Debug, PartialEq)]
pub struct OutFile {
    /// Path below the result folder, `/` between names.
    pub path: String,
    /// Its bytes.
    pub bytes: Arc<[u8]>,
}

impl OutFile {
    fn text(path: impl Into<String>, text: impl Into<Arc<str>>) -> Self {
        Self { path: path.into(), bytes: Arc::from(text.into()) }
    }
}

/// One output format.
pub trait Emitter: Sync {
    /// The word of the command line.
    fn name(&self) -> &'static str;

    /// The document in this format.
    ///
    /// # Errors
    /// What this format cannot say (a formula it cannot read), each at its line of the note.
    fn emit(&self, document: &Document, look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>>;
}

/// What can't be set of a document, in whatever format, each at its line of the note: formulas that are none, lists too
/// deep inside one another. So a note that is judged can be typeset.
pub fn faults(document: &Document) -> Vec<Diagnostic> {
    report::data(document).err().unwrap_or_default()
}

/// All formats.
pub const EMITTERS: [&dyn Emitter; 5] = [&typst::Typst, &csv::Csv, &json::Json, &spice::Spice, &html::Html];

/// The format of that name.
pub fn emitter(name: &str) -> Option<&'static dyn Emitter> {
    EMITTERS.into_iter().find(|emitter| emitter.name() == name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique() {
        let mut names: Vec<&str> = EMITTERS.iter().map(|e| e.name()).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), EMITTERS.len());
        assert!(emitter("typst").is_some() && emitter("docx").is_none());
    }
}
