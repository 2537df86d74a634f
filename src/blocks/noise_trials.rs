//! The noise of trials that are only judged: on grids and with shapes that all trials of a loop share.

use std::sync::OnceLock;

use super::r#loop::{BESIDE_THE_PLAN, SolvedLoop};
use super::phase_noise::SolvedNoise;
use super::prelude::*;
use crate::physics::integral::{Delayed, Grid};
use crate::physics::noise::{Ladder, Prepared, Spectrum, table_points};
use crate::physics::part::Case;

/// What trials of a loop have in common on one grid.
pub struct Kept {
    prepared: Prepared,
    /// Of the first delay that was asked for.
    delayed: OnceLock<Delayed>,
}

/// The spectrum of a trial that is only judged, by the total alone where no verdict rests on a share: with the shapes that
/// were read before where the trial leaves them alone.
pub(super) fn judged(
    given: &Given,
    of: &str,
    case: &Case,
    (range, spots): ((f64, f64), &[f64]),
    inputs: &Inputs<'_>,
) -> Option<Spectrum> {
    let coarse = inputs.is_coarse();
    let prepared = |case| {
        let mut also = table_points(case);
        also.extend(spots.iter().filter(|_| !coarse));
        let grid = Grid::new(range.0, range.1, if coarse { Grid::COARSE } else { Grid::FINE }, &also)?;
        Some(Prepared::new(case, grid))
    };
    let shares = inputs.looks_at(&given.name, "share");
    let read = |prepared: &Prepared| {
        if shares {
            prepared.spectrum(case, &Ladder::new(case))
        } else {
            Spectrum::total_only(case, prepared)
        }
    };
    // Levels are in the scales: shapes are of the plan and the tables.
    let shapes_hold = inputs.kept::<SolvedLoop>(of, &BESIDE_THE_PLAN).is_some();
    if let Some(before) = before(given, inputs).filter(|_| shapes_hold) {
        let grid = &before.grids[usize::from(coarse)];
        let kept = match grid.get() {
            Some(kept) => kept,
            None => {
                let prepared = prepared(&before.solved.case)?;
                grid.get_or_init(|| Kept { prepared, delayed: OnceLock::new() })
            }
        };
        if kept.prepared.covers(range) {
            return Some(read(&kept.prepared));
        }
    }
    Some(read(&prepared(case)?))
}

/// The block as it is without the trial.
fn before<'a>(given: &Given, inputs: &Inputs<'a>) -> Option<&'a SolvedNoise> {
    inputs.trial?.base.get(given.name.as_str())?.solved.model.downcast_ref()
}

/// The rms phase against the signal a delay ago, rad.
pub(super) fn delayed(noise: &SolvedNoise, delay: f64, given: &Given, inputs: &Inputs<'_>) -> f64 {
    let Spectrum { offsets, total, .. } = &*noise.spectrum;
    let kept = before(given, inputs).and_then(|before| before.grids[usize::from(inputs.is_coarse())].get());
    let known = kept.map(|kept| kept.delayed.get_or_init(|| Delayed::new(kept.prepared.offsets(), delay)));
    match known.filter(|known| known.is_for(offsets, delay)) {
        Some(known) => known.rms_phase(total),
        None => noise.spectrum.delayed_rms_phase(delay),
    }
}
