//! `typeset`: solves, writes the result folder, runs the typesetter.

use std::path::{Path, PathBuf};
use std::thread;

use rayon::prelude::*;

use super::args::{self, EditionWord};
use super::console::Console;
use super::exit::Exit;
use super::given::{NoteFile, notes_of};
use super::matrix::summary;
use super::package::{self, Binding};
use super::solving::{Wish, solve_note};
use super::typesetter::Sought;
use crate::diag::Diagnostic;
use crate::disk::{DiskError, Folder, Staging, remove_file, replace_file, texts_below};
use crate::document::{Edition, Look};
use crate::emit::{OutFile, note_line};
use crate::pipeline::{Kept, Outcome, Solved, beside_it, produce, to_typeset};
use crate::source::Files;
use crate::typeset::{Compile, CompileError, Message, PATIENCE, Typesetter, creation_timestamp};

pub(super) fn run(args: &args::Typeset, console: &mut Console) -> Exit {
    let (notes, mut exit) = notes_of(&args.notes.paths, console);
    let look = match args.template.as_deref().map(|folder| own_look(folder, console)).transpose() {
        Ok(look) => look,
        Err(fault) => return exit.max(fault),
    };
    if notes.is_empty() {
        return exit;
    }
    let edition = args.edition.map(EditionWord::edition);
    let wish = Wish {
        with: &args.notes.with,
        thorough: args.notes.thorough,
        edition,
        look: look.as_ref(),
        ..Wish::default()
    };
    let mut also: Vec<&str> = args.also.iter().map(|word| word.format()).collect();
    also.sort_unstable();
    also.dedup();
    let typesetter = Sought::new(args.typesetter.as_deref(), args.install_typesetter, console);
    // As many at once as there are cores; what each has to say comes in the order of the notes.
    let ready: Vec<(Result<Ready<'_>, Exit>, Console)> = thread::scope(|scope| {
        scope.spawn(|| typesetter.get());
        let prepare = |note| {
            let mut apart = console.apart();
            (Ready::new(note, wish, &mut apart), apart)
        };
        notes.par_iter().map(prepare).collect()
    });
    let documents = ready.iter().filter(|(ready, _)| ready.is_ok()).count() + usize::from(args.bind);
    // As many documents as cores: each typesetter keeps to one.
    let threads = (documents >= rayon::current_num_threads()).then_some(1);
    let press = Press { into: &args.into, also: &also, typesetter: typesetter.get(), threads };
    let solved = ready.iter().map(|(ready, _)| ready.as_ref().ok().map(|ready| &ready.solved));
    let solved: Vec<Option<&Solved>> = solved.collect();
    let all = |solved: &[Option<&Solved>], console: &mut Console| {
        let names = notes.iter().map(|note| note.name.as_str());
        let notes = names.zip(solved.iter().copied()).collect();
        Binding { name: &package::name(&args.notes.paths), notes, wish }.typeset(&press, console)
    };
    // The package is the longest of all documents: it goes first.
    let (package, made) = rayon::join(
        || {
            let mut apart = console.apart();
            args.bind.then(|| (all(&solved, &mut apart), apart))
        },
        || -> Vec<(Result<(), Exit>, Console)> {
            let write = |(ready, said): &(Result<Ready<'_>, Exit>, Console)| {
                let mut apart = said.apart();
                let made = ready.as_ref().map_err(|fault| *fault);
                (made.and_then(|ready| press.run(ready, wish, &mut apart)), apart)
            };
            ready.par_iter().map(write).collect()
        },
    );
    let lost: Vec<bool> = made.iter().map(|(made, _)| made.is_err()).collect();
    // What was solved and could not be typeset is not in the package either.
    let package = if args.bind && lost.iter().zip(&solved).any(|(lost, solved)| *lost && solved.is_some()) {
        drop(package);
        let whole = solved.iter().zip(&lost).map(|(solved, lost)| solved.filter(|_| !lost));
        let mut apart = console.apart();
        Some((all(&whole.collect::<Vec<_>>(), &mut apart), apart))
    } else {
        package
    };
    drop(solved);
    let missing = typesetter.say(console);
    for ((_, solving), (made, writing)) in ready.into_iter().zip(made) {
        console.say(solving);
        console.say(writing);
        // A typesetter that is missing matters to the notes that could have been typeset.
        exit = exit.max(made.err().unwrap_or(missing));
    }
    if let Some((package, said)) = package {
        console.say(said);
        let committed = package.and_then(|bound| bound.commit(console));
        exit = exit.max(committed.err().unwrap_or(Exit::Done));
    }
    exit
}

/// A note that is solved, to be written.
struct Ready<'a> {
    note: &'a NoteFile,
    files: Folder,
    outcome: Outcome,
    solved: Solved,
}

impl<'a> Ready<'a> {
    fn new(note: &'a NoteFile, wish: Wish<'_>, console: &mut Console) -> Result<Self, Exit> {
        let files = note.open(console)?;
        let (outcome, solved) = solve_note(note, &files, wish, &mut Kept::default(), console)?;
        Ok(Self { note, files, outcome, solved })
    }
}

