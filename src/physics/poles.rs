//! The loop by its poles, for thousands of cases: no matrices, no scans, nothing allocated.
//!
//! Every filter here is of resistors and capacitors with at most one op-amp of one pole, so that all poles are real:
//! `G(s) = g (1 + s T2) / (s^2 prod (1 + s / p_i))` with `g = I |K| / (N A0)`. Its gain then falls at all
//! frequencies, |G| = 1 is crossed once, and slope and phase are sums over the poles.
//!
//! The sampled loop is `sum over k of G(s + j k 2 pi f_pd)`, summed in closed form: of `1/(s+p)` it is
//! `T/2 coth((s+p) T/2)`, of `1/s^2` it is `-T^2 / (4 sin^2(w T/2))`.
//! Source: partial fractions; the series of the hyperbolic cotangent, Abramowitz and Stegun, 4.5.67 (from memory).
//! Checked against `linear` and `sampled`, which know nothing of poles.

use std::f64::consts::PI;

use num_complex::Complex64;

use super::part::Case;

mod closed;
mod terms;

use closed::Closed;
use terms::Terms;

/// Three of the filter, one of the op-amp, one of the tuning port.
const MOST: usize = 5;

/// Poles nearer than this, relative, are moved apart: the partial fractions of a double pole are not those of two.
const APART: f64 = 1e-4;

/// Loop gain by poles.
#[derive(Clone, Copy, Debug)]
pub struct Poles {
    /// `I |K| / (N A0)`, 1/s^2.
    gain: f64,
    /// Time constant of the zero, s.
    zero: f64,
    /// The poles, rad/s; the first `count` hold.
    poles: [f64; MOST],
    count: usize,
    /// Period of the detector, s.
    period: f64,
}

/// What is read off a loop; frequencies in Hz, margins in deg and dB. Infinite: there is no such crossing and none is
/// missed; not a number: there is no value.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reading {
    /// Where |G| = 1.
    pub bandwidth: f64,
    /// Phase margin there.
    pub phase_margin: f64,
    /// Gain margin; infinite where the phase never is -180 deg.
    pub gain_margin: f64,
    /// Where the phase is -180 deg; infinite where it never is.
    pub phase_crossover: f64,
    /// Highest gain of the closed loop, dB.
    pub peaking: f64,
    /// -3 dB bandwidth of the closed loop.
    pub closed_bandwidth: f64,
    /// Unity gain of the sampled loop, below half the detector rate.
    pub sampled_bandwidth: f64,
    /// Phase margin of the sampled loop.
    pub sampled_phase_margin: f64,
    /// Gain margin of the sampled loop.
    pub sampled_gain_margin: f64,
}

/// What is read off the open loop alone; frequencies in Hz, margins in deg and dB.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OpenReading {
    /// Where |G| = 1.
    pub bandwidth: f64,
    /// Phase margin there.
    pub phase_margin: f64,
}

impl Poles {
    /// The loop of a case.
    pub fn new(case: &Case) -> Self {
        let filter = &case.filter;
        let mut new = Self {
            gain: case.loop_gain(),
            zero: filter.r2 * filter.c2,
            poles: [0.0; MOST],
            count: 0,
            period: 1.0 / case.detector_frequency,
        };
        let port = case.oscillator.input_capacitance;
        if filter.topology.is_active() {
            new.gain /= filter.c1 + filter.c2;
            new.push((filter.c1 + filter.c2) / (filter.r2 * filter.c1 * filter.c2));
            new.roots(filter.post_currents(port).whole);
            if let Some(amplifier) = case.amplifier.as_ref().filter(|a| a.gain_bandwidth.is_finite()) {
                new.push(2.0 * PI * amplifier.gain_bandwidth);
            }
        } else {
            let driving = filter.currents(port).whole;
            new.gain /= driving[0];
            new.roots(driving.map(|a| a / driving[0]));
        }
        if let Some(corner) = case.oscillator.modulation_bandwidth {
            new.push(2.0 * PI * corner);
        }
        new
    }

    fn push(&mut self, pole: f64) {
        self.poles[self.count] = pole;
        self.count += 1;
    }

