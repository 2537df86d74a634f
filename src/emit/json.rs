//! results.json.

use super::{Emitter, OutFile};
use crate::diag::Diagnostic;
use crate::document::{Document, Look};
use crate::results::to_json;

/// Results as JSON.
pub(super) struct Json;

impl Emitter for Json {
    fn name(&self) -> &'static str {
        "json"
    }

    fn emit(&self, document: &Document, _look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
        let text = format!("{:#}\n", to_json(&document.store));
        Ok(vec![OutFile::text("results.json", text)])
    }
}
