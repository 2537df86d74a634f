//! A noise budget over one fixed grid, for thousands of cases of one loop: integrals are sums with weights.
//!
//! `integral of s(f) L(f) df` is, with `g = f L` straight between grid points over ln f, a sum of `w_i L_i`. What the
//! straight lines cost is taken out with the factor by which the nominal case differs from its fine grid; what is left
//! is under 1e-4 of the integral while a case stays near the nominal one (tested).

use std::f64::consts::PI;
use std::sync::Arc;

use super::integral::Grid;
use super::noise::{Ladder, Prepared, Spectrum, table_points};
use super::part::Case;

/// Four-point Gauss-Legendre abscissae and weights on 0 .. 1.
/// Source: Abramowitz and Stegun, table 25.4.
const GAUSS: [(f64, f64); 4] = [
    (0.069_431_844_202_973_71, 0.173_927_422_568_726_93),
    (0.330_009_478_207_571_87, 0.326_072_577_431_273_07),
    (0.669_990_521_792_428_1, 0.326_072_577_431_273_07),
    (0.930_568_155_797_026_3, 0.173_927_422_568_726_93),
];

/// Points per decade: 400 and more over four decades.
pub const PER_DECADE: usize = 100;

/// What is integrated.
#[derive(Clone, Debug)]
struct Weights {
    phase: Vec<f64>,
    frequency: Vec<f64>,
    delayed: Option<Vec<f64>>,
}

/// The budget of one loop on one grid.
#[derive(Clone)]
pub struct Budget {
    over: (f64, f64),
    delay: Option<f64>,
    grid: Grid,
    prepared: Arc<Prepared>,
    weights: Arc<Weights>,
}

/// The integrals of one case.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Integrals {
    /// rms phase, rad.
    pub rms_phase: f64,
    /// Residual FM, Hz rms.
    pub residual_fm: f64,
    /// rms phase against the signal a delay ago, rad; not a number without a delay.
    pub delayed_rms_phase: f64,
}

/// Memory of one thread, kept from case to case.
#[derive(Clone, Debug, Default)]
pub struct Work {
    total: Vec<f64>,
}

impl Budget {
    /// For cases near `nominal`, from `over.0` to `over.1` Hz. `None` where that is no range.
    pub fn new(nominal: &Case, over: (f64, f64), delay: Option<f64>) -> Option<Self> {
        let grid = Grid::new(over.0, over.1, PER_DECADE, &table_points(nominal))?;
        let spectrum = Spectrum::new(nominal, &Ladder::new(nominal), over, &[])?;
        let prepared = Prepared::new(nominal, grid.clone());
        let mut total = vec![0.0; grid.offsets().len()];
        prepared.total_into(nominal, &Ladder::new(nominal), &mut total);
        let weights = |shape: &dyn Fn(f64) -> f64, rate: f64, fine: f64| {
            let mut weights = hats(grid.offsets(), shape, rate);
            let coarse = 2.0 * dot(&weights, &total);
            let factor = if coarse > 0.0 { fine * fine / coarse } else { 1.0 };
            for weight in &mut weights {
                *weight *= factor;
            }
            weights
        };
        let weights = Weights {
            phase: weights(&|_| 1.0, 0.0, spectrum.rms_phase()),
            frequency: weights(&|f| f * f, 0.0, spectrum.residual_fm()),
            delayed: delay.map(|delay| {
                let shape = move |f: f64| 4.0 * (PI * f * delay).sin().powi(2);
                weights(&shape, delay, spectrum.delayed_rms_phase(delay))
            }),
        };
        Some(Self { over, delay, grid, prepared: Arc::new(prepared), weights: Arc::new(weights) })
    }

    /// Whether it is over this range (Hz), with this delay (s).
    pub fn is_for(&self, over: (f64, f64), delay: Option<f64>) -> bool {
        (self.over, self.delay) == (over, delay)
    }

    /// The contributors on its grid.
    pub fn prepared(&self) -> &Prepared {
        &self.prepared
    }

    /// The same for a case with other tables: shapes are read again, grid and weights stay.
    #[must_use]
    pub fn with_tables_of(&self, case: &Case) -> Self {
        Self { prepared: Arc::new(Prepared::new(case, self.grid.clone())), ..self.clone() }
    }

    /// Offsets, Hz.
    pub fn offsets(&self) -> &[f64] {
        self.grid.offsets()
    }

    /// The integrals of a case.
    pub fn read(&self, case: &Case, work: &mut Work) -> Integrals {
        let Work { total } = work;
        total.resize(self.offsets().len(), 0.0);
        self.prepared.sweep_into(case, total);
        self.of(total)
    }

    /// The integrals of a density on its grid, L(f) per Hz.
    pub fn of(&self, total: &[f64]) -> Integrals {
        let Weights { phase, frequency, delayed } = &*self.weights;
        let rms = |power: f64| (2.0 * power).sqrt();
        Integrals {
            rms_phase: rms(dot(phase, total)),
            residual_fm: rms(dot(frequency, total)),
            delayed_rms_phase: delayed.as_ref().map_or(f64::NAN, |delayed| rms(dot(delayed, total))),
        }
    }
}

