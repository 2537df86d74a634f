//! Numerical methods: plain numbers in and out, nothing of loops.

pub mod bessel;
pub mod brent;
pub mod contour;
pub mod decay;
pub mod expm;
pub mod flat;
pub mod fourier;
pub mod interpolate;
pub mod nelder_mead;
pub mod newton;
pub mod normal;
pub mod poly;
pub mod quadrature;
pub mod statistics;
