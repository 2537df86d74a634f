//! The spectrum at the output on a grid, its contributors, and what is integrated from it.

use std::f64::consts::PI;
use std::ops::Range;

use super::transfer::Transfers;
use super::{CONTRIBUTORS, Contributor, Node};
use crate::physics::integral::{self, Grid};
use crate::physics::part::Case;

/// Most node entries there can be: every contributor at every node of its own.
const MOST_SOURCES: usize = 13;

/// A scale, and a shape that it multiplies.
pub(super) type Part<'p> = (f64, &'p [f64]);

/// One contributor at one node, its shape kept on the grid.
struct Source {
    contributor: &'static dyn Contributor,
    /// Position of the contributor among those present.
    curve: usize,
    node: Node,
    shape: Vec<f64>,
}

/// The contributors of a case, their shapes evaluated once on a grid.
///
/// Holds for every case with the same tables, contributors and plan; gain, current, parts, temperature and
/// levels may differ.
pub struct Prepared {
    grid: Grid,
    /// (2 pi f)^2 of each offset.
    pub(super) squares: Vec<f64>,
    /// 1 / f^2.
    pub(super) inverse: Vec<f64>,
    /// The shape of what is not there.
    none: Vec<f64>,
    names: Vec<&'static str>,
    sources: Vec<Source>,
}

impl Prepared {
    /// Shapes of the contributors present in `case`, on `grid`.
    pub fn new(case: &Case, grid: Grid) -> Self {
        let present: Vec<_> = CONTRIBUTORS.into_iter().filter(|c| c.present(case)).collect();
        let sources = present.iter().enumerate().flat_map(|(curve, contributor)| {
            contributor.nodes().iter().map(move |node| (curve, *contributor, *node))
        });
        let sources = sources
            .map(|(curve, contributor, node)| {
                let shape = grid.offsets().iter().map(|f| contributor.shape(case, node, *f)).collect();
                Source { contributor, curve, node, shape }
            })
            .collect();
        let squares = grid.offsets().iter().map(|f| (2.0 * PI * f).powi(2)).collect();
        let inverse = grid.offsets().iter().map(|f| 1.0 / (f * f)).collect();
        let none = vec![0.0; grid.offsets().len()];
        Self { names: present.iter().map(|c| c.name()).collect(), sources, squares, inverse, none, grid }
    }

    /// Offsets, Hz.
    pub fn offsets(&self) -> &[f64] {
        self.grid.offsets()
    }

    /// Whether it goes from `range.0` to `range.1` Hz, exactly.
    pub fn covers(&self, range: (f64, f64)) -> bool {
        let (from, to) = self.grid.range();
        from.total_cmp(&range.0).is_eq() && to.total_cmp(&range.1).is_eq()
    }

    /// Every contributor's curve and the total.
    pub fn spectrum(&self, case: &Case, transfers: &impl Transfers) -> Spectrum {
        let scales = self.scales(case);
        let length = self.offsets().len();
        let mut curves: Vec<Curve> =
            self.names.iter().map(|name| Curve { name, density: vec![0.0; length] }).collect();
        let mut total = vec![0.0; length];
        for (i, f) in self.offsets().iter().enumerate() {
            let powers = transfers.at(*f);
            for (source, scale) in self.sources.iter().zip(scales) {
                let density = scale * source.shape[i] * powers.of(source.node);
                curves[source.curve].density[i] += density;
                total[i] += density;
            }
        }
        Spectrum { offsets: self.offsets().to_vec(), curves, total }
    }

    /// The total alone, L(f) per Hz, into `total` (length of the grid); allocates nothing, for trials.
    pub fn total_into(&self, case: &Case, transfers: &impl Transfers, total: &mut [f64]) {
        let scales = self.scales(case);
        for (i, (f, sum)) in self.offsets().iter().zip(total).enumerate() {
            let powers = transfers.at(*f);
            let parts = self.sources.iter().zip(scales);
            *sum = parts.map(|(source, scale)| scale * source.shape[i] * powers.of(source.node)).sum();
        }
    }

    /// What enters at a node, of at most N contributors, at some offsets by their positions; of those that are missing
    /// nothing.
    pub(super) fn parts<'p, const N: usize>(
        &'p self,
        case: &Case,
        node: Node,
        offsets: &Range<usize>,
    ) -> [Part<'p>; N] {
        let mut parts = [(0.0, &self.none[offsets.clone()]); N];
        let here = self.sources.iter().filter(|source| source.node == node);
        for (part, source) in parts.iter_mut().zip(here) {
            *part = (source.contributor.scale(case, node), &source.shape[offsets.clone()]);
        }
        parts
    }

    /// Density at a node where it is the same at all offsets, as a resistor's.
    pub(super) fn scale_at(&self, case: &Case, node: Node) -> f64 {
        let here = self.sources.iter().filter(|source| source.node == node);
        here.map(|source| source.contributor.scale(case, node)).sum()
    }

    fn scales(&self, case: &Case) -> [f64; MOST_SOURCES] {
        let mut scales = [0.0; MOST_SOURCES];
        for (scale, source) in scales.iter_mut().zip(&self.sources) {
            *scale = source.contributor.scale(case, source.node);
        }
        scales
    }
}

/// One contributor at the output.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Name of the contributor.
    pub name: &'static str,
    /// L(f) per Hz, linear, one value per offset.
    pub density: Vec<f64>,
}

/// Phase noise at the output on a grid of offsets; a contributor that is absent has no curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Offsets, Hz, ascending.
    pub offsets: Vec<f64>,
    /// The contributors, in the order of [`CONTRIBUTORS`].
    pub curves: Vec<Curve>,
    /// Their sum, L(f) per Hz, linear.
    pub total: Vec<f64>,
}

