//! One run at a time.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use super::{DiskError, Why};

/// Pause between two tries.
const PAUSE: Duration = Duration::from_millis(20);

/// A lock held through a file. The system lets go of it when the process ends, however it ends, so none goes stale.
#[derive(Debug)]
pub struct Lock {
    path: PathBuf,
    file: Option<File>,
}

impl Lock {
    /// Takes the lock at `path`, waiting up to `patience` for another run; `waiting` is called once if it must wait.
    ///
    /// # Errors
    /// [`Why::Locked`] where the other run does not end in time, or what the system says.
    pub fn take(path: &Path, patience: Duration, waiting: impl FnOnce()) -> Result<Self, DiskError> {
        let fault = |error| DiskError::new("could not lock", path, error);
        let start = Instant::now();
        let mut waiting = Some(waiting);
        loop {
            let file =
                OpenOptions::new().create(true).truncate(false).write(true).open(path).map_err(fault)?;
            match file.try_lock() {
                // The holder before may have removed the file between our opening and locking it.
                Ok(()) if still_there(&file, path) => {
                    return Ok(Self { path: path.to_owned(), file: Some(file) });
                }
                Ok(()) => continue,
                Err(TryLockError::WouldBlock) => {}
                Err(TryLockError::Error(error)) => return Err(fault(error)),
            }
            if start.elapsed() >= patience {
                return Err(DiskError::because("could not lock", path, Why::Locked));
            }
            if let Some(waiting) = waiting.take() {
                waiting();
            }
            thread::sleep(PAUSE);
        }
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Removed while held; where files can't be told apart the file stays, which does no harm.
        if cfg!(unix) {
            let _ = fs::remove_file(&self.path);
        }
        drop(self.file.take());
    }
}

#[cfg(unix)]
fn still_there(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    match (file.metadata(), fs::metadata(path)) {
        (Ok(held), Ok(named)) => (held.dev(), held.ino()) == (named.dev(), named.ino()),
        _ => false,
    }
}

#[cfg(not(unix))]
fn still_there(_: &File, _: &Path) -> bool {
    true
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    #[test]
    fn a_second_run_waits_and_then_gives_up() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("lock");
        let first = Lock::take(&path, Duration::ZERO, || {}).expect("free");
        let mut told = 0;
        let second = Lock::take(&path, Duration::from_millis(50), || told += 1);
        assert!(matches!(second, Err(DiskError { why: Why::Locked, .. })));
        assert_eq!(told, 1);
        drop(first);
        assert!(Lock::take(&path, Duration::ZERO, || {}).is_ok());
        assert!(!path.exists() || cfg!(not(unix)), "nothing is left behind");
    }

    #[test]
    fn only_one_at_a_time_holds_it() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("lock");
        let (inside, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
        thread::scope(|scope| {
            for _ in 0..8 {
                scope.spawn(|| {
                    for _ in 0..5 {
                        let _lock = Lock::take(&path, Duration::from_mins(1), || {}).expect("in time");
                        most.fetch_max(inside.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                        thread::sleep(Duration::from_millis(1));
                        inside.fetch_sub(1, Ordering::SeqCst);
                    }
                });
            }
        });
        assert_eq!(most.into_inner(), 1);
    }
}
