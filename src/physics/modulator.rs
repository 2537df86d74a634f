//! The modulator of a fractional divider: a cascade of accumulators, step by step in whole numbers.
//!
//! Each of the m accumulators adds the contents of the one before it (the first adds the numerator of the
//! fraction) modulo the denominator; its carries, differenced once more for each stage, add up to what is
//! added to the divider's integer part. Source: B. Miller and R. J. Conley, IEEE Trans. IM-40, 1991; T. A. D.
//! Riley et al., IEEE JSSC 28(5), 1993 (both from memory). Checked against the check values DS-SIM.

use std::f64::consts::PI;

use num_bigint::BigUint;
use num_complex::Complex64;
use num_traits::Zero;

use crate::num::fourier;

/// Highest order.
pub const HIGHEST_ORDER: u32 = 6;

/// Detector periods up to which a sequence counts by its lines: then they are `f_pd / 4096` apart or more, and
/// each stands alone in the loop's band. Longer ones count as noise by formula. Our rule, no source.
pub const LONGEST_OF_LINES: u64 = 4096;

/// Most lines of a first-order sequence, strongest first; the last is 60 dB below the first.
const MOST_HARMONICS: u64 = 1000;

/// A modulator at work on one fraction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Modulator {
    order: u32,
    modulus: u64,
    word: u64,
    start: u64,
}

/// Whether the modulator's error counts as noise or by its lines; never both.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counted {
    /// By the formula of its quantisation noise.
    Noise,
    /// By the lines of the sequence.
    Lines,
}

/// A line of the phase error that the modulator puts on the divided oscillator.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Offset from the carrier, Hz.
    pub offset: f64,
    /// Amplitude of one sideband over the carrier before the loop acts, for a divider that steps by one
    /// oscillator period: half the peak phase, rad.
    pub amplitude: f64,
}

impl Modulator {
    /// Order m (1 to 6), denominator and numerator of the fraction, and what the first accumulator holds at the
    /// start (the others hold nothing). `None` where the fraction is not between 0 and 1, where it has nothing to
    /// do, or where the order or the start is out of range.
    pub fn new(order: u32, modulus: u64, word: u64, start: u64) -> Option<Self> {
        let fits = (1..=HIGHEST_ORDER).contains(&order) && 0 < word && word < modulus && start < modulus;
        fits.then_some(Self { order, modulus, word, start })
    }

    /// Order m.
    pub fn order(&self) -> u32 {
        self.order
    }

    /// What is added to the divider's integer part, detector period by detector period, without end.
    ///
    /// Before the start no accumulator has carried.
    pub fn sequence(&self) -> Sequence {
        let mut contents = [0; HIGHEST_ORDER as usize];
        contents[0] = self.start;
        Sequence {
            modulator: *self,
            contents,
            carries: [[0; HIGHEST_ORDER as usize]; HIGHEST_ORDER as usize],
        }
    }

    /// Detector periods after which the sequence repeats, exact.
    ///
    /// Contents after n periods are sums of binomials in n, and a state that comes back does so at every
    /// multiple of the period alone: from a multiple that is known, factors are taken off while it still comes
    /// back. That the divider repeats no sooner than the accumulators: a difference of contents that the m
    /// differences of the output don't see is a polynomial in n, bounded, hence constant, hence zero.
    pub fn period(&self) -> u64 {
        let common = gcd(self.modulus, self.word);
        // The first accumulator comes back after this, and the others not before.
        let first = self.modulus / common;
        let mut factors = prime_factors(common);
        for prime in [2u64, 3, 5] {
            // The period of a binomial C(n, m) modulo p^a is p^(a + floor(log_p m)).
            let extra = u64::from(self.order).checked_ilog(prime).unwrap_or(0);
            factors.extend(std::iter::repeat_n(prime, extra as usize));
        }
        let mut period = factors.iter().product::<u64>() * first;
        for factor in factors {
            if self.comes_back(period / factor) {
                period /= factor;
            }
        }
        period
    }

    /// Whether every accumulator holds after `n` periods what it held at the start.
    fn comes_back(&self, n: u64) -> bool {
        let binomial = |top: u64, below: u32| -> BigUint {
            (0..u64::from(below)).fold(BigUint::from(1u32), |product, i| product * (top - i) / (i + 1))
        };
        (1..=self.order).all(|stage| {
            let mut change = BigUint::from(self.word) * binomial(n + u64::from(stage) - 1, stage);
            if stage > 1 {
                change += BigUint::from(self.start) * binomial(n + u64::from(stage) - 2, stage - 1);
            }
            (change % self.modulus).is_zero()
        })
    }

