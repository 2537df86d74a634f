//! The channels in which every run is read: the design's alone, or those of a band.

use super::super::band::SolvedBand;
use super::super::keep::Keep;
use super::super::repeat::{Budgets, Cases, Point, Repeat, Scratch, Sense, judge_all, worse};
use super::{Digits, MetricPath, Unit, print};
use crate::num::flat::flat;
use crate::num::statistics::mean_and_deviation;
use crate::physics::scatter::{Deviates, Drift, Scatter};
use crate::results::Limit;

/// Up to so many channels, all are read in every run.
pub(super) const ALL: usize = 16;

/// Runs that are read in every channel of a band, at most, and so many readings in all.
const CHECKED: (usize, usize) = (32, 20_000);

/// A channel.
pub struct Place {
    /// Its output frequency, Hz.
    pub output: f64,
    /// The loop there, without deviations.
    pub nominal: Point,
    /// Where its oscillator goes with temperature.
    drift: Drift,
    /// Voltages the tuning line may take, V.
    limits: (f64, f64),
    /// Noise budgets for its tables.
    pub budgets: Budgets,
}

/// The channels of a tolerance block.
pub struct Places {
    /// Those that every run is read in.
    pub taken: Vec<Place>,
    /// Name of the band they are of; absent: the design's channel alone.
    pub band: Option<String>,
    /// How many channels the band serves.
    pub served: usize,
    /// Why not every channel can be read.
    pub missing: Option<String>,
    /// What a look at every channel showed.
    pub check: Option<Check>,
}

/// Some runs read in every channel.
#[derive(Clone, Copy, Debug)]
pub struct Check {
    /// How many.
    pub runs: usize,
    /// In how many of them a channel that is not taken was worse in any metric.
    pub beyond: usize,
    /// By how much at most, in standard deviations of the metric over these runs.
    pub most: f64,
}

flat!(Check { runs, beyond, most });

impl Place {
    fn of(repeat: &Repeat, band: &SolvedBand, row: usize) -> Option<Self> {
        let row = &band.rows[row];
        let solved = &repeat.solved;
        let own = solved.facts.usable().find(|one| one.name == row.band)?;
        let drift = Drift { tuning: own.tuning.clone(), drift: own.drift, at: solved.case.temperature };
        let volts = row.point.case.oscillator.tuning_voltage;
        // The band's own temperatures are left out: the block has its own.
        let headroom = (volts - row.limits.0).min(row.limits.1 - volts);
        let nominal = Point { headroom, ..row.point.clone() };
        let budgets = repeat.budgets_for(&nominal.case);
        Some(Self { output: row.output(), nominal, drift, limits: row.limits, budgets })
    }

    /// Puts a point at these deviations from the channel's nominal one.
    pub fn vary(&self, scatter: &Scatter, deviates: &Deviates, point: &mut Point) {
        scatter.apply_with(&self.drift, &self.nominal.case, deviates, &mut point.case);
        let volts = point.case.oscillator.tuning_voltage;
        point.headroom = (volts - self.limits.0).min(self.limits.1 - volts);
    }
}

impl Places {
    /// The design's channel.
    pub fn design(repeat: &Repeat, scatter: &Scatter) -> Self {
        let nominal = repeat.nominal();
        let taken = vec![Place {
            output: repeat.solved.output_frequency(),
            drift: scatter.drift.clone(),
            limits: repeat.solved.tuning_limits,
            budgets: repeat.budgets_for(&nominal.case),
            nominal,
        }];
        Self { taken, band: None, served: 1, missing: None, check: None }
    }

