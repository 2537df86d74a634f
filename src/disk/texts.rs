//! The texts of a folder that the user named himself.

use std::fs;
use std::io;
use std::path::Path;

use super::DiskError;
use super::folder::MAX_FILE;

/// Folders in folders that are looked into; a look has two.
const DEPTH: usize = 4;

/// Every text below a folder: path below it with `/` between names, and content, in the order of paths. What is no
/// text (a picture), is hidden or lies too deep is left out.
///
/// # Errors
/// Where the folder or a file in it can't be read.
pub fn texts_below(folder: &Path) -> Result<Vec<(String, String)>, DiskError> {
    let mut texts = Vec::new();
    collect(folder, "", DEPTH, &mut texts)?;
    texts.sort();
    Ok(texts)
}

fn collect(
    folder: &Path,
    prefix: &str,
    depth: usize,
    texts: &mut Vec<(String, String)>,
) -> Result<(), DiskError> {
    let fault = |error| DiskError::new("could not list", folder, error);
    for entry in fs::read_dir(folder).map_err(fault)? {
        let entry = entry.map_err(fault)?;
        let Some(name) = entry.file_name().to_str().filter(|name| !name.starts_with('.')).map(str::to_owned)
        else {
            continue;
        };
        let (path, name) = (entry.path(), format!("{prefix}{name}"));
        let metadata = path.metadata().map_err(|error| DiskError::new("could not look at", &path, error))?;
        if metadata.is_dir() && depth > 1 {
            collect(&path, &format!("{name}/"), depth - 1, texts)?;
        } else if metadata.is_file() && metadata.len() <= MAX_FILE {
            match fs::read_to_string(&path) {
                Ok(text) => texts.push((name, text)),
                Err(error) if error.kind() == io::ErrorKind::InvalidData => {}
                Err(error) => return Err(DiskError::new("could not read", &path, error)),
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_come_with_their_paths_in_order() {
        let dir = tempfile::tempdir().expect("a folder");
        fs::create_dir_all(dir.path().join("parts/a/b/c")).expect("a folder");
        for (name, bytes) in [
            ("report.typ", &b"x"[..]),
            ("parts/head.typ", b"y"),
            ("logo.png", b"\x89PNG\xff"),
            (".hidden", b"z"),
            ("parts/a/b/c/deep.typ", b"d"),
        ] {
            fs::write(dir.path().join(name), bytes).expect("a file");
        }
        let texts = texts_below(dir.path()).expect("read");
        let texts: Vec<(&str, &str)> =
            texts.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
        assert_eq!(texts, [("parts/head.typ", "y"), ("report.typ", "x")]);
        assert!(texts_below(&dir.path().join("none")).is_err());
    }
}
