//! Every channel of a band: plan, oscillator over temperature, pump current, and what is read off the loop there.

use rayon::prelude::*;

use super::super::r#loop::AtChannel;
use super::super::oscillator::Band;
use super::super::repeat::{Cases, Point, Repeat, Room, Scratch, Sense};
use super::super::support::Faults;
use super::{Checked, Digits, Given, Item, Quantity, Unit, print};
use crate::physics::noise::Ladder;
use crate::physics::plan::{Channel, Rational, channels, to_f64};
use crate::physics::spurs::boundary_line;

/// A channel that can be served.
#[derive(Clone, Debug)]
pub struct Row {
    /// How it is made.
    pub channel: Channel,
    /// Band of the oscillator.
    pub band: String,
    /// The loop there.
    pub point: Point,
    /// Pump current that would keep the bandwidth of the design, A.
    pub wanted_current: f64,
    /// Tuning voltages at the ends of the temperature range, V: cold, hot; both the same without one.
    pub tuning: (f64, f64),
    /// Lowest and highest tuning voltage where the band was chosen at any temperature and is held at all, V.
    pub held: (f64, f64),
    /// Whether these stay within their limits.
    pub stays_locked: bool,
    /// Voltages the tuning line may take, V.
    pub limits: (f64, f64),
    /// Numbers in the order of the columns.
    pub values: Vec<f64>,
}

/// A channel that can't.
#[derive(Clone, Debug)]
pub struct Missing {
    /// Its frequency, Hz.
    pub output: f64,
    /// Why, in words.
    pub why: String,
}

/// A solved band.
pub struct SolvedBand {
    /// What was repeated.
    pub repeat: Repeat,
    /// Channels that are served, ascending.
    pub rows: Vec<Row>,
    /// Channels that are not.
    pub missing: Vec<Missing>,
    /// Numbers of the design, in the order of the columns.
    pub nominal: Vec<f64>,
    /// Temperatures, K.
    pub temperature: Option<(f64, f64)>,
    /// Whether the bandwidth is held by the pump.
    pub holds: bool,
}

/// Temperatures at which a channel may be set: a band is then chosen, and with several bands the choice moves.
const SETTINGS: usize = 9;

pub(super) fn solve(given: &Given, repeat: Repeat, faults: &mut Faults) -> Option<SolvedBand> {
    let outputs = outputs(given, &repeat, faults);
    let temperature = given.fields.range("temperature");
    if temperature.is_some_and(|(low, _)| low <= 0.0) {
        faults.place(
            given.fields.place("temperature"),
            "value-range",
            "temperatures are above absolute zero",
        );
        return None;
    }
    let outputs = outputs?;
    let holds = given.fields.word("pump") == Some("hold_bandwidth");
    let read = |scratch: &mut Scratch, output: &Rational| {
        let at = match repeat.solved.at_channel(output) {
            Ok(at) => at,
            Err(why) => return Err(Missing { output: to_f64(output), why: why.to_string() }),
        };
        let mut row = row(&repeat, at, temperature, holds);
        row.values = vec![0.0; repeat.columns.len()];
        repeat.read(&row.point, scratch, &mut row.values);
        Ok(row)
    };
    let found: Vec<Result<Row, Missing>> = outputs.par_iter().map_init(Scratch::default, read).collect();
    let (mut rows, mut missing) = (Vec::new(), Vec::new());
    for one in found {
        match one {
            Ok(row) => rows.push(row),
            Err(one) => missing.push(one),
        }
    }
    let mut nominal = vec![0.0; repeat.columns.len()];
    repeat.read(&repeat.nominal(), &mut Scratch::default(), &mut nominal);
    Some(SolvedBand { repeat, rows, missing, nominal, temperature, holds })
}

/// The channels asked for, ascending, exact.
fn outputs(given: &Given, repeat: &Repeat, faults: &mut Faults) -> Option<Vec<Rational>> {
    let fields = &given.fields;
    let place = fields.place("outputs");
    let mut listed: Vec<Rational> = match fields.get("outputs").map(|c| &c.value) {
        None => return Some(repeat.solved.outputs.clone()),
        Some(Item::Range(low, high, Some(step))) => {
            match channels(&low.rational(), &high.rational(), &step.rational()) {
                Ok(list) => list,
                Err(error) => {
                    faults.place(place, "plan", error.to_string());
                    return None;
                }
            }
        }
        Some(Item::Range(..)) => {
            faults.place(
                place,
                "field-missing",
                "channels need their step: `2.7 GHz .. 2.9 GHz step 2.5 MHz`",
            );
            return None;
        }
        Some(Item::List(items)) => {
            items.iter().filter_map(Checked::quantity).map(Quantity::rational).collect()
        }
        Some(Item::Quantity(one)) => vec![one.rational()],
        Some(_) => return None,
    };
    listed.sort();
    listed.dedup();
    if listed.first().is_none_or(|f| to_f64(f) <= 0.0) {
        faults.place(place, "value-range", "channels are above zero, and there is one");
        return None;
    }
    Some(listed)
}

