//! What the mismatch of the pump folds into the band from the sequence of a fractional divider: a run in time.

use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::spur_fractional::LEAST;
use super::spurs::{Line, Source};
use crate::physics::event::Question;
use crate::physics::event::folded::{Folded, folded};
use crate::physics::spurs::{PumpWaveform, level};

/// What was found, or why nothing was run.
pub(super) type Folding = Result<Folded, &'static str>;

/// By how much a line of the run has to be above that of the linear loop to count as folded, dB: a little is due to edges
/// at uneven times.
const ABOVE: f64 = 3.0;

/// Runs the loop with its sequence and its mismatch, where it has both.
pub(super) fn run(solved: &SolvedLoop) -> Folding {
    let Some(modulator) = solved.modulator() else { return Err("no modulator is at work") };
    if solved.case.pump.mismatch == 0.0 {
        return Err("no fact states a mismatch");
    }
    if !solved.sampled.is_stable() {
        return Err("the sampled loop is not stable");
    }
    if !PumpWaveform::new(&solved.case).holds() {
        return Err("the pump can't make good the leakage: no lock");
    }
    let found = Question::in_lock(solved.case.clone())
        .and_then(|question| folded(&question, &modulator, solved.bandwidth));
    found.map_err(|_| "the filter has no finite parts")
}

/// Puts lines of the run in the place of those of the linear loop where these are lower.
pub(super) fn bend(folding: &Folding, lines: &mut [Line]) {
    let Ok(Folded::Lines(found)) = folding else { return };
    for line in lines.iter_mut().filter(|line| line.source == Source::Modulator) {
        let same = found.iter().find(|(offset, _)| (offset - line.offset).abs() <= 1e-9 * line.offset);
        let Some(above) = same.map(|(_, power)| level(2.0 * power.sqrt())) else { continue };
        if above > line.level + ABOVE && above > LEAST {
            line.level = above;
            line.source = Source::Folded;
            line.cause = "sequence of the modulator, folded by the mismatch of the pump".to_owned();
        }
    }
}

/// The metrics.
pub(super) fn put(folding: &Folding, lines: &[Line], metrics: &mut Group) {
    let none = |unit, why: &str| Metric::unbounded(unit, why);
    let highest = lines
        .iter()
        .filter(|line| line.source == Source::Folded)
        .map(|line| line.level)
        .max_by(f64::total_cmp);
    let (line, noise) = (Unit::DecibelCarrier, Unit::DecibelCarrierPerHertz);
    let (spur, level) = match folding {
        Err(why) => (none(line, why), none(noise, why)),
        Ok(Folded::Lines(_)) => (
            highest.map_or_else(|| none(line, "no line rises by it"), |level| Metric::real(level, line)),
            none(noise, "the sequence is short: it makes lines"),
        ),
        Ok(Folded::Noise(density)) => {
            (none(line, "the sequence is long: it makes noise"), Metric::real(10.0 * density.log10(), noise))
        }
    };
    metrics.metric("folded_spur", spur);
    metrics.metric("folded_noise", level);
}
