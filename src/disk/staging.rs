//! A result folder in the making, beside the one it will replace.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{self, Sender};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use super::beside::{Beside, parent};
use super::{DiskError, Lock, Why};
use crate::source::confine;

/// How long to wait for another run that writes the same result folder.
const PATIENCE: Duration = Duration::from_mins(2);

/// How often a folder is tried to be removed.
const TRIES: u32 = 50;

/// The file by which a result folder is told from any other.
const MARK: &str = "results.json";

/// Brings files to the disk in the background, while the typesetter works: a crash of the machine right after the swap
/// must not leave empty files in place of whole ones.
#[derive(Debug)]
struct Syncing {
    files: Option<Sender<(PathBuf, File)>>,
    worker: Option<JoinHandle<Result<(), (PathBuf, io::Error)>>>,
}

impl Syncing {
    fn start() -> Self {
        let (files, queue) = mpsc::channel::<(PathBuf, File)>();
        let worker = thread::spawn(move || {
            queue.iter().try_for_each(|(place, file)| file.sync_all().map_err(|error| (place, error)))
        });
        Self { files: Some(files), worker: Some(worker) }
    }

    fn add(&self, place: PathBuf, file: File) {
        if let Some(files) = &self.files {
            // The worker stops early only at a fault, which `finish` tells.
            let _ = files.send((place, file));
        }
    }

    fn finish(&mut self) -> Result<(), (PathBuf, io::Error)> {
        self.files = None;
        match self.worker.take().map(JoinHandle::join) {
            Some(Ok(result)) => result,
            _ => Ok(()),
        }
    }
}

/// A folder `.NAME.new` beside `NAME`. Nothing of `NAME` changes before [`Staging::commit`]; dropped without it, the
/// staging folder disappears. A lock keeps a second run out until then.
#[derive(Debug)]
pub struct Staging {
    target: PathBuf,
    new: PathBuf,
    old: PathBuf,
    written: BTreeSet<String>,
    syncing: Syncing,
    done: bool,
    // Last, so that it is let go of last.
    _lock: Lock,
}

impl Staging {
    /// Starts a replacement of `target`, after tidying up what a killed run left.
    ///
    /// # Errors
    /// [`Why::Foreign`] where `target` holds files but no results, [`Why::Locked`], or what the system says.
    pub fn begin(target: &Path) -> Result<Self, DiskError> {
        let beside = Beside::of(target)?;
        let lock = Lock::take(&beside.hidden(".lock"), PATIENCE, || {})?;
        let (new, old) = (beside.hidden(".new"), beside.hidden(".old"));
        recover(target, &new, &old)?;
        if !replaceable(target)? {
            return Err(DiskError::because("will not replace", target, Why::Foreign));
        }
        fs::create_dir(&new).map_err(|e| DiskError::new("could not create", &new, e))?;
        Ok(Self {
            target: target.to_owned(),
            new,
            old,
            written: BTreeSet::new(),
            syncing: Syncing::start(),
            done: false,
            _lock: lock,
        })
    }

    /// The folder to write to until it is committed.
    pub fn folder(&self) -> &Path {
        &self.new
    }

    /// Writes one file, named by its path below the folder with `/` between names.
    ///
    /// # Errors
    /// [`Why::BadName`] for a path that leaves the folder or was written before, or what the system says.
    pub fn write(&mut self, path: &str, bytes: &[u8]) -> Result<(), DiskError> {
        let place = self.place(path)?;
        // What did not change is on the disk already: a second name for it costs nothing.
        let earlier = self.target.join(path);
        if holds(&earlier, bytes) && fs::hard_link(&earlier, &place).is_ok() {
            return Ok(());
        }
        let fault = |error| DiskError::new("could not write", &place, error);
        let mut file = File::create_new(&place).map_err(fault)?;
        file.write_all(bytes).map_err(fault)?;
        self.syncing.add(place, file);
        Ok(())
    }

    /// Takes a file of the earlier result over under another name, where it is there. Returns whether it was.
    ///
    /// # Errors
    /// As [`Staging::write`].
    pub fn keep(&mut self, earlier: &str, name: &str) -> Result<bool, DiskError> {
        let from = self.target.join(earlier);
        if !from.is_file() {
            return Ok(false);
        }
        let place = self.place(name)?;
        fs::copy(&from, &place).map_err(|e| DiskError::new("could not keep", &from, e))?;
        Ok(true)
    }

