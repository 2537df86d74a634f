//! Parts, gain, pump, levels and temperature drawn within their tolerances.
//!
//! Each trial has its own stream of a published generator, so that a trial is the same whoever draws it, in whatever
//! order, and can be drawn again.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::part::{Case, Lifts, Tuning};
use super::reel::Reel;
use crate::num::normal::quantile;

/// Most quantities that vary at once: seven parts, gain, pump, five levels, temperature.
pub const MOST: usize = 15;

/// One quantity that varies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Vary {
    /// A part of the filter by its name, relative.
    Part(&'static str, f64),
    /// Oscillator gain, relative.
    Gain(f64),
    /// Pump current, relative.
    Pump(f64),
    /// A noise level, dB.
    Level(Level, f64),
    /// Temperature between two limits, K.
    Temperature(f64, f64),
}

/// A noise level that varies by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// The frequency standard.
    Reference,
    /// The free-running oscillator.
    Oscillator,
    /// Floor of the detector.
    Detector,
    /// 1/f noise of the detector.
    Flicker,
    /// Floor after the output divider.
    Output,
}

impl Level {
    /// All of them, in the order of the contributors.
    pub const ALL: [Level; 5] =
        [Level::Reference, Level::Oscillator, Level::Detector, Level::Flicker, Level::Output];

    /// Name as in results.
    pub fn name(self) -> &'static str {
        match self {
            Level::Reference => "reference",
            Level::Oscillator => "oscillator",
            Level::Detector => "detector",
            Level::Flicker => "flicker",
            Level::Output => "output",
        }
    }

    /// Whether the case states it.
    pub fn present(self, case: &Case) -> bool {
        match self {
            Level::Reference => case.noise.reference.is_some(),
            Level::Oscillator => case.noise.oscillator.is_some(),
            Level::Detector => case.noise.detector_floor.is_some(),
            Level::Flicker => case.noise.flicker.is_some(),
            Level::Output => case.noise.output_floor.is_some(),
        }
    }
}

impl Vary {
    /// Name as in results: `R2`, `gain`, `level_detector`.
    pub fn name(&self) -> String {
        match self {
            Vary::Part(name, _) => (*name).to_owned(),
            Vary::Gain(_) => "gain".to_owned(),
            Vary::Pump(_) => "pump".to_owned(),
            Vary::Level(level, _) => format!("level_{}", level.name()),
            Vary::Temperature(..) => "temperature".to_owned(),
        }
    }
}

/// How a tolerance is filled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Distribution {
    /// Alike all over.
    Uniform,
    /// Normal, the tolerance at three standard deviations, cut off there.
    Normal,
}

impl Distribution {
    /// Standard deviation of a tolerance of 1.
    pub fn deviation(self) -> f64 {
        match self {
            Distribution::Uniform => 1.0 / 3f64.sqrt(),
            Distribution::Normal => TRUNCATED / 3.0,
        }
    }
}

/// Standard deviation of a standard normal cut off at +-3: `sqrt(1 - 6 phi(3) / (2 Phi(3) - 1))`.
const TRUNCATED: f64 = 0.986_578_392_558_108_6;

/// Where the oscillator goes with temperature.
#[derive(Clone, Debug)]
pub struct Drift {
    /// Its tuning curve, at `at`.
    pub tuning: Tuning,
    /// Hz/K at a voltage.
    pub drift: f64,
    /// Temperature at which the curve holds, K.
    pub at: f64,
}

/// What varies around a nominal case.
#[derive(Clone, Debug)]
pub struct Scatter {
    /// Quantities, at most [`MOST`].
    pub vary: Vec<Vary>,
    /// How tolerances are filled.
    pub distribution: Distribution,
    /// Parts whose errors are partly common; the others vary each by itself.
    pub reels: Vec<Reel>,
    /// Seed of all streams.
    pub seed: u64,
    /// Drift of the oscillator.
    pub drift: Drift,
}

/// Deviations as shares of the tolerances, -1 .. 1; one for each quantity.
pub type Deviates = [f64; MOST];