    /// Adds the poles of `1 + a1 s + a2 s^2 + a3 s^3`, all real.
    fn roots(&mut self, [_, a1, a2, a3]: [f64; 4]) {
        if a3 > 0.0 {
            // The slowest first, by Newton from below, where the polynomial is monotone and convex; then a quadratic.
            let mut p = 1.0 / a1;
            for _ in 0..60 {
                let value = 1.0 + p * (-a1 + p * (a2 - p * a3));
                let slope = -a1 + p * (2.0 * a2 - 3.0 * p * a3);
                let next = p - value / slope;
                let done = (next - p).abs() <= 4.0 * f64::EPSILON * p;
                p = next;
                if done {
                    break;
                }
            }
            self.push(p);
            // (1 + s/p)(1 + b1 s + b2 s^2)
            self.roots([1.0, a1 - 1.0 / p, a3 * p, 0.0]);
        } else if a2 > 0.0 {
            let root = (a1 * a1 - 4.0 * a2).max(0.0).sqrt();
            let fast = 0.5 * (a1 + root) / a2;
            self.push(1.0 / (a2 * fast));
            self.push(fast);
        } else if a1 > 0.0 {
            self.push(1.0 / a1);
        }
    }

    fn poles(&self) -> &[f64] {
        &self.poles[..self.count]
    }

    /// Open loop at `w` rad/s.
    pub fn open_loop(&self, w: f64) -> Complex64 {
        let lag = self.poles().iter().fold(Complex64::ONE, |all, p| all * Complex64::new(1.0, w / p));
        Complex64::new(1.0, w * self.zero) * (-self.gain / (w * w)) / lag
    }

    /// Natural logarithm of |G|.
    fn log_gain(&self, w: f64) -> f64 {
        let more = |t: f64| 1.0 + (w * t).powi(2);
        let power = self.poles().iter().fold(more(self.zero), |power, p| power / more(1.0 / p));
        (self.gain / (w * w)).ln() + 0.5 * power.ln()
    }

    /// Distance of the phase from -180 deg, rad.
    fn margin(&self, w: f64) -> f64 {
        self.poles().iter().fold((w * self.zero).atan(), |phase, p| phase - (w / p).atan())
    }

    /// Where |G| = 1, rad/s: the gain falls everywhere.
    fn crossing(&self) -> f64 {
        // Over y = w^2: y^2 prod (1 + y / p_i^2) = g^2 (1 + y T2^2). But for the right side's all terms are above zero, so
        // that Newton's rule comes down from any point above the only root, as that of the bare double integrator with its
        // zero is.
        let mut lag = [0.0; MOST + 1];
        lag[0] = 1.0;
        for (order, p) in self.poles().iter().enumerate() {
            let over = 1.0 / (p * p);
            for k in (1..order + 2).rev() {
                lag[k] += lag[k - 1] * over;
            }
        }
        let (still, rising) = (self.gain * self.gain, (self.gain * self.zero).powi(2));
        let mut y = 0.5 * (rising + (rising * rising + 4.0 * still).sqrt());
        for _ in 0..100 {
            let (mut value, mut slope) = (0.0, 0.0);
            for a in lag.iter().rev() {
                (value, slope) = (value * y + a, slope * y + value);
            }
            let off = y * y * value - rising * y - still;
            let step = off / (y * (2.0 * value + y * slope) - rising);
            y -= step;
            if step.abs() <= 1e-9 * y {
                break;
            }
        }
        y.sqrt()
    }

    /// Where the phase is -180 deg, rad/s; infinite where it never is again.
    fn phase_crossover(&self) -> f64 {
        let lags: f64 = self.poles().iter().map(|p| 1.0 / p).sum();
        if self.count < 2 || lags >= self.zero {
            // One pole alone never takes back what the zero gives; with more lag than lead there is no margin at all.
            return f64::INFINITY;
        }
        // Positive at first, negative far above the fastest pole, and -180 deg no more than twice: once.
        self.crossovers().next().map_or(f64::INFINITY, f64::sqrt)
    }

