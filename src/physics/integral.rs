//! Integrals of a phase-noise spectrum over offset, each segment as the power law it is.
//!
//! Conventions: `density` is L(f) = S_phi(f) / 2 as a linear ratio per Hz (IEEE Std 1139), offsets in Hz,
//! ascending, > 0. Between two grid points L is a straight line on log-log axes, which a table with its
//! points on the grid is exactly; a loop's response is one within 1e-4 of the integral on
//! [`Grid::fine`] (tested against quadrature).

use std::f64::consts::PI;

/// Offsets at which a spectrum is evaluated, Hz, strictly ascending.
#[derive(Clone, Debug, PartialEq)]
pub struct Grid(Vec<f64>);

impl Grid {
    /// Points per decade of [`Grid::fine`].
    pub const FINE: usize = 240;

    /// Logarithmic grid from `from` to `to` (both on it) with `per_decade` points, and with those of `also`
    /// that lie inside: table points, band edges, spots. `None` where 0 < from < to does not hold.
    pub fn new(from: f64, to: f64, per_decade: usize, also: &[f64]) -> Option<Self> {
        if !(from > 0.0 && from < to && to.is_finite()) {
            return None;
        }
        let steps = ((to / from).log10() * per_decade as f64).ceil().max(1.0);
        let ratio = (to / from).ln() / steps;
        let mut points: Vec<f64> = (1..steps as usize).map(|i| from * (ratio * i as f64).exp()).collect();
        points.extend(also.iter().filter(|f| (from..=to).contains(*f)));
        points.extend([from, to]);
        points.sort_by(f64::total_cmp);
        // A grid point that all but coincides with an asked one would only add a segment without width.
        points.dedup_by(|next, kept| *next <= *kept * (1.0 + 1e-12));
        if let Some(last) = points.last_mut() {
            *last = to;
        }
        Some(Self(points))
    }

    /// These offsets and no others, put in order; `None` where there is none, or one is not above zero.
    pub fn at(mut offsets: Vec<f64>) -> Option<Self> {
        offsets.sort_by(f64::total_cmp);
        offsets.dedup();
        let sound = offsets.iter().all(|f| *f > 0.0 && f.is_finite()) && !offsets.is_empty();
        sound.then_some(Self(offsets))
    }

    /// [`Grid::new`] with [`Grid::FINE`] points per decade.
    pub fn fine(from: f64, to: f64, also: &[f64]) -> Option<Self> {
        Self::new(from, to, Self::FINE, also)
    }

    /// The offsets, Hz.
    pub fn offsets(&self) -> &[f64] {
        &self.0
    }

    /// First and last offset, Hz.
    pub fn range(&self) -> (f64, f64) {
        (self.0[0], self.0[self.0.len() - 1])
    }
}

/// Integral of the power law through `(f0, l0)` and `(f1, l1)` from f0 to f1.
///
/// With `g = f L` it is `ln(f1/f0) (g1 - g0) / ln(g1/g0)`, whose limit at slope -1 is `g0 ln(f1/f0)`. Between near points
/// it is taken by the series of `ln(b/a) = 2 artanh y`, `y = (b - a) / (b + a)`.
/// Where a value is zero there is no power law, and the line is straight on linear axes.
pub fn power_law_segment(f0: f64, l0: f64, f1: f64, l1: f64) -> f64 {
    if l0 <= 0.0 || l1 <= 0.0 {
        return 0.5 * (l0 + l1) * (f1 - f0);
    }
    let (g0, g1) = (f0 * l0, f1 * l1);
    let (x, y) = ((f1 - f0) / (f1 + f0), (g1 - g0) / (g1 + g0));
    if x < NEAR && y.abs() < NEAR {
        return x * artanh_ratio(x * x) * (g0 + g1) / artanh_ratio(y * y);
    }
    let width = (f1 / f0).ln();
    let rise = width + (l1 / l0).ln();
    let mean = if rise.abs() < 1e-12 { 1.0 + rise / 2.0 } else { rise.exp_m1() / rise };
    f0 * l0 * width * mean
}

/// Up to here [`artanh_ratio`] holds to the last bits.
const NEAR: f64 = 0.06;

/// `artanh(y) / y` of `y^2`.
fn artanh_ratio(square: f64) -> f64 {
    const TERMS: [f64; 7] = [1.0, 1.0 / 3.0, 1.0 / 5.0, 1.0 / 7.0, 1.0 / 9.0, 1.0 / 11.0, 1.0 / 13.0];
    TERMS.iter().rev().fold(0.0, |sum, term| sum * square + term)
}

