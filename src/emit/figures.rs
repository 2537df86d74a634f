//! Figures as SVG files.

use rayon::prelude::*;

use super::OutFile;
use crate::diag::Diagnostic;
use crate::document::{Document, Placed, PlacedFigure};

/// Draws every figure of the document.
pub(super) fn files(document: &Document) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    let placed = document.exhibits.iter().flat_map(|exhibits| &exhibits.placed);
    let figures: Vec<&PlacedFigure> = placed
        .filter_map(|placed| if let Placed::Figure(figure) = placed { Some(&**figure) } else { None })
        .collect();
    let draw = |figure: &PlacedFigure| match document.drawings.draw(&figure.file, &figure.figure) {
        Ok(svg) => Ok(OutFile::text(figure.file.clone(), svg.text)),
        Err(fault) => Err(Diagnostic::error(
            "figure-fault",
            format!("the figure `{}` can't be drawn: {fault}", figure.label),
        )
        .at(document.place(figure.line, ""))),
    };
    let drawn: Vec<Result<OutFile, Diagnostic>> = figures.into_par_iter().map(draw).collect();
    let (mut files, mut faults) = (Vec::new(), Vec::new());
    for one in drawn {
        match one {
            Ok(file) => files.push(file),
            Err(fault) => faults.push(fault),
        }
    }
    document.drawings.retain(&files.iter().map(|file| file.path.as_str()).collect::<Vec<_>>());
    if faults.is_empty() { Ok(files) } else { Err(faults) }
}
