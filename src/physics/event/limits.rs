//! What pump and op-amp can't do: a node that is held, an output at the end of its swing.
//!
//! A pump gives its current only between two voltages: at one of them its node stays, and it gives what that takes. An
//! op-amp's output stops at the end of its swing; its inputs then part, since the pump goes on charging the feedback from
//! the other side, and the output moves again only when they have met. Meanwhile the pump's pin has left the op-amp's
//! reference voltage and may reach a limit of its own. Both are linear systems with a state that stands still, so that
//! the motion stays exact. Source: the circuit equations, derived here.

use super::Question;
use super::motion::Motion;
use super::run::Engine;
use super::system::{System, Vector};
use crate::num::brent;
use crate::physics::PhysicsError;

/// How the filter moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stance {
    /// As it would without limits.
    Free,
    /// The pump holds its node.
    PumpHeld,
    /// The op-amp's output stands at the end of its swing.
    Saturated,
    /// And the pump holds the op-amp's input.
    SaturatedHeld,
}

/// Voltages between which a node is free, from where it stands at the channel aimed at.
type Span = (f64, f64);

/// The limits of a run.
#[derive(Clone, Debug)]
pub(super) enum Limits<const N: usize> {
    /// Of the pump, at its own node.
    Pump {
        span: Span,
        /// Sign of the node's motion under a positive current.
        turned: f64,
        /// Absent where the pump has no direct hold of its node.
        held: Option<Motion<N>>,
    },
    /// Of the op-amp, at its output.
    OpAmp {
        span: Span,
        saturated: Motion<N>,
        /// The same for the pump's pin.
        pin: Option<(Span, Motion<N>)>,
    },
}

impl<const N: usize> Limits<N> {
    /// # Errors
    /// [`PhysicsError::Degenerate`] where no exponential is finite.
    pub(super) fn new(question: &Question, system: &System) -> Result<Option<Self>, PhysicsError> {
        let Some(((low, high), node)) = question.limits.zip(system.limited) else { return Ok(None) };
        let aimed = system.rest[node] * question.case.oscillator.tuning_voltage;
        let span = (low - aimed, high - aimed);
        if !question.case.filter.topology.is_active() {
            let held = system.held(node).map(|held| Motion::new(&held)).transpose()?;
            return Ok(Some(Self::Pump { span, turned: system.pump[node].signum(), held }));
        }
        let saturated = System::saturated(&question.case)?;
        let pin = match question.pin_limits.zip(saturated.limited) {
            Some((span, node)) => {
                saturated.held(node).map(|held| Ok((span, Motion::new(&held)?))).transpose()?
            }
            None => None,
        };
        Ok(Some(Self::OpAmp { span, saturated: Motion::new(&saturated)?, pin }))
    }

    pub(super) fn span(&self) -> Span {
        match self {
            Self::Pump { span, .. } | Self::OpAmp { span, .. } => *span,
        }
    }

    /// `None`: the free motion.
    fn motion(&self, stance: Stance) -> Option<&Motion<N>> {
        match (self, stance) {
            (Self::Pump { held, .. }, Stance::PumpHeld) => held.as_ref(),
            (Self::OpAmp { saturated, .. }, Stance::Saturated) => Some(saturated),
            (Self::OpAmp { pin: Some((_, held)), .. }, Stance::SaturatedHeld) => Some(held),
            _ => None,
        }
    }
}

