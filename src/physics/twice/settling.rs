//! Settling a second time: the linear loop, as a continuous one by its modes, and as the detector samples it.
//!
//! The modes come from poles and zeros in closed product form: `E(s)/s = s P(s) / (s^2 P(s) + g (1 + s T2))` with `P` the product over the filter's poles: its poles are the roots of
//! that polynomial.

use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

use super::impedance::Factored;
use crate::num::decay::Decay;
use crate::num::expm::expm;
use crate::num::flat::flat;
use crate::num::poly::Polynomial;
use crate::physics::part::Case;

/// The linear loop after a step of its frequency.
#[derive(Clone, Debug)]
pub struct Modes {
    frequency: Decay,
    phase: Decay,
    period: f64,
}

impl Modes {
    /// `None` where the loop has no finite gain or is not stable.
    pub fn new(case: &Case) -> Option<Self> {
        let factored = Factored::new(case)?;
        // Time in detector periods keeps the coefficients within range.
        let period = 1.0 / case.detector_frequency;
        let poles: Vec<Complex64> = factored.poles.iter().map(|pole| pole * period).collect();
        let open = product(&poles)?;
        let gain = factored.gain / factored.a0 * period * period;
        let mut closed = Polynomial::new(vec![0.0, 0.0, 1.0]).times(&open).coefficients().to_vec();
        closed[0] += gain;
        closed[1] += gain * factored.zero / period;
        let leading = *closed.last()?;
        let roots = Polynomial::new(closed).roots();
        let phase = Decay::partial_fractions(&roots, |s| open.eval(s) / leading)?;
        let frequency = Decay::partial_fractions(&roots, |s| s * open.eval(s) / leading)?;
        Some(Self { frequency, phase, period })
    }

    /// Time (s) of the last instant at which a step of `step` Hz is off by more than `window` Hz.
    pub fn time(&self, step: f64, window: f64) -> Option<f64> {
        self.frequency.last_above(window / step.abs()).map(|t| t * self.period)
    }

    /// The same for the phase: `window` in cycles.
    pub fn phase_time(&self, step: f64, window: f64) -> Option<f64> {
        self.phase.last_above(window / (step.abs() * self.period)).map(|t| t * self.period)
    }
}

/// Last instants outside a window, and outside one that is 2 % wider or narrower; s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bracket {
    /// Of the window itself.
    pub time: f64,
    /// Of the wider one.
    pub wider: f64,
    /// Of the narrower one.
    pub narrower: f64,
    /// One and a half periods of the detector.
    slack: f64,
}

flat!(Bracket { time, wider, narrower, slack });

impl Bracket {
    /// Whether a time (s) lies between those of the wider and the narrower window, give or take 1.5 periods.
    pub fn holds(&self, time: f64) -> bool {
        time >= self.wider - self.slack && time <= self.narrower + self.slack
    }
}

/// What a window is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Of {
    /// Frequency, Hz for a step in Hz.
    Frequency,
    /// Phase, cycles for a step in Hz.
    Phase,
}

/// Looks at each period; more would only place the ripple more finely.
const LOOKS: u32 = 16;

/// The linear loop as the detector samples it, period by period for `periods`: every phase error is a charge that comes
/// at once, so that the ripple of the pump counts. `excess`: by how many oscillator cycles each edge of the divider comes
/// later than at the mean ratio, edge after edge from the first after the start, and the mean of that; none for a divider
/// that stays as it is. `None` where the loop has no finite gain or is still outside.
pub fn sampled(
    case: &Case,
    step: f64,
    (of, window): (Of, f64),
    periods: usize,
    excess: (impl Iterator<Item = f64>, f64),
) -> Option<Bracket> {
    let period = 1.0 / case.detector_frequency;
    let space = case.network().state_space()?;
    let (nodes, node) = (space.a.nrows(), space.c.iamax());
    let port = case.oscillator.modulation_bandwidth.map(|f| 2.0 * std::f64::consts::PI * f * period);
    let size = 1 + nodes + usize::from(port.is_some());
    let mut rates = DMatrix::zeros(size, size);
    rates.view_mut((1, 1), (nodes, nodes)).copy_from(&(&space.a * period));
    if let Some(rate) = port {
        rates[(size - 1, 1 + node)] = rate;
        rates[(size - 1, size - 1)] = -rate;
    }
    let out = if port.is_some() { size - 1 } else { 1 + node };
    rates[(0, out)] = 1.0;
    let active = case.filter.topology.is_active();
    let sign = if active { 1.0 } else { -1.0 };
    let mut kick = DVector::zeros(size);
    kick.rows_mut(1, nodes).copy_from(&(&space.b * (sign * case.loop_gain() * period * period)));
    let part = expm(&(&rates / f64::from(LOOKS)))?;
    // At rest every node stands at the tuning voltage but those that an op-amp keeps at its input's.
    let mut state = DVector::from_element(size, 1.0);
    state[0] = 0.0;
    if active {
        let kept = if nodes > case.filter.post.len() + 2 { 2 } else { 1 };
        state.rows_mut(1, kept).fill(0.0);
    }
    let level = window / step.abs() / if of == Of::Phase { period } else { 1.0 };
    let mut last = [0.0; 3];
    // The phase in units of the step over a period; a later edge is a phase that lags.
    let cycle = 1.0 / (step * case.output_divider * period);
    let (excess, mean) = excess;
    let mut due = std::iter::once(0.0).chain(excess);
    for k in 0..periods {
        let late = due.next().unwrap_or(0.0) * cycle;
        state += &kick * (state[0] + late);
        for look in 0..=LOOKS {
            if look > 0 {
                state = &part * state;
            }
            let value = if of == Of::Phase { state[0] + mean * cycle } else { state[out] }.abs();
            for (last, share) in last.iter_mut().zip([1.0, 1.02, 0.98]) {
                if value > level * share {
                    *last = k as f64 + f64::from(look) / f64::from(LOOKS);
                }
            }
        }
    }
    let inside = last.iter().all(|at| *at < periods as f64 - 2.0);
    let [time, wider, narrower] = last.map(|at| at * period);
    inside.then_some(Bracket { time, wider, narrower, slack: 1.5 * period })
}

