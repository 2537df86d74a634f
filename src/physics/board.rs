//! Parts that can be bought, in place of ideal ones.
//!
//! Rounding each part by itself lets the errors add up. Here every combination of the two neighbours of each part is
//! tried, and the one kept that moves bandwidth, phase margin and jitter least and doesn't lift the reference spur.

use super::PhysicsError;
use super::derived;
use super::integral::{Grid, rms_phase};
use super::noise::{Ladder, Prepared, table_points};
use super::part::{Case, Filter};
use super::poles::Poles;
use super::series::Series;
use super::spurs::reference_spur;
use crate::num::flat::flat;

/// Offsets per decade: a change of jitter is wanted, not the jitter.
const OFFSETS: usize = 30;

/// What may stand on the board.
#[derive(Clone, Copy, Debug)]
pub struct Shelf {
    /// Series of the resistors.
    pub resistors: Series,
    /// Series of the capacitors.
    pub capacitors: Series,
    /// Largest capacitor, F.
    pub max_capacitance: f64,
    /// Offsets over which the jitter is compared, Hz.
    pub over: (f64, f64),
}

/// What one filter makes of the loop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Merits {
    /// Hz.
    pub bandwidth: f64,
    /// deg.
    pub phase_margin: f64,
    /// rms, s; 0 where no noise is stated.
    pub jitter: f64,
    /// Line at the detector frequency, dBc; `None` where nothing makes one.
    pub reference_spur: Option<f64>,
}

/// The combination that was chosen, and what it cost.
#[derive(Clone, Debug, PartialEq)]
pub struct Board {
    /// Parts as they can be bought.
    pub filter: Filter,
    /// With ideal parts.
    pub ideal: Merits,
    /// With these.
    pub real: Merits,
    /// With each part rounded by itself, where that is a loop.
    pub rounded: Option<Merits>,
    /// How many combinations were tried.
    pub tried: usize,
}

flat!(Merits { bandwidth, phase_margin, jitter, reference_spur });
flat!(Board { filter, ideal, real, rounded, tried });

/// The combination of neighbours nearest to the loop of `case`, whose filter is the ideal one.
///
/// A combination with a capacitor above the largest, or one that takes the last capacitor below three times the tuning
/// port's where the ideal one was not, counts only if there is no other.
///
/// # Errors
/// [`PhysicsError`] where the loop with ideal parts has no bandwidth, or the range of offsets is none.
pub fn choose(case: &Case, shelf: &Shelf) -> Result<Board, PhysicsError> {
    let grid = Grid::new(shelf.over.0, shelf.over.1, OFFSETS, &table_points(case))
        .ok_or(PhysicsError::Degenerate("the offsets for the jitter are no range"))?;
    let prepared = Prepared::new(case, grid);
    let mut bench = Bench { prepared, total: Vec::new() };
    let ideal = bench.merits(case).ok_or(PhysicsError::Degenerate("the loop has no bandwidth"))?;
    let series = |name: &str| if name.starts_with('R') { shelf.resistors } else { shelf.capacitors };
    let parts = case.filter.part_names().into_iter().filter_map(|name| Some((name, case.filter.get(name)?)));
    let parts: Vec<_> = parts.map(|(name, part)| (name, part, series(name).neighbours(part))).collect();
    let tried = 1usize << parts.len();
    let mut trial = case.clone();
    let mut best: Option<((bool, f64), Filter, Merits)> = None;
    for choice in 0..tried {
        for (k, (name, _, (below, above))) in parts.iter().enumerate() {
            trial.filter.set(name, if choice >> k & 1 == 0 { *below } else { *above });
        }
        let Some(found) = bench.merits(&trial) else { continue };
        let rank = (spoiled(case, &trial.filter, shelf), distance(&ideal, &found));
        if best.as_ref().is_none_or(|(least, ..)| (rank.0, rank.1) < (least.0, least.1)) {
            best = Some((rank, trial.filter.clone(), found));
        }
    }
    let (_, filter, real) = best.ok_or(PhysicsError::Degenerate("no preferred parts give a loop"))?;
    for (name, part, _) in &parts {
        trial.filter.set(name, series(name).nearest(*part));
    }
    let rounded = bench.merits(&trial);
    Ok(Board { filter, ideal, real, rounded, tried })
}

/// Where filters are tried: the offsets of the jitter with what is the same for all of them.
struct Bench {
    prepared: Prepared,
    total: Vec<f64>,
}

