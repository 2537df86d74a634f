//! Products to standard output, all else to standard error.

use std::collections::BTreeSet;
use std::env;
use std::io::{self, IsTerminal, Write};

use super::args::Colour;
use super::exit::Exit;
use crate::diag::{Diagnostic, Severity, render};
use crate::disk::DiskError;
use crate::source::SourceMap;

/// Whether a stream still takes anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stream {
    Open,
    /// Its reader went away, which is no fault: what would have been printed is dropped, the work goes on.
    Left,
    /// The system refused.
    Lost,
}

/// Both streams of the process.
#[derive(Debug)]
pub(super) struct Console {
    colour: bool,
    quiet: bool,
    out: Stream,
    err: Stream,
    /// What was said, where it is to be said later; `true`: to standard output.
    kept: Option<Vec<(bool, String)>>,
    turns: Option<Turns>,
}

/// Warnings of a program that does the same again and again.
#[derive(Debug, Default)]
struct Turns {
    /// Those of the turn before.
    before: BTreeSet<String>,
    /// Those of this turn.
    now: BTreeSet<String>,
    /// How many of them were told before.
    again: usize,
}

impl Console {
    /// As this process finds them: colour only on a terminal, and not where `NO_COLOR` is set.
    pub fn of_process() -> Self {
        let unwanted = env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty())
            || env::var_os("TERM").is_some_and(|terminal| terminal == "dumb");
        Self {
            colour: !unwanted && io::stderr().is_terminal(),
            quiet: false,
            out: Stream::Open,
            err: Stream::Open,
            turns: None,
            kept: None,
        }
    }

    /// As the command line says.
    pub fn set(&mut self, quiet: bool, colour: Colour) {
        self.quiet = quiet;
        match colour {
            Colour::Auto => {}
            Colour::Always => self.colour = true,
            Colour::Never => self.colour = false,
        }
    }

    /// One that keeps what is said, for work that is done beside other work.
    pub fn apart(&self) -> Self {
        let (out, err) = (Stream::Open, Stream::Open);
        Self { colour: self.colour, quiet: self.quiet, out, err, turns: None, kept: Some(Vec::new()) }
    }

    /// Says what another one kept.
    pub fn say(&mut self, other: Self) {
        for (product, text) in other.kept.into_iter().flatten() {
            if product { self.print(&text) } else { self.tell(&text) }
        }
    }

    /// Whether standard error takes colour.
    pub fn colour(&self) -> bool {
        self.colour
    }

    /// Whether a person looks at standard error.
    pub fn looked_at(&self) -> bool {
        !self.quiet && io::stderr().is_terminal()
    }

    /// Prints a product as it stands.
    pub fn print(&mut self, text: &str) {
        if let Some(kept) = &mut self.kept {
            return kept.push((true, text.to_owned()));
        }
        self.out.write(&mut io::stdout().lock(), text);
    }

    /// Prints a line of a product.
    pub fn line(&mut self, text: &str) {
        self.print(&format!("{text}\n"));
    }

    /// Tells the user something as it stands.
    pub fn tell(&mut self, text: &str) {
        if let Some(kept) = &mut self.kept {
            return kept.push((false, text.to_owned()));
        }
        self.err.write(&mut io::stderr().lock(), text);
    }

    /// Begins a turn of work that is done again and again: a warning that the turn before had is not told once more, only
    /// counted.
    pub fn begin_turn(&mut self) {
        let now = self.turns.take().map(|turns| turns.now).unwrap_or_default();
        self.turns = Some(Turns { before: now, ..Turns::default() });
    }

    /// Says how many warnings the turn had in common with the one before.
    pub fn end_turn(&mut self) {
        let again = self.turns.as_ref().map_or(0, |turns| turns.again);
        if again > 0 {
            self.note(&format!("{again} {} as before", if again == 1 { "warning" } else { "warnings" }));
        }
    }

    /// Tells a fault or warning with its place.
    pub fn diagnostic(&mut self, diagnostic: &Diagnostic, sources: &SourceMap) {
        if diagnostic.severity == Severity::Warning
            && let Some(turns) = &mut self.turns
        {
            // Without its place: a line more above it is no other warning.
            turns.now.insert(diagnostic.message.clone());
            if turns.before.contains(&diagnostic.message) {
                turns.again += 1;
                return;
            }
        }
        self.tell(&render(diagnostic, sources, self.colour));
    }

    /// Tells an error that has no place in a text.
    pub fn error(&mut self, id: &'static str, message: impl Into<String>) {
        self.fault(&Diagnostic::error(id, message));
    }

    /// Tells what the file system refused; returns how the program ends for it.
    pub fn disk(&mut self, error: &DiskError) -> Exit {
        self.error("file-system", error.to_string());
        Exit::Disk
    }

    /// As [`Console::error`], with its hints.
    pub fn fault(&mut self, diagnostic: &Diagnostic) {
        self.diagnostic(diagnostic, &SourceMap::new());
    }

    /// Tells something that is neither product nor fault; not where quiet is wished.
    pub fn note(&mut self, text: &str) {
        if !self.quiet {
            self.tell(&format!("{text}\n"));
        }
    }

    /// The exit code, where printing itself may have failed.
    pub fn finish(&self, exit: Exit) -> Exit {
        if self.out == Stream::Lost { exit.max(Exit::Disk) } else { exit }
    }
}

impl Stream {
    fn write(&mut self, to: &mut impl Write, text: &str) {
        if *self != Stream::Open {
            return;
        }
        if let Err(error) = to.write_all(text.as_bytes()).and_then(|()| to.flush()) {
            *self = if error.kind() == io::ErrorKind::BrokenPipe { Stream::Left } else { Stream::Lost };
        }
    }
}