impl<const N: usize> Engine<'_, N> {
    /// How the filter moves in a stance.
    pub(super) fn motion_in(&self, stance: Stance) -> &Motion<N> {
        self.limits.as_ref().and_then(|limits| limits.motion(stance)).unwrap_or(&self.free)
    }

    /// Up to this voltage, either way from the one aimed at, the limited node is free.
    pub(super) fn most_limited(&self) -> Option<f64> {
        self.limits.as_ref().map(|limits| limits.span().1.min(-limits.span().0))
    }

    /// Current that flows: none where the pump's node is already beyond the limit it is pushed to.
    #[inline]
    pub(super) fn effective_drive(&mut self) -> f64 {
        let drive = self.drive();
        let Some(Limits::Pump { span: (low, high), turned, held }) = &self.limits else { return drive };
        if drive == 0.0 || self.stance != Stance::Free {
            return drive;
        }
        let volts = self.free.limited(&self.state);
        let (limit, over) = if drive * turned > 0.0 { (*high, volts - high) } else { (*low, low - volts) };
        let slack = 1e-9 * (1.0 + limit.abs());
        if over < -slack {
            return drive;
        }
        self.limited = true;
        if over > slack || held.is_none() {
            return 0.0;
        }
        self.take_stance(Stance::PumpHeld);
        drive
    }

    /// When a limit is reached, or left, before `time`: the stance from then on.
    #[inline]
    pub(super) fn limit_reached(&self, drive: f64, time: f64, to: &Vector<N>) -> Option<(f64, Stance)> {
        let limits = self.limits.as_ref()?;
        let found = match (limits, self.stance) {
            (Limits::Pump { span, turned, .. }, Stance::Free) if drive != 0.0 => {
                let over = beyond(*span, drive * turned > 0.0);
                if over(self.free.limited(to)) <= 0.0 {
                    return None;
                }
                let at = |t: f64| over(self.free.limited(&self.free.after(&self.state, drive, t).0));
                brent::root(at, 0.0, time).map(|at| (at, Stance::PumpHeld))
            }
            (Limits::OpAmp { span, .. }, Stance::Free) => {
                let (low, high) = self.free.limited_bounds(&self.state, to);
                if low >= span.0 && high <= span.1 {
                    return None;
                }
                let ends = [false, true].map(|up| self.first_beyond(beyond(*span, up), drive, time));
                ends.into_iter().flatten().min_by(f64::total_cmp).map(|at| (at, Stance::Saturated))
            }
            (Limits::OpAmp { span, pin, .. }, Stance::Saturated) => {
                let middle = 0.5 * (span.0 + span.1);
                // The output leaves the upper end when its inverting input has risen to the other one.
                let sign = if self.output > middle { 1.0 } else { -1.0 };
                let met = self.first_beyond(|volts| sign * volts, drive, time).map(|at| (at, Stance::Free));
                let pin = pin.as_ref().filter(|_| drive != 0.0).and_then(|(span, _)| {
                    let ends = [false, true].map(|up| self.first_beyond(beyond(*span, up), drive, time));
                    ends.into_iter().flatten().min_by(f64::total_cmp).map(|at| (at, Stance::SaturatedHeld))
                });
                [met, pin].into_iter().flatten().min_by(|a, b| a.0.total_cmp(&b.0))
            }
            _ => None,
        };
        // One change at one instant: what rounding says about the next is left to the next leg.
        found.filter(|(at, _)| *at > 0.0 || self.changed != Some((self.cycle, self.offset)))
    }

    /// First time in a leg at which a measure of the limited node's voltage rises above zero; at once where it is there
    /// already and still rises.
    fn first_beyond(&self, over: impl Fn(f64) -> f64, drive: f64, time: f64) -> Option<f64> {
        let motion = self.motion();
        let at = |t: f64| over(motion.limited(&motion.after(&self.state, drive, t).0));
        let mut before = (0.0, at(0.0));
        for look in (0..LOOKS).rev() {
            let now = time * 0.5_f64.powf(f64::from(look) / LOOKS_PER_OCTAVE);
            let now = (now, at(now));
            if now.1 > SLACK && now.1 > before.1 {
                return if before.1 >= 0.0 { Some(before.0) } else { brent::root(at, before.0, now.0) };
            }
            before = now;
        }
        None
    }

    /// From now on the filter moves that way.
    pub(super) fn take_stance(&mut self, stance: Stance) {
        self.limited = true;
        if stance != Stance::Free && self.limits.as_ref().and_then(|limits| limits.motion(stance)).is_none() {
            return;
        }
        let states = self.motion().to_states(&self.state);
        if stance == Stance::Saturated && self.stance == Stance::Free {
            self.output = self.free.limited(&self.state);
        }
        self.stance = stance;
        self.changed = Some((self.cycle, self.offset));
        self.state = self.motion().take(&states);
    }

    /// The pump's current has changed: it no longer holds its node.
    pub(super) fn release(&mut self) {
        match self.stance {
            Stance::PumpHeld => self.take_stance(Stance::Free),
            Stance::SaturatedHeld => self.take_stance(Stance::Saturated),
            Stance::Free | Stance::Saturated => {}
        }
    }
}

/// Looks at a leg, and how many while its time doubles: what is fast in it is so at its start.
const LOOKS: u32 = 52;
const LOOKS_PER_OCTAVE: f64 = 4.0;

/// Voltages up to this one beyond a limit are rounding.
const SLACK: f64 = 1e-12;

/// By how much a voltage is above the upper end of a span, or below the lower one.
fn beyond((low, high): Span, up: bool) -> impl Fn(f64) -> f64 {
    move |volts| if up { volts - high } else { low - volts }
}