pub(super) fn own_look(folder: &Path, console: &mut Console) -> Result<Look, Exit> {
    let texts = texts_below(folder).map_err(|error| {
        console.error("template", error.to_string());
        Exit::Faulty
    })?;
    Look::from_files(texts).ok_or_else(|| {
        let fault =
            Diagnostic::error("template", format!("there is no report.typ in `{}`", folder.display()));
        console.fault(
            &fault.hint("report.typ is the template that is rendered; it may include others beside it"),
        );
        Exit::Faulty
    })
}

/// A note that was solved, and the files that came of it.
#[derive(Clone, Copy)]
pub(super) struct Made<'a> {
    /// The note.
    pub note: &'a NoteFile,
    /// Its files.
    pub files: &'a dyn Files,
    /// How solving went.
    pub outcome: &'a Outcome,
    /// The results.
    pub solved: &'a Solved,
}

/// Where and with what documents are made.
#[derive(Clone, Copy)]
pub(super) struct Press<'a> {
    /// Where result folders go.
    pub into: &'a Path,
    /// Formats beside the document.
    pub also: &'a [&'a str],
    /// The typesetter, where there is one.
    pub typesetter: Option<&'a Typesetter>,
    /// Threads that each run of it may use; `None`: as many as there are cores.
    pub threads: Option<usize>,
}

/// All files of a result folder; what can't be said is told.
pub(super) fn products(
    solved: &Solved,
    also: &[&str],
    outcome: &Outcome,
    console: &mut Console,
) -> Result<Vec<OutFile>, Exit> {
    produce(solved, also).map_err(|faults| tell(&faults, outcome, console))
}

fn tell(faults: &[Diagnostic], outcome: &Outcome, console: &mut Console) -> Exit {
    let mut faults: Vec<&Diagnostic> = faults.iter().collect();
    faults.sort_by_key(|fault| fault.span);
    for fault in faults {
        console.diagnostic(fault, &outcome.sources);
    }
    Exit::Faulty
}

/// A result folder that was written.
pub(super) struct Written {
    /// Where.
    pub target: PathBuf,
    /// How many figures and tables it has.
    pub counts: [usize; 2],
}

impl Press<'_> {
    /// From a solved note to its result folder. What failed was told.
    fn run(&self, ready: &Ready<'_>, wish: Wish<'_>, console: &mut Console) -> Result<(), Exit> {
        let Ready { note, files, outcome, solved } = ready;
        let made = Made { note, files, outcome, solved };
        let written = self.write(&made, !wish.with.is_empty(), console)?;
        self.report(note, &written, solved, console);
        Ok(())
    }

    /// Writes the result folder and its PDF. What the typesetter does not need is made while it works.
    pub fn write(&self, made: &Made<'_>, what_if: bool, console: &mut Console) -> Result<Written, Exit> {
        let Made { note, files, outcome, solved } = *made;
        let target = self.into.join(folder_name(&note.name, solved.edition, what_if));
        // A fault in one format does not hide those of the others.
        let first = match to_typeset(solved) {
            Ok(first) => first,
            Err(_) => products(solved, self.also, outcome, console)?,
        };
        let mut staging = stage(&target, &first).map_err(|error| console.disk(&error))?;
        let failed = beside(&target, ".failed.typ");
        let others = || beside_it(solved, self.also);
        let (others, typeset) = match self.typesetter {
            Some(typesetter) => {
                let compile = Compile {
                    program: &typesetter.path,
                    root: staging.folder(),
                    source: &format!("{}.typ", note.name),
                    pdf: &format!("{}.pdf", note.name),
                    timestamp: creation_timestamp(solved.date.as_deref()),
                    limit: PATIENCE,
                    threads: self.threads,
                };
                let proof = Proof { note, files, outcome, source: text_of(&first, compile.source) };
                let (others, typeset) = compile.run_beside(others);
                (others, Some((proof, typeset)))
            }
            None => (others(), None),
        };
        let others = others.map_err(|faults| tell(&faults, outcome, console))?;
        match typeset {
            Some((proof, Ok(warnings))) => proof.tell(&warnings, console),
            Some((_, Err(CompileError::Interrupted))) => {
                console.note(&format!("{}: interrupted; nothing was replaced", note.shown));
                return Err(Exit::Typesetter);
            }
            Some((proof, Err(error))) => {
                proof.tell_failure(&error, &failed, console);
                replace_file(&failed, proof.source.as_bytes()).map_err(|error| console.disk(&error))?;
                return Err(Exit::Typesetter);
            }
            None => keep_outdated(&mut staging, &note.name).map_err(|error| console.disk(&error))?,
        }
        for file in &others {
            staging.write(&file.path, &file.bytes).map_err(|error| console.disk(&error))?;
        }
        staging.commit().and_then(|()| remove_file(&failed)).map_err(|error| console.disk(&error))?;
        let under =
            |folder: &str| first.iter().chain(&others).filter(|file| file.path.starts_with(folder)).count();
        Ok(Written { target, counts: ["figures/", "tables/"].map(under) })
    }

    fn report(&self, note: &NoteFile, written: &Written, solved: &Solved, console: &mut Console) {
        let [figures, tables] = written.counts;
        let main = written.target.join(&note.name);
        let main = main.display();
        console.line(&if self.typesetter.is_some() {
            let name = &note.name;
            format!(
                "wrote {main}.pdf (beside it {name}.typ, {figures} figures, {tables} tables, results.json)"
            )
        } else {
            format!("wrote {main}.typ, {figures} figures, {tables} tables, results.json; no PDF")
        });
        console.line(&format!("{}: {}", note.name, summary(&solved.store)));
    }
}

