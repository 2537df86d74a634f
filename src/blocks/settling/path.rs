//! Where a hop stands at times of the asker's choice.

use crate::physics::event::{self, Constant, Fractional, Instant, Question};
use crate::physics::modulator::Modulator;
use crate::physics::settling_linear::LinearSettling;

/// A hop that can be followed again.
#[derive(Clone, Debug)]
pub struct Path(pub(super) Way);

/// How.
#[derive(Clone, Debug)]
pub(super) enum Way {
    /// Edge by edge, with what steers a fractional divider.
    Events(Box<Question>, Option<Modulator>),
    /// By the modes of the linear loop.
    Linear(Box<Linear>),
}

/// The linear loop and the step that it makes.
#[derive(Clone, Debug)]
pub(super) struct Linear {
    pub modes: LinearSettling,
    /// Step of the frequency at the output, Hz.
    pub step: f64,
    /// Tuning voltages at the start and aimed at, V.
    pub tuning: (f64, f64),
}

impl Linear {
    pub(super) fn at(&self, time: f64) -> Instant {
        let (share, phase) = self.modes.at(time);
        let (start, aimed) = self.tuning;
        Instant {
            time,
            frequency_error: -self.step * share,
            phase_error: -self.step * phase,
            tuning: aimed + share * (start - aimed),
        }
    }
}

impl Path {
    /// Change of the output frequency with the tuning voltage at the channel aimed at, Hz/V.
    pub fn slope(&self) -> f64 {
        match &self.0 {
            Way::Events(question, _) => question.case.oscillator.gain / question.case.output_divider,
            Way::Linear(linear) => linear.step / (linear.tuning.1 - linear.tuning.0),
        }
    }

    /// Error and tuning voltage at these times after the divider's change, s, ascending, not below zero; fewer where they
    /// reach further than a run does.
    ///
    /// # Errors
    /// Why the loop can't be followed.
    pub fn at(&self, times: &[f64]) -> Result<Vec<Instant>, String> {
        match &self.0 {
            Way::Events(question, Some(modulator)) => {
                let mut divider = Fractional::new(modulator, question.case.fixed_prescaler);
                event::at(question, &mut divider, times).map_err(|why| why.to_string())
            }
            Way::Events(question, None) => {
                event::at(question, &mut Constant, times).map_err(|why| why.to_string())
            }
            Way::Linear(linear) => Ok(times.iter().map(|time| linear.at(*time)).collect()),
        }
    }
}
