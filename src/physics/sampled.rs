//! The loop as the detector sees it: once per period T.
//!
//! Between two looks the filter and the oscillator's phase move freely, by the exact exponential of their state
//! space. At each look the pump puts in its charge at once: a phase error of e cycles is a charge `I T e`. The state
//! thus goes from look to look by a matrix, and the open loop is `L(z) = c (z - A)^-1 A b`.
//!
//! Source: method as in P. K. Hanumolu et al., Analysis of charge-pump phase-locked loops, IEEE Trans. CAS-I 51(9),
//! 2004. For two and three states the results are those of F. M. Gardner, Charge-Pump Phase-Lock Loops, IEEE Trans.
//! Commun. COM-28(11), 1980.

use std::f64::consts::PI;
use std::sync::OnceLock;

use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

use super::PhysicsError;
use super::part::Case;
use crate::num::brent;
use crate::num::expm::expm;

/// The sampled loop of one case; what is read off it is found when asked for.
#[derive(Clone, Debug)]
pub struct Sampled {
    period: f64,
    /// One period of free motion; the first state is the phase, in cycles at the detector.
    free: DMatrix<f64>,
    /// Effect of a phase error of one cycle, a period later.
    moved: DVector<f64>,
    poles: OnceLock<Vec<Complex64>>,
    margins: OnceLock<SampledMargins>,
}

/// Margins of the sampled loop, all read below half the detector rate. `None`: there is no such crossing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SampledMargins {
    /// Where |L| = 1, Hz; of several, the one with the least phase margin.
    pub bandwidth: Option<f64>,
    /// Phase margin there, deg.
    pub phase_margin: Option<f64>,
    /// Least gain margin, dB. Half the detector rate counts as a crossover where L, which is real there, is negative.
    pub gain_margin: Option<f64>,
    /// Where that is, Hz.
    pub phase_crossover: Option<f64>,
    /// Highest gain of the closed loop, dB.
    pub peaking: Option<f64>,
    /// Highest frequency at which the closed loop falls through -3 dB, Hz.
    pub closed_bandwidth: Option<f64>,
}

/// States of the largest loop: phase, tuning port, and the nodes of an active filter of fourth order.
const MOST_STATES: usize = 7;

/// Points per decade of the scan for crossings.
const SCAN: usize = 24;

/// The scan goes down from half the detector rate until |L| is above this, or for eight decades.
const HIGH_GAIN: f64 = 1e3;

impl Sampled {
    /// The sampled loop of a case.
    ///
    /// # Errors
    /// [`PhysicsError::Degenerate`] where gain, current, parts or detector frequency are zero or not finite.
    pub fn new(case: &Case) -> Result<Self, PhysicsError> {
        let period = 1.0 / case.detector_frequency;
        let gain = case.loop_gain();
        if !(period.is_finite() && period > 0.0 && gain.is_finite() && gain > 0.0) {
            return Err(PhysicsError::Degenerate(
                "pump current, oscillator gain, feedback ratio and detector frequency must not be zero",
            ));
        }
        let degenerate = PhysicsError::Degenerate("the filter has no finite time constants");
        let (rates, kick) = motion(case, period, gain).ok_or_else(|| degenerate.clone())?;
        let free = propagate(rates).ok_or_else(|| degenerate.clone())?;
        let moved = &free * kick;
        let size = free.nrows();
        let finite = free.iter().chain(moved.iter()).all(|x| x.is_finite());
        // Nothing comes back from the phase, nothing goes into the charge: both stay exactly so.
        let apart = (1..size).all(|i| free[(i, 0)] == 0.0 && free[(size - 1, i - 1)] == 0.0);
        if !finite || !apart || !(2..=MOST_STATES).contains(&size) {
            return Err(degenerate);
        }
        Ok(Self { period, free, moved, poles: OnceLock::new(), margins: OnceLock::new() })
    }

    /// Poles of the closed loop in the z plane.
    pub fn poles(&self) -> &[Complex64] {
        self.poles.get_or_init(|| {
            let mut closed = self.free.clone();
            let mut phase = closed.column_mut(0);
            phase -= &self.moved;
            closed.complex_eigenvalues().iter().copied().collect()
        })
    }

    /// Whether every pole lies inside the unit circle.
    pub fn is_stable(&self) -> bool {
        self.poles().iter().all(|pole| pole.norm() < 1.0)
    }