/// The result folder of a note: `NOTE`, `NOTE.customer`, `NOTE.what-if`, `NOTE.customer.what-if`.
pub(super) fn folder_name(note: &str, edition: Edition, what_if: bool) -> String {
    let edition = match edition {
        Edition::Review => "",
        Edition::Customer => ".customer",
    };
    format!("{note}{edition}{}", if what_if { ".what-if" } else { "" })
}

pub(super) fn beside(target: &Path, ending: &str) -> PathBuf {
    let mut path = target.as_os_str().to_owned();
    path.push(ending);
    path.into()
}

pub(super) fn stage(target: &Path, products: &[OutFile]) -> Result<Staging, DiskError> {
    let mut staging = Staging::begin(target)?;
    for file in products {
        staging.write(&file.path, &file.bytes)?;
    }
    Ok(staging)
}

/// Without a typesetter the PDF of an earlier run stays, under a name that says that its numbers are not these.
pub(super) fn keep_outdated(staging: &mut Staging, note: &str) -> Result<(), DiskError> {
    let outdated = format!("{note}.outdated.pdf");
    if !staging.keep(&format!("{note}.pdf"), &outdated)? {
        staging.keep(&outdated, &outdated)?;
    }
    Ok(())
}

fn text_of(products: &[OutFile], path: &str) -> String {
    let bytes = products.iter().find(|file| file.path == path).map(|file| &file.bytes[..]);
    String::from_utf8_lossy(bytes.unwrap_or_default()).into_owned()
}

/// What the typesetter said, brought back to the note.
struct Proof<'a> {
    note: &'a NoteFile,
    files: &'a dyn Files,
    outcome: &'a Outcome,
    /// The Typst text.
    source: String,
}

impl Proof<'_> {
    fn tell(&self, messages: &[Message], console: &mut Console) {
        for message in messages {
            let mut diagnostic = if message.error {
                Diagnostic::error("typesetting", &*message.text)
            } else {
                Diagnostic::warning("typesetting", &*message.text)
            };
            if let Some(line) = message.line.and_then(|line| note_line(&self.source, line))
                && let Some(bytes) = self.files.served().get(&self.note.file)
            {
                let text = String::from_utf8_lossy(bytes);
                let file = self.outcome.sources.add(&self.note.shown, &text);
                diagnostic = diagnostic.at(self.outcome.sources.line_span(file, line));
            }
            console.diagnostic(&diagnostic, &self.outcome.sources);
        }
    }

    fn tell_failure(&self, error: &CompileError, kept: &Path, console: &mut Console) {
        if let CompileError::Failed(messages) = error {
            self.tell(messages, console);
        }
        let said = match error {
            CompileError::Failed(_) => "typst could not make the document".to_owned(),
            other => other.to_string(),
        };
        let fault = Diagnostic::error(
            "typesetter-failed",
            format!("{}: {said}; nothing was replaced", self.note.shown),
        );
        console.fault(&fault.hint(format!("what it was given is kept as {}", kept.display())));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn result_folders_are_told_apart() {
        let names = [
            (Edition::Review, false),
            (Edition::Customer, false),
            (Edition::Review, true),
            (Edition::Customer, true),
        ]
        .map(|(edition, what_if)| folder_name("lo", edition, what_if));
        assert_eq!(names, ["lo", "lo.customer", "lo.what-if", "lo.customer.what-if"]);
        assert_eq!(
            beside(Path::new("out/lo.customer"), ".failed.typ"),
            Path::new("out/lo.customer.failed.typ")
        );
    }

    #[test]
    fn the_earlier_pdf_stays_under_another_name() {
        let dir = tempfile::tempdir().expect("a folder");
        let target = dir.path().join("lo");
        let write = |files: &[(&str, &str)]| {
            let mut staging = Staging::begin(&target).expect("begins");
            for (path, text) in files {
                staging.write(path, text.as_bytes()).expect("written");
            }
            staging
        };
        write(&[("results.json", "1"), ("lo.pdf", "first")]).commit().expect("swapped");
        for round in ["2", "3"] {
            let mut staging = write(&[("results.json", round)]);
            keep_outdated(&mut staging, "lo").expect("kept");
            staging.commit().expect("swapped");
            assert!(!target.join("lo.pdf").exists());
            let kept = std::fs::read(target.join("lo.outdated.pdf")).expect("there");
            assert_eq!(kept, b"first", "round {round}");
        }
    }
}
