//! Discrete lines of a case: the highest of each cause, and of all.

use super::super::spur_fractional::LEAST;
use super::super::spurs::{HARMONICS, Line, Source};
use super::columns::Column;
use super::{Given, Point, SolvedLoop};
use crate::physics::derived::{line_variance, pair_variance};
use crate::physics::modulator::Modulator;
use crate::physics::noise::Ladder;
use crate::physics::spurs::{
    OutputLine, PumpWaveform, boundary_line, decibels, modulator_lines, ratio, reference_indices,
    supply_index,
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

    /// All lines that a case makes: those that a block of spurs lists, but for those that the note states.
    pub(super) fn find(&self, point: &Point, found: &mut Found) {
        let (case, ladder) = (&point.case, Ladder::new(&point.case));
        let rate = case.detector_frequency;
        let pump = PumpWaveform::new(case);
        let Found { locks, reference, supply, boundary, made } = found;
        *locks = pump.is_quiet() || pump.holds();
        made.clear();
        *reference = if pump.is_quiet() { 0.0 } else { f64::NAN };
        let harmonics = reference_indices::<{ HARMONICS as usize }>(case, &ladder).unwrap_or_default();
        for (harmonic, ratio) in (1..).zip(harmonics.map(ratio)).filter(|(_, ratio)| is_line(*ratio)) {
            made.push((f64::from(harmonic) * rate, ratio));
            if harmonic == 1 {
                *reference = ratio;
            }
        }
        let (from, to) = self.window.unwrap_or((0.0, rate));
        let to = to.min(f64::from(HARMONICS) * rate);
        let near = point.fraction.zip(self.boundary);
        let near =
            near.and_then(|(at, stated)| boundary_line(case, &ladder, stated, at.distance)).map(in_ratio);
        *boundary = match (near, point.fraction) {
            (Some((_, ratio)), _) => ratio,
            (None, Some(FractionAt { modulator: Some(_), .. })) if self.boundary.is_none() => f64::NAN,
            _ => 0.0,
        };
        let sequence = point.fraction.and_then(|at| at.modulator);
        let sequence =
            sequence.map_or_else(Vec::new, |modulator| modulator_lines(case, &ladder, &modulator, to));
        let sequence = sequence.into_iter().map(in_ratio).filter(|(_, ratio)| decibels(*ratio) > LEAST);
        made.extend(sequence.chain(near).filter(|(f, _)| (from..=to).contains(f)));
        *supply = 0.0;
        for &(frequency, volts) in &self.ripple {
            let ratio = ratio(supply_index(case, &ladder, frequency, volts));
            if is_line(ratio) {
                made.push((frequency, ratio));
                *supply = supply.max(ratio);
            }
        }
    }

    /// Highest line of all, dBc; not a number where there is no lock.
    fn worst(&self, found: &Found) -> f64 {
        if !found.locks {
            return f64::NAN;
        }
        let made = found.made.iter().fold(0.0, |worst: f64, (_, ratio)| worst.max(*ratio));
        self.stated.iter().fold(decibels(made), |worst, (_, level)| worst.max(*level))
    }

    /// Every line of a case, in no order: offset (Hz) and level (dBc). `None` where there is no lock.
    pub(super) fn all<'f>(&'f self, found: &'f Found) -> Option<impl Iterator<Item = (f64, f64)> + 'f> {
        let made = found.made.iter().map(|(offset, ratio)| (*offset, decibels(*ratio)));
        found.locks.then(|| made.chain(self.stated.iter().copied()))
    }

    /// Phase variance (rad^2) of the lines between two offsets (Hz); not a number where there is no lock.
    pub(super) fn variance(&self, found: &Found, (from, to): (f64, f64)) -> f64 {
        if !found.locks {
            return f64::NAN;
        }
        let inside = |offset: f64| offset >= from && offset <= to;
        let made = found.made.iter().filter(|(offset, _)| inside(*offset));
        let stated = self.stated.iter().filter(|(offset, _)| inside(*offset));
        made.map(|(_, ratio)| pair_variance(ratio * ratio)).sum::<f64>()
            + stated.map(|(_, level)| line_variance(*level)).sum::<f64>()
    }
}

/// Lines of a case as amplitudes over that of the carrier: a level is taken of what is looked at alone. 0: there is no line;
/// not a number: there is no value.
#[derive(Clone, Debug, Default)]
pub(super) struct Found {
    /// Whether the pump can make good what leaks.
    locks: bool,
    /// At the detector frequency.
    reference: f64,
    /// The highest by ripple of the supply.
    supply: f64,
    /// Of a fraction near a whole number.
    boundary: f64,
    /// All of them: offset (Hz) and amplitude.
    made: Vec<(f64, f64)>,
}

/// Whether there is a line, and a carrier beside it.
fn is_line(ratio: f64) -> bool {
    ratio > 0.0 && ratio.is_finite()
}

fn in_ratio((offset, power): OutputLine) -> (f64, f64) {
    (offset, ratio(2.0 * power.sqrt()))
}

/// Why a case is without lines.
pub(super) const NO_LOCK: &str = "the pump can't make good the leakage: no lock";

/// Metrics of a block of spurs that every case has anew; `at`: its position among them.
pub(super) fn of_spurs(block: &str, at: usize, fractional: bool) -> Vec<Column> {
    let column = |name: &str, none, unbounded, read: fn(&Lines, &Found) -> f64| {
        Column::of_lines((block, name), (none, unbounded), at, read)
    };
    let mut columns = vec![
        column(
            "reference_spur",
            "the pump can't make good the leakage, or the carrier vanishes",
            "no fact states a leakage, or a mismatch with its pulse",
            |_, found| decibels(found.reference),
        ),
        column("worst_spur", NO_LOCK, "there is no line", Lines::worst),
        column("supply_spur", NO_LOCK, "no ripple is stated, or no pushing", |_, found| {
            decibels(found.supply)
        }),
    ];
    if fractional {
        columns.push(column(
            "boundary_spur",
            "the synthesizer states no `boundary_spur`",
            "the divider is a whole number",
            |_, found| decibels(found.boundary),
        ));
    }
    columns
}
