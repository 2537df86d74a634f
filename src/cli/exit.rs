//! The exit codes.

use std::process::ExitCode;

/// How a run ended. Of several, the highest counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub(super) enum Exit {
    /// All done; for `judge`: every judged requirement is met and no second route disagrees.
    Done = 0,
    /// A requirement is not met, two routes disagree, or what was compared differs.
    NotMet = 1,
    /// A fault in a note, its data, a sealed file or the command line.
    Faulty = 2,
    /// The typesetter is missing or failed.
    Typesetter = 3,
    /// The file system refused.
    Disk = 4,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        ExitCode::from(exit as u8)
    }
}
