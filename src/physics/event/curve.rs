//! The tuning curve round the voltage aimed at: what a straight line leaves over.

use super::motion::Motion;
use super::system::Vector;
use crate::physics::part::Tuning;

/// Tuning curve, in volts from the voltage aimed at and in shares of the frequency aimed at.
#[derive(Clone, Debug)]
pub(super) struct Curve {
    tuning: Tuning,
    /// Voltage (V) and frequency (Hz) aimed at.
    pub volts: f64,
    pub hertz: f64,
    /// Slope there, shares per V.
    pub slope: f64,
    straight: bool,
}

/// Nodes and weights of Gauss-Legendre quadrature of degree 11 on 0..1.
const GAUSS: [(f64, f64); 6] = [
    (0.033_765_242_898_423_99, 0.085_662_246_189_585_17),
    (0.169_395_306_766_867_74, 0.180_380_786_524_069_3),
    (0.380_690_406_958_401_55, 0.233_956_967_286_345_52),
    (0.619_309_593_041_598_5, 0.233_956_967_286_345_52),
    (0.830_604_693_233_132_3, 0.180_380_786_524_069_3),
    (0.966_234_757_101_576, 0.085_662_246_189_585_17),
];

/// Halvings of a step that are tried until two orders of refinement agree, or a knot of the curve is left behind.
const HALVINGS: u32 = 10;

impl Curve {
    pub(super) fn new(tuning: &Tuning, volts: f64, hertz: f64) -> Self {
        let slope = tuning.gain(volts) / hertz;
        Self { tuning: tuning.clone(), volts, hertz, slope, straight: tuning.is_line() }
    }

    pub(super) fn is_straight(&self) -> bool {
        self.straight
    }

    /// Frequency less the one aimed at, Hz, at a voltage from the one aimed at.
    pub(super) fn error(&self, volts: f64) -> f64 {
        if self.straight {
            return self.slope * self.hertz * volts;
        }
        self.tuning.beyond(self.volts + volts) - self.hertz
    }

    /// What the straight line leaves over, as a share of the frequency aimed at.
    fn rest(&self, volts: f64) -> f64 {
        self.error(volts) / self.hertz - self.slope * volts
    }

    /// Share of the frequency by which the oscillator is off.
    #[inline]
    pub(super) fn share(&self, volts: f64) -> f64 {
        if self.straight { self.slope * volts } else { self.error(volts) / self.hertz }
    }

    /// Integral over `time` of the share by which the oscillator is off; `linear`: that of the voltage.
    #[inline]
    pub(super) fn integral<const N: usize>(
        &self,
        motion: &Motion<N>,
        from: &Vector<N>,
        drive: f64,
        time: f64,
        linear: f64,
    ) -> f64 {
        if self.straight {
            return self.slope * linear;
        }
        self.slope * linear + self.residue(motion, from, drive, time)
    }

    fn residue<const N: usize>(&self, motion: &Motion<N>, from: &Vector<N>, drive: f64, time: f64) -> f64 {
        let value = |at: f64| self.rest(motion.voltage(&motion.after(from, drive, at).0));
        let panel = |start: f64, width: f64| {
            width * GAUSS.iter().map(|(x, weight)| weight * value(start + width * x)).sum::<f64>()
        };
        refine(&panel, 0.0, time, panel(0.0, time), HALVINGS)
    }
}

/// Halves a panel until its halves add up to the whole.
fn refine(panel: &impl Fn(f64, f64) -> f64, start: f64, width: f64, whole: f64, left: u32) -> f64 {
    let half = 0.5 * width;
    let parts = [panel(start, half), panel(start + half, half)];
    let sum = parts[0] + parts[1];
    // In periods of the detector: far below what any edge is known to.
    if left == 0 || (sum - whole).abs() <= 1e-16 + 1e-13 * sum.abs() {
        return sum;
    }
    refine(panel, start, half, parts[0], left - 1) + refine(panel, start + half, half, parts[1], left - 1)
}
