//! Period after period near lock, as long as nothing in them is new.

use std::collections::VecDeque;

use super::modes::Modes;
use super::period::{At, Begin, Both, Period, Whole};
use super::run::Engine;
use super::system::ROUNDING;
use super::watch::{Frame, Kept, Watch};
use super::{Constant, Divider, Edge};

/// Offsets of the divider's edges, also of those that were drawn and not used.
pub(super) struct Drawn<'d> {
    divider: &'d mut dyn Divider,
    kept: VecDeque<f64>,
    /// Feedback ratio.
    ratio: f64,
}

impl<'d> Drawn<'d> {
    pub(super) fn new(divider: &'d mut dyn Divider, ratio: f64) -> Self {
        Self { divider, kept: VecDeque::with_capacity(8), ratio }
    }

    /// By how much the edge after this one is due later than its mean, detector cycles.
    #[inline]
    pub(super) fn next(&mut self, edge: Edge) -> f64 {
        if !self.kept.is_empty()
            && let Some(kept) = self.kept.pop_front()
        {
            return kept;
        }
        self.divider.next_excess(edge) / self.ratio
    }

    /// Mean of that.
    pub(super) fn mean(&self) -> f64 {
        self.divider.mean_excess() / self.ratio
    }

    pub(super) fn is_constant(&self) -> bool {
        self.kept.is_empty() && self.divider.is_constant()
    }

    /// Gives back what was drawn last, to be drawn again.
    pub(super) fn back(&mut self, excess: f64) {
        self.kept.push_front(excess);
    }

    fn all_back(&mut self, drawn: &Draws) {
        drawn.of[..drawn.count].iter().rev().for_each(|excess| self.back(*excess));
    }
}

/// What was drawn for one period.
#[derive(Clone, Copy, Debug)]
struct Draws {
    of: [f64; 2],
    count: usize,
}

/// A loop at an edge of the reference.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stand<const N: usize> {
    pub at: At<N>,
    pub cycle: u64,
    pub ahead: i64,
    pub excess: f64,
    pub late: bool,
}

impl<const N: usize> Stand<N> {
    /// Where a run stands, if it is at such an edge.
    pub(super) fn of(engine: &Engine<'_, N>) -> Option<Self> {
        let late = match (engine.up, engine.down, engine.clear) {
            (true, false, None) => true,
            (true, true, Some(left)) if left >= engine.pulse() => false,
            (false, false, None) => false,
            _ => return None,
        };
        (engine.offset == 0.0).then_some(Self {
            at: At { state: engine.state, phase: engine.phase },
            cycle: engine.cycle,
            ahead: engine.ahead,
            excess: engine.excess,
            late,
        })
    }

    /// Puts a run there.
    pub(super) fn set(&self, engine: &mut Engine<'_, N>) {
        engine.state = self.at.state;
        engine.phase = self.at.phase;
        (engine.cycle, engine.offset) = (self.cycle, 0.0);
        (engine.ahead, engine.excess) = (self.ahead, self.excess);
        let pulse = engine.pulse();
        let both = !self.late && pulse > 0.0;
        (engine.up, engine.down) = (self.late || both, both);
        engine.clear = both.then_some(pulse);
    }

    /// Cycles that the detector has lost.
    pub(super) fn lost(&self) -> f64 {
        (self.ahead - 1 + i64::from(self.late)) as f64
    }
}

/// A period that was looked at edge by edge.
#[derive(Clone, Copy, Debug)]
struct Seen<const N: usize> {
    cycle: u64,
    at: At<N>,
    whole: Whole<N>,
    /// Whether it left a window.
    outside: bool,
    /// Up to how many volts and periods another is alike.
    volts: f64,
    time: f64,
}

/// Periods are alike within this share of their voltages and times, or of the largest ones of the run.
const ALIKE: (f64, f64) = (1e-8, 1e-12);