/// `prod(1 - s/p)`, with real coefficients.
fn product(poles: &[Complex64]) -> Option<Polynomial> {
    let mut coefficients = vec![Complex64::new(1.0, 0.0)];
    for pole in poles {
        coefficients.push(Complex64::new(0.0, 0.0));
        for k in (1..coefficients.len()).rev() {
            let before = coefficients[k - 1];
            coefficients[k] -= before / pole;
        }
    }
    let real: Vec<f64> = coefficients.iter().map(|c| c.re).collect();
    real.iter().all(|c| c.is_finite()).then(|| Polynomial::new(real))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::flat::tests::comes_back;
    use crate::physics::linear::tests::case;
    use crate::physics::part::Topology;
    use crate::physics::settling_linear::LinearSettling;

    #[test]
    fn a_bracket_comes_back() {
        let bracket = Bracket { time: 1e-4, wider: -0.0, narrower: f64::INFINITY, slack: f64::NAN };
        assert_eq!(format!("{:?}", comes_back(&bracket)), format!("{bracket:?}"));
    }

    #[test]
    fn both_routes_agree() {
        let parts = [
            ("C1", 1e-8),
            ("R2", 470.0),
            ("C2", 150e-9),
            ("R3", 1e3),
            ("C3", 2.2e-9),
            ("R4", 2.2e3),
            ("C4", 0.47e-9),
        ];
        for topology in
            [Topology::Passive(2), Topology::Passive(3), Topology::Passive(4), Topology::Active(4)]
        {
            for port in [None, Some(150e3)] {
                let mut loop_case = case(2e-3, -20e6, 400.0, 1e6, topology, &parts);
                loop_case.oscillator.modulation_bandwidth = port;
                loop_case.oscillator.input_capacitance = 22e-12;
                let first = LinearSettling::new(&loop_case).expect("a loop");
                let second = Modes::new(&loop_case).expect("a loop");
                for window in [3e4, 1e3, 10.0] {
                    let pairs = [
                        (first.time(1e6, window), second.time(1e6, window)),
                        (first.phase_time(1e6, window * 1e-5), second.phase_time(1e6, window * 1e-5)),
                    ];
                    for (a, b) in pairs {
                        let (a, b) = (a.expect("settles"), b.expect("settles"));
                        assert!((a - b).abs() <= 1e-7 * a, "{topology:?} {window}: {a} {b}");
                    }
                }
            }
        }
    }

    /// Far below the detector's rate both are one loop.
    #[test]
    fn a_loop_that_is_sampled_fast_is_the_continuous_one() {
        let parts = [("C1", 1e-8), ("R2", 470.0), ("C2", 150e-9), ("R3", 1e3), ("C3", 2.2e-9)];
        for topology in [Topology::Passive(3), Topology::Active(3)] {
            let mut fast = case(2e-3, 20e6, 400.0, 50e6, topology, &parts);
            fast.oscillator.modulation_bandwidth = Some(150e3);
            let modes = Modes::new(&fast).expect("a loop");
            for (of, window, time) in
                [(Of::Frequency, 1e3, modes.time(1e6, 1e3)), (Of::Phase, 1e-2, modes.phase_time(1e6, 1e-2))]
            {
                let bracket =
                    sampled(&fast, 1e6, (of, window), 40_000, (std::iter::empty(), 0.0)).expect("settles");
                let time = time.expect("settles");
                assert!(bracket.holds(time), "{topology:?} {of:?}: {bracket:?} {time}");
                assert!((bracket.time - time).abs() < 5e-3 * time && bracket.wider <= bracket.narrower);
                assert!(!bracket.holds(0.9 * time) && !bracket.holds(1.1 * time));
            }
        }
    }

    #[test]
    fn nothing_to_close_has_no_modes() {
        let parts = [("C1", 1e-8), ("R2", 470.0), ("C2", 150e-9)];
        assert!(Modes::new(&case(0.0, 20e6, 400.0, 1e6, Topology::Passive(2), &parts)).is_none());
    }
}
