//! Whole notes, commands, layering, registry, figures: everything that needs more than one module.

#![allow(clippy::disallowed_methods, reason = "tests make folders and run the program")]

mod layering;
mod rust_text;
mod typst;
