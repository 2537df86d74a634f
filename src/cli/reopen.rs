//! `reopen`: checks a sealed file to the last byte, solves it again and says what differs.

use super::args;
use super::compare::report;
use super::console::Console;
use super::exit::Exit;
use super::pdf::{self, NoPdf};
use super::sealed::{load, open_sealed, side, solve_sealed};
use crate::archive::{RESULTS, Sealed, sha256};
use crate::compare::{Side, compare};
use crate::emit::OutFile;
use crate::pipeline::{note_name, produce};
use crate::results::{TOOL, to_json};
use crate::typeset::{Surroundings, find};

pub(super) fn run(args: &args::Reopen, console: &mut Console) -> Exit {
    reopen(args, console).unwrap_or_else(|exit| exit)
}

fn reopen(args: &args::Reopen, console: &mut Console) -> Result<Exit, Exit> {
    let bytes = load(&args.file, console)?;
    let sealed = open_sealed(&args.file, &bytes, console)?;
    let manifest = &sealed.manifest;
    console.line(&format!(
        "{} is intact: {} of revision {}, sealed by {} with {}, {} files",
        args.file.display(),
        manifest.note,
        manifest.revision,
        manifest.tool,
        manifest.typesetter,
        sealed.files.len()
    ));
    console.line(&format!("sha256 {}", sha256(&bytes)));
    let then = side(&args.file, &sealed, console)?;
    let mut outcome = solve_sealed(&args.file, &sealed);
    let Some(solved) = outcome.solved.take() else {
        for diagnostic in &outcome.diagnostics {
            console.diagnostic(diagnostic, &outcome.sources);
        }
        console.line(&format!("{TOOL} finds faults in it, and so does not solve it"));
        return Ok(Exit::NotMet);
    };
    let now = Side { results: to_json(&solved.store), ..then.clone() };
    let differences = compare(&then, &now);
    if differences.none() {
        console.line(&format!("solved again by {TOOL}: the same results"));
    } else {
        console.line(&format!("solved again by {TOOL}: {}", differences.sentence()));
        console.print(&report(&differences));
    }
    let products = match produce(&solved, &["spice"]) {
        Ok(products) => products,
        Err(faults) => {
            for fault in &faults {
                console.diagnostic(fault, &outcome.sources);
            }
            console.line("the document can't be made again from the templates that were sealed");
            return Ok(Exit::NotMet);
        }
    };
    let document = document(args, &sealed, &products, console)?;
    let exit = if differences.none() && document { Exit::Done } else { Exit::NotMet };
    Ok(exit)
}

/// Whether the files of the document are made again as they were, as far as this version can tell; says so.
fn document(
    args: &args::Reopen,
    sealed: &Sealed,
    products: &[OutFile],
    console: &mut Console,
) -> Result<bool, Exit> {
    let was = |path: &str| sealed.file(&format!("{RESULTS}{path}"));
    let name = note_name(&sealed.manifest.note);
    let pdf_name = format!("{name}.pdf");
    let mut others: Vec<&str> = products
        .iter()
        .filter(|file| was(&file.path) != Some(&file.bytes[..]))
        .map(|file| file.path.as_str())
        .collect();
    let gone = sealed.below(RESULTS).map(|(path, _)| path);
    others.extend(gone.filter(|path| *path != pdf_name && products.iter().all(|file| file.path != *path)));
    if sealed.manifest.tool != TOOL {
        // Another version words and draws in its own way; what counts are the results.
        let count = others.len();
        console.line(&format!("{count} files of the document are made in another way by this version"));
        return Ok(true);
    }
    if !others.is_empty() {
        console.line(&format!("made differently: {}", others.join(", ")));
        return Ok(false);
    }
    let wanted = &sealed.manifest.typesetter;
    let typesetter = match find(args.typesetter.as_deref(), &Surroundings::of_process()) {
        Ok(found) if format!("typst {}", found.version) == *wanted => found,
        _ => {
            console.line(&format!(
                "the same document to the byte; its PDF not made again, for want of {wanted}"
            ));
            return Ok(true);
        }
    };
    match pdf::make(products, name, sealed.manifest.timestamp, &typesetter) {
        Ok((bytes, _)) if was(&pdf_name) == Some(&bytes[..]) => {
            console.line("the same document to the byte, and the same PDF");
            Ok(true)
        }
        Ok(_) => {
            console.line(&format!("made differently: {pdf_name}"));
            Ok(false)
        }
        Err(NoPdf::Typesetter(error)) => {
            console.error("typesetter-failed", format!("its PDF can't be made again: {error}"));
            Err(Exit::Typesetter)
        }
        Err(NoPdf::Disk(error)) => Err(console.disk(&error)),
    }
}
