//! What the mismatch of the pump folds into the band from the sequence of a fractional divider: a run in time.

use super::keep::Keep;
use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::spurs::{Line, Source};
use crate::physics::event::Question;
use crate::physics::event::folded::{Folded, cost, folded};
use crate::physics::modulator::{Counted, LONGEST_OF_LINES};
use crate::physics::sampled::Sampled;
use crate::physics::spurs::{PumpWaveform, level};
use crate::results::Second;

/// What was found, or why nothing was run.
pub(super) type Folding = Result<Folded, &'static str>;

/// Detector periods of the longest run: about half a second.
const MOST_PERIODS: usize = 2_000_000;

/// How far formula and run may part, dB, where the detector runs at so many bandwidths: the formula takes the loop as slow.
const WITHIN: (f64, f64) = (3.0, 50.0);

/// Runs the loop with its sequence and its mismatch, where it has both.
pub(super) fn run(solved: &SolvedLoop, keep: Keep<'_>) -> Folding {
    let Some(modulator) = solved.modulator() else { return Err("no modulator is at work") };
    if solved.case.pump.mismatch == 0.0 {
        return Err("no fact states a mismatch");
    }
    if modulator.counted() == Counted::Lines && modulator.period() > LONGEST_OF_LINES {
        return Err("the sequence is too long to be run");
    }
    if !solved.sampled().is_some_and(Sampled::is_stable) {
        return Err("the sampled loop is not stable");
    }
    if !PumpWaveform::new(&solved.case).holds() {
        return Err("the pump can't make good the leakage: no lock");
    }
    if cost(&solved.case, &modulator, solved.bandwidth) > MOST_PERIODS {
        return Err("the loop is so slow beside its detector that the run would take too long");
    }
    let found = || {
        Question::in_lock(solved.case.clone())
            .and_then(|question| folded(&question, &modulator, solved.bandwidth))
    };
    keep.recall("folded", || found().ok())
        .ok_or("the filter has no finite parts, or the loop does not stay in lock")
}

/// The metrics.
pub(super) fn put(folding: &Folding, solved: &SolvedLoop, lines: &[Line], metrics: &mut Group) {
    let none = |unit, why: &str| Metric::unbounded(unit, why);
    let folded = lines.iter().filter(|line| line.source == Source::Folded);
    let highest = folded.max_by(|a, b| a.level.total_cmp(&b.level));
    let (line, noise) = (Unit::DecibelCarrier, Unit::DecibelCarrierPerHertz);
    let why = match folding {
        Err(why) => why,
        Ok(Folded::Lines(_)) => "no line rises by it",
        Ok(Folded::Noise(_)) => "the sequence is long: it makes noise",
    };
    let spur = match highest {
        Some(highest) => {
            let metric = Metric::real(highest.level, line);
            second(folding, solved, highest).map_or(metric.clone(), |second| metric.with_second(second))
        }
        None => none(line, why),
    };
    metrics.metric("folded_spur", spur);
    metrics.metric(
        "folded_noise",
        match folding {
            Err(why) => none(noise, why),
            Ok(Folded::Lines(_)) => none(noise, "the sequence is short: it makes lines"),
            Ok(Folded::Noise(density)) => Metric::real(10.0 * density.log10(), noise),
        },
    );
}

/// The same line in the run.
fn second(folding: &Folding, solved: &SolvedLoop, line: &Line) -> Option<Second> {
    let Ok(Folded::Lines(found)) = folding else { return None };
    if solved.case.detector_frequency < WITHIN.1 * solved.bandwidth {
        return None;
    }
    let (_, power) = found.iter().find(|(offset, _)| (offset - line.offset).abs() <= 1e-9 * line.offset)?;
    let value = level(2.0 * power.sqrt());
    Some(Second {
        value,
        route: "run in time",
        agrees: (value - line.level).abs() <= WITHIN.0,
        within: "3 dB",
    })
}