    /// Channels of a band: all, where they are few; else both ends, the design's, the ends of every band of the
    /// oscillator, and those that are nominally the worst or the best by any metric or limit.
    pub fn of_band(
        repeat: &Repeat,
        scatter: &Scatter,
        (name, band): (&str, &SolvedBand),
        limits: &[(MetricPath, Limit)],
        keep: Keep<'_>,
    ) -> Option<Self> {
        let served = band.rows.len();
        let mut chosen: Vec<usize> = if served <= ALL { (0..served).collect() } else { Vec::new() };
        if chosen.is_empty() {
            chosen.extend([0, served - 1]);
            let design = repeat.solved.output_frequency();
            let off = |row: &usize| (band.rows[*row].output() - design).abs();
            chosen.extend((0..served).min_by(|a, b| off(a).total_cmp(&off(b))));
            for row in 1..served {
                if band.rows[row].band != band.rows[row - 1].band {
                    chosen.extend([row - 1, row]);
                }
            }
            for column in 0..repeat.columns.len() {
                let of = |row: &usize| band.rows[*row].values[column];
                chosen.extend((0..served).min_by(|a, b| of(a).total_cmp(&of(b))));
                chosen.extend((0..served).max_by(|a, b| of(a).total_cmp(&of(b))));
            }
            for (path, limit) in limits {
                let Some(all) = judge_all(band, path, limit) else { continue };
                let worst = (0..all.len()).reduce(|a, b| if worse(&all[b].0, &all[a].0) { b } else { a });
                chosen.extend(worst);
            }
            chosen.sort_unstable();
            chosen.dedup();
        }
        let of = |row: usize| Place::of(repeat, band, row);
        let taken: Vec<Place> = chosen.iter().filter_map(|row| of(*row)).collect();
        if taken.is_empty() {
            return None;
        }
        let mut places =
            Self { taken, band: Some(name.to_owned()), served, missing: band.missing(), check: None };
        if served > chosen.len() {
            places.check = Some(keep.recall("check", || {
                let row = |row| Some((of(row)?, chosen.binary_search(&row).is_ok()));
                let (rows, taken): (Vec<Place>, Vec<bool>) = (0..served).filter_map(row).unzip();
                look(&rows, &taken, repeat, scatter)
            }));
        }
        Some(places)
    }

    /// Which channels were taken, and whether that is enough, in words; empty for the design's alone.
    pub fn words(&self) -> String {
        let Some(band) = &self.band else { return String::new() };
        let count = self.taken.len();
        if count == self.served {
            return format!(
                " Every run was read in all {count} channels of the block \u{201c}{band}\u{201d}, and the worst of them counts."
            );
        }
        let checked = self.check.map_or(String::new(), |check| {
            if check.beyond == 0 {
                format!(
                    " In none of {} runs that were read in all {} channels was another one worse.",
                    check.runs, self.served
                )
            } else {
                format!(
                    " In {} of {} runs that were read in all {} channels another one was worse in some metric, by {} standard \
                     deviations at most: the worst channel is understated by as much.",
                    check.beyond,
                    check.runs,
                    self.served,
                    print(check.most, Unit::One, Digits::Significant(2))
                )
            }
        });
        format!(
            " Every run was read in {count} of the {} channels of the block \u{201c}{band}\u{201d}, and the worst of them counts: \
             both ends, the design\u{2019}s, the ends of every band of the oscillator, and those with the nominally highest or \
             lowest value of any metric.{checked}",
            self.served
        )
    }
}

/// Reads some runs in every channel; `taken`: those that every run is read in.
fn look(rows: &[Place], taken: &[bool], repeat: &Repeat, scatter: &Scatter) -> Check {
    use rayon::prelude::*;
    let runs = (CHECKED.1 / rows.len()).clamp(1, CHECKED.0);
    let none = || vec![Ends::NONE; repeat.columns.len()];
    let read = |reader: &mut Reader<'_>, run: usize| {
        let (mut all, mut some) = (none(), none());
        let mut count = 0;
        reader.each(repeat, scatter, &scatter.draw(run as u64), |place, row| {
            add(&mut all, row, place);
            if taken[place] {
                add(&mut some, row, count);
                count += 1;
            }
        });
        (all, some)
    };
    let found: Vec<(Vec<Ends>, Vec<Ends>)> =
        (0..runs).into_par_iter().map_init(|| Reader::new(rows, repeat), read).collect();
    let deviations: Vec<f64> = (0..repeat.columns.len())
        .map(|column| {
            let values: Vec<f64> = found.iter().map(|(_, taken)| taken[column].low.0).collect();
            mean_and_deviation(&values).1
        })
        .collect();
    let mut check = Check { runs, beyond: 0, most: 0.0 };
    for (all, taken) in &found {
        let mut beyond = false;
        for ((all, taken), deviation) in all.iter().zip(taken).zip(&deviations) {
            let off = (taken.low.0 - all.low.0).max(all.high.0 - taken.high.0);
            // The same channel of another block of the same loop rounds alike; nothing less than that counts.
            if off > 1e-9 * all.high.0.abs().max(all.low.0.abs()) {
                beyond = true;
                check.most = check.most.max(if *deviation > 0.0 { off / deviation } else { 0.0 });
            }
        }
        check.beyond += usize::from(beyond);
    }
    check
}

