//! The tuning curve round the voltage aimed at: what a straight line leaves over.

use super::bent::{SLACK, Stretch};
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
    /// Its cubics: the one round the voltage aimed at, and all from the lowest on.
    cubics: Vec<Local>,
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

/// How often a leg is divided until two orders of refinement agree, or each part stays on one cubic of the curve.
const HALVINGS: u32 = 10;

impl Curve {
    pub(super) fn new(tuning: &Tuning, volts: f64, hertz: f64) -> Self {
        let slope = tuning.gain(volts) / hertz;
        let local = |at: f64| Local::of(tuning, volts, hertz, at - volts);
        let (low, high) = tuning.voltage_range();
        let mut cubics = vec![local(volts), local(low - 1.0)];
        let mut start = low;
        while start < high {
            cubics.push(local(start));
            start = tuning.jet(start).1.1;
        }
        cubics.push(local(high + 1.0));
        Self { tuning: tuning.clone(), volts, hertz, slope, straight: tuning.is_line(), cubics }
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
    #[inline]
    pub(super) fn local(&self, volts: f64) -> Local {
        match self.cubics.iter().find(|cubic| cubic.holds(volts)) {
            Some(cubic) => cubic.round(volts),
            // Between two of them by rounding.
            None => Local::of(&self.tuning, self.volts, self.hertz, volts),
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
        match motion {
            Motion::Modes(modes) => {
                self.by_cubics(Stretch { modes, from, to, drive, time }, linear, HALVINGS)
            }
            Motion::Dense(_) => self.slope * linear + self.residue(motion, from, drive, time),
        }
    }

    /// The same by modes: at once where the voltage stays on one cubic, else in parts.
    fn by_cubics<const N: usize>(&self, stretch: Stretch<'_, N>, linear: f64, left: u32) -> f64 {
        let Stretch { modes, from, to, drive, time } = stretch;
        let (volts, end) = (modes.voltage(from), modes.voltage(to));
        // Where two cubics meet, the one that the leg ends on.
        let local = self.local(volts + SLACK.copysign(end - volts)).round(volts);
        if let Some(bent) = stretch.bent(&local) {
            return local.share[0] * time + local.share[1] * (linear - volts * time) + bent;
        }
        if left == 0 {
            return panel(&|at| self.share(modes.voltage_after(from, drive, at)), 0.0, time);
        }
        let first = local.leaves(end).and_then(|knot| {
            let guess = time * (knot - volts) / (end - volts);
            modes.passes(from, drive, knot, guess).filter(|at| *at > 0.0 && *at < time)
        });
        let first = first.unwrap_or(0.5 * time);
        let (middle, part) = modes.after(from, drive, first);
        self.by_cubics(Stretch { to: &middle, time: first, ..stretch }, part, left - 1)
            + self.by_cubics(
                Stretch { from: &middle, time: time - first, ..stretch },
                linear - part,
                left - 1,
            )
    }

    /// Integral of what is beyond the slope, where the motion has no modes.
    fn residue<const N: usize>(&self, motion: &Motion<N>, from: &Vector<N>, drive: f64, time: f64) -> f64 {
        let value = |at: f64| {
            let volts = motion.voltage_after(from, drive, at);
            self.share(volts) - self.slope * volts
        };
        refine(&value, 0.0, time, panel(&value, 0.0, time), HALVINGS)
    }
}

/// One cubic of the tuning curve, round a voltage.
#[derive(Clone, Copy, Debug)]
pub(super) struct Local {
    pub volts: f64,
    /// Share of the frequency by which the oscillator is off, and its derivatives by the voltage.
    pub share: [f64; 4],
    span: (f64, f64),
}

impl Local {
    /// The cubic at a voltage from the one aimed at (V), which gives `hertz`.
    fn of(tuning: &Tuning, aimed: f64, hertz: f64, volts: f64) -> Self {
        let ([value, first, second, third], (low, high)) = tuning.jet(aimed + volts);
        Self {
            volts,
            share: [(value - hertz) / hertz, first / hertz, second / hertz, third / hertz],
            span: (low - aimed, high - aimed),
        }
    }

    /// The same cubic round another voltage.
    #[inline]
    fn round(&self, volts: f64) -> Self {
        let away = volts - self.volts;
        let [value, first, second, third] = self.share;
        let share = [
            value + away * (first + away * (0.5 * second + away * (third / 6.0))),
            first + away * (second + away * (0.5 * third)),
            second + away * third,
            third,
        ];
        Self { volts, share, span: self.span }
    }

    /// Whether a voltage, from the one aimed at, lies on this cubic.
    #[inline]
    pub(super) fn holds(&self, volts: f64) -> bool {
        volts >= self.span.0 && volts <= self.span.1
    }

    /// The end of this cubic beyond which a voltage lies.
    fn leaves(&self, volts: f64) -> Option<f64> {
        let (low, high) = self.span;
        if volts < low { Some(low) } else { (volts > high).then_some(high) }
    }
}

/// A panel by Gauss-Legendre quadrature.
fn panel(of: &impl Fn(f64) -> f64, start: f64, width: f64) -> f64 {
    width * GAUSS.iter().map(|(x, weight)| weight * of(start + width * x)).sum::<f64>()
}

/// Halves a panel until its halves add up to the whole.
fn refine(of: &impl Fn(f64) -> f64, start: f64, width: f64, whole: f64, left: u32) -> f64 {
    let half = 0.5 * width;
    let parts = [panel(of, start, half), panel(of, start + half, half)];
    let sum = parts[0] + parts[1];
    // In periods of the detector: far below what any edge is known to.
    if left == 0 || (sum - whole).abs() <= 1e-16 + 1e-13 * sum.abs() {
        return sum;
    }
    refine(of, start, half, parts[0], left - 1) + refine(of, start + half, half, parts[1], left - 1)
}
