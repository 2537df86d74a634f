//! Numerical methods: plain numbers in and out, nothing of loops.

pub mod expm;
pub mod quadrature;
