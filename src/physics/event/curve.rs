//! The tuning curve round the voltage aimed at: what a straight line leaves over.

use super::motion::{Motion, Way};
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

    /// Share of the frequency by which the oscillator is off.
    #[inline]
    pub(super) fn share(&self, volts: f64) -> f64 {
        if self.straight { self.slope * volts } else { self.error(volts) / self.hertz }
    }

    /// The cubic round a voltage.
    pub(super) fn local(&self, volts: f64) -> Local {
        let ([value, first, second, third], (low, high)) = self.tuning.jet(self.volts + volts);
        let share = |hertz: f64| hertz / self.hertz;
        Local {
            volts,
            share: [share(value - self.hertz), share(first), share(second), share(third)],
            span: (low - self.volts, high - self.volts),
        }
    }

    /// Integral over `time` of the share by which the oscillator is off; `to`: the state then, `linear`: the integral of
    /// the voltage.
    #[inline]
    pub(super) fn integral<const N: usize>(
        &self,
        motion: &Motion<N>,
        (from, to): (&Vector<N>, &Vector<N>),
        drive: f64,
        time: f64,
        linear: f64,
    ) -> f64 {
        if self.straight {
            return self.slope * linear;
        }
        self.slope * linear + self.residue(motion, (from, to), drive, time)
    }

    fn residue<const N: usize>(
        &self,
        motion: &Motion<N>,
        (from, to): (&Vector<N>, &Vector<N>),
        drive: f64,
        time: f64,
    ) -> f64 {
        let local = self.local(motion.voltage(from));
        let Way { low, high, .. } = motion.way(from, to, drive, time);
        let whole = local.holds(low) && local.holds(high);
        let value = |at: f64| {
            let volts = motion.voltage_after(from, drive, at);
            let share = if whole { local.share_at(volts) } else { self.share(volts) };
            share - self.slope * volts
        };
        let sum = |values: &[f64; 6]| -> f64 { GAUSS.iter().zip(values).map(|((_, w), v)| w * v).sum() };
        let panel = |start: f64, width: f64| width * sum(&GAUSS.map(|(x, _)| value(start + width * x)));
        let values = GAUSS.map(|(x, _)| value(time * x));
        let first = time * sum(&values);
        if whole && is_smooth(&values, time) {
            return first;
        }
        refine(&panel, 0.0, time, first, HALVINGS)
    }
}

/// One cubic of the tuning curve, round a voltage.
#[derive(Clone, Copy, Debug)]
pub(super) struct Local {
    volts: f64,
    /// Share of the frequency by which the oscillator is off, and its derivatives by the voltage.
    pub share: [f64; 4],
    span: (f64, f64),
}

impl Local {
    /// Whether a voltage, from the one aimed at, lies on this cubic.
    #[inline]
    pub(super) fn holds(&self, volts: f64) -> bool {
        volts >= self.span.0 && volts <= self.span.1
    }

    #[inline]
    fn share_at(&self, volts: f64) -> f64 {
        let away = volts - self.volts;
        let [value, first, second, third] = self.share;
        value + away * (first + away * (0.5 * second + away * (third / 6.0)))
    }
}

/// Coefficients of the Legendre polynomials of degree 2 to 5 from the values at the nodes: weight, value and 2 n + 1.
const LEGENDRE: [[f64; 6]; 4] = [
    [0.344469, 0.140514, -0.484983, -0.484983, 0.140514, 0.344469],
    [-0.376721, 0.339803, 0.530552, -0.530552, -0.339803, 0.376721],
    [0.325349, -0.695226, 0.369877, 0.369877, -0.695226, 0.325349],
    [-0.193840, 0.584137, -0.861151, 0.861151, -0.584137, 0.193840],
];

/// Whether a function is so smooth that the rule leaves nothing over. Its Legendre coefficients fall at a rate that is seen
/// between degrees 2, 3 and 4, 5, and faster farther on; the rule's error begins with degree 12.
fn is_smooth(values: &[f64; 6], time: f64) -> bool {
    let size = |row: &[f64; 6]| row.iter().zip(values).map(|(c, v)| c * v).sum::<f64>().abs();
    let [two, three, four, five] = LEGENDRE.each_ref().map(size);
    let (before, after) = (two.max(three), four.max(five));
    // In periods: as far below what any edge is known to as for the halves of a panel.
    if after * time <= 1e-17 {
        return true;
    }
    let fall = after / before;
    fall < 0.05 && after * time * fall.powi(3) * fall.sqrt() <= 1e-17
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
