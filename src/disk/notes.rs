//! Which files of a folder are notes.

use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};

use super::DiskError;

/// What stands directly in a folder, each list in the order of names.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct FolderNotes {
    /// `*.md` that opens with front matter.
    pub notes: Vec<PathBuf>,
    /// `*.md` that does not, or can't be read.
    pub skipped: Vec<PathBuf>,
}

/// The notes of a folder, as paths that start with `folder` as given.
///
/// # Errors
/// Where the folder can't be listed.
pub fn notes_in(folder: &Path) -> Result<FolderNotes, DiskError> {
    let fault = |error| DiskError::new("could not list", folder, error);
    let mut paths = fs::read_dir(folder)
        .map_err(fault)?
        .map(|entry| entry.map(|entry| folder.join(entry.file_name())))
        .collect::<Result<Vec<_>, _>>()
        .map_err(fault)?;
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "md") && path.is_file());
    paths.sort();
    let (notes, skipped) = paths.into_iter().partition(|path| opens_with_front_matter(path));
    Ok(FolderNotes { notes, skipped })
}

/// Whether the first line is `---`, after a byte-order mark or not.
fn opens_with_front_matter(path: &Path) -> bool {
    let mut start = Vec::new();
    // A mark, three dashes, blanks and a line end are all that is looked at.
    let read = File::open(path).and_then(|file| file.take(80).read_to_end(&mut start));
    let text = start.strip_prefix("\u{feff}".as_bytes()).unwrap_or(&start);
    let line = text.split(|&byte| byte == b'\n').next().unwrap_or_default();
    read.is_ok() && line.trim_ascii_end() == b"---"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_markdown_with_front_matter_counts() {
        let dir = tempfile::tempdir().expect("a folder");
        let folder = dir.path();
        for (name, text) in [
            ("b.md", "---\ntitle: B\n---\n"),
            ("a.md", "\u{feff}---\r\ntitle: A\r\n---\r\n"),
            ("README.md", "# About\n"),
            ("rule.md", "----\n"),
            ("empty.md", ""),
            ("c.txt", "---\ntitle: C\n---\n"),
        ] {
            fs::write(folder.join(name), text).expect("a file");
        }
        fs::create_dir(folder.join("d.md")).expect("a folder");
        let at = |names: &[&str]| names.iter().map(|name| folder.join(name)).collect::<Vec<_>>();
        let found = notes_in(folder).expect("listed");
        assert_eq!(found.notes, at(&["a.md", "b.md"]));
        assert_eq!(found.skipped, at(&["README.md", "empty.md", "rule.md"]));
        assert!(notes_in(&folder.join("none")).is_err());
    }
}
