//! The external typst: finding it, building it, running it, and its messages.
//!
//! It runs without network, clock or the user's environment, and never longer than a time limit.

#![allow(clippy::disallowed_methods, reason = "this is the folder that runs an outside program")]

mod check;
mod compile;
mod find;
mod install;
mod messages;
mod run;

pub use compile::{Compile, CompileError, PATIENCE, creation_timestamp};
pub use find::{Missing, Origin, Surroundings, Typesetter, find};
pub use install::{InstallError, install};
pub use messages::Message;

/// The version that is built on demand. Any other of the same series will do.
pub const PINNED: &str = "0.15.1";

/// The series that is accepted, as a prefix of the version.
const SERIES: &str = "0.15.";
