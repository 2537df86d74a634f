//! results.json.

use super::{Emitter, OutFile};
use crate::diag::Diagnostic;
use crate::document::{Document, Look};
use crate::results::to_text;

/// Results as JSON.
pub(super) struct Json;

impl Emitter for Json {
    fn name(&self) -> &'static str {
        "json"
    }

    fn emit(&self, document: &Document, _look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
        Ok(vec![OutFile::text("results.json", to_text(&document.store))])
    }
}