    /// Margins.
    pub fn margins(&self) -> &SampledMargins {
        self.margins.get_or_init(|| self.find_margins())
    }

    /// Phase margin alone, deg: much less work, where nothing else is asked for.
    pub fn phase_margin(&self) -> Option<f64> {
        match self.margins.get() {
            Some(margins) => margins.phase_margin,
            None => self.unity(&self.scan()).1,
        }
    }

    /// Open loop at `f` Hz, `L(e^(j 2 pi f T))`; not a number where f is a multiple of the detector rate.
    pub fn open_loop(&self, f: f64) -> Complex64 {
        let z = Complex64::from_polar(1.0, 2.0 * PI * f * self.period);
        let (free, last) = (&self.free, self.free.nrows() - 1);
        let charge = self.moved[last] / (z - free[(last, last)]);
        // What lies between phase and charge: voltages, driven by the charge.
        let between = last - 1;
        let mut rows = [[Complex64::ZERO; MOST_STATES - 1]; MOST_STATES - 2];
        for (i, row) in rows[..between].iter_mut().enumerate() {
            for (j, entry) in row[..between].iter_mut().enumerate() {
                entry.re = -free[(i + 1, j + 1)];
            }
            row[i] += z;
            row[between] = charge * free[(i + 1, last)] + self.moved[i + 1];
        }
        eliminate(&mut rows[..between]);
        let mut phase = charge * free[(0, last)] + self.moved[0];
        for (j, row) in rows[..between].iter().enumerate() {
            phase += row[between] * free[(0, j + 1)];
        }
        phase / (z - free[(0, 0)])
    }

    fn closed_loop(&self, f: f64) -> Complex64 {
        let l = self.open_loop(f);
        l / (1.0 + l)
    }

    /// The open loop from half the detector rate down, with its frequencies in Hz.
    fn scan(&self) -> Vec<(f64, Complex64)> {
        let half = 0.5 / self.period;
        let mut scan = vec![(half, self.open_loop(half))];
        for k in 1..=8 * SCAN {
            let f = half * 10f64.powf(-(k as f64) / SCAN as f64);
            let l = self.open_loop(f);
            scan.push((f, l));
            if l.norm_sqr() > HIGH_GAIN * HIGH_GAIN {
                break;
            }
        }
        scan
    }

    /// Where |L| = 1, Hz, and the phase margin there, deg: of several the one with the least.
    fn unity(&self, scan: &[(f64, Complex64)]) -> (Option<f64>, Option<f64>) {
        let mut least: (Option<f64>, Option<f64>) = (None, None);
        for pair in scan.windows(2) {
            let [(above, high), (below, low)] = [pair[0], pair[1]];
            if (high.norm_sqr() < 1.0) != (low.norm_sqr() < 1.0) {
                let f = brent::root(|f| self.open_loop(f).norm_sqr().ln(), below, above);
                let margin = f.map(|f| (-self.open_loop(f)).arg().to_degrees());
                if least.1.is_none_or(|least| margin.is_some_and(|m| m < least)) {
                    least = (f, margin);
                }
            }
        }
        least
    }

    fn find_margins(&self) -> SampledMargins {
        let half = 0.5 / self.period;
        let scan = self.scan();
        let (bandwidth, phase_margin) = self.unity(&scan);
        let mut margins = SampledMargins { bandwidth, phase_margin, ..SampledMargins::default() };
        let mut crossovers = Vec::new();
        if scan[0].1.re < 0.0 {
            crossovers.push(half);
        }
        for pair in scan.windows(2) {
            let [(above, high), (below, low)] = [pair[0], pair[1]];
            // L is real at half the rate itself: its imaginary part there is rounding.
            if above < half && high.re < 0.0 && low.re < 0.0 && high.im * low.im < 0.0 {
                crossovers.extend(brent::root(|f| self.open_loop(f).im, below, above));
            }
        }
        let gain_margin = |f: f64| -20.0 * self.open_loop(f).norm().log10();
        let least = crossovers.into_iter().map(|f| (f, gain_margin(f))).min_by(|a, b| a.1.total_cmp(&b.1));
        (margins.phase_crossover, margins.gain_margin) = least.unzip();
        let gains: Vec<f64> = scan.iter().map(|(_, l)| (l / (1.0 + l)).norm()).collect();
        let top = (0..gains.len()).max_by(|a, b| gains[*a].total_cmp(&gains[*b])).unwrap_or(0);
        let (high, low) = (scan[top.saturating_sub(1)].0, scan[(top + 1).min(scan.len() - 1)].0);
        let (_, negative) = brent::minimum(|f| -self.closed_loop(f).norm(), low, high, 1e-9);
        margins.peaking = Some(20.0 * gains[top].max(-negative).log10());
        let falls = (1..gains.len()).find(|&k| gains[k - 1].powi(2) < 0.5 && gains[k].powi(2) >= 0.5);
        margins.closed_bandwidth = falls
            .and_then(|k| brent::root(|f| self.closed_loop(f).norm_sqr() - 0.5, scan[k].0, scan[k - 1].0));
        margins
    }
}