impl Scatter {
    /// The deviations of a trial.
    pub fn draw(&self, trial: u64) -> Deviates {
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        random.set_stream(trial);
        let mut deviates = [0.0; MOST];
        for deviate in deviates.iter_mut().take(self.vary.len()) {
            *deviate = match self.distribution {
                Distribution::Uniform => 2.0 * unit(&mut random) - 1.0,
                Distribution::Normal => normal(&mut random),
            };
        }
        for reel in &self.reels {
            // The middle of the 2^53 steps: neither 0 nor 1.
            let common = quantile(unit(&mut random) + 0.5 / (1u64 << 53) as f64);
            reel.mix(self.distribution, common, &mut deviates);
        }
        deviates
    }

    /// Standard deviation of what changes by `effects` with one deviation of each quantity, first order, with what parts
    /// of one reel have in common. Source: JCGM 100:2008, 5.2.2 (from memory).
    pub fn first_order(&self, effects: &[f64]) -> f64 {
        let mut variance: f64 = effects.iter().map(|e| e * e).sum();
        for reel in &self.reels {
            let of = |i: &usize| effects.get(*i).copied().unwrap_or(0.0);
            let sum: f64 = reel.members.iter().map(of).sum();
            let own: f64 = reel.members.iter().map(|i| of(i).powi(2)).sum();
            variance += reel.of_errors(self.distribution) * (sum * sum - own);
        }
        variance.max(0.0).sqrt()
    }

    /// Puts `case` at these deviations from `nominal`; whatever does not vary is left as it is.
    pub fn apply(&self, nominal: &Case, deviates: &Deviates, case: &mut Case) {
        self.apply_with(&self.drift, nominal, deviates, case);
    }

    /// The same where the oscillator drifts in another way: in another channel it may be another band.
    pub fn apply_with(&self, drift: &Drift, nominal: &Case, deviates: &Deviates, case: &mut Case) {
        let gain = |vary: &Vary, u: f64| if let Vary::Gain(t) = vary { 1.0 + t * u } else { 1.0 };
        let mut factor = 1.0;
        let mut lifts = Lifts::default();
        let mut floor = nominal.noise.detector_floor;
        let mut flicker = nominal.noise.flicker;
        let (mut voltage, mut slope) = (nominal.oscillator.tuning_voltage, nominal.oscillator.gain);
        for (vary, &u) in self.vary.iter().zip(deviates) {
            factor *= gain(vary, u);
            match *vary {
                Vary::Part(name, t) => {
                    let value = nominal.filter.get(name).unwrap_or(0.0);
                    case.filter.set(name, value * (1.0 + t * u));
                }
                Vary::Pump(t) => case.pump.current = nominal.pump.current * (1.0 + t * u),
                Vary::Level(level, t) => match level {
                    Level::Reference => lifts.reference = t * u,
                    Level::Oscillator => lifts.oscillator = t * u,
                    Level::Output => lifts.output = t * u,
                    Level::Detector => floor = floor.map(|floor| floor + t * u),
                    Level::Flicker => flicker = flicker.map(|(level, f, at)| (level + t * u, f, at)),
                },
                Vary::Temperature(low, high) => {
                    case.temperature = 0.5 * (low + high) + 0.5 * (high - low) * u;
                    let frequency = nominal.oscillator.frequency;
                    let wanted = frequency - drift.drift * (case.temperature - drift.at);
                    // Where nothing has moved the oscillator stands as it did, to the last bit.
                    if wanted.total_cmp(&frequency).is_ne() {
                        voltage = drift.tuning.voltage_beyond(wanted);
                        slope = drift.tuning.gain(voltage);
                    }
                }
                Vary::Gain(_) => {}
            }
        }
        (case.oscillator.tuning_voltage, case.oscillator.gain) = (voltage, slope * factor);
        (case.noise.lifts, case.noise.detector_floor, case.noise.flicker) = (lifts, floor, flicker);
    }
}

/// Uniform in 0 .. 1, 53 bits.
fn unit(random: &mut ChaCha8Rng) -> f64 {
    (random.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
}

/// Standard normal over 3, cut off at +-1. Source: polar method, G. Marsaglia and T. A. Bray, SIAM Review 6, 1964.
fn normal(random: &mut ChaCha8Rng) -> f64 {
    loop {
        let (x, y) = (2.0 * unit(random) - 1.0, 2.0 * unit(random) - 1.0);
        let s = x * x + y * y;
        if s > 0.0 && s < 1.0 {
            let z = x * (-2.0 * s.ln() / s).sqrt();
            if z.abs() <= 3.0 {
                return z / 3.0;
            }
        }
    }
}
