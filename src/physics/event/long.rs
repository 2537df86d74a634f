//! Whole periods of the detector in which one of its halves is on for long.
//!
//! While a loop slips or draws near, a period mostly holds one edge of the divider and nothing else that is new. The edge
//! is guessed from the ones before and mended by a series; what the modes do after it follows from what they do in a
//! period and have done until then, without another look: `e^(l (1 - d)) = e^l / e^(l d)`. A period with anything
//! else in it (a second edge, a turn that is new, a limit) is left to be followed event by event.

#![allow(clippy::needless_range_loop, reason = "formulas over modes, several vectors by one index")]

use super::Edge;
use super::limits::Stance;
use super::lock::{Drawn, Stand};
use super::modes::Modes;
use super::motion::{Motion, Way};
use super::period::At;
use super::phi::Phis;
use super::run::Engine;
use super::start::Start;
use super::system::{ROUNDING, Vector};
use super::watch::{Leg, Watch};

/// Largest rate, per period, at which what is left of a period is known to the last digit from what has passed.
const FASTEST: f64 = 300.0;

/// Guesses nearer to the end of the period than this are not followed before the end has been looked at.
const LATE: f64 = 0.98;

/// What is kept from period to period.
#[derive(Clone, Debug)]
pub(super) struct Long<const N: usize> {
    /// What the modes do in a period, and in the pulse.
    period: Phis<N>,
    pulse: Phis<N>,
    /// Length of the pulse, periods.
    length: f64,
    /// Pulses shorter than this are better taken as short.
    reach: f64,
    edges: Edges,
    /// Of one period, kept for their room.
    legs: Legs<N>,
}

/// The last edges of the divider.
#[derive(Clone, Copy, Debug, Default)]
struct Edges {
    /// Edge of the reference at which this holds.
    cycle: u64,
    /// Periods since the last one, and what it was due later than its mean, detector cycles.
    since: f64,
    excess: f64,
    /// Distances of the last ones, newest first, without those differences; how many are known.
    apart: [f64; 2],
    known: u8,
}

impl Edges {
    /// From where an edge has come to lie in a period, to the end of it.
    #[inline]
    fn take(&mut self, at: f64, excess: f64) {
        self.apart = [self.since + at - (excess - self.excess), self.apart[0]];
        self.excess = excess;
        self.since = 1.0 - at;
        self.known = self.known.saturating_add(1);
        self.cycle += 1;
    }

    fn pass(&mut self) {
        self.since += 1.0;
        self.cycle += 1;
    }

    /// Where the next one will be, by the last three.
    #[inline]
    fn next(&self, excess: f64) -> Option<f64> {
        (self.known > 2).then_some(2.0 * self.apart[0] - self.apart[1] - self.since + (excess - self.excess))
    }
}

/// A period as far as it has been walked.
struct Walk<'a, const N: usize> {
    modes: &'a Modes<N>,
    /// Slope of the curve, shares per V.
    slope: f64,
    /// Up to this voltage, either way, the limited node is free.
    most: Option<f64>,
    /// Cycles that the detector had lost at its start.
    lost: f64,
    cycle: u64,
    offset: f64,
    state: Vector<N>,
    phase: f64,
    /// What the modes do in what is left.
    left: Phis<N>,
    legs: &'a mut Legs<N>,
}

/// The stretches of one period, with the phase at the end of each.
type Legs<const N: usize> = Vec<(Leg<N>, Way, f64)>;

impl<const N: usize> Walk<'_, N> {
    /// Goes on under a current for a time in which the modes do so much; `moved`: what the phase does by then, where it is
    /// known. `None` where a limit may be reached.
    #[inline]
    fn on(&mut self, from: &Start<N>, phis: &Phis<N>, time: f64, moved: Option<f64>) -> Option<()> {
        let (to, integral) = from.after(self.modes, phis, time);
        if let Some(most) = self.most {
            let (low, high) = self.modes.limited_bounds(&self.state, &to);
            if low <= -most || high >= most {
                return None;
            }
        }
        let (cycle, offset, phase) = (self.cycle, self.offset, self.phase - self.lost);
        let leg =
            Leg { cycle, offset, state: self.state, drive: from.drive, time, phase, stance: Stance::Free };
        let way = from.way(self.modes, &to, time);
        self.phase += moved.unwrap_or(self.slope * integral);
        self.state = to;
        self.offset += time;
        self.legs.push((leg, way, self.phase - self.lost));
        Some(())
    }

    #[inline]
    fn start(&self, drive: f64) -> Start<N> {
        Start::new(self.modes, &self.state, drive)
    }

    /// The rest of the period.
    #[inline]
    fn end(&mut self, drive: f64) -> Option<()> {
        let (start, left) = (self.start(drive), self.left);
        self.on(&start, &left, 1.0 - self.offset, None)
    }

    /// The pulse for which both sources are on.
    #[inline]
    fn pulse(&mut self, drive: f64, pulse: &Phis<N>, length: f64) -> Option<()> {
        if length > 0.0 {
            self.on(&self.start(drive), pulse, length, None)?;
            self.left = self.left.less(pulse);
        }
        Some(())
    }
}

/// How a period went on.
struct Gone<const N: usize> {
    next: Stand<N>,
    /// When the divider's edge came.
    edge: Option<f64>,
    /// Whether an edge of the reference was lost at the end.
    slips: bool,
}

