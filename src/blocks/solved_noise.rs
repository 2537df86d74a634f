//! What a solved block of phase noise leaves for the blocks that read it.

use std::sync::{Arc, OnceLock};

use super::in_time::InTime;
use super::r#loop::SolvedLoop;
use super::spurs::Line;
use crate::physics::budget::{Budget, Integrals};
use crate::physics::noise::{Ladder, Prepared, Spectrum, dbc_per_hz, total_at};

/// What a solved noise budget leaves for others.
#[derive(Clone)]
pub struct SolvedNoise {
    /// The loop it is of.
    pub of: String,
    /// The loop.
    pub solved: Arc<SolvedLoop>,
    /// Spectrum over the range asked for, or over the range of the figure.
    pub spectrum: Arc<Spectrum>,
    /// Integration limits, Hz.
    pub over: Option<(f64, f64)>,
    /// Offsets asked for, Hz.
    pub spots: Vec<f64>,
    /// Discrete lines asked for.
    pub lines: Arc<Vec<Line>>,
    /// The same noise in the time domain, where that is wanted.
    pub in_time: Option<InTime>,
    /// Delay of an echo, s.
    pub(super) delay: Option<f64>,
    /// Integrals that are known already, in trials that are only judged.
    pub(super) integrals: Option<Integrals>,
    /// The budget for cases near this one; `None` without integration limits.
    pub(super) budget: Arc<OnceLock<Option<Budget>>>,
    /// The contributors on the fine grid, for trials.
    pub(super) fine: Arc<OnceLock<Prepared>>,
}

impl SolvedNoise {
    /// Its integrals for cases near this one; `None` without integration limits.
    pub fn budget(&self) -> Option<&Budget> {
        let new = || Budget::new(&self.solved.case, self.over?, self.delay);
        self.budget.get_or_init(new).as_ref()
    }

    /// rms phase, rad.
    pub(super) fn rms_phase(&self) -> f64 {
        self.integrals.map_or_else(|| self.spectrum.rms_phase(), |known| known.rms_phase)
    }

    /// Residual FM, Hz rms.
    pub(super) fn residual_fm(&self) -> f64 {
        self.integrals.map_or_else(|| self.spectrum.residual_fm(), |known| known.residual_fm)
    }

    /// rms phase against the signal a delay (s) ago, rad.
    pub(super) fn delayed_rms_phase(&self, delay: f64) -> f64 {
        self.integrals.map_or_else(|| self.spectrum.delayed_rms_phase(delay), |known| known.delayed_rms_phase)
    }

    /// Offsets of the spectrum, Hz.
    pub fn offsets(&self) -> &[f64] {
        &self.spectrum.offsets
    }

    /// The total at an offset, dBc/Hz; exact, not read between points of the curve. `None` where nothing contributes.
    pub fn total_at(&self, offset: f64) -> Option<f64> {
        let place = self.offsets().binary_search_by(|f| f.total_cmp(&offset)).ok();
        Some(dbc_per_hz(self.density(offset, place))).filter(|level| level.is_finite())
    }

    /// The same per Hz, linear; `place`: where it is among the offsets.
    pub(super) fn density(&self, offset: f64, place: Option<usize>) -> f64 {
        match place {
            Some(place) => self.spectrum.total[place],
            None => total_at(&self.solved.case, &Ladder::new(&self.solved.case), offset),
        }
    }
}
