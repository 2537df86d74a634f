//! The files below a note's folder.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use super::DiskError;
use crate::source::{FileFault, Files, confine};

/// The largest file that a note may read, in bytes: far above any measurement or picture of a note.
pub const MAX_FILE: u64 = 32 << 20;

/// Files below one folder of the disk, and nothing outside it.
///
/// A file that was served once is served the same again, whatever happens to it meanwhile: one run sees one state.
#[derive(Debug)]
pub struct Folder {
    /// Without links, so that a resolved path can be compared with it.
    root: PathBuf,
    limit: u64,
    served: Mutex<BTreeMap<String, Arc<[u8]>>>,
}

impl Folder {
    /// The folder at `path`.
    ///
    /// # Errors
    /// Where there is no such folder.
    pub fn open(path: &Path) -> Result<Self, DiskError> {
        let path = if path.as_os_str().is_empty() { Path::new(".") } else { path };
        let root = path.canonicalize().map_err(|e| DiskError::new("could not open", path, e))?;
        if !root.is_dir() {
            return Err(DiskError::new("could not open", path, io::ErrorKind::NotADirectory.into()));
        }
        Ok(Self { root, limit: MAX_FILE, served: Mutex::default() })
    }

    fn load(&self, path: &str) -> Result<Arc<[u8]>, FileFault> {
        let full = match self.root.join(path).canonicalize() {
            Ok(full) => full,
            Err(error) if absent(&error) => {
                return Err(FileFault::Missing { neighbours: self.neighbours(path) });
            }
            Err(error) => return Err(refused(&error)),
        };
        if !full.starts_with(&self.root) {
            return Err(FileFault::Outside);
        }
        // Asked before opening: opening a pipe that nobody writes to would wait for ever.
        regular(&fs::metadata(&full))?;
        let file = File::open(&full).map_err(|error| refused(&error))?;
        regular(&file.metadata())?;
        let mut bytes = Vec::new();
        file.take(self.limit + 1).read_to_end(&mut bytes).map_err(|error| refused(&error))?;
        if bytes.len() as u64 > self.limit {
            return Err(FileFault::TooLarge { limit: self.limit });
        }
        Ok(bytes.into())
    }

    /// Files that stand where `path` was looked for, in order, as paths from the note's folder.
    fn neighbours(&self, path: &str) -> Vec<String> {
        let parent = path.rfind('/').map_or("", |end| &path[..end]);
        let Ok(folder) = self.root.join(parent).canonicalize() else { return Vec::new() };
        if !folder.starts_with(&self.root) {
            return Vec::new();
        }
        let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
        let mut names: Vec<String> = entries
            .flatten()
            .filter(|entry| entry.file_type().is_ok_and(|kind| !kind.is_dir()))
            .filter_map(|entry| entry.file_name().into_string().ok())
            .map(|name| if parent.is_empty() { name } else { format!("{parent}/{name}") })
            .collect();
        names.sort();
        names
    }
}

impl Files for Folder {
    fn read(&self, path: &str) -> Result<Arc<[u8]>, FileFault> {
        let path = confine(path).ok_or(FileFault::Outside)?;
        let mut served = self.served.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(bytes) = served.get(&path) {
            return Ok(Arc::clone(bytes));
        }
        let bytes = self.load(&path)?;
        served.insert(path, Arc::clone(&bytes));
        Ok(bytes)
    }

    fn served(&self) -> BTreeMap<String, Arc<[u8]>> {
        self.served.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

fn absent(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory)
}

fn refused(error: &io::Error) -> FileFault {
    FileFault::Refused(error.to_string())
}

fn regular(metadata: &io::Result<fs::Metadata>) -> Result<(), FileFault> {
    match metadata {
        Ok(metadata) if metadata.is_file() => Ok(()),
        Ok(metadata) if metadata.is_dir() => Err(FileFault::Refused("it is a folder".to_owned())),
        Ok(_) => Err(FileFault::Refused("it is not an ordinary file".to_owned())),
        Err(error) => Err(refused(error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder() -> (tempfile::TempDir, Folder) {
        let dir = tempfile::tempdir().expect("a folder");
        let note = dir.path().join("note");
        fs::create_dir_all(note.join("data")).expect("a folder");
        fs::write(dir.path().join("secret"), "s").expect("a file");
        fs::write(note.join("data/a.csv"), "1,2").expect("a file");
        fs::write(note.join("data/b.csv"), "3").expect("a file");
        let files = Folder::open(&note).expect("a folder");
        (dir, files)
    }

    #[test]
    fn serves_what_is_below_it_and_remembers() {
        let (dir, files) = folder();
        assert_eq!(&*files.read("data/../data/a.csv").expect("there"), b"1,2");
        fs::write(dir.path().join("note/data/a.csv"), "changed").expect("a file");
        assert_eq!(&*files.read("data/a.csv").expect("there"), b"1,2", "one run sees one state");
        assert_eq!(files.served().into_keys().collect::<Vec<_>>(), ["data/a.csv"]);
    }

    #[test]
    fn names_the_neighbours_of_a_missing_file() {
        let (_dir, files) = folder();
        let neighbours = vec!["data/a.csv".to_owned(), "data/b.csv".to_owned()];
        assert_eq!(files.read("data/c.csv"), Err(FileFault::Missing { neighbours }));
        assert_eq!(files.read("none/c.csv"), Err(FileFault::Missing { neighbours: vec![] }));
        assert!(files.served().is_empty());
    }

    #[test]
    fn refuses_what_is_outside() {
        let (_dir, files) = folder();
        for path in ["/etc/passwd", "../secret", "data/../../secret"] {
            assert_eq!(files.read(path), Err(FileFault::Outside), "{path}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn follows_a_link_inside_and_refuses_one_that_leaves() {
        use std::os::unix::fs::symlink;
        let (dir, files) = folder();
        let note = dir.path().join("note");
        symlink("data/a.csv", note.join("inside.csv")).expect("a link");
        symlink("../secret", note.join("out.csv")).expect("a link");
        symlink(dir.path(), note.join("up")).expect("a link");
        assert_eq!(&*files.read("inside.csv").expect("inside"), b"1,2");
        assert_eq!(files.read("out.csv"), Err(FileFault::Outside));
        assert_eq!(files.read("up/secret"), Err(FileFault::Outside));
        assert_eq!(
            files.read("up/none"),
            Err(FileFault::Missing { neighbours: vec![] }),
            "nothing is told of outside"
        );
    }

    #[cfg(unix)]
    #[test]
    fn refuses_what_is_not_an_ordinary_file_without_waiting() {
        let (dir, files) = folder();
        let pipe = dir.path().join("note/pipe");
        let made = std::process::Command::new("mkfifo").arg(&pipe).status().expect("mkfifo runs");
        assert!(made.success());
        assert_eq!(files.read("pipe"), Err(FileFault::Refused("it is not an ordinary file".to_owned())));
        assert_eq!(files.read("data"), Err(FileFault::Refused("it is a folder".to_owned())));
    }

    #[test]
    fn refuses_what_is_too_large() {
        let (_dir, mut files) = folder();
        files.limit = 2;
        assert_eq!(files.read("data/a.csv"), Err(FileFault::TooLarge { limit: 2 }));
        assert!(files.read("data/b.csv").is_ok());
    }
}
