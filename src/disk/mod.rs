//! The file system: reading below a note's folder, replacing results whole or not at all, keeping what took long.

#![allow(clippy::disallowed_methods, reason = "this is the folder that reads and writes files")]

mod beside;
mod folder;
mod kept;
mod lock;
mod notes;
mod replace;
mod staging;
mod texts;
mod watch;

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

pub use folder::{Folder, MAX_FILE};
pub use kept::KeptFolder;
pub use lock::Lock;
pub use notes::{FolderNotes, notes_in};
pub use replace::{create_file, remove_file, replace_file, replace_folder};
pub use staging::Staging;
pub use texts::texts_below;
pub use watch::{Seen, Watch};

/// What could not be done with a path.
#[derive(Debug)]
pub struct DiskError {
    /// The path.
    pub path: PathBuf,
    /// What was tried, as "could not write".
    pub action: &'static str,
    /// Why not.
    pub why: Why,
}

/// Why a path could not be used.
#[derive(Debug)]
pub enum Why {
    /// The system refused.
    System(io::Error),
    /// Another run holds it.
    Locked,
    /// It holds something that no run of this tool made, so it is not replaced.
    Foreign,
    /// There is one already, and it is of a kind that is never replaced.
    Exists,
    /// The name is not one below the folder, or stands there twice.
    BadName,
}

impl DiskError {
    pub(crate) fn new(action: &'static str, path: &Path, error: io::Error) -> Self {
        Self { path: path.to_owned(), action, why: Why::System(error) }
    }

    fn because(action: &'static str, path: &Path, why: Why) -> Self {
        Self { path: path.to_owned(), action, why }
    }
}

impl fmt::Display for DiskError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} `{}`: ", self.action, self.path.display())?;
        match &self.why {
            Why::System(error) => write!(f, "{error}"),
            Why::Locked => f.write_str("another run is still writing there"),
            Why::Foreign => f.write_str("it holds files that are not results of a note"),
            Why::Exists => f.write_str("it is there already"),
            Why::BadName => f.write_str("not a name of its own inside the result folder"),
        }
    }
}

impl std::error::Error for DiskError {}