/// How much of an integral rests on offsets that a contributor's table does not cover.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outside {
    /// Name of the contributor.
    pub name: &'static str,
    /// Share of the whole integral that comes from it below its first point, 0..1.
    pub below: f64,
    /// The same above its last point.
    pub above: f64,
}

impl Spectrum {
    /// Spectrum of `case` from `from` to `to` Hz on a grid fine enough for integrals (within 1e-4 of
    /// quadrature), with every table point and those of `also` (spots, band edges) on it.
    /// `None` where 0 < from < to does not hold.
    pub fn new(
        case: &Case,
        transfers: &impl Transfers,
        (from, to): (f64, f64),
        also: &[f64],
    ) -> Option<Self> {
        let mut points = table_points(case);
        points.extend_from_slice(also);
        let grid = Grid::fine(from, to, &points)?;
        Some(Prepared::new(case, grid).spectrum(case, transfers))
    }

    /// The total alone on a prepared grid, without its contributors, for trials.
    pub fn total_only(case: &Case, prepared: &Prepared) -> Self {
        let mut total = vec![0.0; prepared.offsets().len()];
        prepared.sweep_into(case, &mut total);
        Self { offsets: prepared.offsets().to_vec(), curves: Vec::new(), total }
    }

    /// rms phase over the whole grid, rad.
    pub fn rms_phase(&self) -> f64 {
        integral::rms_phase(&self.offsets, &self.total)
    }

    /// Residual FM over the whole grid, Hz rms.
    pub fn residual_fm(&self) -> f64 {
        integral::residual_fm(&self.offsets, &self.total)
    }

    /// rms phase against itself `delay` seconds later, rad.
    pub fn delayed_rms_phase(&self, delay: f64) -> f64 {
        integral::delayed_rms_phase(&self.offsets, &self.total, delay)
    }

    /// Share of each contributor in the integrated power, 0..1, in the order of `curves`; they add up to 1.
    ///
    /// Every contributor is integrated by itself and compared with the sum of these integrals: a power law
    /// through a sum is not the sum of power laws, by less than the grid's 1e-4.
    pub fn shares(&self) -> Vec<(&'static str, f64)> {
        let parts: Vec<f64> =
            self.curves.iter().map(|c| integral::integrate(&self.offsets, &c.density)).collect();
        let whole: f64 = parts.iter().sum();
        let share = |part: &f64| if whole > 0.0 { part / whole } else { 0.0 };
        self.curves.iter().zip(&parts).map(|(curve, part)| (curve.name, share(part))).collect()
    }

    /// What of the integral comes from outside the tables of `case` (each table once, where there is any).
    pub fn outside(&self, case: &Case) -> Vec<Outside> {
        let whole = integral::integrate(&self.offsets, &self.total);
        let (from, to) = (self.offsets[0], self.offsets[self.offsets.len() - 1]);
        let part = |curve: &Curve, from, to| {
            if whole > 0.0 {
                integral::integrate_between(&self.offsets, &curve.density, from, to) / whole
            } else {
                0.0
            }
        };
        self.curves
            .iter()
            .filter_map(|curve| {
                let contributor = CONTRIBUTORS.into_iter().find(|c| c.name() == curve.name)?;
                let (first, last) = contributor.table(case)?.span()?;
                let (below, above) = (part(curve, from, first), part(curve, last, to));
                (below > 0.0 || above > 0.0).then_some(Outside { name: curve.name, below, above })
            })
            .collect()
    }
}

/// Phase noise at one offset, exactly there.
#[derive(Clone, Debug, PartialEq)]
pub struct Spot {
    /// Offset, Hz.
    pub offset: f64,
    /// L(f) per Hz, linear, of every contributor present.
    pub parts: Vec<(&'static str, f64)>,
    /// Their sum.
    pub total: f64,
}

impl Spot {
    /// The total in dBc/Hz.
    pub fn level(&self) -> f64 {
        dbc_per_hz(self.total)
    }
}

/// dBc/Hz of a linear L(f); minus infinity of zero.
pub fn dbc_per_hz(density: f64) -> f64 {
    10.0 * density.log10()
}

/// L(f) at `f` Hz, by contributor.
pub fn density_at(case: &Case, transfers: &impl Transfers, f: f64) -> Spot {
    let parts: Vec<_> = parts_at(case, transfers, f).collect();
    let total = parts.iter().map(|(_, density)| density).sum();
    Spot { offset: f, parts, total }
}

/// The total of [`density_at`], per Hz.
pub fn total_at(case: &Case, transfers: &impl Transfers, f: f64) -> f64 {
    parts_at(case, transfers, f).map(|(_, density)| density).sum()
}

fn parts_at(case: &Case, transfers: &impl Transfers, f: f64) -> impl Iterator<Item = (&'static str, f64)> {
    let powers = transfers.at(f);
    let density = move |c: &dyn Contributor| {
        c.nodes().iter().map(|node| c.density(case, *node, f) * powers.of(*node)).sum::<f64>()
    };
    CONTRIBUTORS.into_iter().filter(|c| c.present(case)).map(move |c| (c.name(), density(c)))
}

/// Offsets of every point of every table in `case`: where a spectrum has its kinks.
pub fn table_points(case: &Case) -> Vec<f64> {
    CONTRIBUTORS.iter().filter_map(|c| c.table(case)).flat_map(|table| table.at.iter().copied()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A source beyond them would be left out in silence.
    #[test]
    fn every_contributor_has_room_at_every_node() {
        let sources: usize = CONTRIBUTORS.iter().map(|contributor| contributor.nodes().len()).sum();
        assert_eq!(sources, MOST_SOURCES);
    }
}
