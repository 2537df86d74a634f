//! Levels of phase noise at some offsets, in case after case.

use std::ops::Range;

use super::judging::{Cases, Room};
use super::lines::Found;
use super::same_tables;
use crate::blocks::bounds::Bounds;
use crate::physics::integral::Grid;
use crate::physics::noise::Prepared;
use crate::physics::part::Case;
use crate::results::State;

/// Scratch of one thread.
#[derive(Clone, Default)]
pub(super) struct Work {
    total: Vec<f64>,
    /// Lines of the case that is judged.
    pub found: Found,
    /// Position of the offset at which a mask was missed last: others are likely to miss it there as well.
    missed: Option<usize>,
}

/// What is the same in every case: the offsets, and what the tables of each channel give there.
pub(super) struct Levels {
    grid: Grid,
    places: Vec<(Case, Prepared)>,
}

impl Levels {
    /// `None` where there is no case, or no offset above zero.
    pub(super) fn new(cases: &dyn Cases, offsets: Vec<f64>) -> Option<Self> {
        let grid = Grid::at(offsets)?;
        if cases.count() == 0 {
            return None;
        }
        let of = |case: Case| {
            let prepared = Prepared::new(&case, grid.clone());
            (case, prepared)
        };
        let mut room = Room::default();
        let places =
            (0..cases.channels()).map(|place| of(cases.point(0, place, &mut room).case.clone())).collect();
        Some(Self { grid, places })
    }

    /// L(f) of a case in a channel, per Hz, at every offset.
    pub(super) fn read<'w>(&self, place: usize, case: &Case, work: &'w mut Work) -> &'w [f64] {
        self.part(place, case, &(0..self.grid.offsets().len()), work)
    }

    /// The same at some offsets by their positions alone.
    pub(super) fn part<'w>(
        &self,
        place: usize,
        case: &Case,
        offsets: &Range<usize>,
        work: &'w mut Work,
    ) -> &'w [f64] {
        work.total.resize(offsets.len(), 0.0);
        let own;
        let prepared = match &self.places[place] {
            (known, prepared) if same_tables(case, known) => prepared,
            _ => {
                own = Prepared::new(case, self.grid.clone());
                &own
            }
        };
        prepared.sweep_part(case, offsets, &mut work.total);
        &work.total
    }
}

impl Bounds {
    /// Whether a case keeps the mask in a channel: as [`Bounds::judge`] says, with no more read than that takes.
    pub(super) fn meets(&self, levels: &Levels, place: usize, case: &Case, work: &mut Work) -> bool {
        if let Some(missed) = work.missed {
            let density = levels.part(place, case, &(missed..missed + 1), work)[0];
            if (density * self.inverse[missed]).is_finite() && self.at(missed, density).state != State::Met {
                return false;
            }
        }
        let total = levels.read(place, case, work);
        let Some(nearest) = self.nearest(total) else { return false };
        let met = self.at(nearest, total[nearest]).state == State::Met;
        if !met {
            work.missed = Some(nearest);
        }
        met
    }
}