    /// How it counts: by lines where its sequence repeats within [`LONGEST_OF_LINES`] periods, and always at order 1,
    /// whose error is a sawtooth and never noise.
    pub fn counted(&self) -> Counted {
        // It repeats no sooner than its first accumulator.
        let first = self.modulus / gcd(self.modulus, self.word);
        let short = || first <= LONGEST_OF_LINES && self.period() <= LONGEST_OF_LINES;
        if self.order == 1 || short() { Counted::Lines } else { Counted::Noise }
    }

    /// Order of its noise where it counts by formula.
    pub fn noise_order(&self) -> Option<u32> {
        (self.counted() == Counted::Noise).then_some(self.order)
    }

    /// The lines of the sequence up to an offset (Hz), by offset; none where it counts by formula.
    ///
    /// The phase is sampled once a detector period, so that the lines repeat about every multiple of the
    /// detector frequency (Hz). Those below 1e-9 of a radian are left out.
    pub fn lines(&self, detector_frequency: f64, up_to: f64) -> Vec<Line> {
        let (length, base) = match self.counted() {
            Counted::Noise => return Vec::new(),
            Counted::Lines if self.order == 1 => self.sawtooth(),
            Counted::Lines => self.transformed(),
        };
        images((length, &base), detector_frequency, up_to)
    }

    /// Phase of the divider's output after each of `length` periods from `skip` on, rad, of one oscillator period
    /// a step; its mean is not zero.
    pub fn phase(&self, skip: usize, length: usize) -> impl Iterator<Item = f64> + use<> {
        self.excess().map(|excess| 2.0 * PI * excess).skip(skip).take(length)
    }

    /// Sum of all steps so far less what the fraction alone makes of it, after each step, in steps. Summed in whole
    /// numbers: nothing builds up.
    pub fn excess(&self) -> Excess {
        Excess { sequence: self.sequence(), sum: 0 }
    }

    /// Mean of [`Modulator::excess`] over a period, exact.
    ///
    /// Beyond order 1 the error of the last stage is differenced at least once and has no mean; what stays is what
    /// the first accumulator held at the start. At order 1 it takes in turn every content that differs from its
    /// start by multiples of the common divisor. Derived here.
    pub fn mean_excess(&self) -> f64 {
        let (modulus, start) = (self.modulus as f64, self.start as f64);
        if self.order > 1 {
            return start / modulus;
        }
        let common = gcd(self.modulus, self.word);
        (start - (self.start % common) as f64 - 0.5 * (self.modulus - common) as f64) / modulus
    }

    /// Period, and index with amplitude of each line, of a sequence that is short enough for a transform.
    fn transformed(&self) -> (u64, Vec<(u64, f64)>) {
        let length = self.period();
        // The first m outputs still see the empty past.
        let phase = self.phase(self.order as usize, length as usize);
        let samples: Vec<Complex64> = phase.map(Complex64::from).collect();
        let lines = fourier::transform(&samples);
        let amplitude = |value: &Complex64| value.norm() / length as f64;
        (length, lines.iter().enumerate().skip(1).map(|(j, value)| (j as u64, amplitude(value))).collect())
    }

    /// The same at order 1, in closed form: the phase is a sawtooth of q steps, stepped through p at a time
    /// (`p/q` the fraction in lowest terms), so that its harmonic i stands at `i p mod q` with an amplitude of
    /// `2 pi / (2 q sin(pi i / q))`. Source: geometric sum; derived here.
    fn sawtooth(&self) -> (u64, Vec<(u64, f64)>) {
        let common = gcd(self.modulus, self.word);
        let (p, q) = (self.word / common, self.modulus / common);
        let index = |i: u64| (u128::from(i) * u128::from(p) % u128::from(q)) as u64;
        let line = |i: u64| (index(i), PI / (q as f64 * (PI * i as f64 / q as f64).sin()));
        let half = (q / 2).min(MOST_HARMONICS);
        // Harmonic q - i is the image of i; the one in the middle of an even q is its own.
        let mirrored = (1..=half).filter(|i| 2 * i != q).map(|i| q - i);
        (q, (1..=half).chain(mirrored).map(line).collect())
    }
}

