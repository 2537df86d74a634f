//! What is looked for in a run: the last instant outside the windows, extremes, the curve.

use super::curve::Curve;
use super::limits::Stance;
use super::motion::{Motion, SAMPLES, Way};
use super::system::{Vector, higher, lower};
use super::trace::{Raw, Trace};
use crate::num::brent;

/// A stretch between two events: constant current, exact motion.
#[derive(Clone, Copy, Debug)]
pub(super) struct Leg<const N: usize> {
    /// Whole periods before its start, and the rest.
    pub cycle: u64,
    pub offset: f64,
    /// Filter at its start.
    pub state: Vector<N>,
    /// Pump current, A.
    pub drive: f64,
    /// Length, periods.
    pub time: f64,
    /// Phase error at its start, detector cycles.
    pub phase: f64,
    /// How the filter moves in it.
    pub stance: Stance,
}

/// What is known in a span of the curve: from `start` to `end` in periods.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    pub start: f64,
    pub end: f64,
    /// Values that occurred.
    volts: (f64, f64),
    phases: (f64, f64),
    /// Windows.
    volts_window: Option<(f64, f64)>,
    phases_window: Option<(f64, f64)>,
}

/// How a period stands to a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kept {
    Inside,
    Outside,
    /// Only a look edge by edge can tell.
    Unknown,
}

fn kept(window: Option<(f64, f64)>, within: (f64, f64), ends: (f64, f64)) -> Kept {
    let Some((low, high)) = window else { return Kept::Inside };
    if within.0 >= low && within.1 <= high {
        Kept::Inside
    } else if outside(window, ends.0) || outside(window, ends.1) {
        Kept::Outside
    } else {
        Kept::Unknown
    }
}

impl Frame {
    /// How a period stands to the windows of frequency and phase: `None` where a value in it may be new. `span`: between
    /// these its voltages stay; then voltages and phases of its ends, the slope of the curve and the length of its pulses.
    pub(super) fn holds(
        &self,
        span: (f64, f64),
        volts: (f64, f64),
        phases: (f64, f64),
        slope: f64,
        pulse: f64,
    ) -> Option<[Kept; 2]> {
        // Where the voltage keeps its sign the phase does not turn back.
        let turns = span.0 < 0.0 && span.1 > 0.0;
        let longest = if self.phases_window.is_some() { 1.0 } else { pulse };
        let room = if turns { slope.abs() * span.1.max(-span.0) * longest } else { 0.0 };
        let way = (phases.0.min(phases.1) - room, phases.0.max(phases.1) + room);
        let known = span.0 >= self.volts.0
            && span.1 <= self.volts.1
            && way.0 >= self.phases.0
            && way.1 <= self.phases.1;
        let both = [kept(self.volts_window, span, volts), kept(self.phases_window, way, phases)];
        (known && !both.contains(&Kept::Unknown)).then_some(both)
    }
}

/// A leg that is outside a window somewhere: at this time after its start.
type Outside<const N: usize> = (Leg<N>, f64);

/// Keeps what a run is asked for.
#[derive(Debug)]
pub(super) struct Watch<const N: usize> {
    pub trace: Trace,
    /// Window of the tuning voltage, from the one aimed at.
    volts: Option<(f64, f64)>,
    /// Window of the phase, detector cycles.
    cycles: Option<(f64, f64)>,
    frequency_outside: Option<Outside<N>>,
    phase_outside: Option<Outside<N>>,
    /// Lowest and highest tuning voltage, from the one aimed at.
    pub extremes: (f64, f64),
    /// Lowest and highest phase, detector cycles.
    pub phases: (f64, f64),
    /// Legs whose turns have been looked for in this span of the curve, the last few.
    known: [Option<Leg<N>>; 4],
    next: usize,
    /// Whether nothing is looked for: neither windows nor extremes.
    pub idle: bool,
    /// Times at which the run is looked at, periods, ascending.
    pub asked: Vec<f64>,
    /// What was seen there.
    pub told: Vec<Raw>,
}

/// A stretch of a leg in which its voltage turns back.
#[derive(Clone, Copy, Debug)]
struct Turn {
    from: f64,
    to: f64,
    /// About when, were its slope a straight line.
    guess: f64,
    /// A voltage that it does not pass.
    most: f64,
}

/// Legs that start in states no farther apart than this share are alike.
const ALIKE: f64 = 1e-8;

fn outside(window: Option<(f64, f64)>, value: f64) -> bool {
    window.is_some_and(|(low, high)| value < low || value > high)
}

impl<const N: usize> Leg<N> {
    /// Periods from the start of the run to `after` the leg's start.
    pub(super) fn at(&self, after: f64) -> f64 {
        self.cycle as f64 + (self.offset + after)
    }

    fn volts(&self, motion: &Motion<N>, after: f64) -> f64 {
        motion.voltage(&motion.after(&self.state, self.drive, after).0)
    }

