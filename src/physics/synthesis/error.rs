//! Why a filter cannot be designed.

use std::fmt;

use crate::units::{Digits, Unit, print};

/// Why a filter cannot be designed, with what can be reached instead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SynthesisError {
    /// The goal makes no sense; a sentence without full stop.
    Goal(&'static str),
    /// The phase margin is out of reach with these pole ratios; deg.
    PhaseMargin {
        /// Asked for.
        asked: f64,
        /// Least that can be reached.
        least: f64,
        /// Limit that can be come close to.
        largest: f64,
    },
    /// The pole of tuning port or op-amp lies at or below the bandwidth.
    PortPole {
        /// Bandwidth asked for, Hz.
        bandwidth: f64,
    },
    /// A part comes out at zero or less.
    NotRealisable {
        /// Its name.
        part: &'static str,
    },
    /// The tuning port has more capacitance than may stand across it; F.
    LastCapacitor {
        /// Largest capacitance possible at the end of the filter.
        total: f64,
        /// Capacitance of the tuning port.
        port: f64,
    },
    /// A capacitor is larger than allowed; F.
    Capacitance {
        /// Its name.
        part: &'static str,
        /// Capacitance it needs.
        needed: f64,
        /// Largest allowed.
        allowed: f64,
    },
}

impl fmt::Display for SynthesisError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let farads = |value: f64| print(value, Unit::Farad, Digits::Significant(3));
        match *self {
            Self::Goal(reason) => f.write_str(reason),
            Self::PhaseMargin { asked, least, largest } => write!(
                f,
                "a phase margin of {asked:.2} deg is out of reach with these pole ratios: it can lie between \
                 {least:.2} and {largest:.2} deg"
            ),
            Self::PortPole { bandwidth } => write!(
                f,
                "tuning port or op-amp pass too little at {} for any phase margin: the bandwidth must stay below their own",
                print(bandwidth, Unit::Hertz, Digits::Significant(3))
            ),
            Self::NotRealisable { part } => {
                write!(f, "no filter has these poles, as {part} would be zero: pole ratios must stay below 1")
            }
            Self::LastCapacitor { total, port } => write!(
                f,
                "the last capacitor could be {} at most, less than the {} of the tuning port",
                farads(total),
                farads(port)
            ),
            Self::Capacitance { part, needed, allowed } => write!(
                f,
                "{part} would have to be {}, and {} is the most allowed",
                farads(needed),
                farads(allowed)
            ),
        }
    }
}

impl std::error::Error for SynthesisError {}