/// Solves equations whose rows end with their right side, which the unknowns replace; none is a number where there is no
/// solution.
fn eliminate(rows: &mut [[Complex64; MOST_STATES - 1]]) {
    let size = rows.len();
    for k in 0..size {
        let pivot = (k..size).max_by(|a, b| rows[*a][k].norm_sqr().total_cmp(&rows[*b][k].norm_sqr()));
        rows.swap(k, pivot.unwrap_or(k));
        let (above, below) = rows.split_at_mut(k + 1);
        let top = &above[k];
        let over = 1.0 / top[k];
        for row in below {
            let factor = row[k] * over;
            for j in k + 1..=size {
                row[j] -= factor * top[j];
            }
        }
    }
    for k in (0..size).rev() {
        let rest: Complex64 = (k + 1..size).map(|j| rows[k][j] * rows[j][size]).sum();
        rows[k][size] = (rows[k][size] - rest) / rows[k][k];
    }
}

/// Rates of the states times the period, and what a phase error of one cycle adds to them at once.
///
/// The states are the phase, the voltage behind the pole of the tuning port where there is one, the node voltages of
/// the filter but one, and the charge put into it. Voltages are in units of `N / (K T)`, which moves the phase by one
/// cycle in a period. Charge as a state, and phase and charge at the two ends, where elimination never mixes them
/// with the rest, keep both integrators exact however far the filter's poles lie from the rate.
fn motion(case: &Case, period: f64, gain: f64) -> Option<(DMatrix<f64>, DVector<f64>)> {
    let space = case.network().state_space()?;
    let nodes = space.a.nrows();
    let port_pole = case.oscillator.modulation_bandwidth.map(|f| 2.0 * PI * f * period);
    let size = nodes + 1 + usize::from(port_pole.is_some());
    let sign = if case.filter.topology.is_active() { -1.0 } else { 1.0 };
    let (to, back) = charge_states(&space.a, &space.b, space.c.iamax())?;
    let filter = size - nodes;
    let mut rates = DMatrix::zeros(size, size);
    rates.view_mut((filter, filter), (nodes, nodes)).copy_from(&(&to * &space.a * &back * period));
    rates.row_mut(size - 1).fill(0.0);
    let read = space.c.transpose() * back;
    let mut kick = DVector::zeros(size);
    kick.rows_mut(filter, nodes).copy_from(&(to * &space.b * (sign * gain * period * period)));
    match port_pole {
        Some(rate) => {
            rates[(0, 1)] = 1.0;
            rates[(1, 1)] = -rate;
            rates.view_mut((1, filter), (1, nodes)).copy_from(&(read * rate));
        }
        None => rates.view_mut((0, filter), (1, nodes)).copy_from(&read),
    }
    let finite = rates.iter().chain(kick.iter()).all(|x: &f64| x.is_finite());
    finite.then_some((rates, kick))
}

/// One period of free motion from the rates.
///
/// The phase follows the filter so slowly, against its fastest pole, that it would drown in the rounding of the
/// exponential; in units in which its rate is like that pole's it does not.
fn propagate(mut rates: DMatrix<f64>) -> Option<DMatrix<f64>> {
    let unit = rates.amax();
    rates.row_mut(0).scale_mut(unit);
    let mut free = expm(&rates)?;
    for column in 1..free.ncols() {
        free[(0, column)] /= unit;
    }
    Some(free)
}

