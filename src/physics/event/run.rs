//! From event to event.

use super::curve::Curve;
use super::limits::{Limits, Stance};
use super::lock::{Drawn, Lock};
use super::long::Long;
use super::motion::Motion;
use super::steady::Steady;
use super::system::{System, Vector};
use super::trace::Instant;
use super::watch::{Leg, Watch};
use super::{Divider, Edge, Question, Run};
use crate::physics::PhysicsError;

/// Follows the loop until both windows have been kept for long enough, or to the end.
///
/// # Errors
/// [`PhysicsError::Degenerate`] where current, gain, parts or rates are zero or not finite.
pub fn run(question: &Question, divider: &mut dyn Divider) -> Result<Run, PhysicsError> {
    Ok(follow(question, divider, Some(&[]))?.0)
}

/// Follows the loop to the end for its divider alone, which hears of every edge: nothing else is looked for.
///
/// # Errors
/// As [`run`].
pub(super) fn heard(question: &Question, divider: &mut dyn Divider) -> Result<(), PhysicsError> {
    follow(question, divider, None).map(|_| ())
}

/// Follows the loop and says where it stands at these times, s, ascending, as far as [`super::MOST_CYCLES`] reach.
///
/// # Errors
/// As [`run`].
pub fn at(
    question: &Question,
    divider: &mut dyn Divider,
    times: &[f64],
) -> Result<Vec<Instant>, PhysicsError> {
    let Some(last) = times.last() else { return Ok(Vec::new()) };
    let question = Question {
        // A period more, so that no rounding keeps the last one out.
        until: *last + 1.0 / question.case.detector_frequency,
        quiet: f64::INFINITY,
        frequency_window: None,
        phase_window: None,
        ..question.clone()
    };
    Ok(follow(&question, divider, Some(times))?.1)
}

/// The run, and where it stands at the times asked for, s (`None`: nothing is asked): by an engine for as many states as the filter has.
fn follow(
    question: &Question,
    divider: &mut dyn Divider,
    times: Option<&[f64]>,
) -> Result<(Run, Vec<Instant>), PhysicsError> {
    let system = match question.limits {
        Some(_) => System::with_summing_node(&question.case)?,
        None => System::new(&question.case)?,
    };
    match system.size() {
        2 => Ok(Engine::<2>::new(question, &system)?.follow(divider, times)),
        3 => Ok(Engine::<3>::new(question, &system)?.follow(divider, times)),
        4 => Ok(Engine::<4>::new(question, &system)?.follow(divider, times)),
        5 => Ok(Engine::<5>::new(question, &system)?.follow(divider, times)),
        6 => Ok(Engine::<6>::new(question, &system)?.follow(divider, times)),
        7 => Ok(Engine::<7>::new(question, &system)?.follow(divider, times)),
        _ => Err(PhysicsError::Degenerate("the filter has too few states, or too many")),
    }
}

/// What comes next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Event {
    /// Edge of the reference.
    Reference,
    /// Edge of the divider.
    Divider,
    /// End of the pulse for which both sources are on.
    Clear,
    /// The first pump current ends.
    Gear,
    /// A limit is reached, or left.
    Limit(Stance),
}

/// Slips whose time is kept.
const MOST_SLIP_TIMES: usize = 1000;

/// Cycle slips so far, and when the first of them came, periods.
#[derive(Clone, Debug, Default)]
pub(super) struct Slips {
    pub count: u64,
    pub times: Vec<f64>,
}

impl Slips {
    pub(super) fn add(&mut self, time: f64) {
        self.count += 1;
        if self.times.len() < MOST_SLIP_TIMES {
            self.times.push(time);
        }
    }
}

/// Currents that the two halves of the detector put into the filter, A.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sources {
    up: f64,
    down: f64,
}

