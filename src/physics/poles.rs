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
use crate::num::brent;

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

    /// Natural logarithm of |G| and its slope over ln w.
    fn log_gain(&self, w: f64) -> (f64, f64) {
        let square = |t: f64| (w * t).powi(2);
        let z = square(self.zero);
        let (mut power, mut slope) = (1.0 + z, z / (1.0 + z) - 2.0);
        for p in self.poles() {
            let x = square(1.0 / p);
            power /= 1.0 + x;
            slope -= x / (1.0 + x);
        }
        ((self.gain / (w * w)).ln() + 0.5 * power.ln(), slope)
    }

    /// Distance of the phase from -180 deg, rad, and its slope over ln w.
    fn margin(&self, w: f64) -> (f64, f64) {
        let part = |x: f64| (x.atan(), x / (1.0 + x * x));
        let (mut phase, mut slope) = part(w * self.zero);
        for p in self.poles() {
            let (a, b) = part(w / p);
            (phase, slope) = (phase - a, slope - b);
        }
        (phase, slope)
    }

    /// Where |G| = 1, rad/s: the gain falls everywhere, by one to seven powers of w.
    fn crossing(&self) -> f64 {
        // At the gain of the bare double integrator with its zero the answer is near.
        let start = self.gain * self.zero;
        let mut x = start.max(self.gain.sqrt()).ln();
        for _ in 0..60 {
            let (value, slope) = self.log_gain(x.exp());
            let step = (value / slope).clamp(-2.0, 2.0);
            x -= step;
            if step.abs() < 1e-14 * x.abs().max(1.0) {
                break;
            }
        }
        x.exp()
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
        let margin = self.margin(crossing).0.to_degrees();
        let phase_margin = if margin < -180.0 { margin + 360.0 } else { margin };
        let bandwidth = crossing / (2.0 * PI);
        (positive(&bandwidth) && phase_margin.is_finite()).then_some(OpenReading { bandwidth, phase_margin })
    }

    /// Where the phase is -180 deg, Hz, and the gain margin there, dB; `Some(None)` where it never is, `None` where it may
    /// be so more than once.
    pub fn turn(&self) -> Option<Option<(f64, f64)>> {
        let crossover = self.phase_crossover();
        let found =
            crossover.is_finite().then(|| (crossover / (2.0 * PI), decibels(-self.log_gain(crossover).0)));
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
        let terms = Terms::new(self);
        let crossing = terms.crossing(self.crossing(), PI / self.period)?;
        Some((-terms.at(crossing)).arg().to_degrees())
    }

    /// All that is read off the loop.
    pub fn read(&self) -> Reading {
        let hertz = |w: f64| w / (2.0 * PI);
        let crossing = self.crossing();
        let crossover = self.phase_crossover();
        let (peak, closed) = self.closed(crossing);
        let gain_margin =
            if crossover.is_finite() { decibels(-self.log_gain(crossover).0) } else { crossover };
        let mut reading = Reading {
            bandwidth: hertz(crossing),
            phase_margin: self.margin(crossing).0.to_degrees(),
            gain_margin,
            phase_crossover: hertz(crossover),
            peaking: peak,
            closed_bandwidth: hertz(closed),
            ..Reading::default()
        };
        let terms = Terms::new(self);
        let half = PI / self.period;
        (reading.sampled_bandwidth, reading.sampled_phase_margin) = match terms.crossing(crossing, half) {
            Some(w) => (hertz(w), (-terms.at(w)).arg().to_degrees()),
            None => (f64::NAN, f64::NAN),
        };
        reading.sampled_gain_margin = terms.gain_margin(crossing, half);
        reading
    }

    /// Highest gain of the closed loop, dB, and where it falls through -3 dB, rad/s.
    fn closed(&self, crossing: f64) -> (f64, f64) {
        let power = |x: f64| {
            let w = x.exp();
            let lag = self.poles().iter().fold(Complex64::ONE, |all, p| all * Complex64::new(1.0, w / p));
            let forward = Complex64::new(self.gain, self.gain * w * self.zero);
            forward.norm_sqr() / (forward - lag * (w * w)).norm_sqr()
        };
        // Below the crossing the gain is near 1 and flat; the top of a loop with little lead lies at the crossing.
        const STEPS: usize = 12;
        let (low, high) = (crossing.ln() - 4.0, crossing.ln() + 0.7);
        let step = (high - low) / STEPS as f64;
        let steps = (0..=STEPS).map(|k| low + step * k as f64).map(|x| (x, power(x)));
        let top = steps.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(high, |(x, _)| x);
        let (x, negative) = brent::minimum(|x| -power(x), top - step, top + step, 1e-8);
        // Far above the crossing H falls as G does.
        let mut above = x.max(crossing.ln());
        for _ in 0..40 {
            if power(above) < 0.5 {
                break;
            }
            above += 0.7;
        }
        let fall = brent::root(|x| power(x) - 0.5, x, above).unwrap_or(f64::NAN);
        (10.0 * (-negative).log10(), fall.exp())
    }
}

