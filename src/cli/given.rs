//! The notes that a command line names.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::console::Console;
use super::exit::Exit;
use crate::diag::Diagnostic;
use crate::disk::{Folder, notes_in};

/// One note to work on.
#[derive(Debug)]
pub(super) struct NoteFile {
    /// Name without folder and ending; the result folder is called by it.
    pub name: String,
    /// File name.
    pub file: String,
    /// Path as the user gave it.
    pub shown: String,
    /// The folder it stands in.
    pub folder: PathBuf,
}

impl NoteFile {
    fn new(path: &Path) -> Option<Self> {
        Some(Self {
            name: path.file_stem()?.to_str()?.to_owned(),
            file: path.file_name()?.to_str()?.to_owned(),
            shown: path.to_str()?.to_owned(),
            folder: path.parent()?.to_owned(),
        })
    }

    /// Its folder, to read from.
    pub fn open(&self, console: &mut Console) -> Result<Folder, Exit> {
        Folder::open(&self.folder).map_err(|error| console.disk(&error))
    }
}

/// The one note of a command that takes no folder. What is wrong is told.
pub(super) fn one_note(path: &Path, command: &str, console: &mut Console) -> Result<NoteFile, Exit> {
    if path.is_dir() {
        let message = format!("`{}` is a folder, `{command}` takes one note", path.display());
        let beside = notes_in(path).map(|found| found.notes).unwrap_or_default();
        let hint = match beside.first() {
            Some(note) => format!("a note in it: {}", note.display()),
            None => "a note is a *.md file that opens with front matter between `---` lines".to_owned(),
        };
        console.fault(&Diagnostic::error("not-a-note", message).hint(hint));
        return Err(Exit::Faulty);
    }
    let (mut notes, exit) = notes_of(&[path.to_owned()], console);
    notes.pop().ok_or(exit)
}

/// All notes that the paths name, in order, each once; faults are told and lead to the exit code beside them.
pub(super) fn notes_of(paths: &[PathBuf], console: &mut Console) -> (Vec<NoteFile>, Exit) {
    let mut notes: Vec<NoteFile> = Vec::new();
    let mut seen: BTreeSet<PathBuf> = BTreeSet::new();
    let mut exit = Exit::Done;
    for path in paths {
        let found = if path.is_dir() { of_folder(path, console) } else { of_file(path, console) };
        let found = found.unwrap_or_else(|fault| {
            exit = exit.max(fault);
            Vec::new()
        });
        for path in found {
            let Some(note) = NoteFile::new(&path) else {
                console
                    .error("not-a-note", format!("`{}` is not a name that can be printed", path.display()));
                exit = exit.max(Exit::Faulty);
                continue;
            };
            let place = path.canonicalize().unwrap_or(path);
            if seen.insert(place) {
                notes.push(note);
            }
        }
    }
    let twins = refuse_twins(&mut notes, console);
    (notes, exit.max(twins))
}

fn of_folder(folder: &Path, console: &mut Console) -> Result<Vec<PathBuf>, Exit> {
    let found = notes_in(folder).map_err(|error| console.disk(&error))?;
    for path in &found.skipped {
        console.note(&format!("skipped {}: it does not open with front matter", path.display()));
    }
    if found.notes.is_empty() {
        let diagnostic = Diagnostic::error("no-notes", format!("there is no note in `{}`", folder.display()));
        console.fault(
            &diagnostic.hint("a note is a *.md file that opens with front matter between `---` lines"),
        );
        return Err(Exit::Faulty);
    }
    Ok(found.notes)
}

fn of_file(path: &Path, console: &mut Console) -> Result<Vec<PathBuf>, Exit> {
    match path.metadata() {
        Ok(metadata) if metadata.is_file() => Ok(vec![path.to_owned()]),
        Ok(_) => {
            console.error("not-a-note", format!("`{}` is neither a note nor a folder", path.display()));
            Err(Exit::Faulty)
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let diagnostic =
                Diagnostic::error("no-such-note", format!("there is no note `{}`", path.display()));
            let parent = path.parent().unwrap_or(Path::new(""));
            let listed = if parent.as_os_str().is_empty() { Path::new(".") } else { parent };
            let beside = notes_in(listed).map(|found| found.notes).unwrap_or_default();
            let names: Vec<&str> = beside.iter().filter_map(|note| note.file_name()?.to_str()).collect();
            let wrong = path.file_name().unwrap_or_default().to_string_lossy();
            console.fault(&diagnostic.nearest(&wrong, names));
            Err(Exit::Faulty)
        }
        Err(error) => {
            console.error("file-system", format!("could not look at `{}`: {error}", path.display()));
            Err(Exit::Disk)
        }
    }
}

/// Two notes of one name would write the same result folder: neither is worked on.
fn refuse_twins(notes: &mut Vec<NoteFile>, console: &mut Console) -> Exit {
    let mut by_name: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for note in &*notes {
        by_name.entry(&note.name).or_default().push(&note.shown);
    }
    let twins: Vec<String> = by_name
        .into_iter()
        .filter(|(_, paths)| paths.len() > 1)
        .map(|(name, paths)| {
            let paths: Vec<String> = paths.iter().map(|path| format!("`{path}`")).collect();
            let message =
                format!("{} have one name, and so would have one result folder", paths.join(" and "));
            console.fault(
                &Diagnostic::error("same-name", message).hint("typeset them one by one, --into two folders"),
            );
            name.to_owned()
        })
        .collect();
    if twins.is_empty() {
        return Exit::Done;
    }
    notes.retain(|note| !twins.contains(&note.name));
    Exit::Faulty
}
