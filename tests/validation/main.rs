//! Checks against sources outside the project.

mod bench;
mod filter;
mod folding;
mod loop_noise;
mod loops;
mod margins;
mod modulator;
mod notes;
mod phase_noise;
mod plan;
mod reels;
mod sampled;
mod saturation;
mod second_order;
mod series;
mod settling;
mod settling_slow;
mod spurs;
mod support;
mod synthesis;
mod thermal;
mod tolerance;
