//! Opening a sealed file: nothing of it is believed before all of it has been checked.

use std::collections::BTreeMap;
use std::fmt;
use std::io::{Cursor, Read};

use serde_json::Value;
use zip::{CompressionMethod, ZipArchive};

use super::{MANIFEST, MAX_ENTRIES, MAX_ENTRY, MAX_SEALED, Manifest, NOTE, RESULTS, Sealed, TEMPLATE};
use super::{format1, manifest};
use crate::source::confine;

/// Why a sealed file is not what was sealed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Damage {
    /// It is larger than any sealed file.
    TooLarge,
    /// It can't be read as a zip; the reader's own words.
    NoZip(String),
    /// It holds more files than a sealed file may.
    TooMany(usize),
    /// One name stands in it twice, or it holds what its directory does not list.
    Twice,
    /// This name is none of a sealed file: it climbs out, is a folder or a link, or lies elsewhere.
    BadName(String),
    /// This file is compressed, encrypted or larger than it may be.
    BadEntry(String),
    /// This file can't be read; the reader's own words.
    Unreadable(String, String),
    /// There is no manifest, or it can't be read.
    NoManifest,
    /// It was sealed in a format that this version does not know.
    Format(u64),
    /// This file is not the one that the manifest lists.
    Changed(String),
    /// The manifest lists this file, but it is not there.
    Missing(String),
    /// This file is not in the manifest's list.
    Extra(String),
    /// All files are as listed, but the bytes around them are not: the first place that differs.
    Bytes(usize),
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Damage::TooLarge => write!(f, "it is larger than {} MiB", MAX_SEALED >> 20),
            Damage::NoZip(why) => write!(f, "it can't be read as a zip file ({why})"),
            Damage::TooMany(count) => write!(f, "it holds {count} files, at most {MAX_ENTRIES} are sealed"),
            Damage::Twice => f.write_str("a name stands in it twice"),
            Damage::BadName(name) => write!(f, "`{name}` is not the name of a sealed file"),
            Damage::BadEntry(name) => write!(f, "`{name}` is not stored as a sealed file is"),
            Damage::Unreadable(name, why) => write!(f, "`{name}` can't be read ({why})"),
            Damage::NoManifest => write!(f, "its `{MANIFEST}` can't be read"),
            Damage::Format(found) => {
                write!(f, "it is of format {found}, which this version does not know")
            }
            Damage::Changed(name) => write!(f, "`{name}` is not the file that was sealed"),
            Damage::Missing(name) => write!(f, "`{name}` is missing"),
            Damage::Extra(name) => write!(f, "`{name}` was not sealed"),
            Damage::Bytes(at) => write!(f, "its byte {at}, outside the files, is not as it was sealed"),
        }
    }
}

impl std::error::Error for Damage {}

/// Opens a sealed file and finds every byte that is not as it was sealed.
///
/// # Errors
/// The first [`Damage`] found.
pub fn open(bytes: &[u8]) -> Result<Sealed, Damage> {
    if bytes.len() > MAX_SEALED {
        return Err(Damage::TooLarge);
    }
    let mut files = entries(bytes)?;
    let text = files.remove(MANIFEST).ok_or(Damage::NoManifest)?;
    let value: Value = serde_json::from_slice(&text).map_err(|_| Damage::NoManifest)?;
    let format = value.get("format").and_then(Value::as_u64).ok_or(Damage::NoManifest)?;
    let all = || {
        [(MANIFEST, &text[..])]
            .into_iter()
            .chain(files.iter().map(|(path, bytes)| (path.as_str(), bytes.as_slice())))
    };
    // The writer of each format stays as it was, so that older files are still built again as they were.
    let again = match format {
        1 => format1::write(all()),
        other => return Err(Damage::Format(other)),
    };
    let manifest = Manifest::from_value(&value).ok_or(Damage::NoManifest)?;
    as_listed(&manifest, &files)?;
    let again = again.map_err(Damage::NoZip)?;
    if again != bytes {
        let at = again.iter().zip(bytes).position(|(a, b)| a != b);
        return Err(Damage::Bytes(at.unwrap_or(again.len().min(bytes.len()))));
    }
    if !files.contains_key(&format!("{NOTE}{}", manifest.note)) {
        return Err(Damage::Missing(manifest.note));
    }
    Ok(Sealed { manifest, files })
}

/// All files of the zip, each with a name that a sealed file may have and a size that it may have.
fn entries(bytes: &[u8]) -> Result<BTreeMap<String, Vec<u8>>, Damage> {
    let mut zip = ZipArchive::new(Cursor::new(bytes)).map_err(|error| Damage::NoZip(error.to_string()))?;
    if zip.len() > MAX_ENTRIES {
        return Err(Damage::TooMany(zip.len()));
    }
    let mut files = BTreeMap::new();
    for index in 0..zip.len() {
        let unreadable =
            |error: &dyn fmt::Display| Damage::Unreadable(format!("file {}", index + 1), error.to_string());
        let entry = zip.by_index(index).map_err(|error| unreadable(&error))?;
        let name = entry.name().map_err(|error| unreadable(&error))?.into_owned();
        let inside = name == MANIFEST || [NOTE, TEMPLATE, RESULTS].iter().any(|f| name.starts_with(f));
        let plain = !entry.is_dir() && !entry.is_symlink() && confine(&name).as_deref() == Some(&*name);
        if !inside || !plain {
            return Err(Damage::BadName(name));
        }
        let stored = entry.compression() == CompressionMethod::Stored && !entry.encrypted();
        let size = entry.size();
        if !stored || size != entry.compressed_size() || size > MAX_ENTRY as u64 {
            return Err(Damage::BadEntry(name));
        }
        let mut content = Vec::new();
        entry
            .take(MAX_ENTRY as u64 + 1)
            .read_to_end(&mut content)
            .map_err(|error| Damage::Unreadable(name.clone(), error.to_string()))?;
        if content.len() as u64 != size {
            return Err(Damage::BadEntry(name));
        }
        if files.insert(name, content).is_some() {
            return Err(Damage::Twice);
        }
    }
    // The reader keeps one of two files of one name; the end of the zip still counts both.
    let counted = bytes.len().checked_sub(12).and_then(|at| bytes.get(at..at + 2));
    if counted.is_some_and(|c| usize::from(u16::from_le_bytes([c[0], c[1]])) != files.len()) {
        return Err(Damage::Twice);
    }
    Ok(files)
}

/// Holds the files against the manifest's list.
fn as_listed(manifest: &Manifest, files: &BTreeMap<String, Vec<u8>>) -> Result<(), Damage> {
    let found = manifest::listed(files);
    for wanted in &manifest.files {
        match found.iter().find(|file| file.path == wanted.path) {
            Some(file) if file == wanted => {}
            Some(_) => return Err(Damage::Changed(wanted.path.clone())),
            None => return Err(Damage::Missing(wanted.path.clone())),
        }
    }
    match found.into_iter().find(|file| !manifest.files.iter().any(|wanted| wanted.path == file.path)) {
        Some(extra) => Err(Damage::Extra(extra.path)),
        None => Ok(()),
    }
}
