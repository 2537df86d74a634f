//! Whole notes, commands, layering, registry, figures.