fn row(repeat: &Repeat, at: AtChannel, temperature: Option<(f64, f64)>, holds: bool) -> Row {
    let solved = &repeat.solved;
    let (frequency, home) = (at.case.oscillator.frequency, solved.case.temperature);
    let voltage = |band: &Band, temperature: f64| {
        band.tuning.voltage_beyond(frequency - band.drift * (temperature - home))
    };
    let (cold, hot) = temperature.unwrap_or((home, home));
    let nominal = at.case.oscillator.tuning_voltage;
    let tuning = match temperature {
        Some((cold, hot)) => (voltage(&at.band, cold), voltage(&at.band, hot)),
        None => (nominal, nominal),
    };
    let headroom_of = |volts: f64, (low, high): (f64, f64)| (volts - low).min(high - volts);
    let headroom = [nominal, tuning.0, tuning.1]
        .map(|v| headroom_of(v, at.tuning_limits))
        .into_iter()
        .fold(f64::INFINITY, f64::min);
    // Set at one temperature, held at all: the band is that of the setting.
    let mut held = (nominal, nominal);
    let mut least = f64::INFINITY;
    for k in 0..SETTINGS {
        let set = cold + (hot - cold) * k as f64 / (SETTINGS - 1) as f64;
        let moved = |band: &&Band| frequency - band.drift * (set - home);
        let off_middle = |band: &&Band| {
            let (low, high) = band.tuning.frequency_range();
            ((moved(band) - 0.5 * (low + high)) / (high - low)).abs()
        };
        let chosen = solved.facts.usable().min_by(|a, b| off_middle(a).total_cmp(&off_middle(b)));
        let Some(band) = chosen else { continue };
        for volts in [voltage(band, cold), voltage(band, hot)] {
            held = (held.0.min(volts), held.1.max(volts));
            least = least.min(headroom_of(volts, solved.facts.tuning_limits(band)));
        }
        if solved.facts.usable().count() == 1 || cold >= hot {
            break;
        }
    }
    let design = &solved.case;
    let slope = |case: &crate::physics::part::Case| (case.oscillator.gain / case.feedback_ratio).abs();
    let wanted_current = design.pump.current * slope(design) / slope(&at.case);
    let mut case = at.case;
    if holds {
        let off = |current: &f64| (current / wanted_current).ln().abs();
        let steps = &solved.facts.synthesizer.currents;
        if let Some(step) = steps.iter().copied().min_by(|a, b| off(a).total_cmp(&off(b))) {
            case.pump.current = step;
            let floor = solved.facts.synthesizer.floor_of(solved.plan.dividers.fraction.is_some());
            case.noise.detector_floor = floor.map(|floor| floor.level_at(step));
        }
    }
    Row {
        point: Point {
            case,
            headroom,
            frequency_error: to_f64(&at.channel.frequency_error),
            fraction: solved.fraction_at(&at.channel),
        },
        channel: at.channel,
        band: at.band.name.clone(),
        wanted_current,
        tuning,
        held,
        stays_locked: least >= 0.0,
        limits: at.tuning_limits,
        values: Vec::new(),
    }
}

impl Row {
    /// Distance of the oscillator to the nearest whole multiple of the detector frequency, Hz; `None`: whole dividers.
    pub fn boundary(&self) -> Option<f64> {
        self.point.fraction.map(|at| at.distance)
    }

    /// Output frequency asked for, Hz.
    pub fn output(&self) -> f64 {
        to_f64(&self.channel.output)
    }
}

impl SolvedBand {
    /// Channels of the worst and of the best value of a column; those without a value are the worst.
    pub fn extremes(&self, column: usize) -> Option<(usize, usize)> {
        let wanted = self.nominal[column];
        let badness = |row: &Row| {
            let value = row.values[column];
            let badness = match self.repeat.columns[column].sense {
                Sense::High => -value,
                Sense::Low => value,
                Sense::Near => (value - wanted).abs(),
            };
            if badness.is_nan() { f64::INFINITY } else { badness }
        };
        let order = |a: &usize, b: &usize| badness(&self.rows[*a]).total_cmp(&badness(&self.rows[*b]));
        let worst = (0..self.rows.len()).rev().max_by(order)?;
        let best = (0..self.rows.len()).min_by(order)?;
        Some((worst, best))
    }

    /// Fractional channels so near a whole multiple of the detector frequency that the loop lets their line through: no
    /// further than its bandwidth there.
    pub fn on_boundary(&self) -> impl Iterator<Item = &Row> {
        let bandwidth = self.repeat.columns.iter().position(|column| column.name == "bandwidth");
        let near = move |row: &&Row| {
            row.boundary().zip(bandwidth).is_some_and(|(distance, column)| distance <= row.values[column])
        };
        self.rows.iter().filter(near)
    }

    /// The line of a fraction near a whole number in a channel, dBc: as stated in band, through H, divided with the
    /// carrier. `None` where none is stated, and on the whole number itself.
    pub fn boundary_spur(&self, row: &Row) -> Option<f64> {
        let case = &row.point.case;
        let stated = self.repeat.solved.boundary_spur?;
        let (_, power) = boundary_line(case, &Ladder::new(case), stated, row.boundary()?)?;
        Some(10.0 * power.log10())
    }

    /// Whether every channel, set at any temperature, stays within its limits at all others.
    pub fn stays_locked(&self) -> bool {
        self.missing.is_empty() && self.rows.iter().all(|row| row.stays_locked)
    }
}

impl Cases for SolvedBand {
    fn repeat(&self) -> &Repeat {
        &self.repeat
    }
    fn count(&self) -> usize {
        self.rows.len()
    }
    fn value(&self, case: usize, column: usize) -> f64 {
        self.rows[case].values[column]
    }
    fn point<'p>(&'p self, case: usize, _place: usize, _room: &'p mut Room) -> &'p Point {
        &self.rows[case].point
    }
    fn label(&self, case: usize, _place: usize) -> String {
        print(self.rows[case].output(), Unit::Hertz, Digits::Written)
    }
    fn missing(&self) -> Option<String> {
        let first = self.missing.first()?;
        Some(format!(
            "{} of {} channels can't be served, {} first: {}",
            self.missing.len(),
            self.missing.len() + self.rows.len(),
            print(first.output, Unit::Hertz, Digits::Written),
            first.why
        ))
    }
}