    fn place(&mut self, path: &str) -> Result<PathBuf, DiskError> {
        let inside = confine(path).filter(|inside| inside == path && self.written.insert(inside.clone()));
        let Some(inside) = inside else {
            return Err(DiskError::because("could not write", Path::new(path), Why::BadName));
        };
        let place = self.new.join(inside);
        if let Some(folder) = place.parent() {
            fs::create_dir_all(folder).map_err(|e| DiskError::new("could not create", folder, e))?;
        }
        Ok(place)
    }

    /// Puts the new folder in the place of the earlier one.
    ///
    /// # Errors
    /// What the system says; then the earlier folder stands as it was.
    pub fn commit(mut self) -> Result<(), DiskError> {
        self.syncing.finish().map_err(|(place, error)| DiskError::new("could not write", &place, error))?;
        let fault = |error| DiskError::new("could not replace", &self.target, error);
        let replaces = self.target.exists();
        if replaces && exchange(&self.new, &self.target) {
            // From here on `new` is the earlier one; what can't be removed now is removed by the next run.
            self.done = true;
            sync_folder(&self.target);
            let _ = remove(&self.new);
            return Ok(());
        }
        if replaces {
            fs::rename(&self.target, &self.old).map_err(fault)?;
        }
        if let Err(error) = fs::rename(&self.new, &self.target) {
            if replaces {
                fs::rename(&self.old, &self.target).map_err(fault)?;
            }
            return Err(fault(error));
        }
        self.done = true;
        sync_folder(&self.target);
        if replaces {
            // The new result stands; what can't be removed now is removed by the next run.
            let _ = remove(&self.old);
        }
        Ok(())
    }
}

impl Drop for Staging {
    fn drop(&mut self) {
        if !self.done {
            let _ = self.syncing.finish();
            // What can't be removed now is removed by the next run.
            let _ = remove(&self.new);
        }
    }
}

/// Brings a swap to the disk. Not every file system can; it has happened all the same.
fn sync_folder(target: &Path) {
    let _ = File::open(parent(target)).and_then(|folder| folder.sync_all());
}

/// Whether a file holds just these bytes.
fn holds(path: &Path, bytes: &[u8]) -> bool {
    fs::symlink_metadata(path).is_ok_and(|found| found.is_file() && found.len() == bytes.len() as u64)
        && fs::read(path).is_ok_and(|found| found == bytes)
}

/// Swaps two folders in one step, so that a run killed at any time leaves one of them under each name. Returns whether
/// the system could.
#[cfg(target_os = "linux")]
fn exchange(one: &Path, other: &Path) -> bool {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    renameat_with(CWD, one, CWD, other, RenameFlags::EXCHANGE).is_ok()
}

#[cfg(not(target_os = "linux"))]
fn exchange(_: &Path, _: &Path) -> bool {
    false
}

/// Ends what a killed run began: without a result the earlier one comes back, everything else goes.
fn recover(target: &Path, new: &Path, old: &Path) -> Result<(), DiskError> {
    if old.exists() && !target.exists() {
        fs::rename(old, target).map_err(|e| DiskError::new("could not restore", target, e))?;
    }
    remove(old)?;
    remove(new)
}

/// Whether a path is free, an empty folder, or a result folder.
fn replaceable(target: &Path) -> Result<bool, DiskError> {
    let metadata = match fs::symlink_metadata(target) {
        Ok(metadata) => metadata,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(true),
        Err(error) => return Err(DiskError::new("could not look at", target, error)),
    };
    if !metadata.is_dir() {
        return Ok(false);
    }
    let mut entries = fs::read_dir(target).map_err(|e| DiskError::new("could not look at", target, e))?;
    Ok(entries.next().is_none() || target.join(MARK).is_file())
}

