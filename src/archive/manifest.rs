//! What a sealed file says about itself.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::{FORMAT, sha256};

/// What the manifest is of, its first line.
const WHAT: &str = "a design note, sealed with everything that produced its document";

/// The manifest: what was sealed, by what, and the digest of every file.
#[derive(Clone, Debug, PartialEq)]
pub struct Manifest {
    /// Version of the format.
    pub format: u64,
    /// File name of the note, below `note/`.
    pub note: String,
    /// Its title.
    pub title: String,
    /// Its revision.
    pub revision: String,
    /// Its date, as written.
    pub date: Option<String>,
    /// Name and version of the tool.
    pub tool: String,
    /// Name and version of the typesetter.
    pub typesetter: String,
    /// Time that the PDF states, in seconds since 1970.
    pub timestamp: u64,
    /// The requirement matrix in one sentence.
    pub verdicts: String,
    /// The files, in order.
    pub files: Vec<SealedFile>,
}

/// One file of the list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SealedFile {
    /// Path in the sealed file.
    pub path: String,
    /// Its length, in bytes.
    pub bytes: u64,
    /// Its SHA-256.
    pub sha256: String,
}

/// The list for these files.
pub(super) fn listed(files: &BTreeMap<String, Vec<u8>>) -> Vec<SealedFile> {
    let file = |(path, bytes): (&String, &Vec<u8>)| SealedFile {
        path: path.clone(),
        bytes: bytes.len() as u64,
        sha256: sha256(bytes),
    };
    files.iter().map(file).collect()
}

impl Manifest {
    /// As it stands in the sealed file: JSON, one value a line.
    pub(super) fn to_text(&self) -> String {
        let files: Vec<Value> = self
            .files
            .iter()
            .map(|file| json!({"path": file.path, "bytes": file.bytes, "sha256": file.sha256}))
            .collect();
        let value = json!({
            "what": WHAT,
            "format": FORMAT,
            "note": self.note,
            "title": self.title,
            "revision": self.revision,
            "date": self.date,
            "tool": self.tool,
            "typesetter": self.typesetter,
            "timestamp": self.timestamp,
            "verdicts": self.verdicts,
            "files": files,
        });
        format!("{value:#}\n")
    }

    /// From its text; `None` where something is missing or of another kind.
    pub(super) fn from_value(value: &Value) -> Option<Self> {
        let text = |value: &Value, name: &str| value.get(name)?.as_str().map(str::to_owned);
        let count = |value: &Value, name: &str| value.get(name)?.as_u64();
        let file = |value: &Value| {
            Some(SealedFile {
                path: text(value, "path")?,
                bytes: count(value, "bytes")?,
                sha256: text(value, "sha256")?,
            })
        };
        Some(Self {
            format: count(value, "format")?,
            note: text(value, "note")?,
            title: text(value, "title")?,
            revision: text(value, "revision")?,
            date: text(value, "date"),
            tool: text(value, "tool")?,
            typesetter: text(value, "typesetter")?,
            timestamp: count(value, "timestamp")?,
            verdicts: text(value, "verdicts")?,
            files: value.get("files")?.as_array()?.iter().map(file).collect::<Option<_>>()?,
        })
    }
}
