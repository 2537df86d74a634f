//! The noise of trials that are only judged: on grids and with shapes that all trials of a loop share.

use super::r#loop::{BESIDE_THE_PLAN, SolvedLoop};
use super::prelude::*;
use super::solved_noise::SolvedNoise;
use crate::physics::budget::Integrals;
use crate::physics::integral::Grid;
use crate::physics::noise::{Ladder, Prepared, Spectrum, table_points};
use crate::physics::part::Case;

/// The spectrum of a trial that is only judged, by the total alone where no verdict rests on a share: with the shapes that
/// were read before where the trial leaves them alone. Coarsely it is that of the loop's budget, with its integrals.
pub(super) fn judged(
    given: &Given,
    of: &str,
    case: &Case,
    (range, spots): ((f64, f64), &[f64]),
    inputs: &Inputs<'_>,
) -> Option<(Spectrum, Option<Integrals>)> {
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
    let before = before(given, inputs).filter(|_| shapes_hold);
    let budget = before.filter(|_| inputs.is_coarse()).and_then(SolvedNoise::budget);
    if let Some(budget) = budget.filter(|budget| budget.is_for(range, given.fields.quantity("delay"))) {
        let spectrum = read(budget.prepared());
        let integrals = budget.of(&spectrum.total);
        return Some((spectrum, Some(integrals)));
    }
    let prepared = |case| {
        let mut also = table_points(case);
        also.extend(spots);
        Some(Prepared::new(case, Grid::fine(range.0, range.1, &also)?))
    };
    if let Some(before) = before {
        let kept = match before.fine.get() {
            Some(kept) => kept,
            None => {
                let prepared = prepared(&before.solved.case)?;
                before.fine.get_or_init(|| prepared)
            }
        };
        if kept.covers(range) {
            return Some((read(kept), None));
        }
    }
    Some((read(&prepared(case)?), None))
}

/// The block as it is without the trial.
fn before<'a>(given: &Given, inputs: &Inputs<'a>) -> Option<&'a SolvedNoise> {
    inputs.trial?.base.get(given.name.as_str())?.solved.model.downcast_ref()
}
