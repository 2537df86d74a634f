//! Format 1: a zip of stored files, each dated 1980-01-01, with the manifest first and the others in the order of their
//! paths. Stored, not compressed: the bytes of a compressor may change with its version, and then every older file
//! would look damaged.

use std::io::{Cursor, Write};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, System, ZipWriter};

/// The bytes of a sealed file with these entries, in this order. Never to be changed.
pub(super) fn write<'a>(entries: impl IntoIterator<Item = (&'a str, &'a [u8])>) -> Result<Vec<u8>, String> {
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Stored)
        .last_modified_time(DateTime::DEFAULT)
        // Not that of the machine: the same note gives the same bytes everywhere.
        .system(System::Unix)
        .unix_permissions(0o644);
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (path, bytes) in entries {
        zip.start_file(path, options).map_err(|error| error.to_string())?;
        zip.write_all(bytes).map_err(|error| error.to_string())?;
    }
    zip.finish().map(Cursor::into_inner).map_err(|error| error.to_string())
}