/// What near lock is kept from period to period.
#[derive(Clone, Debug)]
pub(super) struct Lock<const N: usize> {
    pub period: Period<N>,
    both: Both<N>,
    /// The period that is now looked at edge by edge.
    pending: Option<Seen<N>>,
    seen: Option<Seen<N>>,
}

impl<const N: usize> Lock<N> {
    /// `pulse` in periods, with both sources on at a net current. `None` where a pulse would reach into the edge before
    /// the next, or is long beside the fastest mode.
    pub(super) fn new(modes: &Modes<N>, pulse: f64, current: f64) -> Option<Self> {
        let period = Period::new(modes);
        // A pulse that a mode does not outlast can't be told as another start of the period: all digits would be lost.
        if pulse.is_nan() || pulse >= 0.5 || pulse > period.outlasted {
            return None;
        }
        let both = period.both(pulse, current);
        Some(Self { period, both, pending: None, seen: None })
    }

    /// One period, its first part and its rest, with what was drawn for it.
    #[inline]
    fn attempt(
        &self,
        stand: &Stand<N>,
        currents: (f64, f64),
        slope: f64,
        divider: &mut Drawn<'_>,
        drawn: &mut Draws,
    ) -> Option<(Whole<N>, Stand<N>)> {
        let (up, down) = currents;
        let begin = if stand.late {
            Begin::Late(stand.ahead as f64 + stand.excess - stand.at.phase)
        } else {
            Begin::Both
        };
        let begun = self.period.begin(&stand.at, begin, up, &self.both, slope)?;
        let (mut ahead, mut excess) = (stand.ahead, stand.excess);
        let mut draw = |offset: f64| {
            let excess = divider.next(Edge { cycle: stand.cycle, offset });
            drawn.of[drawn.count] = excess;
            drawn.count += 1;
            excess
        };
        if stand.late {
            ahead += 1;
            excess = draw(begun.late);
        }
        let due = ahead as f64 - 1.0;
        let whole = self.period.end(&stand.at, &begun, due + excess, down, slope)?;
        if let Some(early) = whole.early {
            ahead += 1;
            excess = draw(1.0 - early);
            // The one after that must be due in the next period.
            if whole.to.phase >= due + 1.0 + excess {
                return None;
            }
        }
        let next = Stand {
            at: whole.to,
            cycle: stand.cycle + 1,
            ahead: ahead - 1,
            excess,
            late: whole.early.is_none(),
        };
        Some((whole, next))
    }
}

