//! Periods that repeat themselves: counted, not followed.

use super::lock::Drawn;
use super::motion::Motion;
use super::run::Engine;
use super::system::{ROUNDING, Vector, apart, size};
use super::watch::Watch;

/// The loop at an edge of the reference.
#[derive(Clone, Copy, Debug)]
struct Stand<const N: usize> {
    cycle: u64,
    state: Vector<N>,
    phase: f64,
    ahead: i64,
    halves: (bool, bool),
}

/// Looks for a period that ends as it began, where periods are followed edge by edge.
#[derive(Debug, Default)]
pub(super) struct Steady<const N: usize> {
    before: Option<Stand<N>>,
}

impl<const N: usize> Steady<N> {
    /// At an edge of the reference: goes on to the period before `stop` where nothing changes any more.
    pub(super) fn look(
        &mut self,
        engine: &mut Engine<'_, N>,
        watch: &mut Watch<N>,
        divider: &Drawn<'_>,
        stop: f64,
    ) {
        if !divider.is_constant() {
            self.before = None;
            return;
        }
        let now = Stand {
            cycle: engine.cycle,
            state: engine.state,
            phase: engine.phase,
            ahead: engine.ahead,
            halves: (engine.up, engine.down),
        };
        let before = self.before.replace(now);
        let inside = |before: &Stand<N>| watch.last_outside() < before.cycle as f64;
        if before.is_some_and(|before| inside(&before) && before.repeats(&now, &engine.free)) {
            engine.cycle = engine.cycle.max(stop as u64);
            watch.see(engine.time(), engine.volts(), engine.phase - engine.lost());
            self.before = None;
        }
    }
}

impl<const N: usize> Stand<N> {
    /// Whether a period later the loop stands where it stood, but for rounding.
    fn repeats(&self, next: &Self, motion: &Motion<N>) -> bool {
        let share = motion.share();
        (self.ahead, self.halves) == (next.ahead, next.halves)
            && next.cycle == self.cycle + 1
            && (next.phase - self.phase).abs() <= ROUNDING
            && apart(&share, &self.state, &next.state) <= ROUNDING * (size(&share, &self.state) + 1.0)
    }
}