/// dB of a natural logarithm of an amplitude.
fn decibels(log: f64) -> f64 {
    20.0 * log / std::f64::consts::LN_10
}

/// Partial fractions, each summed over its aliases.
struct Terms {
    /// `g T^2 / 4`, of the double pole at zero.
    double: f64,
    /// `c T / 2`, of the single one.
    single: f64,
    /// Of each further pole; the first `count` hold.
    others: [Term; MOST],
    count: usize,
    period: f64,
}

/// `r T/2 (1 + m) / (1 - m)` with `m = d exp(-j w T)`, `d = exp(-p T)`, over `|1 - m|^2 = (1 - d)^2 + 4 d sin^2(w T/2)`.
#[derive(Clone, Copy, Default)]
struct Term {
    /// `r T/2 (1 - d^2)`.
    real: f64,
    /// `r T/2 4 d`, of `sin(w T/2) cos(w T/2)`.
    imaginary: f64,
    /// (1 - d)^2.
    least: f64,
    /// 4 d.
    turning: f64,
}

impl Term {
    fn new(residue: f64, decay: f64) -> Self {
        let gap = 1.0 - decay;
        let turning = 4.0 * decay;
        Self { real: residue * gap * (1.0 + decay), imaginary: residue * turning, least: gap * gap, turning }
    }
}

impl Terms {
    fn new(poles: &Poles) -> Self {
        let mut p = poles.poles;
        let p = &mut p[..poles.count];
        for i in 1..p.len() {
            if let Some(j) = (0..i).find(|j| (p[i] / p[*j] - 1.0).abs() < APART) {
                // Moved both ways, so that what they do together changes with the square of the distance only.
                let middle = (p[i] * p[j]).sqrt();
                (p[i], p[j]) = (middle * (1.0 + 0.5 * APART), middle * (1.0 - 0.5 * APART));
            }
        }
        let half = 0.5 * poles.period;
        let mut others = [Term::default(); MOST];
        for (i, other) in others[..p.len()].iter_mut().enumerate() {
            let rest: f64 = (0..p.len()).filter(|j| *j != i).map(|j| 1.0 - p[i] / p[j]).product();
            let residue = poles.gain * (1.0 - p[i] * poles.zero) / (p[i] * rest);
            *other = Term::new(residue * half, (-p[i] * poles.period).exp());
        }
        let lags: f64 = p.iter().map(|p| 1.0 / p).sum();
        Self {
            double: poles.gain * half * half,
            single: poles.gain * (poles.zero - lags) * half,
            others,
            count: p.len(),
            period: poles.period,
        }
    }

    fn at(&self, w: f64) -> Complex64 {
        let (sine, cosine) = (0.5 * w * self.period).sin_cos();
        let (square, both) = (sine * sine, sine * cosine);
        let (mut re, mut im) = (-self.double / square, -self.single * cosine / sine);
        for term in &self.others[..self.count] {
            let over = 1.0 / (term.least + term.turning * square);
            re += term.real * over;
            im -= term.imaginary * both * over;
        }
        Complex64::new(re, im)
    }

    /// Where |L| = 1 below `half` rad/s, near the crossing of the continuous loop; `None` where it is not there.
    fn crossing(&self, near: f64, half: f64) -> Option<f64> {
        let value = |x: f64| 0.5 * self.at(x.exp()).norm_sqr().ln();
        let top = half.ln();
        let mut high = near.ln().min(top);
        while value(high) > 0.0 {
            if high >= top {
                return None;
            }
            high = (high + 0.05).min(top);
        }
        let mut low = high - 0.05;
        while value(low) <= 0.0 {
            low -= 0.1;
        }
        brent::root(value, low, high).map(f64::exp)
    }

    /// Least gain margin, dB: at half the rate, where L is real, and where L is negative real below.
    fn gain_margin(&self, near: f64, half: f64) -> f64 {
        let margin = |l: Complex64| -10.0 * l.norm_sqr().log10();
        let last = self.at(half);
        let mut least = if last.re < 0.0 { margin(last) } else { f64::INFINITY };
        const STEPS: usize = 16;
        let low = 0.25 * near.min(half);
        let ratio = (half / low).powf(1.0 / STEPS as f64);
        let (mut before, mut value) = (low, self.at(low));
        for k in 1..=STEPS {
            let w = if k == STEPS { half * (1.0 - 1e-9) } else { before * ratio };
            let next = self.at(w);
            if value.re < 0.0 && next.re < 0.0 && value.im * next.im < 0.0 {
                let root = brent::root(|w| self.at(w).im, before, w);
                least = root.map_or(least, |w| least.min(margin(self.at(w))));
            }
            (before, value) = (w, next);
        }
        least
    }
}

#[cfg(test)]
mod tests;
