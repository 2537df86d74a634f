//! The equations of the loop.

pub mod plan;
