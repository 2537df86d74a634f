//! Figures as SVG files.

use super::OutFile;
use crate::diag::Diagnostic;
use crate::document::{Document, Placed};
use crate::exhibit::draw;

/// Draws every figure of the document.
pub(super) fn files(document: &Document) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    let mut files = Vec::new();
    let mut faults = Vec::new();
    for placed in document.exhibits.iter().flat_map(|e| &e.placed) {
        let Placed::Figure(figure) = placed else { continue };
        match draw(&figure.figure) {
            Ok(svg) => files.push(OutFile::text(figure.file.clone(), svg.text)),
            Err(fault) => faults.push(
                Diagnostic::error(
                    "figure-fault",
                    format!("the figure `{}` can't be drawn: {fault}", figure.label),
                )
                .at(document.place(figure.line, "")),
            ),
        }
    }
    if faults.is_empty() { Ok(files) } else { Err(faults) }
}
