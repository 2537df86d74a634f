//! Checks against sources outside the project.

mod loop_noise;
mod loops;
mod phase_noise;
mod plan;
mod sampled;
mod series;
mod support;
mod synthesis;
mod thermal;
