//! `typesetter`: which typst would be used, and building one.

use std::path::Path;

use super::args;
use super::console::Console;
use super::exit::Exit;
use crate::diag::Diagnostic;
use crate::typeset::{InstallError, Missing, Surroundings, Typesetter, find, install};

pub(super) fn run(args: &args::Typesetter, console: &mut Console) -> Exit {
    match choose(None, args.install, console) {
        Ok(found) => {
            console.line(&format!("typst {} at {}, {}", found.version, found.path.display(), found.origin));
            Exit::Done
        }
        Err(exit) => exit,
    }
}

/// The typst to use; built where that is wished and none is found. Tells why there is none.
pub(super) fn choose(option: Option<&Path>, build: bool, console: &mut Console) -> Result<Typesetter, Exit> {
    let around = Surroundings::of_process();
    let missing = match find(option, &around) {
        Ok(found) => return Ok(found),
        Err(missing) => missing,
    };
    if !build || missing.is_named() {
        tell(&missing, console);
        return Err(Exit::Typesetter);
    }
    install(&around, |text| console.note(text)).map_err(|error| {
        console.error("typesetter-not-built", error.to_string());
        if matches!(error, InstallError::Disk(_)) { Exit::Disk } else { Exit::Typesetter }
    })
}

fn tell(missing: &Missing, console: &mut Console) {
    let mut fault = Diagnostic::error("typesetter-missing", missing.to_string());
    if !missing.is_named() {
        fault = fault.hint("`loopcase typesetter --install` builds one (11 minutes, 1.1 GB meanwhile)");
    }
    console.fault(&fault);
}
