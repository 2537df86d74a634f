//! What a run reports.

use super::run::Engine;
use super::trace::{Instant, Raw};
use super::watch::Watch;
use super::{Entered, Run};
use crate::num::brent;

impl<const N: usize> Engine<'_, N> {
    pub(super) fn instant(&self, raw: &Raw) -> Instant {
        let case = &self.question.case;
        Instant {
            time: raw.time / case.detector_frequency,
            frequency_error: self.curve.error(raw.volts) / case.output_divider,
            phase_error: (raw.phase - self.settled) * case.feedback_ratio / case.output_divider,
            tuning: raw.volts + case.oscillator.tuning_voltage,
        }
    }

    /// Voltages (from the one aimed at) between which the frequency is inside its window.
    pub(super) fn volts_window(&self) -> Option<(f64, f64)> {
        let window = self.question.frequency_window? * self.question.case.output_divider;
        let edge = |hertz: f64| {
            // The curve is monotone: a bracket grows until it holds the edge.
            let mut reach = (hertz / (self.curve.slope * self.curve.hertz)).abs();
            for _ in 0..200 {
                let off = |v: f64| self.curve.error(v) - hertz;
                if let Some(found) = brent::root(off, -reach, reach) {
                    return found;
                }
                reach *= 2.0;
            }
            hertz / (self.curve.slope * self.curve.hertz)
        };
        let (a, b) = (edge(-window), edge(window));
        Some((a.min(b), a.max(b)))
    }

    pub(super) fn report(&self, watch: &Watch<N>) -> Run {
        let case = &self.question.case;
        let (rate, aimed) = (case.detector_frequency, case.oscillator.tuning_voltage);
        let motion = |stance| self.motion_in(stance);
        let lasted = self.time();
        // Outside within the last period and a half: the ripple of the next one would be outside again.
        let entered = |last: f64| {
            if lasted - last < 1.5 { Entered::Never } else { Entered::After(last / rate) }
        };
        let start = self.question.start - aimed;
        let mut curve: Vec<Instant> = watch.trace.instants().iter().map(|raw| self.instant(raw)).collect();
        // To the end of the run, even where the last periods were like those before.
        let end = Raw { time: lasted, volts: self.volts(), phase: self.phase - self.lost() };
        if curve.last().is_none_or(|last| last.time < end.time / rate) {
            curve.push(self.instant(&end));
        }
        let farthest = if start < 0.0 { watch.extremes.1.max(0.0) } else { watch.extremes.0.min(0.0) };
        Run {
            frequency: self.question.frequency_window.map(|_| entered(watch.frequency_time(motion))),
            phase: self.question.phase_window.map(|_| entered(watch.phase_time(&self.curve, motion))),
            slips: self.slips.count,
            slip_times: self.slips.times.iter().map(|at| at / rate).collect(),
            largest_phase: (watch.phases.1 - self.settled).max(self.settled - watch.phases.0),
            tuning: (watch.extremes.0 + aimed, watch.extremes.1 + aimed),
            limited: self.limited,
            overshoot: (self.curve.error(farthest) / self.curve.error(start)).abs(),
            curve,
            cycles: self.cycle,
            lasted: lasted / rate,
        }
    }
}