impl Bench {
    fn merits(&mut self, case: &Case) -> Option<Merits> {
        let open = Poles::new(case).open()?;
        let offsets = self.prepared.offsets();
        self.total.resize(offsets.len(), 0.0);
        self.prepared.sweep_into(case, &mut self.total);
        let output = case.oscillator.frequency / case.output_divider;
        Some(Merits {
            bandwidth: open.bandwidth,
            phase_margin: open.phase_margin,
            jitter: derived::jitter(rms_phase(offsets, &self.total), output),
            reference_spur: reference_spur(case, &Ladder::new(case)),
        })
    }
}

/// Sum of the squares of the relative changes; of the reference spur a rise alone counts, as amplitude.
fn distance(ideal: &Merits, real: &Merits) -> f64 {
    let change = |a: f64, b: f64| if a > 0.0 { (b / a - 1.0).powi(2) } else { 0.0 };
    let rise = match (ideal.reference_spur, real.reference_spur) {
        (Some(a), Some(b)) => (10f64.powf((b - a) / 20.0) - 1.0).max(0.0),
        _ => 0.0,
    };
    change(ideal.bandwidth, real.bandwidth)
        + change(ideal.phase_margin, real.phase_margin)
        + change(ideal.jitter, real.jitter)
        + rise.powi(2)
}

fn spoiled(case: &Case, filter: &Filter, shelf: &Shelf) -> bool {
    let least = 3.0 * case.oscillator.input_capacitance;
    let capacitors = filter.part_names().into_iter().filter(|name| name.starts_with('C'));
    let too_large =
        capacitors.filter_map(|name| filter.get(name)).any(|farads| farads > shelf.max_capacitance);
    too_large || (filter.last_capacitor() < least && case.filter.last_capacitor() >= least)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::flat::tests::comes_back;
    use crate::physics::linear::tests::case;
    use crate::physics::part::Topology;

    #[test]
    fn a_board_comes_back() {
        let merits = Merits { bandwidth: 1e4, phase_margin: -0.0, jitter: f64::NAN, reference_spur: None };
        let mut filter = Filter::of(Topology::Active(4));
        (filter.c1, filter.post) = (f64::INFINITY, vec![(1e3, 1e-9), (0.1, 0.3)]);
        let real = Merits { reference_spur: Some(-80.5), ..merits };
        let board = Board { filter, ideal: merits, real, rounded: Some(merits), tried: 128 };
        assert_eq!(format!("{:?}", comes_back(&board)), format!("{board:?}"));
        let passive = Filter::of(Topology::Passive(2));
        assert_eq!(comes_back(&passive), passive);
    }

    const PARTS: [(&str, f64); 7] = [
        ("C1", 1.27e-9),
        ("R2", 471.3),
        ("C2", 57.2e-9),
        ("R3", 1.013e3),
        ("C3", 0.614e-9),
        ("R4", 2.24e3),
        ("C4", 0.252e-9),
    ];

    fn shelf(capacitors: Series) -> Shelf {
        Shelf { resistors: Series::E96, capacitors, max_capacitance: 1e-6, over: (100.0, 1e7) }
    }

    #[test]
    fn trying_is_never_worse_than_rounding_and_mostly_better() {
        for capacitors in [Series::E3, Series::E6, Series::E24, Series::E192] {
            let mut ideal = case(5e-3, 20e6, 400.0, 1e7, Topology::Passive(4), &PARTS);
            ideal.noise.detector_floor = Some(-225.0);
            let board = choose(&ideal, &shelf(capacitors)).expect("a loop");
            let rounded = board.rounded.expect("a loop");
            assert_eq!(board.tried, 128);
            assert!(distance(&board.ideal, &board.real) < distance(&board.ideal, &rounded), "{board:?}");
            for name in board.filter.part_names().into_iter().filter(|n| n.starts_with('C')) {
                let value = board.filter.get(name).expect("it is one of its parts");
                assert!((capacitors.nearest(value) - value).abs() < 1e-9 * value);
            }
        }
    }

    #[test]
    fn the_last_capacitor_is_not_taken_below_three_times_the_port() {
        let mut ideal = case(5e-3, 20e6, 400.0, 1e7, Topology::Passive(4), &PARTS);
        ideal.oscillator.input_capacitance = 0.251e-9 / 3.0;
        let board = choose(&ideal, &shelf(Series::E6)).expect("a loop");
        assert!(board.filter.last_capacitor() >= 0.251e-9, "{board:?}");
    }

    #[test]
    fn a_loop_without_gain_is_refused() {
        let none = case(0.0, 20e6, 400.0, 1e7, Topology::Passive(4), &PARTS);
        assert!(choose(&none, &shelf(Series::E24)).is_err());
    }
}
