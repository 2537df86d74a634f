//! Rough noise of a first note's loop, so that its limits are neither idle nor missed.
//!
//! By the rules of thumb of the trade: a flat plateau within the bandwidth, the free oscillator outside.

use std::f64::consts::PI;

/// A loop by its few figures, Hz.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rough {
    /// Frequency of the standard.
    pub reference: f64,
    /// Rate of the detector.
    pub detector: f64,
    /// Frequency at the output.
    pub output: f64,
    /// Bandwidth of the loop.
    pub bandwidth: f64,
    /// The facts of the note.
    pub facts: &'static Facts,
    /// Whether a fraction of third order divides.
    pub fractional: bool,
}

/// What the template of a note states, dBc/Hz.
#[derive(Debug)]
pub(super) struct Facts {
    /// Levels of the standard over offset.
    pub reference: &'static [(f64, f64)],
    /// Levels of the oscillator over offset.
    pub oscillator: &'static [(f64, f64)],
    /// Floor of the detector at 1 Hz.
    pub floor: f64,
    /// Flicker noise of the detector at 10 kHz from 1 GHz.
    pub flicker: f64,
    /// Floor of the output, where one is stated.
    pub output: Option<f64>,
}

impl Rough {
    /// Noise at an offset, as a ratio of powers in 1 Hz.
    fn density(&self, offset: f64) -> f64 {
        let power = |level: f64| 10f64.powf(level / 10.0);
        let times = |ratio: f64| ratio * ratio;
        let facts = self.facts;
        let floor = power(facts.floor) * self.detector * times(self.output / self.detector);
        let flicker = power(facts.flicker) * times(self.output / 1e9) * 1e4 / offset;
        let standard = power(level(facts.reference, offset)) * times(self.output / self.reference);
        let modulator = if self.fractional {
            PI * PI / 3.0 / self.detector * (2.0 * (PI * offset / self.detector).sin()).powi(4)
        } else {
            0.0
        };
        let beyond = offset / self.bandwidth;
        // Outside, a loop of third order falls by 20 dB a decade, and by 40 from the pole at three times its bandwidth on.
        let inside = (1.0 / times(beyond) / (1.0 + times(beyond / 3.0))).min(1.0);
        let free = times(beyond).min(1.0);
        (floor + flicker + standard + modulator) * inside
            + power(level(facts.oscillator, offset)) * free
            + facts.output.map_or(0.0, power)
    }

    /// A limit that the noise at an offset keeps with some decibels in hand, dBc/Hz.
    pub(super) fn mask(&self, offset: f64) -> f64 {
        ((10.0 * self.density(offset).log10() + 8.0) / 5.0).ceil() * 5.0
    }

    /// Jitter from 1 kHz up to an offset, s.
    pub(super) fn jitter(&self, up_to: f64) -> f64 {
        const STEPS: u32 = 400;
        let ratio = (up_to / 1e3).powf(1.0 / f64::from(STEPS));
        let power: f64 = (0..STEPS)
            .map(|step| 1e3 * ratio.powf(f64::from(step) + 0.5))
            .map(|offset| 2.0 * self.density(offset) * offset * ratio.ln())
            .sum();
        power.sqrt() / (2.0 * PI * self.output)
    }
}

/// A level of a table, between its points over the logarithm of the offset.
fn level(table: &[(f64, f64)], offset: f64) -> f64 {
    let after = table.iter().position(|(at, _)| *at > offset).unwrap_or(table.len());
    match (after.checked_sub(1).map(|before| table[before]), table.get(after).copied()) {
        (Some((a, from)), Some((b, to))) => from + (to - from) * (offset / a).ln() / (b / a).ln(),
        (Some((_, level)), None) | (None, Some((_, level))) => level,
        (None, None) => 0.0,
    }
}

/// The least of 1, 2, 5 times a power of ten that is not below a value.
pub(super) fn round_up(value: f64) -> f64 {
    let decade = 10f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|digit| digit * decade).find(|v| *v >= value).unwrap_or(10.0 * decade)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_lie_on_the_line_between_their_points() {
        let table = [(1e3, -60.0), (1e5, -110.0)];
        for (offset, wanted) in [(1e2, -60.0), (1e3, -60.0), (1e4, -85.0), (1e5, -110.0), (1e6, -110.0)] {
            assert!((level(&table, offset) - wanted).abs() < 1e-9, "{offset}");
        }
    }

    #[test]
    fn limits_are_round() {
        for (value, wanted) in [(1.0, 1.0), (1.1, 2.0), (4.5e-4, 5e-4), (6.0, 10.0)] {
            assert!((round_up(value) / wanted - 1.0).abs() < 1e-9, "{value}");
        }
    }
}
