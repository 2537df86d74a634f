//! The sealed file: a note, everything that produced its document, and the document, in one zip.
//!
//! Its bytes follow from its content alone, so that opening it can build it again and find any byte that was changed; a
//! plain reader of zip files looks at little more than the contents. The manifest names the format's version; the
//! writer of a version is never changed once released, a new version gets one of its own.

mod format1;
mod manifest;
mod open;

use std::collections::BTreeMap;

use sha2::{Digest, Sha256};

pub use manifest::{Manifest, SealedFile};
pub use open::{Damage, open};

/// Path of the manifest in the sealed file; it comes first.
pub const MANIFEST: &str = "manifest.json";

/// Folder of the note, its parts and data.
pub const NOTE: &str = "note/";

/// Folder of the templates that made the document.
pub const TEMPLATE: &str = "template/";

/// Folder of the results.
pub const RESULTS: &str = "results/";

/// The version of the format that is written.
pub const FORMAT: u64 = 1;

/// The largest sealed file that is made or opened, in bytes.
pub const MAX_SEALED: usize = 256 << 20;

/// The largest file in it, in bytes: as large as a note may read, so that a note's data always fits.
pub const MAX_ENTRY: usize = 32 << 20;

/// The most files in it.
pub const MAX_ENTRIES: usize = 5000;

/// What a sealed file holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Sealed {
    /// What it says about itself.
    pub manifest: Manifest,
    /// All files but the manifest, by path.
    pub files: BTreeMap<String, Vec<u8>>,
}

impl Sealed {
    /// The files below one of its folders, by path below that folder.
    pub fn below<'a>(&'a self, folder: &'a str) -> impl Iterator<Item = (&'a str, &'a [u8])> {
        self.files.iter().filter_map(move |(path, bytes)| Some((path.strip_prefix(folder)?, &bytes[..])))
    }

    /// One file.
    pub fn file(&self, path: &str) -> Option<&[u8]> {
        self.files.get(path).map(Vec::as_slice)
    }

    /// The text of the note.
    pub fn note_text(&self) -> String {
        let bytes = self.file(&format!("{NOTE}{}", self.manifest.note)).unwrap_or_default();
        String::from_utf8_lossy(bytes).into_owned()
    }
}

/// Why a file can't be sealed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TooLarge {
    /// A sentence.
    pub message: String,
}

/// The bytes of the sealed file. What the manifest lists is filled in here.
///
/// # Errors
/// [`TooLarge`], where it could not be opened again.
pub fn seal(mut sealed: Sealed) -> Result<Vec<u8>, TooLarge> {
    let too_large = |message: String| Err(TooLarge { message });
    if sealed.files.len() >= MAX_ENTRIES {
        return too_large(format!("{} files are more than {MAX_ENTRIES}", sealed.files.len()));
    }
    if let Some((path, bytes)) = sealed.files.iter().find(|(_, bytes)| bytes.len() > MAX_ENTRY) {
        return too_large(format!(
            "`{path}` has {} MiB, at most {} are sealed",
            bytes.len() >> 20,
            MAX_ENTRY >> 20
        ));
    }
    let total: usize = sealed.files.values().map(Vec::len).sum();
    if total > MAX_SEALED - (1 << 20) {
        return too_large(format!("all files together have {} MiB", total >> 20));
    }
    sealed.manifest.files = manifest::listed(&sealed.files);
    let manifest = sealed.manifest.to_text();
    let entries = [(MANIFEST, manifest.as_bytes())]
        .into_iter()
        .chain(sealed.files.iter().map(|(path, bytes)| (path.as_str(), bytes.as_slice())));
    format1::write(entries).map_err(|message| TooLarge { message })
}

/// The SHA-256 of some bytes, in hexadecimal, as `sha256sum` prints it.
pub fn sha256(bytes: &[u8]) -> String {
    let digits = b"0123456789abcdef";
    let hex = |byte: u8| [byte >> 4, byte & 15].map(|digit| char::from(digits[usize::from(digit)]));
    Sha256::digest(bytes).iter().flat_map(|byte| hex(*byte)).collect()
}

#[cfg(test)]
mod tests;