/// Integral of L over the grid, each segment a power law. `density`: one value per offset.
pub fn integrate(offsets: &[f64], density: &[f64]) -> f64 {
    segments(offsets, density).map(|[f0, l0, f1, l1]| power_law_segment(f0, l0, f1, l1)).sum()
}

/// Integral over the part of the grid in `from..=to`; both should be grid points, so that no segment is cut.
pub fn integrate_between(offsets: &[f64], density: &[f64], from: f64, to: f64) -> f64 {
    let first = offsets.partition_point(|f| *f < from);
    let end = offsets.partition_point(|f| *f <= to);
    if first < end { integrate(&offsets[first..end], &density[first..end]) } else { 0.0 }
}

/// rms phase, rad: `sqrt(2 int L df)`. Source: IEEE Std 1139, S_phi = 2 L.
pub fn rms_phase(offsets: &[f64], density: &[f64]) -> f64 {
    (2.0 * integrate(offsets, density)).sqrt()
}

/// Residual FM, Hz rms: `sqrt(2 int f^2 L df)`.
pub fn residual_fm(offsets: &[f64], density: &[f64]) -> f64 {
    let weighted = segments(offsets, density)
        .map(|[f0, l0, f1, l1]| power_law_segment(f0, f0 * f0 * l0, f1, f1 * f1 * l1));
    (2.0 * weighted.sum::<f64>()).sqrt()
}

/// rms phase between the signal and itself `delay` seconds later (a radar's range delay), rad:
/// `sqrt(int S_phi 4 sin^2(pi f delay) df)`.
///
/// The grid need not resolve the sine: each segment is cut into pieces of at most a quarter of its period
/// `1 / delay`, integrated by four-point Gauss-Legendre with L on its power law. A segment of more than a
/// thousand periods takes the mean, `4 sin^2 -> 2`, which is off by less than 1 part in 3000 of the segment.
pub fn delayed_rms_phase(offsets: &[f64], density: &[f64], delay: f64) -> f64 {
    let variance: f64 =
        segments(offsets, density).map(|segment| 2.0 * delayed_segment(segment, delay.abs())).sum();
    variance.sqrt()
}

/// Four-point Gauss-Legendre abscissae and weights on -1..1 (positive half).
/// Source: Abramowitz and Stegun, Handbook of Mathematical Functions, table 25.4.
const GAUSS: [(f64, f64); 2] =
    [(0.339_981_043_584_856_3, 0.652_145_154_862_546_1), (0.861_136_311_594_052_6, 0.347_854_845_137_453_85)];

fn delayed_segment([f0, l0, f1, l1]: [f64; 4], delay: f64) -> f64 {
    if (f1 - f0) * delay > LONG {
        return 2.0 * power_law_segment(f0, l0, f1, l1);
    }
    let slope = (l1 / l0).ln() / (f1 / f0).ln();
    let level = |f: f64| {
        if l0 > 0.0 && l1 > 0.0 { l0 * (f / f0).powf(slope) } else { l0 + (l1 - l0) * (f - f0) / (f1 - f0) }
    };
    let mut sum = 0.0;
    at_nodes(f0, f1, delay, |f, weight| sum += weight * 4.0 * (PI * f * delay).sin().powi(2) * level(f));
    sum
}

/// Periods of a segment above which the mean of the sine stands for it.
const LONG: f64 = 1000.0;

/// Calls with every node of a segment and its weight, Hz.
fn at_nodes(f0: f64, f1: f64, delay: f64, mut node: impl FnMut(f64, f64)) {
    let pieces = (4.0 * (f1 - f0) * delay).ceil().max(1.0);
    let half = 0.5 * (f1 - f0) / pieces;
    for i in 0..pieces as usize {
        let middle = f0 + half * (2 * i + 1) as f64;
        for (x, weight) in GAUSS {
            node(middle - half * x, half * weight);
            node(middle + half * x, half * weight);
        }
    }
}

