//! Whole notes, commands, layering, registry, figures: everything that needs more than one module.

#![allow(clippy::disallowed_methods, reason = "tests make folders and run the program")]

mod active;
mod bench_trace;
mod broken_input;
mod browser;
mod changes;
mod cli;
mod document;
mod first_hour;
mod follow;
mod hostile;
mod kept;
mod kills;
mod layering;
mod notes;
mod numbers;
mod package;
mod pages;
mod place;
mod press;
mod random_loops;
mod registry;
mod repeated;
mod rust_text;
mod sample;
mod screen;
mod sealed;
mod settling;
mod spice;
mod spreadsheets;
mod start;
mod torture;
mod trials;
mod typst;
mod untrusted;
mod what_if;
mod whole;