pub(super) struct Engine<'a, const N: usize> {
    pub question: &'a Question,
    pub free: Motion<N>,
    pub limits: Option<Limits<N>>,
    pub curve: Curve,
    /// Currents now.
    pub sources: Sources,
    /// Currents later, and when (periods) the change comes.
    pub later: Option<(Sources, f64)>,
    /// Settled phase, detector cycles.
    pub settled: f64,
    pub state: Vector<N>,
    pub stance: Stance,
    /// Where the op-amp's output stands while it is saturated, V from the one aimed at.
    pub output: f64,
    /// Instant of the last change of stance: whole periods, and the rest.
    pub changed: Option<(u64, f64)>,
    /// Whole periods so far, and the rest.
    pub cycle: u64,
    pub offset: f64,
    /// Phase less the one of the channel aimed at, detector cycles.
    pub phase: f64,
    /// Index of the next edge of the divider less that of the last one of the reference.
    pub ahead: i64,
    /// Cycles by which the next edge of the divider is due later than its mean, over N.
    pub excess: f64,
    pub up: bool,
    pub down: bool,
    /// Time until both are cleared.
    pub clear: Option<f64>,
    pub slips: Slips,
    pub limited: bool,
}

impl<'a, const N: usize> Engine<'a, N> {
    pub(super) fn new(question: &'a Question, system: &System) -> Result<Self, PhysicsError> {
        Self::with(question, system, Motion::new(system)?)
    }

    pub(super) fn with(
        question: &'a Question,
        system: &System,
        free: Motion<N>,
    ) -> Result<Self, PhysicsError> {
        let case = &question.case;
        if !(case.loop_gain() > 0.0 && case.loop_gain().is_finite() && case.detector_frequency > 0.0) {
            return Err(PhysicsError::Degenerate(
                "pump current, oscillator gain, feedback ratio and detector frequency must not be zero",
            ));
        }
        let aimed = case.oscillator.tuning_voltage;
        let curve = Curve::new(&question.tuning, aimed, case.oscillator.frequency);
        let sources = |current: f64| {
            let (source, sink) =
                (current * (1.0 + 0.5 * case.pump.mismatch), current * (1.0 - 0.5 * case.pump.mismatch));
            if case.polarity() > 0.0 {
                Sources { up: source, down: -sink }
            } else {
                Sources { up: -sink, down: source }
            }
        };
        let last = sources(case.pump.current);
        let (first, later) = match question.gear {
            Some((current, until)) => (sources(current), Some((last, until * case.detector_frequency))),
            None => (last, None),
        };
        let start = question.start - aimed;
        let mut states = [0.0; N];
        for (state, rest) in states.iter_mut().zip(system.rest.iter()) {
            *state = rest * start;
        }
        let rate = case.detector_frequency;
        let pulse = case.pump.pulse * rate;
        Ok(Self {
            question,
            state: free.take(&states),
            free,
            limits: Limits::new(question, system)?,
            curve,
            sources: first,
            later,
            settled: settled(last, pulse, case.drain()),
            stance: Stance::Free,
            output: 0.0,
            changed: None,
            cycle: 0,
            offset: 0.0,
            phase: 0.0,
            ahead: 1,
            excess: 0.0,
            up: pulse > 0.0,
            down: pulse > 0.0,
            clear: (pulse > 0.0).then_some(pulse),
            slips: Slips::default(),
            limited: false,
        })
    }

    /// Whole periods at a time; `None` where the motion has no modes or the curve bends.
    fn lock(&self) -> Option<(Lock<N>, Option<Long<N>>)> {
        let Sources { up, down } = self.later.map_or(self.sources, |(sources, _)| sources);
        match &self.free {
            Motion::Modes(modes) if self.curve.is_straight() => {
                let lock = Lock::new(modes, self.pulse(), up + down)?;
                let long = Long::new(modes, self.pulse(), lock.period.reach);
                Some((lock, long))
            }
            _ => None,
        }
    }

    /// Whether it moves by one law, which will not change by itself.
    pub(super) fn is_free(&self) -> bool {
        self.later.is_none() && self.stance == Stance::Free
    }

