//! `seal`: a note, everything that produced its document, and the document, in one file that is never replaced.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::args;
use super::console::Console;
use super::exit::Exit;
use super::given::one_note;
use super::matrix::summary;
use super::pdf::{self, NoPdf};
use super::solving::{Wish, solve_note};
use super::typeset::{own_look, products};
use super::typesetter::choose;
use crate::archive::{self, FORMAT, Manifest, NOTE, RESULTS, Sealed, TEMPLATE};
use crate::diag::Diagnostic;
use crate::disk::{Why, create_file};
use crate::document::Edition;
use crate::pipeline::{Kept, Solved};
use crate::results::TOOL;
use crate::source::Files;
use crate::typeset::{CompileError, creation_timestamp};

pub(super) fn run(args: &args::Seal, console: &mut Console) -> Exit {
    seal(args, console).err().unwrap_or(Exit::Done)
}

fn seal(args: &args::Seal, console: &mut Console) -> Result<(), Exit> {
    let note = one_note(&args.note, "seal", console)?;
    let look = args.template.as_deref().map(|folder| own_look(folder, console)).transpose()?;
    let files = note.open(console)?;
    let wish = Wish { edition: Some(Edition::Review), look: look.as_ref(), ..Wish::default() };
    let (outcome, solved) = solve_note(&note, &files, wish, &mut Kept::default(), console)?;
    let revision = revision(&solved, &note.shown, console)?;
    let target = target(args, &note.folder, &format!("{}-{revision}.zip", note.name));
    if target.symlink_metadata().is_ok() {
        return Err(taken(&target, console));
    }
    let typesetter = choose(args.typesetter.as_deref(), false, console)?;
    let products = products(&solved, &["spice"], &outcome, console)?;
    let timestamp = creation_timestamp(solved.date.as_deref());
    let (pdf, warnings) = pdf::make(&products, &note.name, timestamp, &typesetter)
        .map_err(|error| no_pdf(error, &note.shown, console))?;
    for warning in warnings {
        console.fault(&Diagnostic::warning("typesetting", warning.text));
    }
    let mut sealed = Sealed {
        manifest: Manifest {
            format: FORMAT,
            note: note.file.clone(),
            title: solved.title.clone(),
            revision,
            date: solved.date.clone(),
            tool: TOOL.to_owned(),
            typesetter: format!("typst {}", typesetter.version),
            timestamp,
            verdicts: summary(&solved.store),
            files: Vec::new(),
        },
        files: BTreeMap::new(),
    };
    let mut add = |folder: &str, path: &str, bytes: &[u8]| {
        sealed.files.insert(format!("{folder}{path}"), bytes.to_vec());
    };
    for (path, bytes) in &files.served() {
        add(NOTE, path, bytes);
    }
    for (path, text) in solved.templates() {
        add(TEMPLATE, path, text.as_bytes());
    }
    for file in &products {
        add(RESULTS, &file.path, &file.bytes);
    }
    add(RESULTS, &format!("{}.pdf", note.name), &pdf);
    let count = sealed.files.len();
    let bytes = archive::seal(sealed).map_err(|fault| {
        console.error("too-large", format!("{}: not sealed: {}", note.shown, fault.message));
        Exit::Faulty
    })?;
    create_file(&target, &bytes).map_err(|error| match error.why {
        Why::Exists => taken(&target, console),
        _ => console.disk(&error),
    })?;
    console.line(&format!("sealed {} ({count} files and the manifest)", target.display()));
    console.line(&format!("sha256 {}", archive::sha256(&bytes)));
    console.line(&format!("{}: {}", note.name, summary(&solved.store)));
    Ok(())
}

fn target(args: &args::Seal, folder: &Path, name: &str) -> PathBuf {
    match &args.into {
        Some(into) => into.join(name),
        None => folder.join("sealed").join(name),
    }
}

/// The revision, which becomes part of a file name.
fn revision(solved: &Solved, shown: &str, console: &mut Console) -> Result<String, Exit> {
    let fault = match solved.store.revision.as_deref().map(str::trim) {
        Some(revision) if fits(revision) => return Ok(revision.to_owned()),
        Some(revision) => Diagnostic::error(
            "revision",
            format!("{shown}: the revision `{revision}` can't stand in a file name"),
        )
        .hint("letters, digits, blanks, `.`, `-` and `_` can, up to 60 of them"),
        None => Diagnostic::error("revision", format!("{shown}: only a note with a revision can be sealed"))
            .hint("name one in the front matter, e.g. `revision: A`"),
    };
    console.fault(&fault);
    Err(Exit::Faulty)
}

fn fits(revision: &str) -> bool {
    !revision.is_empty()
        && revision.chars().count() <= 60
        && !revision.starts_with('.')
        && revision.chars().all(|c| c.is_alphanumeric() || " .-_".contains(c))
}

fn taken(target: &Path, console: &mut Console) -> Exit {
    let fault = Diagnostic::error(
        "sealed-already",
        format!("`{}` is there already, and a sealed file is never replaced", target.display()),
    );
    console.fault(&fault.hint("raise the revision in the front matter, or seal --into another folder"));
    Exit::Faulty
}

fn no_pdf(error: NoPdf, shown: &str, console: &mut Console) -> Exit {
    match error {
        NoPdf::Disk(error) => console.disk(&error),
        NoPdf::Typesetter(error) => {
            if let CompileError::Failed(messages) = &error {
                for message in messages {
                    console.fault(&Diagnostic::error("typesetting", &*message.text));
                }
            }
            let fault =
                Diagnostic::error("typesetter-failed", format!("{shown}: {error}; nothing was sealed"));
            console.fault(&fault.hint("`loopcase typeset` keeps what the typesetter was given"));
            Exit::Typesetter
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_revision_that_would_lead_elsewhere_is_no_file_name() {
        for good in ["A", "1.2", "B draft", "0-3_x", "Ä"] {
            assert!(fits(good), "{good}");
        }
        for bad in ["", "../A", "a/b", "a\\b", ".A", "a:b", "a\nb", "a*"] {
            assert!(!fits(bad), "{bad}");
        }
    }
}
