//! Levels of phase noise at some offsets, in case after case.

use std::ops::Range;

use super::judging::{Cases, Room};
use super::lines::Found;
use super::same_tables;
use crate::physics::integral::Grid;
use crate::physics::noise::{Prepared, dbc_per_hz};
use crate::physics::part::Case;
use crate::results::{Judgement, Limit, State};

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

/// Shares that are looked at side by side.
const LANES: usize = 8;

/// A mask at every offset at which it is judged.
pub struct Bounds {
    /// Offsets, Hz.
    pub offsets: Vec<f64>,
    /// dBc/Hz.
    levels: Vec<f64>,
    /// One over the density allowed.
    inverse: Vec<f64>,
}

impl Bounds {
    /// At the mask's own points, and at those of a noise block that lie inside.
    pub fn new(limit: &Limit, offsets: &[f64]) -> Self {
        let (offsets, levels): (Vec<f64>, Vec<f64>) = limit.over(offsets).into_iter().unzip();
        let inverse = levels.iter().map(|level| 10_f64.powf(-0.1 * level)).collect();
        Self { offsets, levels, inverse }
    }

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

    /// The least margin over all offsets, of L(f) per Hz at each.
    pub fn judge(&self, density: &[f64]) -> Judgement {
        self.nearest(density).map_or(Judgement::LOST, |nearest| self.at(nearest, density[nearest]))
    }

    fn at(&self, position: usize, density: f64) -> Judgement {
        let level = dbc_per_hz(density);
        Judgement::at(self.levels[position] - level, level, self.offsets[position])
    }

    /// Position of the offset that comes nearest to the mask; `None` where there is no noise at all.
    fn nearest(&self, density: &[f64]) -> Option<usize> {
        let shares = || density.iter().zip(&self.inverse).map(|(density, inverse)| density * inverse);
        let sound = |share: f64| if share.is_finite() { share } else { 0.0 };
        // The most of every eighth share: several at a time, as one running most is not.
        let mut most = [0.0; LANES];
        let (lanes, others) = (density.chunks_exact(LANES), self.inverse.chunks_exact(LANES));
        let rest = lanes.remainder().iter().zip(others.remainder());
        for (density, inverse) in lanes.zip(others) {
            for ((most, density), inverse) in most.iter_mut().zip(density).zip(inverse) {
                let share = sound(density * inverse);
                *most = if share > *most { share } else { *most };
            }
        }
        let rest = rest.map(|(density, inverse)| sound(density * inverse));
        let most = most.into_iter().chain(rest).fold(0.0, f64::max);
        #[allow(clippy::float_cmp, reason = "it is one of them")]
        shares().position(|share| share == most).filter(|_| most > 0.0)
    }
}