impl<const N: usize> Long<N> {
    /// `pulse` in periods, with both sources on; `reach`: the longest pulse that counts as short. `None` where a mode is so
    /// fast that nothing is left of it.
    pub(super) fn new(modes: &Modes<N>, pulse: f64, reach: f64) -> Option<Self> {
        (modes.fastest <= FASTEST && pulse < 0.5).then(|| Self {
            period: Phis::new(&modes.rate, 1.0),
            pulse: Phis::new(&modes.rate, pulse),
            length: pulse,
            reach,
            edges: Edges::default(),
            legs: Vec::with_capacity(3),
        })
    }

    /// Goes on from an edge of the reference as far as periods hold nothing else, or to one that is better taken with short
    /// pulses; no farther than `until`, and not when all has been quiet for so long. Whether it went on at all.
    pub(super) fn follow(
        &mut self,
        engine: &mut Engine<'_, N>,
        watch: &mut Watch<N>,
        divider: &mut Drawn<'_>,
        until: f64,
        quiet: f64,
    ) -> bool {
        let Some(mut stand) = Stand::of(engine) else { return false };
        let currents = engine.currents();
        let most = engine.most_limited();
        let slope = engine.curve.slope;
        let Motion::Modes(modes) = &engine.free else { return false };
        if self.edges.cycle != stand.cycle {
            self.edges = Edges { cycle: stand.cycle, ..Edges::default() };
        }
        let start = stand.cycle;
        let mut stop = (watch.last_outside() + quiet).min(until - 1.0);
        let mut legs = std::mem::take(&mut self.legs);
        while stand.cycle as f64 <= stop {
            if self.is_near(&stand, slope * modes.voltage(&stand.at.state)) {
                break;
            }
            legs.clear();
            let walk = Walk {
                modes,
                slope,
                most,
                lost: stand.lost(),
                cycle: stand.cycle,
                offset: 0.0,
                state: stand.at.state,
                phase: stand.at.phase,
                left: self.period,
                legs: &mut legs,
            };
            let Some(gone) = self.period(walk, &stand, currents, divider) else { break };
            let mut outside = false;
            for (leg, way, phase) in &legs {
                outside |= watch.take(leg, &engine.free, &engine.curve, way, *phase);
            }
            if outside {
                stop = (watch.last_outside() + quiet).min(until - 1.0);
            }
            stand = gone.next;
            match gone.edge {
                Some(at) => self.edges.take(at, stand.excess),
                None => self.edges.pass(),
            }
            if gone.slips {
                engine.slips.add(stand.cycle as f64);
            }
        }
        self.legs = legs;
        if stand.cycle > start {
            stand.set(engine);
        }
        stand.cycle > start
    }

    /// Whether the edge is close to one of the reference, and not only on its way to the next slip; `off`: share by which the
    /// frequency is off.
    #[inline]
    fn is_near(&self, stand: &Stand<N>, off: f64) -> bool {
        let due = stand.ahead as f64 + stand.excess - stand.at.phase;
        off.abs() < self.reach / 16.0 && if stand.late { due < self.reach } else { due > 1.0 - self.reach }
    }

    /// One period. `None` where it has to be followed event by event.
    #[inline]
    fn period(
        &self,
        mut walk: Walk<'_, N>,
        stand: &Stand<N>,
        (up, down): (f64, f64),
        divider: &mut Drawn<'_>,
    ) -> Option<Gone<N>> {
        if !stand.late {
            walk.pulse(up + down, &self.pulse, self.length)?;
        }
        let due = stand.ahead as f64 + stand.excess - walk.offset - walk.phase;
        let before = walk.start(if stand.late { up } else { 0.0 });
        let guess = self.edges.next(stand.excess);
        let guess = guess.map_or_else(|| before.guess(walk.slope, due), |guess| guess - walk.offset);
        let cycle = stand.cycle + 1;
        if guess + walk.offset > LATE {
            let (to, integral) = before.after(walk.modes, &walk.left, 1.0 - walk.offset);
            let short = due - (1.0 - walk.offset) - walk.slope * integral;
            if short > ROUNDING * due {
                walk.end(before.drive)?;
                let at = At { state: to, phase: walk.phase };
                let next = Stand { at, cycle, ahead: stand.ahead - 1, excess: stand.excess, late: true };
                return Some(Gone { next, edge: None, slips: stand.late });
            }
        }
        let (time, phis) = before.edge(walk.modes, walk.slope, due, guess)?;
        let at = walk.offset + time;
        if !(time > 0.0 && at + self.length < 1.0) {
            return None;
        }
        walk.left = walk.left.less(&phis);
        // What the phase has come to is what was due.
        walk.on(&before, &phis, time, Some(due - time))?;
        if stand.late {
            walk.pulse(up + down, &self.pulse, self.length)?;
            walk.end(0.0)?;
        } else {
            walk.end(down)?;
        }
        let excess = divider.next(Edge { cycle: stand.cycle, offset: at });
        // The one after it must come in a later period.
        if walk.phase >= stand.ahead as f64 + excess {
            divider.back(excess);
            return None;
        }
        let next = Stand {
            at: At { state: walk.state, phase: walk.phase },
            cycle,
            ahead: stand.ahead,
            excess,
            late: stand.late,
        };
        Some(Gone { next, edge: Some(at), slips: false })
    }
}
