//! A PDF made in a folder of its own, which goes again.

use std::fs;

use crate::disk::{DiskError, Staging};
use crate::emit::OutFile;
use crate::typeset::{Compile, CompileError, Message, PATIENCE, Typesetter};

/// Why there is no PDF.
pub(super) enum NoPdf {
    /// The typesetter failed.
    Typesetter(CompileError),
    /// The file system refused.
    Disk(DiskError),
}

/// The PDF of these files, and what the typesetter warned of.
pub(super) fn make(
    products: &[OutFile],
    name: &str,
    timestamp: u64,
    typesetter: &Typesetter,
) -> Result<(Vec<u8>, Vec<Message>), NoPdf> {
    let disk =
        |error: std::io::Error| NoPdf::Disk(DiskError::new("could not use", &std::env::temp_dir(), error));
    let folder = tempfile::tempdir().map_err(disk)?;
    let mut staging = Staging::begin(&folder.path().join("document")).map_err(NoPdf::Disk)?;
    for file in products {
        staging.write(&file.path, &file.bytes).map_err(NoPdf::Disk)?;
    }
    let pdf = format!("{name}.pdf");
    let compile = Compile {
        program: &typesetter.path,
        root: staging.folder(),
        source: &format!("{name}.typ"),
        pdf: &pdf,
        timestamp,
        limit: PATIENCE,
        threads: None,
    };
    let warnings = compile.run().map_err(NoPdf::Typesetter)?;
    let bytes = fs::read(staging.folder().join(pdf)).map_err(disk)?;
    Ok((bytes, warnings))
}
