//! The Typst source and the figures it includes.

use super::{Emitter, OutFile, figures, report};
use crate::diag::Diagnostic;
use crate::document::{Document, Look};
use crate::template::{REPORT, render_report};

/// Typst source with SVG figures; what the typesetter makes the PDF of.
pub(super) struct Typst;

impl Emitter for Typst {
    fn name(&self) -> &'static str {
        "typst"
    }

    fn emit(&self, document: &Document, look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
        let text = || {
            let data = report::data(document)?;
            render_report(look.files(), REPORT, &data).map_err(|fault| {
                vec![Diagnostic::error(
                    "template-fault",
                    format!("the report template can't be used: {fault}"),
                )]
            })
        };
        let (source, files) = rayon::join(text, || figures::files(document));
        let (source, mut files) = (source?, files?);
        files.insert(0, OutFile::text(format!("{}.typ", document.store.note), source));
        Ok(files)
    }
}
