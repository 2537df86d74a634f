//! A divider that writes down the phase of the oscillator at its edges.

use super::run::heard;
use super::{Divider, Edge, Fractional, Question};
use crate::physics::PhysicsError;

/// Detector periods until a loop of this bandwidth, Hz, has come to rest.
pub(super) fn rest(detector_frequency: f64, bandwidth: f64) -> usize {
    (40.0 * detector_frequency / bandwidth) as usize + 1000
}

/// A divider whose edges noise may move; keeps the phase of the oscillator at each, without what the modulator adds.
pub(super) struct Heard {
    inner: Option<Fractional>,
    ratio: f64,
    /// Noise of detector and oscillator at each edge, detector cycles; over and over again.
    detector: Vec<f64>,
    oscillator: Vec<f64>,
    index: usize,
    /// Offset of the last edge by the modulator, detector cycles.
    excess: f64,
    skipped: usize,
    count: usize,
    phase: Vec<f64>,
}

impl Heard {
    /// Hears `count` edges after the first `skipped`, of a divider by `ratio` that a modulator steers, if there is one.
    pub(super) fn new(inner: Option<Fractional>, ratio: f64, skipped: usize, count: usize) -> Self {
        Self {
            inner,
            ratio,
            detector: Vec::new(),
            oscillator: Vec::new(),
            index: 0,
            excess: 0.0,
            skipped,
            count,
            phase: Vec::with_capacity(count),
        }
    }

    /// With noise of detector and oscillator, detector cycles.
    pub(super) fn with_noise(self, detector: Vec<f64>, oscillator: Vec<f64>) -> Self {
        Self { detector, oscillator, ..self }
    }

    /// Runs a loop with it from lock, without a window, and gives back the phases heard, detector cycles.
    ///
    /// # Errors
    /// As [`super::run()`].
    pub(super) fn listen(mut self, question: &Question) -> Result<Vec<f64>, PhysicsError> {
        let question = Question {
            frequency_window: None,
            phase_window: None,
            gear: None,
            until: (self.skipped + self.count + 2) as f64 / question.case.detector_frequency,
            quiet: f64::INFINITY,
            ..question.clone()
        };
        heard(&question, &mut self)?;
        Ok(self.phase)
    }

    fn at(noise: &[f64], index: usize) -> f64 {
        if noise.is_empty() { 0.0 } else { noise[index % noise.len()] }
    }
}

impl Divider for Heard {
    fn next_excess(&mut self, edge: Edge) -> f64 {
        let noise = if self.index == 0 { 0.0 } else { Self::at(&self.detector, self.index) };
        if self.index >= self.skipped && self.phase.len() < self.count {
            let ahead = self.index as i64 - edge.cycle as i64;
            self.phase.push(ahead as f64 - edge.offset + self.excess + noise);
        }
        self.index += 1;
        let excess = self.inner.as_mut().map_or(0.0, |inner| inner.next_excess(edge));
        self.excess = excess / self.ratio;
        let (detector, oscillator) =
            (Self::at(&self.detector, self.index), Self::at(&self.oscillator, self.index));
        excess + self.ratio * (detector - oscillator)
    }

    fn mean_excess(&self) -> f64 {
        self.inner.as_ref().map_or(0.0, Divider::mean_excess)
    }
}
