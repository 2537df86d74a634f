//! A sign of life while a note takes long.

use std::io::{self, Write};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// After this time it is said that a note is being solved, and each second from then on.
const FIRST: Duration = Duration::from_secs(2);
const EVERY: Duration = Duration::from_secs(1);

/// Says on standard error how long a note has been solved for, until it is dropped.
pub(super) struct Progress {
    stop: Option<Sender<()>>,
    worker: Option<JoinHandle<()>>,
}

impl Progress {
    /// Where nobody looks nothing is said.
    pub(super) fn begin(name: &str, looked_at: bool) -> Self {
        if !looked_at {
            return Self { stop: None, worker: None };
        }
        let (stop, stopped) = mpsc::channel();
        let name = name.to_owned();
        let worker = thread::spawn(move || tell(&stopped, &name, (FIRST, EVERY), &mut io::stderr()));
        Self { stop: Some(stop), worker: Some(worker) }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        // The other end sees that this one is gone.
        self.stop = None;
        if let Some(worker) = self.worker.take() {
            // It writes and ends; where it could not there is nothing to say.
            let _ = worker.join();
        }
    }
}

fn tell(stopped: &Receiver<()>, name: &str, (first, every): (Duration, Duration), to: &mut impl Write) {
    let start = Instant::now();
    let mut wait = first;
    while stopped.recv_timeout(wait) == Err(RecvTimeoutError::Timeout) {
        let told = write!(to, "\rsolving {name}, {:.0} s", start.elapsed().as_secs_f64());
        if told.and_then(|()| to.flush()).is_err() {
            return;
        }
        wait = every;
    }
    if wait == every {
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
            tell(&stopped, "lo.md", (first, Duration::from_millis(5)), &mut text);
            text
        });
        thread::sleep(lasting);
        drop(stop);
        String::from_utf8(worker.join().expect("ends")).expect("text")
    }

    #[test]
    fn a_long_run_is_told_of_and_the_line_taken_back() {
        let text = told(Duration::ZERO, Duration::from_millis(60));
        assert!(text.starts_with("\rsolving lo.md, 0 s") && text.ends_with("\r\x1b[K"), "{text:?}");
    }

    #[test]
    fn a_short_run_says_nothing() {
        assert_eq!(told(Duration::from_secs(100), Duration::from_millis(5)), "");
    }
}