/// The change of states that puts the charge last, as the mean voltage that it makes, and its inverse. The charge is the combination of node voltages that no resistor changes: `q A = 0`.
fn charge_states(a: &DMatrix<f64>, b: &DVector<f64>, output: usize) -> Option<(DMatrix<f64>, DMatrix<f64>)> {
    let size = a.nrows();
    // Charge left alone holds the output at some voltage, so that the output's equation in q A = 0 follows from the
    // others; in its place stands q b > 0.
    let mut equations = a.transpose();
    let scale = equations.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
    equations /= scale;
    equations.row_mut(output).copy_from(&(b.transpose() / b.amax()));
    let mut right = DVector::zeros(size);
    right[output] = 1.0;
    let q = equations.lu().solve(&right)?;
    let q = &q / q.lp_norm(1);
    let pivot = q.iamax();
    let mut to = DMatrix::zeros(size, size);
    to.row_mut(size - 1).copy_from(&q.transpose());
    for (row, node) in (0..size).filter(|node| *node != pivot).enumerate() {
        to[(row, node)] = 1.0;
    }
    let back = to.clone().try_inverse()?;
    Some((to, back))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::linear::Linear;
    use crate::physics::linear::tests::case;
    use crate::physics::part::Topology;

    const PARTS: [(&str, f64); 7] = [
        ("C1", 1e-8),
        ("R2", 470.0),
        ("C2", 150e-9),
        ("R3", 1e3),
        ("C3", 2.2e-9),
        ("R4", 2.2e3),
        ("C4", 0.47e-9),
    ];

    #[test]
    fn far_below_the_rate_the_sampled_loop_is_the_continuous_one() {
        for topology in [Topology::Passive(2), Topology::Passive(4), Topology::Active(3), Topology::Active(4)]
        {
            let mut fast = case(5e-3, 20e6, 400.0, 1e9, topology, &PARTS);
            for port in [None, Some(300e3)] {
                fast.oscillator.modulation_bandwidth = port;
                let sampled = Sampled::new(&fast).expect("a loop");
                let continuous = Linear::new(&fast).expect("a loop");
                assert!(sampled.is_stable());
                let (s, c) = (sampled.margins(), continuous.margins());
                let ratio = s.bandwidth.expect("crosses") / c.bandwidth.expect("crosses");
                assert!((ratio - 1.0).abs() < 1e-3, "{topology:?} {ratio}");
                let part = s.phase_margin.expect("crosses") - c.phase_margin.expect("crosses");
                assert!(part.abs() < 0.01, "{topology:?} {part}");
                assert!((s.peaking.expect("a peak") - c.peaking).abs() < 1e-2, "{topology:?} {s:?} {c:?}");
            }
        }
    }

    /// At the rate where a pole reaches -1, the gain margin is 0 dB; beyond, the loop is unstable.
    #[test]
    fn the_gain_margin_says_where_the_loop_turns_unstable() {
        for (name, topology) in [("passive", Topology::Passive(3)), ("active", Topology::Active(4))] {
            let base = case(5e-3, 20e6, 400.0, 100e3, topology, &PARTS);
            let margin = Sampled::new(&base).expect("a loop").margins().gain_margin.expect("a crossover");
            for (change, stable) in [(-0.01, true), (0.01, false)] {
                let mut driven = base.clone();
                driven.pump.current *= 10f64.powf((margin + change) / 20.0);
                assert_eq!(Sampled::new(&driven).expect("a loop").is_stable(), stable, "{name} {change}");
            }
        }
    }

    /// 1 + L is the ratio of closed to open characteristic polynomials.
    #[test]
    fn poles_and_open_loop_tell_the_same() {
        let sampled =
            Sampled::new(&case(5e-3, 20e6, 400.0, 150e3, Topology::Passive(4), &PARTS)).expect("a loop");
        let open = sampled.free.complex_eigenvalues();
        for f in [1e3, 20e3, 60e3, 75e3] {
            let z = Complex64::from_polar(1.0, 2.0 * PI * f * sampled.period);
            let closed: Complex64 = sampled.poles().iter().map(|p| z - p).product();
            let ratio = closed / open.iter().map(|p| z - p).product::<Complex64>();
            let sum = 1.0 + sampled.open_loop(f);
            assert!((sum - ratio).norm() < 1e-8 * sum.norm(), "{f}: {sum} {ratio}");
        }
    }

    #[test]
    fn nothing_to_close_is_refused() {
        assert!(Sampled::new(&case(0.0, 20e6, 400.0, 150e3, Topology::Passive(4), &PARTS)).is_err());
        assert!(Sampled::new(&case(5e-3, 20e6, 400.0, 0.0, Topology::Passive(4), &PARTS)).is_err());
        assert!(Sampled::new(&case(5e-3, 20e6, 400.0, 150e3, Topology::Passive(4), &PARTS[..3])).is_err());
    }
}