/// Lines (index and amplitude) of a sequence of this period with their images about every multiple of the detector frequency,
/// Hz, up to an offset, Hz; by offset.
pub(in crate::physics) fn images(
    (length, base): (u64, &[(u64, f64)]),
    detector_frequency: f64,
    up_to: f64,
) -> Vec<Line> {
    let spacing = detector_frequency / length as f64;
    let images = (up_to / detector_frequency).floor().clamp(0.0, 1e4) as u64;
    let mut lines: Vec<Line> = (0..=images)
        .flat_map(|image| base.iter().map(move |(index, amplitude)| (image * length + index, *amplitude)))
        .map(|(index, amplitude)| Line { offset: index as f64 * spacing, amplitude })
        .filter(|line| line.offset <= up_to && line.amplitude > 1e-9)
        .collect();
    lines.sort_by(|a, b| a.offset.total_cmp(&b.offset));
    lines
}

/// What a modulator adds to the divider; see [`Modulator::sequence`].
#[derive(Clone, Debug)]
pub struct Sequence {
    modulator: Modulator,
    contents: [u64; HIGHEST_ORDER as usize],
    /// Of stage j, the last carry, its first difference, and so on.
    carries: [[i64; HIGHEST_ORDER as usize]; HIGHEST_ORDER as usize],
}

/// See [`Modulator::excess`].
#[derive(Clone, Debug)]
pub struct Excess {
    sequence: Sequence,
    /// In steps over the modulus.
    sum: i64,
}

impl Iterator for Excess {
    type Item = f64;

    #[inline]
    fn next(&mut self) -> Option<f64> {
        let Modulator { modulus, word, .. } = self.sequence.modulator;
        // Bounded by 2^m moduli, which are far below 2^57.
        self.sum += self.sequence.next()? * modulus as i64 - word as i64;
        Some(self.sum as f64 / modulus as f64)
    }
}

impl Iterator for Sequence {
    type Item = i64;

    fn next(&mut self) -> Option<i64> {
        let Modulator { order, modulus, word, .. } = self.modulator;
        let mut adds = word;
        let mut output = 0;
        for stage in 0..order as usize {
            // Both are below the modulus, which is far below 2^63.
            let sum = self.contents[stage] + adds;
            let carry = i64::from(sum >= modulus);
            self.contents[stage] = if carry == 1 { sum - modulus } else { sum };
            adds = self.contents[stage];
            let mut differenced = carry;
            for last in &mut self.carries[stage][..stage] {
                (differenced, *last) = (differenced - *last, differenced);
            }
            output += differenced;
        }
        Some(output)
    }
}