/// Sums that are taken side by side: each waits for its own last addition only.
const LANES: usize = 4;

fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (lanes, others) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let rest = lanes.remainder().iter().zip(others.remainder()).map(|(a, b)| a * b);
    let mut sums = [0.0; LANES];
    for (a, b) in lanes.zip(others) {
        for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
            *sum += a * b;
        }
    }
    sums.into_iter().chain(rest).sum()
}

/// Weight of each grid point: its hat over ln f times `shape`, which turns at `rate` periods per Hz.
fn hats(offsets: &[f64], shape: &dyn Fn(f64) -> f64, rate: f64) -> Vec<f64> {
    let mut weights = vec![0.0; offsets.len()];
    for i in 1..offsets.len() {
        let (low, width) = (offsets[i - 1], (offsets[i] / offsets[i - 1]).ln());
        // Four pieces a period; a segment of a thousand periods and more takes few of them for the whole.
        let pieces = (4.0 * (offsets[i] - low) * rate).ceil().clamp(1.0, 4000.0);
        for piece in 0..pieces as usize {
            for (x, weight) in GAUSS {
                let u = (piece as f64 + x) / pieces;
                let part = weight / pieces * width * shape(low * (width * u).exp());
                weights[i - 1] += part * (1.0 - u) * low;
                weights[i] += part * u * offsets[i];
            }
        }
    }
    weights
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::linear::tests::case;
    use crate::physics::part::{LevelTable, Topology};

    fn nominal() -> Case {
        let parts = [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9), ("R3", 2e3), ("C3", 0.2e-9)];
        let mut nominal = case(1e-3, 30e6, 200.0, 1e6, Topology::Passive(3), &parts);
        let table = |points: &[(f64, f64)]| LevelTable::new(points.to_vec()).map(Arc::new);
        nominal.noise.oscillator = table(&[(1e3, -62.0), (1e4, -91.0), (1e5, -114.0), (1e7, -154.0)]);
        nominal.noise.reference = table(&[(1e2, -120.0), (1e4, -150.0)]);
        nominal.noise.detector_floor = Some(-220.0);
        nominal
    }

    #[test]
    fn sums_are_the_integrals_of_the_fine_grid() {
        let (nominal, over, delay) = (nominal(), (1e3, 1e7), 30e-6);
        let budget = Budget::new(&nominal, over, Some(delay)).expect("a range");
        assert!(budget.offsets().len() >= 400);
        let mut scratch = Work::default();
        for (current, r2) in [(1.0, 1.0), (0.8, 1.1), (1.25, 0.9), (1.0, 0.7)] {
            let mut other = nominal.clone();
            other.pump.current *= current;
            other.filter.r2 *= r2;
            let found = budget.read(&other, &mut scratch);
            let fine = Spectrum::new(&other, &Ladder::new(&other), over, &[]).expect("a range");
            for (a, b) in [
                (found.rms_phase, fine.rms_phase()),
                (found.residual_fm, fine.residual_fm()),
                (found.delayed_rms_phase, fine.delayed_rms_phase(delay)),
            ] {
                assert!((a / b - 1.0).abs() < 1e-4, "{a} {b}");
            }
        }
    }

    /// The bound that trials rest on: 1e-3 of the rms phase, at bandwidths a factor of 30 apart, peaking or not; 2e-4
    /// where the loop is well damped.
    #[test]
    fn far_from_the_nominal_case_sums_cost_little() {
        let (nominal, range) = (nominal(), (1e3, 1e7));
        let budget = Budget::new(&nominal, range, None).expect("a range");
        assert!(budget.is_for(range, None) && !budget.is_for((1e3, 2e7), None));
        assert!(!budget.is_for(range, Some(30e-6)));
        for gain in [0.1, 0.3, 1.0, 3.0] {
            for r2 in [0.5, 1.0, 2.0] {
                let mut other = nominal.clone();
                other.pump.current *= gain;
                other.filter.r2 *= r2;
                let fine = Spectrum::new(&other, &Ladder::new(&other), range, &[]).expect("a range");
                let whole = budget.prepared().spectrum(&other, &Ladder::new(&other));
                let bound = if r2 < 1.0 { 1e-3 } else { 2e-4 };
                for coarse in [budget.read(&other, &mut Work::default()), budget.of(&whole.total)] {
                    let off = coarse.rms_phase / fine.rms_phase() - 1.0;
                    assert!(off.abs() < bound, "{gain} {r2}: {off}");
                }
                for ((name, a), (_, b)) in whole.shares().iter().zip(fine.shares()) {
                    assert!((a - b).abs() < 1e-3, "{gain} {r2} {name}: {a} {b}");
                }
            }
        }
    }
}