impl<const N: usize> Lock<N> {
    /// Goes on from an edge of the reference as far as nothing is new, and no farther than `until`.
    pub(super) fn follow(
        &mut self,
        engine: &mut Engine<'_, N>,
        watch: &mut Watch<N>,
        divider: &mut Drawn<'_>,
        until: f64,
        quiet: f64,
    ) {
        let pending = self.pending.take();
        let Some(mut stand) = Stand::of(engine) else { return };
        if stand.late && stand.ahead as f64 + stand.excess - stand.at.phase > 2.0 * self.period.reach {
            return;
        }
        if let Some(mut pending) = pending.filter(|pending| pending.cycle + 1 == stand.cycle) {
            pending.outside = watch.last_outside() >= pending.cycle as f64;
            self.seen = Some(pending);
        }
        let (up, down) = engine.currents();
        let slope = engine.curve.slope;
        let most = engine.most_limited();
        let frame = watch.frame();
        let seen = self.seen.filter(|seen| seen.cycle as f64 >= frame.start);
        let lost = engine.lost();
        let largest = watch.extremes.1.max(-watch.extremes.0);
        let end = if watch.idle { until } else { until.min(frame.end) } - 1.0;
        let mut stop = (watch.last_outside() + quiet).min(end);
        // The last periods known to be outside the window of the frequency, and that of the phase.
        let mut outside: [Option<(Stand<N>, Draws)>; 2] = [None, None];
        let start = stand.cycle;
        let constant = divider.is_constant();
        loop {
            if stand.cycle as f64 > until - 1.0 {
                break;
            }
            let mut drawn = Draws { of: [0.0; 2], count: 0 };
            let found = self.attempt(&stand, (up, down), slope, divider, &mut drawn);
            let Some((whole, next)) = found else {
                divider.all_back(&drawn);
                break;
            };
            let ends = stand.cycle as f64 > stop;
            let free = most.is_none_or(|most| self.period.limited(&stand.at, &whole) < most);
            let alike = seen.as_ref().filter(|_| !watch.idle).filter(|seen| {
                self.period.alike((&stand.at, &whole), (&seen.at, &seen.whole), seen.volts, seen.time)
            });
            let known = match alike {
                _ if ends || !free => None,
                None if watch.idle => Some([Kept::Inside; 2]),
                Some(Seen { outside: true, .. }) => Some([Kept::Outside; 2]),
                Some(_) => Some([Kept::Inside; 2]),
                None => self.known(&frame, &stand, &whole, (up.abs().max(down.abs()), slope, lost)),
            };
            let Some(known) = known else {
                divider.all_back(&drawn);
                let volts = (ALIKE.0 * self.period.scale(&stand.at)).max(ALIKE.1 * largest);
                let volts = watch.window_volts().map_or(volts, |window| volts.min(1e-6 * window));
                let time = (ALIKE.0 * whole.late.max(whole.early.unwrap_or(0.0))).max(ALIKE.1);
                let (cycle, at) = (stand.cycle, stand.at);
                self.pending = Some(Seen { cycle, at, whole, outside: false, volts, time });
                break;
            };
            for (kept, last) in known.iter().zip(&mut outside) {
                if *kept == Kept::Outside {
                    *last = Some((stand, drawn));
                    stop = (stand.cycle as f64 + 1.0 + quiet).min(end);
                }
            }
            let repeats =
                alike.is_some() && constant && self.repeats(&stand, &next, up.abs().max(down.abs()));
            stand = next;
            if repeats {
                // Nothing in lock changes any more: the periods up to the next look are counted, not followed.
                stand.cycle = stand.cycle.max(stop.min(until - 1.0) as u64);
            }
        }
        if stand.cycle > start {
            let mut before: Vec<_> = outside.into_iter().flatten().collect();
            before.sort_by_key(|(stand, _)| stand.cycle);
            for (stand, drawn) in &before {
                // Edge by edge, for when exactly it was outside last.
                let mut again = Constant;
                let mut again = Drawn::new(&mut again, divider.ratio);
                again.all_back(drawn);
                stand.set(engine);
                while engine.cycle == stand.cycle && engine.event(until, watch, &mut again) {}
            }
            stand.set(engine);
            watch.see(stand.cycle as f64, self.period.voltage(&stand.at.state), stand.at.phase - lost);
        }
    }

    /// Whether a period ends as it began, but for rounding.
    #[inline]
    fn repeats(&self, stand: &Stand<N>, next: &Stand<N>, current: f64) -> bool {
        let moved = (next.at.phase - stand.at.phase).abs();
        (stand.late, stand.ahead) == (next.late, next.ahead)
            && moved <= ROUNDING * next.at.phase.abs()
            && self.period.moved(&stand.at, &next.at)
                // The last digit of the phase is one of the pulse's length, too.
                <= ROUNDING
                    * (self.period.scale(&stand.at) + self.period.pulled_by(current) * stand.at.phase.abs())
    }

    /// How a period stands to the windows; `None` where something in it may be new.
    #[inline(never)]
    fn known(
        &self,
        frame: &Frame,
        stand: &Stand<N>,
        whole: &Whole<N>,
        (current, slope, lost): (f64, f64, f64),
    ) -> Option<[Kept; 2]> {
        let span = self.period.span(&stand.at, whole, current);
        let pulse = whole.late.max(whole.early.unwrap_or(0.0)) + self.both.length;
        let phases = (stand.at.phase - lost, whole.to.phase - lost);
        let volts = (self.period.voltage(&stand.at.state), self.period.voltage(&whole.to.state));
        frame.holds(span, volts, phases, slope, pulse)
    }
}
