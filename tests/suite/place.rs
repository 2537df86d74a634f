//! A folder of its own for a test, and the real program run in it.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

/// A folder with notes, a home without typst, and what stands in for the world outside.
pub struct Place {
    dir: tempfile::TempDir,
}

/// How a run ended.
pub struct Run {
    pub status: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

impl Place {
    pub fn new() -> Self {
        let dir = tempfile::tempdir().expect("a folder");
        for folder in ["work", "home", "bin"] {
            fs::create_dir(dir.path().join(folder)).expect("a folder");
        }
        Self { dir }
    }

    /// A path below the working folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join("work").join(name)
    }

    /// Writes a file below the working folder.
    pub fn file(&self, name: &str, text: impl AsRef<[u8]>) -> &Self {
        let path = self.path(name);
        fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        fs::write(path, text).expect("a file");
        self
    }

    /// Reads a file below the working folder; empty where there is none.
    pub fn read(&self, name: &str) -> String {
        let bytes = fs::read(self.path(name)).unwrap_or_default();
        String::from_utf8_lossy(&bytes).into_owned()
    }

    /// The bytes of a file below the working folder.
    pub fn bytes(&self, name: &str) -> Vec<u8> {
        fs::read(self.path(name)).expect("a file")
    }

    /// The names in a folder below the working folder, in order.
    pub fn names(&self, name: &str) -> Vec<String> {
        let entries = fs::read_dir(self.path(name)).into_iter().flatten();
        let mut names: Vec<String> = entries
            .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    /// Puts a program on the PATH: a shell script. Written by a process of its own, since a file that this process
    /// has open for writing can't be run.
    pub fn program(&self, name: &str, script: &str) -> &Self {
        let path = self.dir.path().join("bin").join(name);
        let mut writer = Command::new("/bin/sh");
        writer
            .args(["-c", r#"printf '#!/bin/sh\n%s\n' "$1" > "$0" && chmod 755 "$0""#])
            .arg(path)
            .arg(script);
        assert!(writer.status().expect("sh runs").success());
        self
    }

    /// A typst on the PATH that answers to `--version`, and runs `script` to compile, with `$last` its output file.
    pub fn typst(&self, version: &str, script: &str) -> &Self {
        self.program(
            "typst",
            &format!(
                "[ \"$1\" = --version ] && echo 'typst {version} (unknown commit)' && exit 0\n\
                 for last in \"$@\"; do :; done\n{script}"
            ),
        )
    }

    /// The program, about to run in the working folder with nothing of the user's environment.
    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_loopcase"));
        command.args(words).current_dir(self.path("")).env_clear();
        command.env("HOME", self.dir.path().join("home")).env("PATH", self.dir.path().join("bin"));
        command
    }

    /// Runs the program.
    pub fn run(&self, words: &[&str]) -> Run {
        self.end(&mut self.command(words))
    }

    /// Runs a command of [`Place::command`]; paths of this test and the version are redacted.
    pub fn end(&self, command: &mut Command) -> Run {
        let output = command.output().expect("the program runs");
        let redact = |bytes: &[u8]| {
            let text = String::from_utf8_lossy(bytes).replace(&*self.dir.path().to_string_lossy(), "[DIR]");
            text.replace(env!("CARGO_PKG_VERSION"), "[VERSION]")
        };
        Run { status: output.status.code(), stdout: redact(&output.stdout), stderr: redact(&output.stderr) }
    }
}

impl Run {
    /// Compares status, standard output and standard error at once.
    #[track_caller]
    pub fn is(&self, status: i32, stdout: &str, stderr: &str) {
        let wanted = format!("status {status}\n--- stdout\n{stdout}--- stderr\n{stderr}");
        assert_eq!(self.all(), wanted, "\n=== found\n{}\n=== wanted\n{wanted}", self.all());
    }

    /// Compares the status and looks for words in standard error.
    #[track_caller]
    pub fn fails(&self, status: i32, words: &[&str]) {
        assert_eq!(self.status, Some(status), "{}", self.all());
        for word in words {
            assert!(self.stderr.contains(word), "`{word}` is missing:\n{}", self.all());
        }
    }

    /// Everything, for comparing and for messages.
    pub fn all(&self) -> String {
        let status = self.status.map_or_else(|| "none".to_owned(), |status| status.to_string());
        format!("status {status}\n--- stdout\n{}--- stderr\n{}", self.stdout, self.stderr)
    }
}
