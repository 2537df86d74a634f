//! Levels of phase noise at some offsets, in case after case.

use super::judging::Cases;
use super::same_tables;
use crate::physics::integral::Grid;
use crate::physics::noise::{Prepared, Scratch, dbc_per_hz};
use crate::physics::part::Case;
use crate::results::{Judgement, Limit};

/// Scratch of one thread.
#[derive(Clone, Default)]
pub(super) struct Work {
    scratch: Scratch,
    total: Vec<f64>,
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
        let places = cases.points(0).into_iter().map(|point| of(point.case)).collect();
        Some(Self { grid, places })
    }

    /// L(f) of a case in a channel, per Hz, at every offset.
    pub(super) fn read<'w>(&self, place: usize, case: &Case, work: &'w mut Work) -> &'w [f64] {
        work.total.resize(self.grid.offsets().len(), 0.0);
        let own;
        let prepared = match &self.places[place] {
            (known, prepared) if same_tables(case, known) => prepared,
            _ => {
                own = Prepared::new(case, self.grid.clone());
                &own
            }
        };
        prepared.sweep_into(case, &mut work.scratch, &mut work.total);
        &work.total
    }
}

/// Shares that are looked at side by side.
const LANES: usize = 8;

/// A mask at every offset at which it is judged.
pub(super) struct Bounds {
    pub offsets: Vec<f64>,
    /// dBc/Hz.
    levels: Vec<f64>,
    /// One over the density allowed.
    inverse: Vec<f64>,
}

impl Bounds {
    /// At the mask's own points, and at those of a noise block that lie inside.
    pub(super) fn new(limit: &Limit, offsets: &[f64]) -> Self {
        let (offsets, levels): (Vec<f64>, Vec<f64>) = limit.over(offsets).into_iter().unzip();
        let inverse = levels.iter().map(|level| 10_f64.powf(-0.1 * level)).collect();
        Self { offsets, levels, inverse }
    }

    /// The least margin over all offsets.
    pub(super) fn judge(&self, density: &[f64]) -> Judgement {
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
        let nearest = shares().position(|share| share == most).filter(|_| most > 0.0);
        nearest.map_or(Judgement::LOST, |at| {
            let level = dbc_per_hz(density[at]);
            Judgement::at(self.levels[at] - level, level, self.offsets[at])
        })
    }
}
