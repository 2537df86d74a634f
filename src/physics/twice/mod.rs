//! The second route of every result: never the code it checks, nothing but `num` and `physics::part`.

pub mod impedance;
pub mod jitter;
pub mod sampled;
pub mod settling;
pub mod thermal;
