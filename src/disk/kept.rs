//! What took long to compute, kept in a folder from one run of the program to the next: bounded, safe to delete at any
//! time, and never in the way of a run.
//!
//! An entry is a file of its own, named by the digest of the program and of all that its content was computed from. It says
//! so again inside, with a checksum: whatever is not just what was written is not there. Files appear whole or not at all, so
//! that several runs may share a folder.

use std::collections::BTreeMap;
use std::env;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant, SystemTime};

use sha2::{Digest, Sha256};

use super::DiskError;
use crate::source::Keeper;

/// How every entry begins; the number is that of the format.
const MAGIC: &[u8] = b"loopcase kept 1\n";

/// Bytes of a digest.
const DIGEST: usize = 32;

/// Bytes of an entry beside its content: magic line, key, length, checksum.
const FRAME: usize = MAGIC.len() + DIGEST + 8 + DIGEST;

/// Ending of an entry, and beginning of one that is being written.
const ENDING: &str = ".kept";
const NEW: &str = ".new-";

/// What a killed run left half written goes after this time.
const STALE: Duration = Duration::from_hours(1);

/// What is computed sooner than this is not worth a file.
const LONG: Duration = Duration::from_millis(5);

/// For whoever keeps results under version control.
const IGNORED: &[u8] = b"# What `loopcase follow` computed and can compute again: safe to delete.\n*\n";

/// How much is kept: files, and bytes in all.
#[derive(Clone, Copy, Debug)]
struct Bounds {
    entries: usize,
    bytes: u64,
}

const BOUNDS: Bounds = Bounds { entries: 500, bytes: 64 << 20 };

/// A folder of what took long.
#[derive(Debug)]
pub struct KeptFolder {
    folder: PathBuf,
    /// Digest of the running program: another build may come to other numbers.
    program: [u8; DIGEST],
    bounds: Bounds,
    long: Duration,
    /// What was asked for and is not there, and when: it is computed meanwhile.
    asked: Mutex<BTreeMap<String, Instant>>,
    found: AtomicUsize,
    computed: AtomicUsize,
    /// Whether something could not be written: from then on nothing is.
    lost: AtomicBool,
    fault: Mutex<Option<DiskError>>,
}

impl KeptFolder {
    /// In a folder that is made when it is needed. `None` where the running program can't be read, since its numbers
    /// could not be told from those of another build.
    pub fn open(folder: &Path) -> Option<Self> {
        Some(Self {
            folder: folder.to_owned(),
            program: program()?,
            bounds: BOUNDS,
            long: LONG,
            asked: Mutex::default(),
            found: AtomicUsize::new(0),
            computed: AtomicUsize::new(0),
            lost: AtomicBool::new(false),
            fault: Mutex::default(),
        })
    }

    /// The same, where also what is computed at once is kept.
    #[must_use]
    pub fn with_everything(mut self) -> Self {
        self.long = Duration::ZERO;
        self
    }

    /// How often something was found, and how often it was computed, since the last time that this was asked.
    pub fn counts(&self) -> (usize, usize) {
        (self.found.swap(0, Ordering::Relaxed), self.computed.swap(0, Ordering::Relaxed))
    }

