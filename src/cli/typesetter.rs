//! `typesetter`: which typst would be used, and building one.

use std::path::Path;
use std::sync::{Mutex, OnceLock, PoisonError};

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

/// The typst to use, looked for once, by whoever asks first; what there is to say about it is kept.
pub(super) struct Sought<'a> {
    option: Option<&'a Path>,
    found: OnceLock<Result<Typesetter, Exit>>,
    said: Mutex<Console>,
}

impl<'a> Sought<'a> {
    /// One that is to be built where there is none is built now: that takes long, and says so as it goes.
    pub fn new(option: Option<&'a Path>, build: bool, console: &mut Console) -> Self {
        let found = OnceLock::new();
        if build {
            found.get_or_init(|| choose(option, true, console));
        }
        Self { option, found, said: Mutex::new(console.apart()) }
    }

    /// `None` where there is none.
    pub fn get(&self) -> Option<&Typesetter> {
        let quietly =
            || choose(self.option, false, &mut self.said.lock().unwrap_or_else(PoisonError::into_inner));
        self.found.get_or_init(quietly).as_ref().ok()
    }

    /// Says what was kept; how it went.
    pub fn say(self, console: &mut Console) -> Exit {
        console.say(self.said.into_inner().unwrap_or_else(PoisonError::into_inner));
        self.found.into_inner().and_then(Result::err).unwrap_or(Exit::Done)
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
