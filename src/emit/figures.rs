//! Figures as SVG files.

use super::OutFile;
use crate::diag::Diagnostic;
use crate::document::{Document, Placed};

/// Draws every figure of the document.
pub(super) fn files(document: &Document) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    let mut files = Vec::new();
    let mut faults = Vec::new();
    for placed in document.exhibits.iter().flat_map(|e| &e.placed) {
        let Placed::Figure(figure) = placed else { continue };
        match document.drawings.draw(&figure.file, &figure.figure) {
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
    document.drawings.retain(&files.iter().map(|file| file.path.as_str()).collect::<Vec<_>>());
    if faults.is_empty() { Ok(files) } else { Err(faults) }
}
