//! From Typst text to a PDF.

use std::env;
use std::fmt;
use std::fs;
use std::io;
use std::panic::resume_unwind;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus};
use std::thread;
use std::time::Duration;

use super::messages::{Message, parse};
use super::run::run;

/// How long typst may take over one document: a hundred times what a long one needs.
pub const PATIENCE: Duration = Duration::from_mins(1);

/// One run of typst.
#[derive(Clone, Copy, Debug)]
pub struct Compile<'a> {
    /// The typst program.
    pub program: &'a Path,
    /// The folder that holds the source and all that it reads.
    pub root: &'a Path,
    /// The source, relative to `root`.
    pub source: &'a str,
    /// The PDF, relative to `root`.
    pub pdf: &'a str,
    /// Time that the PDF states, in seconds since 1970, see [`creation_timestamp`].
    pub timestamp: u64,
    /// Time limit, e.g. [`PATIENCE`].
    pub limit: Duration,
    /// Threads it may use; `None`: as many as there are cores. Where others keep the cores busy, one does the same work in
    /// less processor time.
    pub threads: Option<usize>,
}

/// Why there is no PDF.
#[derive(Debug)]
pub enum CompileError {
    /// The program did not start, or its result could not be put in place.
    System(io::Error),
    /// It was stopped at the time limit.
    TooLong(Duration),
    /// The user ended it (Ctrl-C reaches every program of the terminal).
    Interrupted,
    /// It failed; its messages.
    Failed(Vec<Message>),
}

impl fmt::Display for CompileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            CompileError::System(error) => write!(f, "typst could not be run: {error}"),
            CompileError::TooLong(limit) => write!(f, "typst was stopped after {} s", limit.as_secs_f64()),
            CompileError::Interrupted => f.write_str("typst was interrupted"),
            CompileError::Failed(messages) => match messages.iter().find(|message| message.error) {
                Some(first) => write!(f, "typst failed: {}", first.text),
                None => f.write_str("typst failed without a message"),
            },
        }
    }
}

impl std::error::Error for CompileError {}

#[cfg(unix)]
fn interrupted(status: ExitStatus) -> bool {
    use std::os::unix::process::ExitStatusExt;
    const INTERRUPT: i32 = 2; // SIGINT, POSIX
    const TERMINATE: i32 = 15; // SIGTERM, POSIX
    matches!(status.signal(), Some(INTERRUPT | TERMINATE))
}

#[cfg(not(unix))]
fn interrupted(_: ExitStatus) -> bool {
    false
}

impl Compile<'_> {
    /// Runs typst. The PDF appears whole under its name, or not at all. Returns the warnings.
    ///
    /// # Errors
    /// [`CompileError`].
    pub fn run(&self) -> Result<Vec<Message>, CompileError> {
        // Packages come from folders that are empty, so that only what the document brings along is used.
        let nothing = tempfile::tempdir().map_err(CompileError::System)?;
        let partial = format!("{}.tmp", self.pdf);
        let ended =
            run(&mut self.command(nothing.path(), &partial), self.limit).map_err(CompileError::System)?;
        let partial = self.root.join(partial);
        let messages = parse(&ended.stderr, self.source);
        match ended.status {
            Some(status) if status.success() => {
                fs::rename(&partial, self.root.join(self.pdf)).map_err(CompileError::System)?;
                Ok(messages)
            }
            status => {
                // There may be none; a part of a PDF is of no use.
                let _ = fs::remove_file(&partial);
                Err(match status {
                    None => CompileError::TooLong(self.limit),
                    Some(status) if interrupted(status) => CompileError::Interrupted,
                    Some(_) => CompileError::Failed(messages),
                })
            }
        }
    }

    /// Runs typst, and meanwhile makes something else.
    pub fn run_beside<T>(&self, other: impl FnOnce() -> T) -> (T, Result<Vec<Message>, CompileError>) {
        let (other, typeset) = thread::scope(|scope| {
            let typeset = scope.spawn(|| self.run());
            (other(), typeset.join())
        });
        (other, typeset.unwrap_or_else(|panic| resume_unwind(panic)))
    }

    fn command(&self, nothing: &Path, output: &str) -> Command {
        let mut command = Command::new(absolute(self.program));
        command.current_dir(self.root).env_clear();
        // What a program needs to start; nothing that typst itself looks at.
        for name in ["PATH", "LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "SystemRoot"] {
            if let Some(value) = env::var_os(name) {
                command.env(name, value);
            }
        }
        // An import of a package would ask the network: a proxy that nobody serves makes it fail at once.
        for name in ["http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"] {
            command.env(name, "http://127.0.0.1:9");
        }
        command.args(["compile", "--root", ".", "--ignore-system-fonts", "--format", "pdf"]);
        if let Some(threads) = self.threads {
            command.args(["--jobs", &threads.to_string()]);
        }
        command.args(["--diagnostic-format", "short", "--creation-timestamp", &self.timestamp.to_string()]);
        command.arg("--package-path").arg(nothing.join("packages"));
        command.arg("--package-cache-path").arg(nothing.join("cache"));
        // A name that starts with a dash is not an option.
        command.arg("--").arg(self.source).arg(output);
        command
    }
}

/// The program by a path that holds in any folder.
fn absolute(program: &Path) -> PathBuf {
    std::path::absolute(program).unwrap_or_else(|_| program.to_owned())
}

