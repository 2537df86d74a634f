//! A mask at the offsets at which it is judged, for spectrum after spectrum.

use crate::physics::noise::dbc_per_hz;
use crate::results::{Judgement, Limit};

/// Shares that are looked at side by side.
const LANES: usize = 8;

/// A mask at every offset at which it is judged.
pub struct Bounds {
    /// Offsets, Hz.
    pub offsets: Vec<f64>,
    /// dBc/Hz.
    levels: Vec<f64>,
    /// One over the density allowed.
    pub(super) inverse: Vec<f64>,
}

impl Bounds {
    /// At the mask's own points, and at those of a noise block that lie inside.
    pub fn new(limit: &Limit, offsets: &[f64]) -> Self {
        let (offsets, levels): (Vec<f64>, Vec<f64>) = limit.over(offsets).into_iter().unzip();
        let inverse = levels.iter().map(|level| 10_f64.powf(-0.1 * level)).collect();
        Self { offsets, levels, inverse }
    }

    /// The least margin over all offsets, of L(f) per Hz at each.
    pub fn judge(&self, density: &[f64]) -> Judgement {
        self.nearest(density).map_or(Judgement::LOST, |nearest| self.at(nearest, density[nearest]))
    }

    pub(super) fn at(&self, position: usize, density: f64) -> Judgement {
        let level = dbc_per_hz(density);
        Judgement::at(self.levels[position] - level, level, self.offsets[position])
    }

    /// Position of the offset that comes nearest to the mask; `None` where there is no noise at all.
    pub(super) fn nearest(&self, density: &[f64]) -> Option<usize> {
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
