//! Numerical tools: plain `f64` and slices, no knowledge of loops.

pub mod brent;
pub mod interpolate;
pub mod poly;
