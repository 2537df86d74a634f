//! Discrete lines of a case: the highest of each cause, and of all.

use std::sync::Arc;

use super::super::spur_fractional::LEAST;
use super::super::spurs::{HARMONICS, Line, Source};
use super::columns::Column;
use super::{Given, Point, SolvedLoop};
use crate::physics::derived::line_variance;
use crate::physics::modulator::Modulator;
use crate::physics::noise::Ladder;
use crate::physics::spurs::{
    OutputLine, PumpWaveform, boundary_line, level, modulator_lines, reference_index, reference_spur,
    supply_line,
};

/// Where a case with a fractional divider stands.
#[derive(Clone, Copy, Debug)]
pub struct FractionAt {
    /// Distance of the oscillator to the nearest whole multiple of the detector frequency, Hz.
    pub distance: f64,
    /// What steers the divider; `None` where the fraction is zero.
    pub modulator: Option<Modulator>,
}

/// What a block of spurs states beyond its loop.
#[derive(Clone, Debug)]
pub struct Lines {
    /// Ripple of the supply: Hz, V peak.
    ripple: Vec<(f64, f64)>,
    /// Boundary line in band, dBc at the oscillator.
    boundary: Option<f64>,
    /// Lines that the note states: Hz, dBc.
    stated: Vec<(f64, f64)>,
    /// Offsets between which fractional lines count, Hz; absent: below the detector frequency.
    window: Option<(f64, f64)>,
}

impl Lines {
    /// Of a block of spurs with its solved lines.
    pub(super) fn new(given: &Given, solved: &SolvedLoop, lines: &[Line]) -> Self {
        let stated = lines.iter().filter(|line| line.source == Source::Stated);
        Self {
            ripple: solved.ripple.clone(),
            boundary: solved.boundary_spur,
            stated: stated.map(|line| (line.offset, line.level)).collect(),
            window: given.fields.range("fraction_window"),
        }
    }

    /// Line at the detector frequency, dBc; minus infinity where nothing makes one, not a number where there is no lock.
    fn reference(point: &Point) -> f64 {
        let case = &point.case;
        if PumpWaveform::new(case).is_quiet() {
            return f64::NEG_INFINITY;
        }
        reference_spur(case, &Ladder::new(case)).unwrap_or(f64::NAN)
    }

    fn supply(&self, point: &Point) -> f64 {
        let (case, ladder) = (&point.case, Ladder::new(&point.case));
        let levels = self.ripple.iter().filter_map(|(f, volts)| supply_line(case, &ladder, *f, *volts));
        levels.fold(f64::NEG_INFINITY, f64::max)
    }

    /// The boundary line: offset (Hz) and level (dBc).
    fn boundary_line(&self, point: &Point) -> Option<(f64, f64)> {
        let case = &point.case;
        let distance = point.fraction?.distance;
        boundary_line(case, &Ladder::new(case), self.boundary?, distance).map(in_decibels)
    }

    fn boundary(&self, point: &Point) -> f64 {
        match (self.boundary_line(point), point.fraction) {
            (Some((_, level)), _) => level,
            (None, Some(FractionAt { modulator: Some(_), .. })) if self.boundary.is_none() => f64::NAN,
            _ => f64::NEG_INFINITY,
        }
    }

    /// Highest line of all, dBc; not a number where there is no lock.
    fn worst(&self, point: &Point) -> f64 {
        if !locks(point) {
            return f64::NAN;
        }
        let mut worst = f64::NEG_INFINITY;
        self.each(point, |_, level| worst = worst.max(level));
        worst
    }

    /// Every line of a case, in no order: offset (Hz) and level (dBc). `None` where there is no lock.
    pub(super) fn all(&self, point: &Point) -> Option<Vec<(f64, f64)>> {
        locks(point).then(|| {
            let mut all = Vec::new();
            self.each(point, |offset, level| all.push((offset, level)));
            all
        })
    }

    /// Phase variance (rad^2) of the lines between two offsets (Hz); not a number where there is no lock.
    pub(super) fn variance(&self, point: &Point, (from, to): (f64, f64)) -> f64 {
        if !locks(point) {
            return f64::NAN;
        }
        let mut sum = 0.0;
        self.each(point, |offset, level| {
            if offset >= from && offset <= to {
                sum += line_variance(level);
            }
        });
        sum
    }

    /// Calls with the offset (Hz) and the level (dBc) of every line: those that a block of spurs lists.
    fn each(&self, point: &Point, mut line: impl FnMut(f64, f64)) {
        let (case, ladder) = (&point.case, Ladder::new(&point.case));
        let rate = case.detector_frequency;
        let (from, to) = self.window.unwrap_or((0.0, rate));
        let to = to.min(f64::from(HARMONICS) * rate);
        for harmonic in 1..=HARMONICS {
            let found = reference_index(case, &ladder, harmonic).map(level);
            if let Some(level) = found.filter(|level| level.is_finite()) {
                line(f64::from(harmonic) * rate, level);
            }
        }
        let sequence = point.fraction.and_then(|at| at.modulator);
        let sequence =
            sequence.map_or_else(Vec::new, |modulator| modulator_lines(case, &ladder, &modulator, to));
        let sequence = sequence.into_iter().map(in_decibels).filter(|(_, level)| *level > LEAST);
        let fractional = sequence.chain(self.boundary_line(point));
        for (offset, level) in fractional.filter(|(f, _)| (from..=to).contains(f)) {
            line(offset, level);
        }
        for &(frequency, volts) in &self.ripple {
            if let Some(level) = supply_line(case, &ladder, frequency, volts) {
                line(frequency, level);
            }
        }
        for &(offset, level) in &self.stated {
            line(offset, level);
        }
    }
}

/// Whether the pump can make good what leaks.
fn locks(point: &Point) -> bool {
    let pump = PumpWaveform::new(&point.case);
    pump.is_quiet() || pump.holds()
}

fn in_decibels((offset, power): OutputLine) -> (f64, f64) {
    (offset, level(2.0 * power.sqrt()))
}

/// Why a case is without lines.
pub(super) const NO_LOCK: &str = "the pump can't make good the leakage: no lock";

/// Metrics of a block of spurs that every case has anew.
pub(super) fn of_spurs(block: &str, lines: &Arc<Lines>, fractional: bool) -> Vec<Column> {
    let column = |name: &str, none, unbounded, read: fn(&Lines, &Point) -> f64| {
        Column::of_lines((block, name), (none, unbounded), lines.clone(), read)
    };
    let mut columns = vec![
        column(
            "reference_spur",
            "the pump can't make good the leakage, or the carrier vanishes",
            "no fact states a leakage, or a mismatch with its pulse",
            |_, point| Lines::reference(point),
        ),
        column("worst_spur", NO_LOCK, "there is no line", Lines::worst),
        column("supply_spur", NO_LOCK, "no ripple is stated, or no pushing", Lines::supply),
    ];
    if fractional {
        columns.push(column(
            "boundary_spur",
            "the synthesizer states no `boundary_spur`",
            "the divider is a whole number",
            Lines::boundary,
        ));
    }
    columns
}
