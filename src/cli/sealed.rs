//! Sealed files from the disk, and solving what they hold.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use super::console::Console;
use super::exit::Exit;
use crate::archive::{MAX_SEALED, NOTE, RESULTS, Sealed, TEMPLATE, open, sha256};
use crate::compare::Side;
use crate::diag::Diagnostic;
use crate::disk::DiskError;
use crate::document::{Edition, Look};
use crate::pipeline::{Job, Outcome, solve};
use crate::source::Memory;

/// The bytes of a file that may be a sealed one.
pub(super) fn load(path: &Path, console: &mut Console) -> Result<Vec<u8>, Exit> {
    let fault = |error| DiskError::new("could not read", path, error);
    match path.metadata() {
        Ok(metadata) if metadata.is_file() => {}
        Ok(_) => {
            console.error("not-sealed", format!("`{}` is not a file", path.display()));
            return Err(Exit::Faulty);
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            console.error("no-such-file", format!("there is no file `{}`", path.display()));
            return Err(Exit::Faulty);
        }
        Err(error) => return Err(console.disk(&fault(error))),
    }
    let mut bytes = Vec::new();
    File::open(path)
        // One byte more than is allowed: then it is refused for its size.
        .and_then(|file| file.take(MAX_SEALED as u64 + 1).read_to_end(&mut bytes))
        .map_err(|error| console.disk(&fault(error)))?;
    Ok(bytes)
}

/// Whether these are the bytes of a zip, and so not of a note.
pub(super) fn is_zip(bytes: &[u8]) -> bool {
    bytes.starts_with(b"PK")
}

/// Opens a sealed file; damage is told.
pub(super) fn open_sealed(path: &Path, bytes: &[u8], console: &mut Console) -> Result<Sealed, Exit> {
    open(bytes).map_err(|damage| {
        let fault = Diagnostic::error("damaged", format!("`{}` is damaged: {damage}", path.display()));
        console.fault(&fault.hint("it is not what `loopcase seal` wrote; use another copy"));
        Exit::Faulty
    })
}

/// Solves the note of a sealed file, from nothing but what it holds.
pub(super) fn solve_sealed(path: &Path, sealed: &Sealed) -> Outcome {
    let files = Memory::new(sealed.below(NOTE));
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let look = Look::from_files(sealed.below(TEMPLATE).map(|(name, bytes)| (name.to_owned(), text(bytes))));
    solve(&Job {
        files: &files,
        note: &sealed.manifest.note,
        shown: &format!("{}/{NOTE}{}", path.display(), sealed.manifest.note),
        with: &[],
        edition: Some(Edition::Review),
        thorough: false,
        template: look.as_ref(),
    })
}

/// A sealed file as one side of a comparison: the results as they were sealed.
pub(super) fn side(path: &Path, sealed: &Sealed, console: &mut Console) -> Result<Side, Exit> {
    let results = sealed.file(&format!("{RESULTS}results.json")).unwrap_or_default();
    let Ok(results) = serde_json::from_slice(results) else {
        console.error("damaged", format!("`{}` holds no results that can be read", path.display()));
        return Err(Exit::Faulty);
    };
    let note = &sealed.manifest.note;
    let digests = sealed.below(NOTE).map(|(path, bytes)| (path.to_owned(), sha256(bytes)));
    Ok(Side { results, text: sealed.note_text(), files: data_files(digests.collect(), note) })
}

/// What a note uses, itself and sealed files left out.
pub(super) fn data_files(mut files: BTreeMap<String, String>, note: &str) -> BTreeMap<String, String> {
    files.retain(|path, _| path != note && !path.to_ascii_lowercase().ends_with(".zip"));
    files
}
