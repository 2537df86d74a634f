//! Running a program within a time limit.

use std::io::{self, Read};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

/// The most that is kept of what a program says, in bytes.
const MAX_OUTPUT: u64 = 1 << 20;

/// How a program ended.
#[derive(Debug)]
pub(super) struct Ended {
    /// Its status; `None` where it was stopped at the time limit.
    pub status: Option<ExitStatus>,
    /// What it wrote to standard output.
    pub stdout: String,
    /// What it wrote to standard error.
    pub stderr: String,
}

/// Runs `command` to its end, or stops it after `limit`. Its input is empty, its output is caught.
pub(super) fn run(command: &mut Command, limit: Duration) -> io::Result<Ended> {
    let deadline = Instant::now() + limit;
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn()?;
    let stdout = listen(child.stdout.take());
    let stderr = listen(child.stderr.take());
    // Both pipes end when the program does, so waiting for them is waiting for it, without polling. After the
    // deadline they are not waited for: a child of the program may hold them open.
    let texts = (until(&stdout, deadline), until(&stderr, deadline));
    let status = match texts {
        (Some(_), Some(_)) => end(&mut child, deadline)?,
        _ => None,
    };
    if status.is_none() {
        child.kill()?;
        child.wait()?;
    }
    Ok(Ended { status, stdout: texts.0.unwrap_or_default(), stderr: texts.1.unwrap_or_default() })
}

/// Waits for a program that has closed its output.
fn end(child: &mut Child, deadline: Instant) -> io::Result<Option<ExitStatus>> {
    loop {
        let status = child.try_wait()?;
        if status.is_some() || Instant::now() >= deadline {
            return Ok(status);
        }
        thread::sleep(Duration::from_millis(1));
    }
}

fn until(text: &mpsc::Receiver<String>, deadline: Instant) -> Option<String> {
    text.recv_timeout(deadline.saturating_duration_since(Instant::now())).ok()
}

fn listen(pipe: Option<impl Read + Send + 'static>) -> mpsc::Receiver<String> {
    let (send, receive) = mpsc::channel();
    thread::spawn(move || {
        let mut text = Vec::new();
        if let Some(mut pipe) = pipe {
            // What can't be read is not shown; the status still tells how the program ended.
            let _ = pipe.by_ref().take(MAX_OUTPUT).read_to_end(&mut text);
            let _ = io::copy(&mut pipe, &mut io::sink());
        }
        // Nobody listens any more after the time limit.
        let _ = send.send(String::from_utf8_lossy(&text).into_owned());
    });
    receive
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    fn sh(script: &str, limit: Duration) -> Ended {
        run(Command::new("sh").args(["-c", script]), limit).expect("sh runs")
    }

    #[test]
    fn says_how_a_program_ended() {
        let ended = sh("echo out; echo err >&2; exit 3", Duration::from_secs(20));
        assert_eq!(ended.status.and_then(|status| status.code()), Some(3));
        assert_eq!((ended.stdout.as_str(), ended.stderr.as_str()), ("out\n", "err\n"));
    }

    #[test]
    fn stops_a_program_that_takes_too_long() {
        for script in ["sleep 30", "exec >/dev/null 2>&1; sleep 30"] {
            let start = Instant::now();
            assert!(sh(script, Duration::from_millis(100)).status.is_none(), "{script}");
            assert!(start.elapsed() < Duration::from_secs(20), "{script}");
        }
    }

    #[test]
    fn a_talkative_program_is_not_held_up() {
        let ended = sh("yes | head -c 3000000", Duration::from_secs(20));
        assert!(ended.status.is_some_and(|status| status.success()));
        assert_eq!(ended.stdout.len() as u64, MAX_OUTPUT);
    }
}