    /// Bandwidth and phase margin; `None` where gain or parts are zero or not finite.
    pub fn open(&self) -> Option<OpenReading> {
        let positive = |x: &f64| *x > 0.0 && x.is_finite();
        let sound = [self.gain, self.zero].iter().chain(self.poles()).all(positive) && self.count > 0;
        let crossing = if sound { self.crossing() } else { return None };
        // Told within -180 .. 180 deg.
        let margin = self.margin(crossing).to_degrees();
        let phase_margin = if margin < -180.0 { margin + 360.0 } else { margin };
        let bandwidth = crossing / (2.0 * PI);
        (positive(&bandwidth) && phase_margin.is_finite()).then_some(OpenReading { bandwidth, phase_margin })
    }

    /// Where the phase is -180 deg, Hz, and the gain margin there, dB; `Some(None)` where it never is, `None` where it may
    /// be so more than once.
    pub fn turn(&self) -> Option<Option<(f64, f64)>> {
        let crossover = self.phase_crossover();
        let found =
            crossover.is_finite().then(|| (crossover / (2.0 * PI), decibels(-self.log_gain(crossover))));
        (self.crossovers().count() == usize::from(found.is_some())).then_some(found)
    }

    /// w^2 where the phase is -180 deg: `A(s) = (1 + s T2) prod (1 - s / p_i)` turns as G does, and is real and positive
    /// there.
    fn crossovers(&self) -> impl Iterator<Item = f64> {
        let mut a = [0.0; MOST + 2];
        (a[0], a[1]) = (1.0, self.zero);
        for (order, pole) in self.poles().iter().enumerate() {
            for k in (1..order + 3).rev() {
                a[k] -= a[k - 1] / pole;
            }
        }
        // Im A = w (a1 - a3 y + a5 y^2) with y = w^2.
        let [a0, a1, a2, a3, a4, a5, a6] = a;
        let real = move |y: f64| a0 - y * (a2 - y * (a4 - y * a6));
        let root = (a3 * a3 - 4.0 * a1 * a5).sqrt();
        let large = 0.5 * (a3 + root.copysign(a3));
        let roots = if a5 == 0.0 { [a1 / a3, f64::NAN] } else { [large / a5, a1 / large] };
        roots.into_iter().filter(move |y| *y > 0.0 && y.is_finite() && real(*y) > 0.0)
    }

    /// The sampled open loop at `w` rad/s below half the detector rate.
    pub fn sampled(&self, w: f64) -> Complex64 {
        Terms::new(self).at(w)
    }

    /// Phase margin of the sampled loop alone, deg; `None` where there is no unity gain below half the detector rate.
    pub fn sampled_phase_margin(&self) -> Option<f64> {
        let unity = Terms::new(self).crossing(self.crossing(), PI / self.period);
        unity.map(|(_, margin)| margin.to_degrees())
    }

    /// All that is read off the loop.
    pub fn read(&self) -> Reading {
        let hertz = |w: f64| w / (2.0 * PI);
        let crossing = self.crossing();
        let crossover = self.phase_crossover();
        let (peak, closed) = Closed::new(self).read(crossing);
        let gain_margin = if crossover.is_finite() { decibels(-self.log_gain(crossover)) } else { crossover };
        let mut reading = Reading {
            bandwidth: hertz(crossing),
            phase_margin: self.margin(crossing).to_degrees(),
            gain_margin,
            phase_crossover: hertz(crossover),
            peaking: peak,
            closed_bandwidth: hertz(closed),
            ..Reading::default()
        };
        let terms = Terms::new(self);
        let half = PI / self.period;
        (reading.sampled_bandwidth, reading.sampled_phase_margin) = match terms.crossing(crossing, half) {
            Some((w, margin)) => (hertz(w), margin.to_degrees()),
            None => (f64::NAN, f64::NAN),
        };
        reading.sampled_gain_margin = terms.gain_margin(crossing, half);
        reading
    }
}

/// dB of a natural logarithm of an amplitude.
fn decibels(log: f64) -> f64 {
    20.0 * log / std::f64::consts::LN_10
}

#[cfg(test)]
mod tests;
