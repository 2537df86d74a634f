//! The equations of the loop.

pub mod derived;
pub mod integral;
pub mod plan;
pub mod series;

/// Boltzmann constant, J/K, exact by definition. Source: BIPM, The International System of Units (SI brochure),
/// 9th edition, 2019, section 2.2.
pub const BOLTZMANN: f64 = 1.380_649e-23;
