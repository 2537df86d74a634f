//! Whether files are still as they were when they were read.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use super::folder::MAX_FILE;

/// A file changed less than this long ago may change again without a new stamp: stamps are coarse.
const FRESH: Duration = Duration::from_secs(2);

/// Files that were read, and what was read.
///
/// Contents decide, not stamps: a file saved again as it was has not changed, and one replaced by another of the same
/// length and time has. Stamps only save reading.
#[derive(Debug, Default)]
pub struct Watch {
    files: Vec<Watched>,
}

#[derive(Debug)]
struct Watched {
    path: PathBuf,
    /// What the last run used; `None` where there was nothing to be read.
    used: Option<u64>,
    /// What was found last, under which stamp.
    seen: Option<(Option<Stamp>, Option<u64>)>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stamp {
    modified: SystemTime,
    length: u64,
    identity: (u64, u64),
}

/// What a look at the files found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// All as they were used.
    Same,
    /// Some are other.
    Changed,
    /// Some that were used are gone or empty, which may be half of a save.
    Gone,
}

impl Watch {
    /// Of the files below `root` that a run asked for; `served` are those it was given.
    pub fn new(root: &Path, asked: &BTreeSet<String>, served: &BTreeMap<String, Arc<[u8]>>) -> Self {
        let paths = asked.iter().chain(served.keys()).collect::<BTreeSet<_>>();
        let watched = |path: &String| Watched {
            path: root.join(path),
            used: served.get(path).map(|bytes| digest(bytes)),
            seen: None,
        };
        Self { files: paths.into_iter().map(watched).collect() }
    }

    /// Looks at all of them.
    pub fn look(&mut self) -> Seen {
        let mut found = Seen::Same;
        for file in &mut self.files {
            let now = file.look();
            if now != file.used {
                // An editor that saves in place empties the file first.
                let half = now.is_none() || now == Some(digest(b""));
                let gone = half && file.used.is_some();
                found = if gone || found == Seen::Gone { Seen::Gone } else { Seen::Changed };
            }
        }
        found
    }

    /// The contents as last looked at, to tell whether they came to rest.
    pub fn state(&self) -> Vec<Option<u64>> {
        self.files.iter().map(|file| file.seen.and_then(|(_, found)| found)).collect()
    }
}

impl Watched {
    fn look(&mut self) -> Option<u64> {
        let stamp = stamp(&self.path);
        if let Some((before, found)) = self.seen
            && before == stamp
            && !stamp.is_some_and(fresh)
        {
            return found;
        }
        let found = stamp.and_then(|_| read(&self.path));
        self.seen = Some((stamp, found));
        found
    }
}

fn fresh(stamp: Stamp) -> bool {
    // A time ahead of the clock is as good as now.
    SystemTime::now().duration_since(stamp.modified).map_or(true, |age| age < FRESH)
}

fn stamp(path: &Path) -> Option<Stamp> {
    let metadata = fs::metadata(path).ok().filter(fs::Metadata::is_file)?;
    let modified = metadata.modified().unwrap_or(SystemTime::UNIX_EPOCH);
    Some(Stamp { modified, length: metadata.len(), identity: identity(&metadata) })
}

#[cfg(unix)]
fn identity(metadata: &fs::Metadata) -> (u64, u64) {
    use std::os::unix::fs::MetadataExt;
    (metadata.dev(), metadata.ino())
}

#[cfg(not(unix))]
fn identity(_: &fs::Metadata) -> (u64, u64) {
    (0, 0)
}

fn read(path: &Path) -> Option<u64> {
    let mut bytes = Vec::new();
    File::open(path).ok()?.take(MAX_FILE + 1).read_to_end(&mut bytes).ok()?;
    (bytes.len() as u64 <= MAX_FILE).then(|| digest(&bytes))
}

fn digest(bytes: &[u8]) -> u64 {
    let mut hasher = DefaultHasher::new();
    bytes.hash(&mut hasher);
    hasher.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watch(root: &Path, used: &[(&str, &str)], asked: &[&str]) -> Watch {
        let served = used.iter().map(|(path, text)| ((*path).to_owned(), text.as_bytes().into())).collect();
        Watch::new(root, &asked.iter().map(|path| (*path).to_owned()).collect(), &served)
    }

    #[test]
    fn contents_decide_however_they_were_saved() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("lo.md");
        fs::write(&path, "one").expect("a file");
        let mut watch = watch(dir.path(), &[("lo.md", "one")], &["lo.md", "none.csv"]);
        assert_eq!(watch.look(), Seen::Same);
        fs::write(&path, "one").expect("saved as it was");
        assert_eq!(watch.look(), Seen::Same);
        fs::write(&path, "two").expect("of the same length, perhaps of the same time");
        assert_eq!(watch.look(), Seen::Changed);
        fs::write(dir.path().join("new"), "one").expect("a file");
        fs::rename(dir.path().join("new"), &path).expect("saved by renaming");
        assert_eq!(watch.look(), Seen::Same);
        fs::write(&path, "").expect("saved in place, by half");
        assert_eq!(watch.look(), Seen::Gone);
        fs::remove_file(&path).expect("removed");
        assert_eq!(watch.look(), Seen::Gone);
        fs::create_dir(&path).expect("a folder in its place");
        assert_eq!(watch.look(), Seen::Gone);
        fs::remove_dir(&path).expect("removed");
        fs::write(&path, "one").expect("made again");
        assert_eq!(watch.look(), Seen::Same);
        fs::write(dir.path().join("none.csv"), "").expect("a file that was asked for comes");
        assert_eq!(watch.look(), Seen::Changed);
    }

    #[test]
    fn a_change_between_reading_and_watching_is_found() {
        let dir = tempfile::tempdir().expect("a folder");
        fs::write(dir.path().join("lo.md"), "new").expect("a file");
        assert_eq!(watch(dir.path(), &[("lo.md", "old")], &[]).look(), Seen::Changed);
    }
}
