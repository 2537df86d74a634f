//! `--bind`: the notes of a run as one package.

use std::path::PathBuf;

use super::console::Console;
use super::exit::Exit;
use super::solving::Wish;
use super::typeset::{Press, beside, folder_name, keep_outdated, stage};
use crate::diag::Diagnostic;
use crate::disk::{Staging, remove_file, replace_file};
use crate::document::Edition;
use crate::pipeline::{self, Solved, bind, bind_beside};
use crate::typeset::{Compile, CompileError, PATIENCE, creation_timestamp};

/// Notes to bind, in order, with what came of each.
pub(super) struct Binding<'a> {
    pub name: &'a str,
    pub notes: Vec<(&'a str, Option<&'a Solved>)>,
    pub wish: Wish<'a>,
}

/// A package that was made, and is not yet in its place.
pub(super) struct Bound {
    staging: Staging,
    failed: PathBuf,
    written: String,
}

impl Bound {
    /// Puts it into its place.
    pub(super) fn commit(self, console: &mut Console) -> Result<(), Exit> {
        let done = self.staging.commit().and_then(|()| remove_file(&self.failed));
        done.map_err(|error| console.disk(&error))?;
        console.line(&self.written);
        Ok(())
    }
}

/// The name of a package: that of the folder it was made from.
pub(super) fn name(paths: &[PathBuf]) -> String {
    let folder = match paths {
        [folder] if folder.is_dir() => folder.canonicalize().ok(),
        _ => None,
    };
    let name = folder.as_deref().and_then(|folder| folder.file_name()?.to_str().map(str::to_owned));
    name.unwrap_or_else(|| "package".to_owned())
}

impl Binding<'_> {
    /// Typesets the package, for a folder of its own beside those of the notes.
    pub(super) fn typeset(&self, press: &Press<'_>, console: &mut Console) -> Result<Bound, Exit> {
        let notes = &self.notes;
        let pages = press.also.contains(&"html");
        let package = pipeline::package(self.name, notes, self.wish.with);
        let fault = |faults: Vec<Diagnostic>, console: &mut Console| {
            // Faults with a place were told with their notes.
            for fault in faults {
                console.error(fault.id, fault.message);
            }
            Exit::Faulty
        };
        let first = bind(&package, self.wish.look).map_err(|faults| fault(faults, console))?;
        let others = || bind_beside(&package, pages);
        let solved = || notes.iter().filter_map(|(_, solved)| *solved);
        let edition = solved().next().map_or(Edition::Review, |solved| solved.edition);
        let folder = folder_name(&format!("{}.package", self.name), edition, !self.wish.with.is_empty());
        let target = press.into.join(folder);
        let mut staging = stage(&target, &first).map_err(|error| console.disk(&error))?;
        let failed = beside(&target, ".failed.typ");
        let others = if let Some(typesetter) = press.typesetter {
            let compile = Compile {
                program: &typesetter.path,
                root: staging.folder(),
                source: &format!("{}.typ", self.name),
                pdf: &format!("{}.pdf", self.name),
                timestamp: solved().map(|s| creation_timestamp(s.date.as_deref())).max().unwrap_or(0),
                limit: PATIENCE,
                threads: press.threads,
            };
            let (others, typeset) = compile.run_beside(others);
            match typeset {
                Ok(messages) => {
                    for message in messages {
                        console.fault(&Diagnostic::warning("typesetting", message.text));
                    }
                }
                Err(CompileError::Interrupted) => {
                    console.note("the package: interrupted; nothing was replaced");
                    return Err(Exit::Typesetter);
                }
                Err(error) => {
                    tell(&error, console);
                    let source = first.iter().find(|file| file.path == compile.source);
                    let source = source.map_or(&[][..], |file| &file.bytes);
                    replace_file(&failed, source).map_err(|error| console.disk(&error))?;
                    return Err(Exit::Typesetter);
                }
            }
            others
        } else {
            keep_outdated(&mut staging, self.name).map_err(|error| console.disk(&error))?;
            others()
        };
        for file in others.map_err(|faults| fault(faults, console))? {
            staging.write(&file.path, &file.bytes).map_err(|error| console.disk(&error))?;
        }
        let main = target.join(self.name);
        let ending = if press.typesetter.is_some() { "pdf" } else { "typ" };
        let written = format!(
            "wrote {}.{ending} ({} of {} notes bound{})",
            main.display(),
            solved().count(),
            notes.len(),
            if pages { ", index.html" } else { "" }
        );
        Ok(Bound { staging, failed, written })
    }
}

fn tell(error: &CompileError, console: &mut Console) {
    if let CompileError::Failed(messages) = error {
        for message in messages {
            console.error("typesetting", &*message.text);
        }
    }
    console.error(
        "typesetter-failed",
        format!("the package could not be typeset: {error}; nothing was replaced"),
    );
}
