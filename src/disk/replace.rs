//! Replacing a folder or a file at once.

use std::fs;
use std::io::{self, Write};
use std::path::Path;

use super::{DiskError, Staging};

/// Replaces the whole folder `target` by these files (path below it, bytes), or changes nothing.
///
/// # Errors
/// As [`Staging::begin`] and [`Staging::write`].
pub fn replace_folder<'a>(
    target: &Path,
    files: impl IntoIterator<Item = (&'a str, &'a [u8])>,
) -> Result<(), DiskError> {
    let mut staging = Staging::begin(target)?;
    for (path, bytes) in files {
        staging.write(path, bytes)?;
    }
    staging.commit()
}

/// Replaces one file, or changes nothing.
///
/// # Errors
/// What the system says.
pub fn replace_file(target: &Path, bytes: &[u8]) -> Result<(), DiskError> {
    let fault = |error| DiskError::new("could not write", target, error);
    let parent = match target.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    fs::create_dir_all(parent).map_err(|e| DiskError::new("could not create", parent, e))?;
    let mut file = tempfile::NamedTempFile::new_in(parent).map_err(fault)?;
    file.write_all(bytes).map_err(fault)?;
    file.as_file().sync_all().map_err(fault)?;
    file.persist(target).map_err(|e| fault(e.error))?;
    Ok(())
}

/// Removes a file that may not be there.
///
/// # Errors
/// What the system says.
pub fn remove_file(path: &Path) -> Result<(), DiskError> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            Err(DiskError::new("could not remove", path, error))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_is_replaced_or_left_alone() {
        let out = tempfile::tempdir().expect("a folder");
        let target = out.path().join("deep/lo");
        replace_folder(&target, [("results.json", &b"1"[..]), ("tables/a.csv", b"a")]).expect("written");
        assert!(replace_folder(&target, [("results.json", &b"2"[..]), ("../x", b"")]).is_err());
        assert_eq!(fs::read(target.join("results.json")).expect("there"), b"1");
        assert!(target.join("tables/a.csv").is_file());
        replace_folder(&target, [("results.json", &b"2"[..])]).expect("written");
        assert!(!target.join("tables").exists(), "nothing of the earlier result stays");
    }

    #[test]
    fn a_file_is_replaced() {
        let out = tempfile::tempdir().expect("a folder");
        let target = out.path().join("new/lo.failed.typ");
        replace_file(&target, b"1").expect("written");
        replace_file(&target, b"2").expect("written");
        assert_eq!(fs::read(&target).expect("there"), b"2");
        remove_file(&target).expect("removed");
        remove_file(&target).expect("not there is well too");
        assert_eq!(fs::read_dir(out.path().join("new")).expect("a folder").count(), 0);
    }
}