    /// Time for which both sources are on, periods.
    pub(super) fn pulse(&self) -> f64 {
        self.question.case.pump.pulse * self.question.case.detector_frequency
    }

    /// Currents of the two halves into the filter, A.
    pub(super) fn currents(&self) -> (f64, f64) {
        (self.sources.up, self.sources.down)
    }

    pub(super) fn motion(&self) -> &Motion<N> {
        match self.stance {
            Stance::Free => &self.free,
            stance => self.motion_in(stance),
        }
    }

    fn now(&self) -> Edge {
        Edge { cycle: self.cycle, offset: self.offset }
    }

    /// Periods since the start.
    pub(super) fn time(&self) -> f64 {
        self.cycle as f64 + self.offset
    }

    /// Net current into the filter, A.
    pub(super) fn drive(&self) -> f64 {
        let Sources { up, down } = self.sources;
        (if self.up { up } else { 0.0 }) + if self.down { down } else { 0.0 }
    }

    /// The run, and where it stands at the times asked for, s. `None`: nothing is looked for, and the run holds nothing.
    pub(super) fn follow(mut self, divider: &mut dyn Divider, asked: Option<&[f64]>) -> (Run, Vec<Instant>) {
        let idle = asked.is_none();
        let asked = asked.unwrap_or_default();
        let rate = self.question.case.detector_frequency;
        let until = (self.question.until * rate).min(super::MOST_CYCLES as f64);
        let quiet = self.question.quiet * rate;
        let ratio = self.question.case.feedback_ratio;
        let per_output = ratio / self.question.case.output_divider;
        let start = self.volts();
        let mut divider = Drawn::new(divider, ratio);
        self.settled += divider.mean();
        // Instants asked for lie between edges.
        let mut lock = if asked.is_empty() { self.lock() } else { None };
        let mut steady = Steady::default();
        let cycles = self.question.phase_window.map(|window| {
            let window = window / per_output;
            (self.settled - window, self.settled + window)
        });
        let mut watch = Watch::new(self.volts_window(), cycles, start, 0.25);
        watch.idle = idle;
        watch.asked = asked.iter().map(|time| time * rate).collect();
        self.excess = divider.next(self.now());
        while self.time() < until {
            let cycle = self.cycle;
            if !self.event(until, &mut watch, &mut divider) {
                break;
            }
            if self.cycle == cycle {
                continue;
            }
            if self.is_free() {
                match &mut lock {
                    Some((lock, long)) => loop {
                        lock.follow(&mut self, &mut watch, &mut divider, until, quiet);
                        let long = long.as_mut();
                        if !long.is_some_and(|long| {
                            long.follow(&mut self, &mut watch, &mut divider, until, quiet)
                        }) {
                            break;
                        }
                    },
                    None if asked.is_empty() => {
                        let stop = until.min(watch.last_outside() + quiet) - 1.0;
                        steady.look(&mut self, &mut watch, &divider, stop);
                    }
                    None => {}
                }
            }
            if self.time() - watch.last_outside() > quiet {
                break;
            }
        }
        let told = watch.told.iter().map(|raw| self.instant(raw)).collect();
        (self.report(&watch), told)
    }

    /// Moves on by one event; whether it was one and not the end.
    pub(super) fn event(&mut self, until: f64, watch: &mut Watch<N>, divider: &mut Drawn<'_>) -> bool {
        match self.leg(until - self.time(), watch) {
            Some(Event::Reference) => {
                self.cycle += 1;
                self.offset = 0.0;
                self.ahead -= 1;
                self.edge(true);
            }
            Some(Event::Divider) => {
                self.ahead += 1;
                self.excess = divider.next(self.now());
                self.edge(false);
            }
            Some(Event::Clear) => {
                (self.up, self.down, self.clear) = (false, false, None);
                self.release();
            }
            Some(Event::Gear) => {
                if let Some((sources, _)) = self.later.take() {
                    self.sources = sources;
                }
                self.release();
            }
            Some(Event::Limit(stance)) => self.take_stance(stance),
            None => return false,
        }
        true
    }

