//! A sign of life while a note takes long.

use std::io::{self, Write};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// After this time it is said that a note is being solved, and each second from then on.
const FIRST: Duration = Duration::from_secs(2);
const EVERY: Duration = Duration::from_secs(1);

/// Notes that are being solved, the longest at work first: its worker speaks for all.
static AT_WORK: Mutex<Vec<String>> = Mutex::new(Vec::new());

/// Says on standard error how long a note has been solved for, until it is dropped.
pub(super) struct Progress {
    name: String,
    stop: Option<Sender<()>>,
    worker: Option<JoinHandle<()>>,
}

impl Progress {
    /// Where nobody looks nothing is said.
    pub(super) fn begin(name: &str, looked_at: bool) -> Self {
        if !looked_at {
            return Self { name: String::new(), stop: None, worker: None };
        }
        let (stop, stopped) = mpsc::channel();
        at_work().push(name.to_owned());
        let own = name.to_owned();
        let worker =
            thread::spawn(move || tell(&stopped, || speaks(&own), (FIRST, EVERY), &mut io::stderr()));
        Self { name: name.to_owned(), stop: Some(stop), worker: Some(worker) }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        // The other end sees that this one is gone.
        self.stop = None;
        let mut names = at_work();
        if let Some(index) = names.iter().position(|name| *name == self.name) {
            names.remove(index);
        }
        drop(names);
        if let Some(worker) = self.worker.take() {
            // It writes and ends; where it could not there is nothing to say.
            let _ = worker.join();
        }
    }
}

fn at_work() -> MutexGuard<'static, Vec<String>> {
    // A list of names is whole whatever became of its last holder.
    AT_WORK.lock().unwrap_or_else(PoisonError::into_inner)
}

/// All names, where this note speaks for them.
fn speaks(own: &str) -> Option<String> {
    let names = at_work();
    (names.first()? == own).then(|| names.join(", "))
}

fn tell(
    stopped: &Receiver<()>,
    names: impl Fn() -> Option<String>,
    (first, every): (Duration, Duration),
    to: &mut impl Write,
) {
    let start = Instant::now();
    let (mut wait, mut said) = (first, false);
    while stopped.recv_timeout(wait) == Err(RecvTimeoutError::Timeout) {
        wait = every;
        let Some(names) = names() else { continue };
        let told = write!(to, "\r\x1b[Ksolving {names}, {:.0} s", start.elapsed().as_secs_f64());
        if told.and_then(|()| to.flush()).is_err() {
            return;
        }
        said = true;
    }
    if said {
        // The line is taken back, so that what follows stands alone.
        let _ = write!(to, "\r\x1b[K").and_then(|()| to.flush());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(first: Duration, lasting: Duration) -> String {
        let (stop, stopped) = mpsc::channel::<()>();
        let worker = thread::spawn(move || {
            let mut text = Vec::new();
            tell(
                &stopped,
                || Some("lo.md, clock.md".to_owned()),
                (first, Duration::from_millis(5)),
                &mut text,
            );
            text
        });
        thread::sleep(lasting);
        drop(stop);
        String::from_utf8(worker.join().expect("ends")).expect("text")
    }

    #[test]
    fn a_long_run_is_told_of_and_the_line_taken_back() {
        let text = told(Duration::ZERO, Duration::from_millis(60));
        assert!(
            text.starts_with("\r\x1b[Ksolving lo.md, clock.md, 0 s") && text.ends_with("\r\x1b[K"),
            "{text:?}"
        );
    }

    #[test]
    fn the_longest_at_work_speaks_for_all() {
        let (one, two) = (Progress::begin("first.md", true), Progress::begin("second.md", true));
        assert_eq!(speaks("first.md").as_deref(), Some("first.md, second.md"));
        assert_eq!(speaks("second.md"), None);
        drop(one);
        assert_eq!(speaks("second.md").as_deref(), Some("second.md"));
        drop(two);
        assert_eq!(speaks("second.md"), None);
    }

    #[test]
    fn a_short_run_says_nothing() {
        assert_eq!(told(Duration::from_secs(100), Duration::from_millis(5)), "");
    }
}