    /// Why nothing can be kept, told once.
    pub fn fault(&self) -> Option<DiskError> {
        self.fault.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    fn key(&self, name: &str) -> [u8; DIGEST] {
        Sha256::new().chain_update(self.program).chain_update(name).finalize().into()
    }

    fn path(&self, key: &[u8]) -> PathBuf {
        let name = key.iter().fold(String::new(), |name, byte| name + &format!("{byte:02x}"));
        self.folder.join(name + ENDING)
    }

    /// Whether the folder is one, and no link to another.
    fn is_folder(&self) -> bool {
        self.folder.symlink_metadata().is_ok_and(|found| found.is_dir())
    }

    fn read(&self, name: &str) -> Option<Vec<u8>> {
        let key = self.key(name);
        let path = self.path(&key);
        // Links are not followed, and a pipe is not waited for.
        let found = path.symlink_metadata().ok().filter(fs::Metadata::is_file)?;
        if !self.is_folder() || found.len() > self.bounds.bytes {
            return None;
        }
        let file = File::open(&path).ok()?;
        let mut bytes = Vec::new();
        (&file).take(self.bounds.bytes).read_to_end(&mut bytes).ok()?;
        let content = content(&bytes, &key)?.to_vec();
        // Used last: it stays longest. Where that can't be noted it goes sooner, and is computed again.
        let _ = file.set_modified(SystemTime::now());
        Some(content)
    }

    fn write(&self, name: &str, content: &[u8]) -> io::Result<()> {
        fs::create_dir_all(&self.folder)?;
        if !self.is_folder() {
            return Err(io::ErrorKind::NotADirectory.into());
        }
        match OpenOptions::new().write(true).create_new(true).open(self.folder.join(".gitignore")) {
            Ok(mut file) => file.write_all(IGNORED)?,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
        let key = self.key(name);
        let mut file = tempfile::Builder::new().prefix(NEW).tempfile_in(&self.folder)?;
        file.write_all(&entry(&key, content))?;
        file.persist(self.path(&key)).map_err(|error| error.error)?;
        self.trim()
    }

    /// Removes what was used longest ago until the rest is within bounds.
    fn trim(&self) -> io::Result<()> {
        let mut entries = Vec::new();
        for entry in fs::read_dir(&self.folder)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            // Another run may have removed it.
            let Ok(found) = entry.metadata() else { continue };
            if !found.is_file() {
                continue;
            }
            let used = found.modified().unwrap_or(SystemTime::UNIX_EPOCH);
            if name.ends_with(ENDING) {
                entries.push((used, found.len(), entry.path()));
            } else if name.starts_with(NEW) && used.elapsed().is_ok_and(|age| age > STALE) {
                let _ = fs::remove_file(entry.path());
            }
        }
        entries.sort();
        let mut count = entries.len();
        let mut bytes: u64 = entries.iter().map(|(_, length, _)| length).sum();
        for (_, length, path) in entries {
            if count <= self.bounds.entries && bytes <= self.bounds.bytes {
                break;
            }
            match fs::remove_file(path) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
                _ => {}
            }
            (count, bytes) = (count - 1, bytes - length);
        }
        Ok(())
    }
}

impl Keeper for KeptFolder {
    fn get(&self, name: &str) -> Option<Vec<u8>> {
        let found = self.read(name);
        if found.is_some() {
            self.found.fetch_add(1, Ordering::Relaxed);
        } else {
            let mut asked = self.asked.lock().unwrap_or_else(PoisonError::into_inner);
            asked.insert(name.to_owned(), Instant::now());
        }
        found
    }

    fn put(&self, name: &str, content: &[u8]) {
        self.computed.fetch_add(1, Ordering::Relaxed);
        let asked = self.asked.lock().unwrap_or_else(PoisonError::into_inner).remove(name);
        let long = asked.is_none_or(|asked| asked.elapsed() >= self.long);
        // One that takes the room of many is not worth it.
        if !long
            || (content.len() + FRAME) as u64 > self.bounds.bytes / 4
            || self.lost.load(Ordering::Relaxed)
        {
            return;
        }
        if let Err(error) = self.write(name, content)
            // Someone deletes the folder just now: the next one makes it anew.
            && error.kind() != io::ErrorKind::NotFound
            && !self.lost.swap(true, Ordering::Relaxed)
        {
            let fault = DiskError::new("could not keep anything in", &self.folder, error);
            *self.fault.lock().unwrap_or_else(PoisonError::into_inner) = Some(fault);
        }
    }
}

/// Digest of the running program, read once.
fn program() -> Option<[u8; DIGEST]> {
    static PROGRAM: OnceLock<Option<[u8; DIGEST]>> = OnceLock::new();
    *PROGRAM.get_or_init(read_program)
}

fn read_program() -> Option<[u8; DIGEST]> {
    // By this name it is the running one even where another was put in its place.
    let running = Path::new("/proc/self/exe");
    let mut file = File::open(running).or_else(|_| File::open(env::current_exe()?)).ok()?;
    let mut hash = Sha256::new();
    let mut part = vec![0; 1 << 16];
    loop {
        match file.read(&mut part).ok()? {
            0 => return Some(hash.finalize().into()),
            length => hash.update(&part[..length]),
        }
    }
}

/// The bytes of an entry.
fn entry(key: &[u8; DIGEST], content: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(FRAME + content.len());
    bytes.extend_from_slice(MAGIC);
    bytes.extend_from_slice(key);
    bytes.extend_from_slice(&(content.len() as u64).to_le_bytes());
    bytes.extend_from_slice(content);
    let sum = Sha256::digest(&bytes);
    bytes.extend_from_slice(&sum);
    bytes
}