    /// An edge at the detector.
    fn edge(&mut self, reference: bool) {
        let half = if reference { &mut self.up } else { &mut self.down };
        if *half {
            self.slips.add(self.cycle as f64 + self.offset);
            return;
        }
        *half = true;
        if self.up && self.down {
            let pulse = self.pulse();
            if pulse > 0.0 {
                self.clear = Some(pulse);
            } else {
                (self.up, self.down) = (false, false);
            }
        }
        self.release();
    }

    /// Moves on to the next event and says which it is; `None` where it is the end of the run.
    fn leg(&mut self, left: f64, watch: &mut Watch<N>) -> Option<Event> {
        let (mut time, mut event) = (1.0 - self.offset, Some(Event::Reference));
        let mut sooner = |at: f64, what: Option<Event>| {
            if at < time {
                (time, event) = (at.max(0.0), what);
            }
        };
        sooner(left, None);
        if let Some(clear) = self.clear {
            sooner(clear, Some(Event::Clear));
        }
        if let Some((_, change)) = self.later {
            sooner(change - self.time(), Some(Event::Gear));
        }
        let drive = self.effective_drive();
        let due = self.ahead as f64 + self.excess - self.offset - self.phase;
        let (mut to, mut moved);
        if let Some((edge, then)) = self.edge_soon(drive, due, time) {
            (time, event) = (edge, Some(Event::Divider));
            // What the phase has come to is what was due.
            (to, moved) = (then, due - time);
        } else {
            (to, moved) = self.moved(drive, time);
            if moved + time >= due {
                time = self.divider_edge(drive, due, time, moved + time);
                event = Some(Event::Divider);
                (to, moved) = self.moved(drive, time);
            }
        }
        if let Some((at, stance)) = self.limit_reached(drive, time, &to) {
            (time, event) = (at, Some(Event::Limit(stance)));
            (to, moved) = self.moved(drive, time);
        }
        let leg = Leg {
            cycle: self.cycle,
            offset: self.offset,
            state: self.state,
            drive,
            time,
            phase: self.error(self.phase),
            stance: self.stance,
        };
        let motion = self.motion();
        let way = motion.way(&leg.state, &to, drive, time);
        watch.take(&leg, motion, &self.curve, &way, self.error(self.phase + moved));
        self.state = to;
        self.phase += moved;
        self.offset += time;
        self.clear = self.clear.map(|clear| (clear - time).max(0.0));
        if event == Some(Event::Clear) {
            self.clear = None;
        }
        event
    }

    /// Phase as the detector sees it: whole cycles that it has lost do not count.
    fn error(&self, phase: f64) -> f64 {
        phase - self.lost()
    }

    /// Tuning voltage, from the one aimed at.
    pub(super) fn volts(&self) -> f64 {
        self.motion().voltage(&self.state)
    }

    /// Cycles that the detector has lost.
    pub(super) fn lost(&self) -> f64 {
        (self.ahead - 1 + i64::from(self.up) - i64::from(self.down)) as f64
    }

    /// Filter and phase after `time`: the state, and by how much the phase has moved from the one of the channel.
    #[inline]
    pub(super) fn moved(&self, drive: f64, time: f64) -> (Vector<N>, f64) {
        let motion = self.motion();
        let (to, linear) = motion.after(&self.state, drive, time);
        let moved = self.curve.integral(motion, (&self.state, &to), drive, time, linear);
        (to, moved)
    }
}

/// Phase at which the mean current is zero, detector cycles: the pump makes up for leakage and mismatch.
fn settled(sources: Sources, pulse: f64, lost: f64) -> f64 {
    let needed = lost - (sources.up + sources.down) * pulse;
    // A late divider (phase below zero) turns the upper half on.
    if needed / sources.up > 0.0 { -needed / sources.up } else { needed / sources.down }
}