    fn phase(&self, motion: &Motion<N>, curve: &Curve, after: f64) -> f64 {
        let (to, linear) = motion.after(&self.state, self.drive, after);
        self.phase + curve.integral(motion, (&self.state, &to), self.drive, after, linear)
    }

    /// When the tuning voltage is the one aimed at, where it is not on the same side of it at both ends.
    fn crosses(&self, motion: &Motion<N>, way: &Way) -> Option<f64> {
        let guess = self.time * (way.start / (way.start - way.end));
        let inside = |at: &f64| (0.0..=self.time).contains(at);
        motion
            .passes(&self.state, self.drive, 0.0, guess)
            .filter(inside)
            .or_else(|| brent::root(|after| self.volts(motion, after), 0.0, self.time))
    }

    /// Where the tuning voltage turns back.
    fn turns(&self, motion: &Motion<N>) -> [Option<Turn>; 4] {
        let samples = motion.samples(&self.state, self.drive, self.time);
        std::array::from_fn(|k| {
            let ((volts, rise), (end, fall)) = (samples[k], samples[k + 1]);
            if rise * fall >= 0.0 {
                return None;
            }
            // An arc stays on one side of its tangents: no farther than where these cross.
            let (from, to) = (SAMPLES[k] * self.time, SAMPLES[k + 1] * self.time);
            let crossing = ((end - volts - fall * (to - from)) / (rise - fall)).clamp(0.0, to - from);
            let most = volts + rise * crossing * (1.0 + 1e-6);
            Some(Turn { from, to, guess: from + (to - from) * (rise / (rise - fall)), most })
        })
    }

    /// When exactly.
    fn turn(&self, motion: &Motion<N>, turn: &Turn) -> Option<f64> {
        let Turn { from, to, guess, .. } = *turn;
        motion.turns(&self.state, self.drive, guess).filter(|at| *at >= from && *at <= to).or_else(|| {
            let slope = |after: f64| motion.slope_after(&self.state, self.drive, after);
            brent::root(slope, from, to)
        })
    }
}

impl<const N: usize> Watch<N> {
    pub(super) fn new(
        volts: Option<(f64, f64)>,
        cycles: Option<(f64, f64)>,
        start: f64,
        length: f64,
    ) -> Self {
        let mut trace = Trace::new(length);
        trace.put(Raw { time: 0.0, volts: start, phase: 0.0 });
        Self {
            trace,
            volts,
            cycles,
            frequency_outside: None,
            phase_outside: None,
            extremes: (start, start),
            phases: (0.0, 0.0),
            known: [None; 4],
            next: 0,
            idle: false,
            asked: Vec::new(),
            told: Vec::new(),
        }
    }

    /// Takes a leg with the way of its voltage and the phase at its end; whether it was outside a window.
    #[inline]
    pub(super) fn take(
        &mut self,
        leg: &Leg<N>,
        motion: &Motion<N>,
        curve: &Curve,
        way: &Way,
        phase: f64,
    ) -> bool {
        if self.idle {
            return false;
        }
        self.tell(leg, motion, curve);
        let mut found = if outside(self.volts, way.end) {
            Some(leg.time)
        } else {
            outside(self.volts, way.start).then_some(0.0)
        };
        if !way.is_straight() {
            found = self.take_turns(leg, motion, curve, way).or(found);
        }
        self.see(leg.at(leg.time), way.end, phase);
        if let Some(after) = found {
            self.frequency_outside = Some((*leg, after));
        }
        let phase_outside = self.cycles.is_some() && self.take_phase(leg, motion, curve, way, phase);
        found.is_some() || phase_outside
    }

    /// Looks for where the voltage turns back in a leg, as far as that may be new or leave the window: the last turn that
    /// is outside of it where the end is not.
    fn take_turns(&mut self, leg: &Leg<N>, motion: &Motion<N>, curve: &Curve, way: &Way) -> Option<f64> {
        let now = leg.at(leg.time);
        let seen = self.trace.volts(now);
        let window = self.volts.filter(|_| !outside(self.volts, way.end));
        let beyond = |span: Option<(f64, f64)>| span.is_none_or(|(l, h)| way.low < l || way.high > h);
        if !(beyond(seen) || window.is_some() && beyond(window)) {
            return None;
        }
        let (mut alike, mut found) = (None, None);
        for turn in leg.turns(motion).into_iter().flatten() {
            let most = turn.most;
            let new = seen.is_none_or(|(low, high)| most < low || most > high);
            if !outside(window, most) && (!new || *alike.get_or_insert_with(|| self.alike(leg, now))) {
                continue;
            }
            let Some(after) = leg.turn(motion, &turn) else { continue };
            let volts = leg.volts(motion, after);
            self.see(leg.at(after), volts, leg.phase(motion, curve, after));
            if outside(window, volts) {
                found = Some(after);
            }
        }
        found
    }