/// The content of an entry with this key; `None` where the bytes are not just what was written.
fn content<'a>(bytes: &'a [u8], key: &[u8; DIGEST]) -> Option<&'a [u8]> {
    let (body, sum) = bytes.split_at_checked(bytes.len().checked_sub(DIGEST)?)?;
    let rest = body.strip_prefix(MAGIC)?.strip_prefix(key)?;
    let (length, content) = rest.split_first_chunk::<8>()?;
    let whole = u64::from_le_bytes(*length) == content.len() as u64;
    (whole && Sha256::digest(body).as_slice() == sum).then_some(content)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(dir: &tempfile::TempDir) -> KeptFolder {
        KeptFolder::open(&dir.path().join("out/.kept")).expect("the test can be read").with_everything()
    }

    fn names(kept: &KeptFolder) -> Vec<String> {
        let entries = fs::read_dir(&kept.folder).into_iter().flatten().flatten();
        let mut names: Vec<String> =
            entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
        names.retain(|name| name != ".gitignore");
        names.sort();
        names
    }

    #[test]
    fn what_is_put_comes_back_in_another_run() {
        let dir = tempfile::tempdir().expect("a folder");
        let first = kept(&dir);
        assert_eq!(first.get("a"), None);
        assert!(!first.folder.exists(), "asking makes nothing");
        first.put("a", b"one");
        first.put("b", b"");
        first.put("a", b"two");
        let second = kept(&dir);
        assert_eq!(second.get("a").as_deref(), Some(&b"two"[..]));
        assert_eq!(second.get("b").as_deref(), Some(&b""[..]));
        assert_eq!(second.get("c"), None);
        assert_eq!((first.counts(), second.counts(), second.counts()), ((0, 3), (2, 0), (0, 0)));
        assert_eq!(names(&second).len(), 2);
        assert!(fs::read_to_string(second.folder.join(".gitignore")).expect("there").ends_with("\n*\n"));
        let mut other = kept(&dir);
        other.program[0] ^= 1;
        assert_eq!(other.get("a"), None, "another program has other numbers");
    }

    #[test]
    fn what_is_computed_at_once_is_not_kept() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut folder = kept(&dir);
        folder.long = Duration::from_hours(1);
        assert_eq!(folder.get("a"), None);
        folder.put("a", b"one");
        assert!(names(&folder).is_empty());
    }

    #[test]
    fn any_damage_is_as_if_it_were_not_there() {
        let dir = tempfile::tempdir().expect("a folder");
        let folder = kept(&dir);
        folder.put("a", b"some numbers");
        let path = folder.path(&folder.key("a"));
        let whole = fs::read(&path).expect("there");
        assert_eq!(whole.len(), FRAME + 12);
        for at in 0..whole.len() {
            for bit in [1, 0x80] {
                let mut bytes = whole.clone();
                bytes[at] ^= bit;
                fs::write(&path, bytes).expect("damaged");
                assert_eq!(folder.get("a"), None, "byte {at}");
            }
            fs::write(&path, &whole[..at]).expect("cut off");
            assert_eq!(folder.get("a"), None, "cut off at {at}");
        }
        fs::write(&path, [&whole[..], b"!"].concat()).expect("longer");
        assert_eq!(folder.get("a"), None);
        // Under the name of another.
        fs::write(folder.path(&folder.key("b")), &whole).expect("written");
        assert_eq!(folder.get("b"), None);
        folder.put("a", b"some numbers");
        assert_eq!(fs::read(&path).expect("there"), whole, "mended");
    }

    #[test]
    fn a_bounded_number_is_kept_and_what_was_used_last_stays() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut folder = kept(&dir);
        folder.bounds = Bounds { entries: 4, bytes: 1 << 20 };
        let age = |folder: &KeptFolder, name: &str, seconds: u64| {
            let path = folder.path(&folder.key(name));
            let then = SystemTime::now() - Duration::from_secs(seconds);
            File::options().write(true).open(path).and_then(|file| file.set_modified(then)).expect("there");
        };
        for (k, name) in ["a", "b", "c", "d"].into_iter().enumerate() {
            folder.put(name, b"1");
            age(&folder, name, 100 - k as u64);
        }
        assert!(folder.get("a").is_some(), "used again");
        folder.put("e", b"1");
        let left: Vec<bool> = ["a", "b", "c", "d", "e"].map(|name| folder.get(name).is_some()).to_vec();
        assert_eq!(left, [true, false, true, true, true]);
        // By bytes: as much as four fifths of the room, each.
        folder.bounds = Bounds { entries: 100, bytes: 5 * 200 };
        for k in 0..20 {
            folder.put(&format!("{k}"), &[7; 100]);
            let all: u64 = names(&folder)
                .iter()
                .map(|name| folder.folder.join(name).metadata().expect("there").len())
                .sum();
            assert!(all <= 1000, "{all}");
        }
        assert!(folder.get("19").is_some());
        folder.put("large", &[7; 200]);
        assert_eq!(folder.get("large"), None, "one that takes the room of many");
    }

    #[test]
    fn what_a_killed_run_left_goes_and_what_is_not_ours_stays() {
        let dir = tempfile::tempdir().expect("a folder");
        let mut folder = kept(&dir);
        folder.put("a", b"1");
        for name in [".new-old", ".new-fresh", "mine.txt"] {
            fs::write(folder.folder.join(name), b"half").expect("a file");
        }
        let old = SystemTime::now() - 2 * STALE;
        let open = |name: &str| File::options().write(true).open(folder.folder.join(name)).expect("there");
        open(".new-old").set_modified(old).expect("aged");
        open("mine.txt").set_modified(old).expect("aged");
        folder.bounds.entries = 1;
        folder.put("b", b"1");
        let left = names(&folder);
        assert!(left.iter().any(|name| name == ".new-fresh") && left.iter().any(|name| name == "mine.txt"));
        assert!(!left.iter().any(|name| name == ".new-old"));
        assert_eq!(left.len(), 3, "{left:?}");
    }

    #[test]
    fn the_folder_may_go_at_any_time() {
        let dir = tempfile::tempdir().expect("a folder");
        let folder = kept(&dir);
        folder.put("a", b"1");
        fs::remove_dir_all(dir.path().join("out")).expect("removed");
        assert_eq!(folder.get("a"), None);
        folder.put("a", b"1");
        assert!(folder.get("a").is_some() && folder.fault().is_none());
    }

    /// A file in the place of the folder, as a disk that takes nothing: told once.
    #[test]
    fn what_can_not_be_written_is_told_once() {
        let dir = tempfile::tempdir().expect("a folder");
        let folder = kept(&dir);
        fs::write(dir.path().join("out"), b"").expect("a file");
        for name in ["a", "b"] {
            assert_eq!(folder.get(name), None);
            folder.put(name, b"1");
        }
        let fault = folder.fault().expect("told").to_string();
        assert!(fault.starts_with("could not keep anything in `"), "{fault}");
        folder.put("c", b"1");
        assert!(folder.fault().is_none());
        assert_eq!(fs::read(dir.path().join("out")).expect("there"), b"");
    }

    #[cfg(unix)]
    #[test]
    fn links_are_not_followed() {
        use std::os::unix::fs::symlink;
        let dir = tempfile::tempdir().expect("a folder");
        let folder = kept(&dir);
        folder.put("a", b"1");
        let path = folder.path(&folder.key("a"));
        let elsewhere = dir.path().join("elsewhere");
        fs::rename(&path, &elsewhere).expect("moved");
        let before = fs::read(&elsewhere).expect("there");
        symlink(&elsewhere, &path).expect("a link");
        assert_eq!(folder.get("a"), None);
        folder.put("a", b"2");
        assert_eq!(fs::read(&elsewhere).expect("there"), before, "replaced, not written through");
        assert_eq!(folder.get("a").as_deref(), Some(&b"2"[..]));
        // The folder itself.
        let moved = dir.path().join("moved");
        fs::rename(&folder.folder, &moved).expect("moved");
        symlink(&moved, &folder.folder).expect("a link");
        assert_eq!(folder.get("a"), None);
        let count = fs::read_dir(&moved).expect("there").count();
        folder.put("b", b"1");
        assert_eq!(fs::read_dir(&moved).expect("there").count(), count);
        assert!(folder.fault().is_some());
    }

    #[test]
    fn several_at_once_do_not_hurt_each_other() {
        let dir = tempfile::tempdir().expect("a folder");
        let make = || {
            let mut folder = kept(&dir);
            folder.bounds.entries = 5;
            folder
        };
        let content = |k: usize| vec![k as u8; 1000 + k];
        std::thread::scope(|scope| {
            for worker in 0..4 {
                scope.spawn(move || {
                    let folder = make();
                    for round in 0..60 {
                        let k = (worker + round) % 9;
                        if let Some(found) = folder.get(&format!("{k}")) {
                            assert_eq!(found, content(k));
                        }
                        folder.put(&format!("{k}"), &content(k));
                    }
                    assert!(folder.fault().is_none());
                });
            }
        });
        assert!(names(&make()).len() <= 5 + 4);
    }
}
