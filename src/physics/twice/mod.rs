//! The second route of every result: never the code it checks, nothing but `num` and `physics::part`.

pub mod jitter;
pub mod thermal;