fn remove(folder: &Path) -> Result<(), DiskError> {
    let mut tries = 0;
    loop {
        match fs::remove_dir_all(folder) {
            // A typesetter that outlived its killed run may still be writing there.
            Err(error) if error.kind() == io::ErrorKind::DirectoryNotEmpty && tries < TRIES => {
                tries += 1;
                thread::sleep(Duration::from_millis(20));
            }
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(DiskError::new("could not remove", folder, error));
            }
            _ => return Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .expect("a folder")
            .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    fn earlier(out: &Path) -> PathBuf {
        let target = out.join("lo");
        fs::create_dir_all(&target).expect("a folder");
        fs::write(target.join(MARK), "1").expect("a file");
        fs::write(target.join("lo.pdf"), "pdf").expect("a file");
        target
    }

    #[test]
    fn an_earlier_result_is_replaced_whole() {
        let out = tempfile::tempdir().expect("a folder");
        let target = earlier(out.path());
        let mut staging = Staging::begin(&target).expect("begins");
        staging.write(MARK, b"2").expect("written");
        staging.write("figures/lo.svg", b"svg").expect("written");
        assert_eq!(fs::read(target.join(MARK)).expect("there"), b"1", "nothing changes before the swap");
        assert!(staging.keep("lo.pdf", "lo.outdated.pdf").expect("kept"));
        assert!(!staging.keep("none.pdf", "none").expect("nothing to keep"));
        staging.commit().expect("swapped");
        assert_eq!(names(out.path()), ["lo"]);
        assert_eq!(names(&target), ["figures", "lo.outdated.pdf", MARK]);
        assert_eq!(fs::read(target.join(MARK)).expect("there"), b"2");
    }

    #[cfg(unix)]
    #[test]
    fn what_did_not_change_is_not_written_again() {
        use std::os::unix::fs::MetadataExt;
        let out = tempfile::tempdir().expect("a folder");
        let target = earlier(out.path());
        let inode = |name: &str| fs::metadata(target.join(name)).expect("there").ino();
        let (pdf, mark) = (inode("lo.pdf"), inode(MARK));
        let mut staging = Staging::begin(&target).expect("begins");
        staging.write(MARK, b"2").expect("written");
        staging.write("lo.pdf", b"pdf").expect("linked");
        staging.commit().expect("swapped");
        assert_eq!(inode("lo.pdf"), pdf);
        assert_ne!(inode(MARK), mark);
        assert_eq!(names(out.path()), ["lo"]);
    }

    #[test]
    fn given_up_it_leaves_the_earlier_result_alone() {
        let out = tempfile::tempdir().expect("a folder");
        let target = earlier(out.path());
        let mut staging = Staging::begin(&target).expect("begins");
        staging.write(MARK, b"2").expect("written");
        drop(staging);
        assert_eq!(names(out.path()), ["lo"]);
        assert_eq!(names(&target), ["lo.pdf", MARK]);
        assert_eq!(fs::read(target.join(MARK)).expect("there"), b"1");
    }

    #[test]
    fn a_killed_run_loses_nothing_and_its_leftovers_go() {
        let out = tempfile::tempdir().expect("a folder");
        let target = earlier(out.path());
        // Killed between the two renames: the earlier result stands under its hidden name only.
        fs::rename(&target, out.path().join(".lo.old")).expect("renamed");
        fs::create_dir(out.path().join(".lo.new")).expect("a folder");
        fs::write(out.path().join(".lo.new/half"), "").expect("a file");
        drop(Staging::begin(&target).expect("begins"));
        assert_eq!(names(out.path()), ["lo"]);
        assert_eq!(names(&target), ["lo.pdf", MARK]);
        // Killed after them: the earlier result is not needed any more.
        fs::create_dir(out.path().join(".lo.old")).expect("a folder");
        drop(Staging::begin(&target).expect("begins"));
        assert_eq!(names(out.path()), ["lo"]);
    }

    #[test]
    fn a_folder_of_someone_else_is_not_replaced() {
        let out = tempfile::tempdir().expect("a folder");
        let target = out.path().join("photos");
        fs::create_dir(&target).expect("a folder");
        drop(Staging::begin(&target).expect("an empty folder may go"));
        fs::write(target.join("one.jpg"), "").expect("a file");
        assert!(matches!(Staging::begin(&target), Err(DiskError { why: Why::Foreign, .. })));
        fs::write(out.path().join("file"), "").expect("a file");
        assert!(matches!(Staging::begin(&out.path().join("file")), Err(DiskError { why: Why::Foreign, .. })));
    }

    #[test]
    fn names_stay_inside_and_are_written_once() {
        let out = tempfile::tempdir().expect("a folder");
        let mut staging = Staging::begin(&out.path().join("lo")).expect("begins");
        staging.write("a", b"").expect("written");
        for name in ["../a", "/a", "a", "", "./b", "b/"] {
            assert!(matches!(staging.write(name, b""), Err(DiskError { why: Why::BadName, .. })), "{name}");
        }
    }
}
