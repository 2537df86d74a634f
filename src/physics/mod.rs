//! The equations of the loop.

pub mod bench;
pub mod board;
pub mod budget;
pub mod derived;
pub mod event;
pub mod integral;
pub mod linear;
pub mod modulator;
pub mod noise;
pub mod optimum;
pub mod part;
pub mod plan;
pub mod poles;
pub mod reel;
pub mod sampled;
pub mod scatter;
pub mod series;
pub mod settling_linear;
pub mod spurs;
pub mod synthesis;
pub mod twice;

use std::fmt;

/// What keeps the loop equations from having an answer.
#[derive(Clone, Debug, PartialEq)]
pub enum PhysicsError {
    /// Something is zero or not finite that must not be; a sentence without full stop.
    Degenerate(&'static str),
}

impl fmt::Display for PhysicsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Degenerate(what) => f.write_str(what),
        }
    }
}

/// Boltzmann constant, J/K, exact by definition. Source: BIPM, The International System of Units (SI brochure),
/// 9th edition, 2019, section 2.2.
pub const BOLTZMANN: f64 = 1.380_649e-23;