/// The time that a PDF states: `SOURCE_DATE_EPOCH` where it is set to seconds, else the start (UTC) of the note's date
/// where that is written as YEAR-MONTH-DAY, else 0. Never the clock, so that the same note gives the same bytes.
pub fn creation_timestamp(note_date: Option<&str>) -> u64 {
    let epoch = env::var("SOURCE_DATE_EPOCH").ok();
    timestamp(epoch.as_deref(), note_date)
}

fn timestamp(epoch: Option<&str>, note_date: Option<&str>) -> u64 {
    epoch
        .and_then(|text| text.trim().parse().ok())
        .or_else(|| note_date.and_then(seconds_of_date))
        .unwrap_or(0)
}

/// Seconds from 1970-01-01 to the start of a date of the Gregorian calendar.
fn seconds_of_date(text: &str) -> Option<u64> {
    let mut parts = text.trim().splitn(3, '-').map(|part| part.parse::<u64>().ok());
    let (year, month, day) = (parts.next()??, parts.next()??, parts.next()??);
    if !(1970..=9999).contains(&year) || !(1..=12).contains(&month) || day == 0 {
        return None;
    }
    let leap = |year: u64| year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400));
    let lengths = [31, if leap(year) { 29 } else { 28 }, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let before = &lengths[..(month - 1) as usize];
    if day > lengths[before.len()] {
        return None;
    }
    let years: u64 = (1970..year).map(|year| if leap(year) { 366 } else { 365 }).sum();
    Some((years + before.iter().sum::<u64>() + day - 1) * 86_400)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_time_comes_from_the_variable_then_the_note() {
        // Values of `date -u -d DATE +%s` (GNU coreutils).
        for (date, seconds) in [
            ("1970-01-01", 0),
            ("2000-02-29", 951_782_400),
            ("2026-03-14", 1_773_446_400),
            ("2100-03-01", 4_107_542_400),
        ] {
            assert_eq!(timestamp(None, Some(date)), seconds, "{date}");
        }
        for none in ["14 March 2026", "2026-13-01", "2026-02-29", "2026-00-10", "2026-03", ""] {
            assert_eq!(timestamp(None, Some(none)), 0, "{none}");
        }
        assert_eq!(timestamp(Some("12"), Some("2026-03-14")), 12);
        assert_eq!(timestamp(Some("later"), None), 0);
    }

    #[cfg(unix)]
    mod with_a_program {
        use super::*;
        use crate::typeset::find::tests::script;

        fn compile(text: &str, limit: Duration) -> (tempfile::TempDir, Result<Vec<Message>, CompileError>) {
            let dir = tempfile::tempdir().expect("a folder");
            let program = dir.path().join("bin/typst");
            script(&program, text);
            let root = dir.path().join("root");
            fs::create_dir(&root).expect("a folder");
            fs::write(root.join("lo.pdf"), "earlier").expect("a file");
            let compile = Compile {
                program: &program,
                root: &root,
                source: "lo.typ",
                pdf: "lo.pdf",
                timestamp: 7,
                limit,
                threads: Some(2),
            };
            let result = compile.run();
            (dir, result)
        }

        fn pdf(dir: &tempfile::TempDir) -> String {
            assert!(!dir.path().join("root/lo.pdf.tmp").exists());
            fs::read_to_string(dir.path().join("root/lo.pdf")).expect("a file")
        }

        /// Writes all arguments and the environment to the last argument.
        const RECORD: &str = "for last in \"$@\"; do :; done; { echo \"$@\"; env; } > \"$last\"";

        #[test]
        fn runs_with_fixed_arguments_and_a_clean_environment() {
            let (dir, result) = compile(RECORD, PATIENCE);
            assert_eq!(result.expect("runs"), []);
            let record = pdf(&dir);
            let arguments = record.lines().next().expect("a line");
            assert!(
                arguments.starts_with("compile --root . --ignore-system-fonts --format pdf --jobs 2"),
                "{arguments}"
            );
            assert!(arguments.contains("--creation-timestamp 7 --package-path /"), "{arguments}");
            assert!(arguments.ends_with("-- lo.typ lo.pdf.tmp"), "{arguments}");
            assert!(!record.contains("TYPST_") && !record.contains("HOME="), "{record}");
        }

        #[test]
        fn a_failure_keeps_the_earlier_pdf_and_brings_the_messages() {
            let (dir, result) =
                compile("echo x > lo.pdf.tmp; echo 'lo.typ:3:0: error: bad' >&2; exit 1", PATIENCE);
            let Err(CompileError::Failed(messages)) = result else { panic!("{result:?}") };
            assert_eq!((messages[0].line, messages[0].text.as_str()), (Some(3), "bad"));
            assert_eq!(pdf(&dir), "earlier");
        }

        #[test]
        fn a_long_run_is_stopped() {
            let (dir, result) = compile("sleep 30", Duration::from_millis(100));
            assert!(matches!(result, Err(CompileError::TooLong(_))), "{result:?}");
            assert_eq!(pdf(&dir), "earlier");
        }

        #[test]
        fn a_program_that_is_not_there_is_said() {
            let root = tempfile::tempdir().expect("a folder");
            let program = root.path().join("none");
            let compile = Compile {
                program: &program,
                root: root.path(),
                source: "a.typ",
                pdf: "a.pdf",
                timestamp: 0,
                limit: PATIENCE,
                threads: None,
            };
            assert!(matches!(compile.run(), Err(CompileError::System(_))));
        }
    }
}
