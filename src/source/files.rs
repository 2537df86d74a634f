//! Read-only access to the files a note may use.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// Why a file was not served.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FileFault {
    /// There is no such file; the names in its folder, for a suggestion.
    Missing {
        /// Files that stand beside the one asked for.
        neighbours: Vec<String>,
    },
    /// The path is absolute, climbs out of the note's folder, or passes a link that leaves it.
    Outside,
    /// It is larger than a note may read.
    TooLarge {
        /// The limit, in bytes.
        limit: u64,
    },
    /// The system refused; its own words.
    Refused(String),
}

/// Files below the note's folder, by path relative to it with `/` between names.
///
/// An implementation is confined to that folder and remembers all that it served, which is what
/// an archive of the note must hold.
pub trait Files: Sync {
    /// The bytes of one file.
    ///
    /// # Errors
    /// [`FileFault`], without a place: the caller knows who asked.
    fn read(&self, path: &str) -> Result<Arc<[u8]>, FileFault>;

    /// All that was served so far, by path.
    fn served(&self) -> BTreeMap<String, Arc<[u8]>>;
}

/// Files held in memory, for tests and for what an archive brings along.
#[derive(Debug, Default)]
pub struct Memory {
    files: BTreeMap<String, Arc<[u8]>>,
    served: Mutex<BTreeMap<String, Arc<[u8]>>>,
}

impl Memory {
    /// From paths and contents.
    pub fn new<P: Into<String>, B: AsRef<[u8]>>(files: impl IntoIterator<Item = (P, B)>) -> Self {
        let files = files.into_iter().map(|(path, bytes)| (path.into(), bytes.as_ref().into())).collect();
        Self { files, served: Mutex::default() }
    }
}

/// The path without `.` and `..`, or `None` where it is absolute or climbs out of the folder.
pub fn confine(path: &str) -> Option<String> {
    if path.starts_with('/') || path.contains(['\\', ':', '\0']) {
        return None;
    }
    let mut kept: Vec<&str> = Vec::new();
    for name in path.split('/') {
        match name {
            "" | "." => {}
            ".." => {
                kept.pop()?;
            }
            name => kept.push(name),
        }
    }
    (!kept.is_empty()).then(|| kept.join("/"))
}

impl Files for Memory {
    fn read(&self, path: &str) -> Result<Arc<[u8]>, FileFault> {
        let path = confine(path).ok_or(FileFault::Outside)?;
        if let Some(bytes) = self.files.get(&path) {
            let mut served = self.served.lock().unwrap_or_else(PoisonError::into_inner);
            served.insert(path, Arc::clone(bytes));
            Ok(Arc::clone(bytes))
        } else {
            let folder = path.rfind('/').map_or("", |i| &path[..=i]);
            let neighbours = self.files.keys().filter(|p| p.starts_with(folder)).cloned().collect();
            Err(FileFault::Missing { neighbours })
        }
    }

    fn served(&self) -> BTreeMap<String, Arc<[u8]>> {
        self.served.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_never_leaves_the_folder() {
        assert_eq!(confine("parts/../data/./a.csv").as_deref(), Some("data/a.csv"));
        for bad in ["/etc/passwd", "../a", "a/../../b", "C:\\x", "a\\b", ""] {
            assert_eq!(confine(bad), None, "{bad}");
        }
    }

    #[test]
    fn what_was_served_is_remembered() {
        let files = Memory::new([("a.csv", "1,2"), ("b.csv", "3")]);
        assert_eq!(&*files.read("a.csv").expect("is there"), b"1,2");
        assert!(
            matches!(files.read("c.csv"), Err(FileFault::Missing { neighbours }) if neighbours.len() == 2)
        );
        assert_eq!(files.served().into_keys().collect::<Vec<_>>(), ["a.csv"]);
    }
}