fn gcd(mut a: u64, mut b: u64) -> u64 {
    while b > 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// Prime factors of `n` >= 1, each as often as it divides; quick for what is left after the factors of a word.
fn prime_factors(mut n: u64) -> Vec<u64> {
    let mut factors = Vec::new();
    let mut candidate = 2;
    while candidate * candidate <= n {
        while n.is_multiple_of(candidate) {
            factors.push(candidate);
            n /= candidate;
        }
        candidate += if candidate == 2 { 1 } else { 2 };
    }
    if n > 1 {
        factors.push(n);
    }
    factors
}

#[cfg(test)]
mod tests {
    use super::*;

    fn modulator(order: u32, modulus: u64, word: u64, start: u64) -> Modulator {
        Modulator::new(order, modulus, word, start).expect("a modulator")
    }

    #[test]
    fn nothing_to_do_is_no_modulator() {
        for (order, modulus, word, start) in
            [(0, 8, 1, 0), (7, 8, 1, 0), (3, 8, 0, 0), (3, 8, 8, 0), (3, 8, 1, 8)]
        {
            assert_eq!(Modulator::new(order, modulus, word, start), None);
        }
    }

    /// The slow and certain way: the first repetition of the accumulators themselves.
    #[test]
    fn period_is_the_first_return_of_the_accumulators() {
        for order in 1..=HIGHEST_ORDER {
            for modulus in [2, 3, 4, 5, 6, 8, 9, 12, 16, 25, 30] {
                for word in 1..modulus {
                    for start in [0, 1, modulus / 2] {
                        let m = modulator(order, modulus, word, start);
                        let mut sequence = m.sequence();
                        let home = sequence.contents;
                        let mut steps = 1;
                        sequence.next();
                        while sequence.contents != home {
                            sequence.next();
                            steps += 1;
                        }
                        assert_eq!(m.period(), steps, "{m:?}");
                    }
                }
            }
        }
    }

    /// And the divider repeats with just that period, not a part of it.
    #[test]
    fn output_repeats_with_the_period_and_no_sooner() {
        for (order, modulus, word, start) in [
            (1, 12, 8, 0),
            (2, 12, 8, 0),
            (2, 16, 6, 1),
            (3, 9, 3, 0),
            (3, 125, 40, 0),
            (4, 30, 7, 0),
            (5, 24, 9, 3),
        ] {
            let m = modulator(order, modulus, word, start);
            let length = m.period() as usize;
            let outputs: Vec<i64> = m.sequence().skip(order as usize).take(2 * length).collect();
            assert_eq!(outputs[..length], outputs[length..]);
            let sooner = |part: usize| (0..length).all(|n| outputs[n] == outputs[n + part]);
            assert!(
                (1..length).filter(|part| length.is_multiple_of(*part)).all(|part| !sooner(part)),
                "{m:?}"
            );
            let sum: i64 = outputs[..length].iter().sum();
            assert_eq!(sum as u64 * modulus, word * length as u64, "the mean is the fraction: {m:?}");
        }
    }

    #[test]
    fn long_periods_are_known_without_running_them() {
        assert_eq!(modulator(3, 1 << 24, 5_592_407, 0).period(), 1 << 25);
        assert_eq!(modulator(3, 1 << 24, 1 << 22, 0).period(), 8);
        assert_eq!(modulator(3, 1 << 24, 1 << 22, 1).period(), 1 << 25);
        assert_eq!(modulator(1, 1 << 48, 3, 0).period(), 1 << 48);
    }

    /// The closed form of order 1 against the transform.
    #[test]
    fn sawtooth_is_what_the_transform_gives() {
        for (modulus, word) in [(2, 1), (8, 3), (25, 10), (125, 48), (360, 7)] {
            let m = modulator(1, modulus, word, 0);
            let (length, mut closed) = m.sawtooth();
            closed.sort_by_key(|line| line.0);
            let (other, lines) = m.transformed();
            assert_eq!((length, closed.len()), (other, lines.len()));
            for (a, b) in closed.iter().zip(&lines) {
                assert!(a.0 == b.0 && (a.1 - b.1).abs() < 1e-9, "{m:?}: {a:?} {b:?}");
            }
        }
    }

    #[test]
    fn mean_of_the_excess_is_known_without_running() {
        for order in 1..=HIGHEST_ORDER {
            for (modulus, word, start) in [(12, 8, 0), (12, 8, 3), (16, 6, 1), (30, 7, 29), (25, 10, 24)] {
                let m = modulator(order, modulus, word, start);
                let length = m.period() as usize;
                let mean = m.excess().skip(order as usize).take(length).sum::<f64>() / length as f64;
                assert!((mean - m.mean_excess()).abs() < 1e-12, "{m:?}: {mean} {}", m.mean_excess());
            }
        }
    }

    /// Parseval: the lines hold the variance of the phase.
    #[test]
    fn lines_hold_the_power_of_the_phase() {
        for (order, modulus, word) in [(1, 60, 7), (2, 125, 48), (3, 1000, 37), (4, 25, 4)] {
            let m = modulator(order, modulus, word, 0);
            assert_eq!(m.counted(), Counted::Lines);
            let length = m.period() as usize;
            let phase: Vec<f64> = m.phase(order as usize, length).collect();
            let mean = phase.iter().sum::<f64>() / length as f64;
            let variance = phase.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / length as f64;
            let lines = m.lines(1e6, 1e6 * (1.0 - 0.5 / length as f64));
            let power: f64 = lines.iter().map(|line| line.amplitude.powi(2)).sum();
            assert!((power / variance - 1.0).abs() < 1e-9, "{m:?}: {power} {variance}");
        }
    }

    /// Half-way between integers at order 1: a square wave of +-pi/2 at half the detector frequency.
    #[test]
    fn half_at_order_one_is_one_line() {
        let lines = modulator(1, 2, 1, 0).lines(10e6, 20e6);
        let offsets: Vec<f64> = lines.iter().map(|line| line.offset).collect();
        assert_eq!(offsets, [5e6, 15e6]);
        assert!(lines.iter().all(|line| (line.amplitude - PI / 2.0).abs() < 1e-12));
    }

    #[test]
    fn long_sequences_have_no_lines_but_at_order_one() {
        assert_eq!(modulator(3, 1 << 24, 5, 0).counted(), Counted::Noise);
        assert!(modulator(3, 1 << 24, 5, 0).lines(1e6, 1e6).is_empty());
        assert_eq!(modulator(3, 1 << 24, 5, 0).noise_order(), Some(3));
        let first = modulator(1, 1 << 24, 1 << 14, 0).lines(1024e6, 5e6);
        assert_eq!(first.len(), 5);
        assert!((first[0].offset - 1e6).abs() < 1e-6 && (first[0].amplitude - 1.0).abs() < 1e-5);
    }
}