    /// Looks at the times asked for that fall into a leg.
    fn tell(&mut self, leg: &Leg<N>, motion: &Motion<N>, curve: &Curve) {
        while let Some(time) = self.asked.get(self.told.len()).copied() {
            let after = (time - leg.cycle as f64 - leg.offset).max(0.0);
            if after > leg.time {
                break;
            }
            let (volts, phase) = (leg.volts(motion, after), leg.phase(motion, curve, after));
            self.told.push(Raw { time, volts, phase });
        }
    }

    /// Whether turns have been looked for in a leg like this: in lock one cycle is like the next.
    fn alike(&mut self, leg: &Leg<N>, now: f64) -> bool {
        if !self.trace.continues(now) {
            self.known = [None; 4];
        }
        let like = |known: &Leg<N>| {
            let scale = known.state.iter().fold(0.0_f64, |scale, x| scale.max(x.abs()));
            let near = known.state.iter().zip(&leg.state).all(|(a, b)| (a - b).abs() <= ALIKE * scale);
            near && (known.drive - leg.drive).abs() <= ALIKE * leg.drive.abs()
                && (known.time - leg.time).abs() <= ALIKE
        };
        if self.known.iter().flatten().any(like) {
            return true;
        }
        self.known[self.next] = Some(*leg);
        self.next = (self.next + 1) % self.known.len();
        false
    }

    pub(super) fn see(&mut self, time: f64, volts: f64, phase: f64) {
        // What is none of its span is none of the run.
        if self.trace.put(Raw { time, volts, phase }) {
            self.extremes = (lower(self.extremes.0, volts), higher(self.extremes.1, volts));
            self.phases = (lower(self.phases.0, phase), higher(self.phases.1, phase));
        }
    }

    /// Looks at the phase at the ends of a leg, and where it turns back; whether it was outside its window.
    fn take_phase(&mut self, leg: &Leg<N>, motion: &Motion<N>, curve: &Curve, way: &Way, phase: f64) -> bool {
        let mut found = if outside(self.cycles, phase) {
            Some(leg.time)
        } else {
            outside(self.cycles, leg.phase).then_some(0.0)
        };
        if found.is_none() && way.start * way.end < 0.0 {
            // The phase turns back where the frequency is the one aimed at.
            if let Some(after) = leg.crosses(motion, way) {
                let phase = leg.phase(motion, curve, after);
                self.see(leg.at(after), 0.0, phase);
                if outside(self.cycles, phase) {
                    found = Some(after);
                }
            }
        }
        if let Some(after) = found {
            self.phase_outside = Some((*leg, after));
        }
        found.is_some()
    }

    /// What has been seen in the span of the curve now written to.
    pub(super) fn frame(&self) -> Frame {
        let seen = self.trace.now();
        Frame {
            start: seen.start,
            end: seen.end,
            volts: seen.volts,
            phases: seen.phases,
            volts_window: self.volts,
            phases_window: self.cycles,
        }
    }

    /// Half width of the window of the tuning voltage.
    pub(super) fn window_volts(&self) -> Option<f64> {
        self.volts.map(|(low, high)| 0.5 * (high - low))
    }

    /// Periods of the last instant outside either window that is known so far, to within its leg.
    pub(super) fn last_outside(&self) -> f64 {
        let of = |found: &Option<Outside<N>>| found.as_ref().map_or(0.0, |(leg, after)| leg.at(*after));
        of(&self.frequency_outside).max(of(&self.phase_outside))
    }

    /// Periods of the last instant outside the window of the frequency, exact.
    pub(super) fn frequency_time<'a>(&self, motion: impl Fn(Stance) -> &'a Motion<N>) -> f64 {
        self.frequency_outside.as_ref().map_or(0.0, |(leg, after)| {
            let motion = motion(leg.stance);
            last(leg, *after, |t| outside(self.volts, leg.volts(motion, t)))
        })
    }

    /// Periods of the last instant outside the window of the phase, exact.
    pub(super) fn phase_time<'a>(&self, curve: &Curve, motion: impl Fn(Stance) -> &'a Motion<N>) -> f64 {
        self.phase_outside.as_ref().map_or(0.0, |(leg, after)| {
            let motion = motion(leg.stance);
            last(leg, *after, |t| outside(self.cycles, leg.phase(motion, curve, t)))
        })
    }
}

/// The last time in a leg that is outside, from one that is known to be, in periods from the start of the run.
fn last<const N: usize>(leg: &Leg<N>, known: f64, outside: impl Fn(f64) -> bool) -> f64 {
    const POINTS: u32 = 64;
    let point = |k: u32| known + (leg.time - known) * f64::from(k) / f64::from(POINTS);
    let Some(k) = (0..POINTS).rev().find(|k| outside(point(*k))) else { return leg.at(known) };
    let (mut out, mut inside) = (point(k), point(k + 1));
    if outside(inside) {
        return leg.at(inside);
    }
    for _ in 0..60 {
        let middle = 0.5 * (out + inside);
        if outside(middle) { out = middle } else { inside = middle }
    }
    leg.at(out)
}