/// Lowest and highest number over channels, each with its place; not a number where any channel is without.
#[derive(Clone, Copy, Debug)]
pub struct Ends {
    /// Lowest.
    pub low: (f64, u16),
    /// Highest.
    pub high: (f64, u16),
}

flat!(Ends { low, high });

impl Ends {
    pub(super) const NONE: Self = Self { low: (f64::INFINITY, 0), high: (f64::NEG_INFINITY, 0) };

    pub(super) fn add(&mut self, value: f64, place: u16) {
        if self.low.0.is_nan() {
            return;
        }
        if value.is_nan() || place == 0 || value < self.low.0 {
            self.low = (value, place);
        }
        if value.is_nan() || place == 0 || value > self.high.0 {
            self.high = (value, place);
        }
    }

    /// The worse of both: least margin, most noise, furthest from the design's.
    pub(super) fn worst(&self, sense: Sense, design: f64) -> (f64, u16) {
        match sense {
            Sense::High => self.low,
            Sense::Low => self.high,
            Sense::Near if design - self.low.0 > self.high.0 - design => self.low,
            Sense::Near => self.high,
        }
    }
}

/// Reads runs over channels, with room to work in.
pub(super) struct Reader<'a> {
    places: &'a [Place],
    points: Vec<Point>,
    row: Vec<f64>,
    scratch: Scratch,
}

impl<'a> Reader<'a> {
    pub(super) fn new(places: &'a [Place], repeat: &Repeat) -> Self {
        Self {
            places,
            points: places.iter().map(|place| place.nominal.clone()).collect(),
            row: vec![0.0; repeat.columns.len()],
            scratch: Scratch::default(),
        }
    }

    /// The numbers of one run, each with its ends over the channels.
    pub(super) fn read(
        &mut self,
        repeat: &Repeat,
        scatter: &Scatter,
        deviates: &Deviates,
        ends: &mut [Ends],
    ) {
        ends.fill(Ends::NONE);
        self.each(repeat, scatter, deviates, |place, row| add(ends, row, place));
    }

    /// Calls with every channel and the numbers of one run there.
    fn each(
        &mut self,
        repeat: &Repeat,
        scatter: &Scatter,
        deviates: &Deviates,
        mut each: impl FnMut(usize, &[f64]),
    ) {
        for (index, (place, point)) in self.places.iter().zip(&mut self.points).enumerate() {
            place.vary(scatter, deviates, point);
            repeat.read_with(point, &place.budgets, &mut self.scratch, &mut self.row);
            each(index, &self.row);
        }
    }
}

fn add(ends: &mut [Ends], row: &[f64], place: usize) {
    for (ends, value) in ends.iter_mut().zip(row) {
        ends.add(*value, place as u16);
    }
}

/// One run alone.
pub(super) fn read(places: &[Place], repeat: &Repeat, scatter: &Scatter, deviates: &Deviates) -> Vec<Ends> {
    let mut ends = vec![Ends::NONE; repeat.columns.len()];
    Reader::new(places, repeat).read(repeat, scatter, deviates, &mut ends);
    ends
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::flat::tests::comes_back;

    #[test]
    fn what_was_read_comes_back() {
        let ends = vec![Ends::NONE, Ends { low: (f64::NAN, 3), high: (-0.0, u16::MAX) }];
        assert_eq!(format!("{:?}", comes_back(&ends)), format!("{ends:?}"));
        let check = Check { runs: 32, beyond: 2, most: 0.25 };
        assert_eq!(format!("{:?}", comes_back(&check)), format!("{check:?}"));
    }
}
