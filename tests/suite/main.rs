//! Whole notes, commands, layering, registry, figures: everything that needs more than one module.

mod layering;
mod rust_text;
