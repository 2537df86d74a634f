//! The folder that a target lies in, and the hidden names that a replacement works with there.

use std::ffi::{OsStr, OsString};
use std::fs;
use std::path::{Path, PathBuf};

use super::{DiskError, Why};

/// The folder that a path lies in.
pub(super) fn parent(target: &Path) -> &Path {
    match target.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// The folder that a path lies in, made where it is not there.
///
/// # Errors
/// What the system says.
pub(super) fn made_parent(target: &Path) -> Result<&Path, DiskError> {
    let parent = parent(target);
    fs::create_dir_all(parent).map_err(|error| DiskError::new("could not create", parent, error))?;
    Ok(parent)
}

/// Names beside a target.
pub(super) struct Beside<'a> {
    parent: &'a Path,
    name: &'a OsStr,
}

impl<'a> Beside<'a> {
    /// In the folder of `target`, which is made where it is not there.
    ///
    /// # Errors
    /// [`Why::BadName`] where the target has no name of its own (`..`), or what the system says.
    pub(super) fn of(target: &'a Path) -> Result<Self, DiskError> {
        let Some(name) = target.file_name() else {
            return Err(DiskError::because("could not write", target, Why::BadName));
        };
        Ok(Self { parent: made_parent(target)?, name })
    }

    /// The hidden `.NAME` with an ending.
    pub(super) fn hidden(&self, ending: &str) -> PathBuf {
        let mut hidden = OsString::from(".");
        hidden.push(self.name);
        hidden.push(ending);
        self.parent.join(hidden)
    }
}
