//! The closed loop by the poles of the open one: its peak, and where it falls.

use super::{MOST, Poles};
use crate::num::{brent, newton};

/// `|H|^2 = g^2 (1 + y T2^2) / |Q|^2` over `y = w^2`, with `Q = g (1 + s T2) + s^2 prod (1 + s / p_i)`.
pub(super) struct Closed {
    /// g^2.
    gain: f64,
    /// T2^2.
    zero: f64,
    /// Real part of Q, and imaginary part over w, by powers of y.
    re: [f64; 4],
    im: [f64; 4],
}

impl Closed {
    pub(super) fn new(poles: &Poles) -> Self {
        let mut q = [0.0; MOST + 3];
        q[2] = 1.0;
        for (order, p) in poles.poles().iter().enumerate() {
            for k in (3..order + 4).rev() {
                q[k] += q[k - 1] / p;
            }
        }
        (q[0], q[1]) = (poles.gain, poles.gain * poles.zero);
        Self {
            gain: poles.gain * poles.gain,
            zero: poles.zero * poles.zero,
            re: [q[0], -q[2], q[4], -q[6]],
            im: [q[1], -q[3], q[5], -q[7]],
        }
    }

    /// Highest gain of the closed loop, dB, and where it falls through -3 dB, rad/s.
    /// `crossing`: where the open loop crosses unity gain, rad/s.
    pub(super) fn read(&self, crossing: f64) -> (f64, f64) {
        // Below the crossing the gain is near 1 and flat; the top of a loop with little lead lies at the crossing.
        const STEPS: i32 = 12;
        let middle = crossing * crossing;
        let (low, ratio) = (middle * (-8.0_f64).exp(), (2.0 * 4.7 / f64::from(STEPS)).exp());
        let steps = (0..=STEPS).scan(low, |y, _| Some(std::mem::replace(y, *y * ratio)));
        let steps = steps.map(|y| (y, self.power(y)));
        let top = steps.max_by(|a, b| a.1.total_cmp(&b.1)).map_or(low, |(y, _)| y);
        let (before, after) = (top / ratio, top * ratio);
        let peak = if self.rise(before).0 > 0.0 && self.rise(after).0 < 0.0 {
            newton::root(|y| self.rise(y), (after, before), top)
        } else {
            brent::minimum(|x| -self.power(x.exp()), before.ln(), after.ln(), 1e-8).0.exp()
        };
        // Far above the crossing H falls as G does.
        let above = (0..40).scan(peak.max(middle), |y, _| Some(std::mem::replace(y, *y * 4.0)));
        let below_half = |y: &f64| self.above_half(*y).0 < 0.0;
        let fall = above.into_iter().find(below_half).filter(|_| self.above_half(peak).0 >= 0.0);
        let fall = fall.map_or(f64::NAN, |above| {
            newton::root(|y| self.above_half(y), (above, peak), (2.0 * middle).clamp(peak, above))
        });
        (10.0 * self.power(peak).log10(), fall.sqrt())
    }

    fn forward(&self, y: f64) -> f64 {
        self.gain * (1.0 + y * self.zero)
    }

    /// |H|^2.
    fn power(&self, y: f64) -> f64 {
        let value = |[a, b, c, d]: [f64; 4]| a + y * (b + y * (c + y * d));
        let (re, im) = (value(self.re), value(self.im));
        self.forward(y) / (re * re + y * im * im)
    }

    /// |Q|^2 with its first two derivatives over y.
    fn below(&self, y: f64) -> [f64; 3] {
        let jet = |[a, b, c, d]: [f64; 4]| {
            let (first, second) = (b + y * (2.0 * c + 3.0 * y * d), 2.0 * c + 6.0 * y * d);
            [a + y * (b + y * (c + y * d)), first, second]
        };
        let ([re, re1, re2], [im, im1, im2]) = (jet(self.re), jet(self.im));
        [
            re * re + y * im * im,
            2.0 * (re * re1 + y * im * im1) + im * im,
            2.0 * (re1 * re1 + re * re2 + y * (im1 * im1 + im * im2)) + 4.0 * im * im1,
        ]
    }

    /// Rise of |H|^2 over y, with a factor above zero, and the slope of that.
    fn rise(&self, y: f64) -> (f64, f64) {
        let [q, q1, q2] = self.below(y);
        let forward = 1.0 + y * self.zero;
        (self.zero * q - forward * q1, -forward * q2)
    }

    /// Above zero where |H|^2 is above one half, with its slope.
    fn above_half(&self, y: f64) -> (f64, f64) {
        let [q, q1, _] = self.below(y);
        (2.0 * self.forward(y) - q, 2.0 * self.gain * self.zero - q1)
    }
}