fn segments<'a>(offsets: &'a [f64], density: &'a [f64]) -> impl Iterator<Item = [f64; 4]> + 'a {
    offsets.windows(2).zip(density.windows(2)).map(|(f, l)| [f[0], l[0], f[1], l[1]])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(x: f64, y: f64, relative: f64) {
        assert!((x - y).abs() <= relative * y.abs(), "{x} is not {y}");
    }

    #[test]
    fn power_laws_are_integrated_exactly() {
        let (f0, f1) = (10.0f64, 2e5f64);
        for slope in [-4, -3, -2, 0, 1, 2] {
            let exact = (f1.powi(slope + 1) - f0.powi(slope + 1)) / f64::from(slope + 1);
            close(power_law_segment(f0, f0.powi(slope), f1, f1.powi(slope)), exact, 1e-12);
        }
        // At slope -1 the logarithm, and next to it no loss of digits.
        for slope in [-1.0, -1.0 + 1e-9, -1.0 - 1e-13] {
            let got = power_law_segment(f0, f0.powf(slope), f1, f1.powf(slope));
            close(got, (f1 / f0).ln(), 2e-8);
        }
        close(power_law_segment(1.0, 0.0, 3.0, 4.0), 4.0, 1e-15);
    }

    #[test]
    fn grid_holds_its_ends_and_what_was_asked() {
        let grid = Grid::new(100.0, 1e7, 10, &[12_345.0, 1e4, 5.0, 1e8, 100.0, 1e7]).unwrap();
        let f = grid.offsets();
        assert!(f.windows(2).all(|pair| pair[0] < pair[1]));
        assert_eq!(grid.range(), (100.0, 1e7));
        assert!(f.contains(&12_345.0));
        assert_eq!(f.iter().filter(|f| (**f / 1e4 - 1.0).abs() < 1e-9).count(), 1);
        assert!(f.len() >= 51 && f.len() <= 53, "{}", f.len());
        assert!(Grid::new(0.0, 1.0, 10, &[]).is_none() && Grid::new(2.0, 1.0, 10, &[]).is_none());
    }

    #[test]
    fn parts_of_a_range_add_up() {
        let grid = Grid::new(10.0, 1e5, 7, &[333.0]).unwrap();
        let density: Vec<f64> = grid.offsets().iter().map(|f| 1e-6 / f).collect();
        let whole = integrate(grid.offsets(), &density);
        let below = integrate_between(grid.offsets(), &density, 10.0, 333.0);
        let above = integrate_between(grid.offsets(), &density, 333.0, 1e5);
        close(below + above, whole, 1e-14);
        close(below, 1e-6 * 33.3f64.ln(), 1e-12);
        assert!(integrate_between(grid.offsets(), &density, 1e6, 1e7).abs() < f64::MIN_POSITIVE);
    }

    /// Flat L: int 4 sin^2(pi f d) df = 2 (f1 - f0) - (sin 2 pi f1 d - sin 2 pi f0 d) / (pi d).
    #[test]
    fn delayed_phase_of_flat_noise_has_a_closed_form() {
        let (f0, f1, level) = (100.0, 1e6, 1e-12);
        let grid = Grid::new(f0, f1, 20, &[]).unwrap();
        let density = vec![level; grid.offsets().len()];
        for delay in [1e-9, 1e-6, 3.3e-5, 1e-3] {
            let sine = |f: f64| (2.0 * PI * f * delay).sin() / (PI * delay);
            let exact = 2.0 * level * (2.0 * (f1 - f0) - (sine(f1) - sine(f0)));
            close(delayed_rms_phase(grid.offsets(), &density, delay).powi(2), exact, 1e-7);
        }
        // Thousands of periods in a segment: the mean.
        close(delayed_rms_phase(&[f0, f1], &[level; 2], 0.1).powi(2), 4.0 * level * (f1 - f0), 1e-4);
    }

    /// The series and the logarithms meet where one ends.
    #[test]
    fn near_points_and_far_ones_are_integrated_alike() {
        for ratio in [1.0_f64 + 1e-9, 1.01, 1.05, 1.12, 1.13, 1.5] {
            for slope in [-4.0, -1.0, -0.999, 0.0, 2.0] {
                let (width, rise): (f64, f64) = (ratio.ln(), slope + 1.0);
                let exact = if rise.abs() < 1e-9 { width } else { (rise * width).exp_m1() / rise };
                close(power_law_segment(1.0, 1.0, ratio, ratio.powf(slope)), exact, 1e-11);
            }
        }
    }

    /// A short delay cancels close-in noise as (2 pi f delay)^2, which tames f^-2 to a constant.
    #[test]
    fn short_delay_cancels_close_in_noise() {
        let grid = Grid::new(10.0, 1e4, 20, &[]).unwrap();
        let density: Vec<f64> = grid.offsets().iter().map(|f| 1e-4 / (f * f)).collect();
        let delay = 1e-9;
        let exact = (2.0 * 1e-4 * (2.0 * PI * delay).powi(2) * (1e4 - 10.0)).sqrt();
        close(delayed_rms_phase(grid.offsets(), &density, delay), exact, 1e-8);
    }
}
