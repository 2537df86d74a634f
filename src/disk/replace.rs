//! Replacing a folder or a file at once.

use std::fs;
use std::io::{self, Write};
use std::path::Path;
use std::time::Duration;

use super::beside::{Beside, made_parent};
use super::{DiskError, Lock, Staging, Why};

/// How long to wait for another run that makes the same file.
const PATIENCE: Duration = Duration::from_mins(2);

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
    let mut file = tempfile::NamedTempFile::new_in(made_parent(target)?).map_err(fault)?;
    file.write_all(bytes).map_err(fault)?;
    file.as_file().sync_all().map_err(fault)?;
    file.persist(target).map_err(|e| fault(e.error))?;
    Ok(())
}

/// Makes a file that is not there yet, whole or not at all. What a killed run left of it goes.
///
/// # Errors
/// [`Why::Exists`] where there is one of that name; else what the system says.
pub fn create_file(target: &Path, bytes: &[u8]) -> Result<(), DiskError> {
    let fault = |error| DiskError::new("could not write", target, error);
    let beside = Beside::of(target)?;
    let _lock = Lock::take(&beside.hidden(".lock"), PATIENCE, || {})?;
    let new = beside.hidden(".new");
    remove_file(&new)?;
    let written = fs::File::create_new(&new)
        .and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()))
        .map_err(fault)
        .and_then(|()| place(&new, target));
    // Under its own name, or given up: this one is not needed any more.
    remove_file(&new)?;
    written
}

/// Gives a file a second name that nothing has yet.
fn place(new: &Path, target: &Path) -> Result<(), DiskError> {
    let exists = || DiskError::because("will not replace", target, Why::Exists);
    match fs::hard_link(new, target) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Err(exists()),
        // Not every file system knows second names; the lock keeps other runs of this tool out.
        Err(_) if target.symlink_metadata().is_ok() => Err(exists()),
        Err(_) => fs::rename(new, target).map_err(|error| DiskError::new("could not write", target, error)),
    }
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

    #[test]
    fn a_file_is_made_once_and_never_replaced() {
        let out = tempfile::tempdir().expect("a folder");
        let target = out.path().join("sealed/lo-A.zip");
        fs::create_dir(out.path().join("sealed")).expect("a folder");
        fs::write(out.path().join("sealed/.lo-A.zip.new"), b"half").expect("what a killed run left");
        create_file(&target, b"1").expect("written");
        assert!(matches!(create_file(&target, b"2"), Err(DiskError { why: Why::Exists, .. })));
        assert_eq!(fs::read(&target).expect("there"), b"1");
        assert_eq!(fs::read_dir(out.path().join("sealed")).expect("a folder").count(), 1);
    }
}
