//! One hop: event by event, or by the modes of the linear loop.

use super::asked::{Ready, Terms};
use super::path::{Linear, Path, Way};
use super::{Digits, Unit, Window, print};
use crate::blocks::Keep;
use crate::physics::event::{self, Constant, Entered, Fractional, Instant, Question};
use crate::physics::modulator::{LONGEST_OF_LINES, Modulator};
use crate::physics::sampled::Sampled;
use crate::physics::settling_linear::LinearSettling;
use crate::physics::twice::settling::{Modes, Of, sampled};
use crate::results::Second;

/// How one hop went. A value that is not there says why.
#[derive(Clone, Debug)]
pub struct Hop {
    /// Its start and its end as a person names them.
    pub names: (String, String),
    /// Frequencies at the output, Hz; `None`: power-up.
    pub frequencies: (Option<f64>, f64),
    /// Time of the last instant outside the window, s.
    pub time: Result<f64, String>,
    /// The same for the phase.
    pub phase_time: Result<f64, String>,
    /// The second route of `time`.
    pub second: Option<Second>,
    /// Why the linear loop is no second route here.
    pub once: Option<&'static str>,
    /// Programming and the choice of a band, s.
    pub before: f64,
    /// Whether another band of the oscillator has to be chosen.
    pub band_changes: bool,
    /// Excursion beyond the channel aimed at, as a share of the step.
    pub overshoot: Result<f64, String>,
    /// Edges that the detector lost.
    pub slips: Result<u64, String>,
    /// Farthest tuning voltage, V.
    pub peak_tuning: Result<f64, String>,
    /// Error and tuning voltage over time.
    pub curve: Vec<Instant>,
    /// Times at which an edge was lost, s.
    pub slip_times: Vec<f64>,
    /// What it means that a limit was reached, where one was.
    pub limited: Option<&'static str>,
    /// Tuning voltage aimed at, V.
    pub aimed: f64,
    /// The way, to be followed again; `None` where the hop is not possible.
    pub path: Option<Path>,
}

impl Hop {
    /// For comparing hops: one that never settles lasts longest.
    pub(super) fn lasting(&self) -> f64 {
        self.time.as_ref().map_or(f64::INFINITY, |time| time + self.before)
    }
}

const ROUTE: &str = "linear loop";
const NO_WINDOW: &str = "no window (`within`) is stated";

/// `keep`: where its long runs are found again, and which hop of the block it is.
pub(super) fn follow(ready: &Ready, terms: &Terms, keep: (Keep<'_>, usize)) -> Hop {
    let case = &ready.to.case;
    let selection = if ready.band_changes { terms.band_selection } else { 0.0 };
    let mut hop = Hop {
        names: ready.names.clone(),
        frequencies: (ready.from_frequency, ready.to.output_frequency()),
        time: Err(NO_WINDOW.to_owned()),
        phase_time: Err("no window of the phase (`within` in deg, or `phase_within`) is stated".to_owned()),
        second: None,
        once: None,
        before: terms.programming + selection,
        band_changes: ready.band_changes,
        overshoot: Err(String::new()),
        slips: Err(String::new()),
        peak_tuning: Err(String::new()),
        curve: Vec::new(),
        slip_times: Vec::new(),
        limited: None,
        aimed: case.oscillator.tuning_voltage,
        path: None,
    };
    if let Err(why) = solve(&mut hop, ready, terms, keep) {
        hop.time = Err(why.clone());
        hop.phase_time = Err(why.clone());
        hop.overshoot = Err(why.clone());
        hop.slips = Err(why.clone());
        hop.peak_tuning = Err(why);
        return hop;
    }
    if let (Some(Window::Frequency(window)), Some((block, noise))) = (terms.window, &terms.residual_fm)
        && window < *noise
    {
        let hertz = |f: f64| print(f, Unit::Hertz, Digits::Significant(3));
        hop.second = None;
        hop.time = Err(format!(
            "never locked: the window of {} is narrower than the residual FM of {} (`{block}`)",
            hertz(window),
            hertz(*noise)
        ));
    }
    hop
}

/// Fills in what the model gives; where nothing can settle, why.
fn solve(hop: &mut Hop, ready: &Ready, terms: &Terms, keep: (Keep<'_>, usize)) -> Result<(), String> {
    let case = &ready.to.case;
    let volts = |v: f64| print(v, Unit::Volt, Digits::Significant(3));
    if let Some((low, high)) = terms.limits.filter(|(low, high)| hop.aimed < *low || hop.aimed > *high) {
        return Err(format!(
            "never reached: {} needs {}, and {} works between {} and {}",
            hop.names.1,
            volts(hop.aimed),
            if terms.active { "the op-amp's output" } else { "the pump" },
            volts(low),
            volts(high)
        ));
    }
    let sampled = Sampled::new(case).map_err(|why| why.to_string())?;
    let linear = LinearSettling::new(case).map_err(|why| why.to_string());
    if !terms.linear && !sampled.is_stable() {
        return Err(format!("never locked: the sampled loop is not stable at {}", hop.names.1));
    }
    let linear = linear?;
    if terms.linear {
        solve_linear(hop, ready, terms, &linear);
        Ok(())
    } else {
        solve_events(hop, ready, terms, &linear, keep)
    }
}

fn step(ready: &Ready) -> f64 {
    let case = &ready.to.case;
    (case.oscillator.frequency - ready.to.band.tuning.beyond(ready.start)) / case.output_divider
}

fn solve_linear(hop: &mut Hop, ready: &Ready, terms: &Terms, linear: &LinearSettling) {
    let case = &ready.to.case;
    let step = step(ready);
    let twice = Modes::new(case);
    let second = |value: Option<f64>, first: f64| {
        value.map(|value| Second {
            value,
            route: ROUTE,
            agrees: (value - first).abs() <= 1e-6 * first,
            within: "1e-6 relative",
        })
    };
    let none = || "the modes do not come to rest".to_owned();
    match terms.window {
        Some(Window::Frequency(window)) => {
            hop.time = linear.time(step, window).ok_or_else(none);
            let again = twice.as_ref().and_then(|modes| modes.time(step, window));
            hop.second = hop.time.as_ref().ok().and_then(|time| second(again, *time));
        }
        Some(Window::Phase(window)) => {
            hop.time = linear.phase_time(step, window).ok_or_else(none);
            let again = twice.as_ref().and_then(|modes| modes.phase_time(step, window));
            hop.second = hop.time.as_ref().ok().and_then(|time| second(again, *time));
        }
        None => {}
    }
    if let Some(window) = terms.phase_window {
        hop.phase_time = linear.phase_time(step, window).ok_or_else(none);
    }
    let overshoot = linear.overshoot();
    hop.overshoot = Ok(overshoot);
    hop.slips = Err("the linear model knows no slips".to_owned());
    hop.peak_tuning = Ok(hop.aimed + overshoot * (hop.aimed - ready.start));
    let longest = [&hop.time, &hop.phase_time].into_iter().flatten().copied().fold(0.0, f64::max);
    let until = terms.until.unwrap_or_else(|| (1.5 * longest).max(5.0 * linear.slowest()));
    let linear = Linear { modes: linear.clone(), step, tuning: (ready.start, hop.aimed) };
    hop.curve = (0..=400).map(|k| linear.at(until * f64::from(k) / 400.0)).collect();
    hop.path = Some(Path(Way::Linear(Box::new(linear))));
}

fn solve_events(
    hop: &mut Hop,
    ready: &Ready,
    terms: &Terms,
    linear: &LinearSettling,
    (keep, index): (Keep<'_>, usize),
) -> Result<(), String> {
    let case = &ready.to.case;
    let period = 1.0 / case.detector_frequency;
    // Long enough for the slowest mode, for the pump to charge the filter, and for the detector to be seen at work.
    let filter = &case.filter;
    let capacitance = filter.c1 + filter.c2 + filter.post.iter().map(|(_, c)| c).sum::<f64>();
    let slewing = (hop.aimed - ready.start).abs() * capacitance / case.pump.current;
    // A window that is kept has to be kept over all of a short sequence.
    let sequence = ready.modulator.as_ref().map_or(0, Modulator::period).min(LONGEST_OF_LINES) as f64;
    let most = 500.0 * linear.slowest() + 20.0 * slewing + (2000.0 + sequence) * period;
    let question = Question {
        case: case.clone(),
        tuning: ready.to.band.tuning.clone(),
        start: ready.start,
        limits: terms.limits,
        pin_limits: terms.pin_limits,
        gear: terms.gear,
        frequency_window: match terms.window {
            Some(Window::Frequency(window)) => Some(window),
            _ => None,
        },
        phase_window: terms.phase_window,
        until: terms.until.unwrap_or_else(|| most.min(MOST_UNASKED * period)),
        quiet: if terms.until.is_some() {
            f64::INFINITY
        } else {
            12.0 * linear.slowest() + (100.0 + sequence) * period
        },
    };
    let run = keep.recall(&format!("run {index}"), || {
        let run = match &ready.modulator {
            Some(modulator) => event::run(&question, &mut Fractional::new(modulator, case.fixed_prescaler)),
            None => event::run(&question, &mut Constant),
        };
        run.map_err(|why| why.to_string())
    })?;
    hop.path = Some(Path(Way::Events(Box::new(question), ready.modulator)));
    let seconds = |t: f64| print(t, Unit::Second, Digits::Significant(3));
    let reading = |entered: Option<Entered>, none: &Result<f64, String>| match entered {
        Some(Entered::After(time)) => Ok(time),
        Some(Entered::Never) => Err(if terms.until.is_some() {
            format!("still outside the window at the end of `until`, {}", seconds(run.lasted))
        } else {
            format!("the window is never kept: still outside after {}", seconds(run.lasted))
        }),
        None => none.clone(),
    };
    hop.phase_time = reading(run.phase, &hop.phase_time);
    hop.time = match terms.window {
        Some(Window::Phase(_)) => hop.phase_time.clone(),
        _ => reading(run.frequency, &hop.time),
    };
    hop.overshoot = Ok(run.overshoot);
    hop.slips = Ok(run.slips);
    hop.peak_tuning = Ok(if ready.start < hop.aimed { run.tuning.1 } else { run.tuning.0 });
    hop.limited = run.limited.then_some(if terms.active {
        "the op-amp's output reaches the end of its swing on the way, and stands there until its inputs have met again"
    } else {
        "the pump reaches a limit on the way, and gives less than its current there"
    });
    match second_of_events(hop, ready, terms, &run, (keep, index)) {
        Ok(second) => hop.second = Some(second),
        Err(why) => hop.once = Some(why),
    }
    hop.curve = run.curve;
    hop.slip_times = run.slip_times;
    Ok(())
}

/// Detector cycles that are followed where the note does not say how long.
const MOST_UNASKED: f64 = 2e6;

/// Largest phase error, detector cycles, and change of gain at which the loop still counts as linear.
const SMALL: (f64, f64) = (0.02, 0.005);

/// The linear loop beside a run that stayed small, without slip or limit; else why there is none.
fn second_of_events(
    hop: &Hop,
    ready: &Ready,
    terms: &Terms,
    run: &event::Run,
    (keep, index): (Keep<'_>, usize),
) -> Result<Second, &'static str> {
    let case = &ready.to.case;
    let time = *hop.time.as_ref().map_err(|_| "nothing settles")?;
    let window = terms.window.ok_or("no window is stated")?;
    let tuning = &ready.to.band.tuning;
    let bends = (tuning.gain(ready.start) / case.oscillator.gain - 1.0).abs() > SMALL.1;
    let parts = [
        (run.slips > 0, "the detector loses edges on the way"),
        (run.limited, "a limit of pump or op-amp is reached on the way"),
        (terms.gear.is_some(), "the pump current changes on the way"),
        (bends, "the tuning curve bends on the way"),
        (
            case.drain() != 0.0 || case.oscillator.input_leakage != 0.0,
            "leakage moves the phase at which the loop rests",
        ),
        (
            case.pump.mismatch != 0.0 && case.pump.pulse != 0.0,
            "mismatch of the pump moves the phase at which the loop rests",
        ),
        (run.largest_phase > SMALL.0, "the phase error is beyond 0.02 cycles of the detector"),
    ];
    if let Some((_, why)) = parts.iter().find(|(parts, _)| *parts) {
        return Err(why);
    }
    let of = match window {
        Window::Frequency(window) => (Of::Frequency, window),
        Window::Phase(window) => (Of::Phase, window),
    };
    let periods = run.cycles as usize + 100;
    let bracket = keep.recall(&format!("second {index}"), || match &ready.modulator {
        None => sampled(case, step(ready), of, periods, (std::iter::empty(), 0.0)),
        Some(modulator) => {
            let size = case.fixed_prescaler;
            let excess = modulator.excess().map(|steps| size * steps);
            sampled(case, step(ready), of, periods, (excess, size * modulator.mean_excess()))
        }
    });
    let bracket = bracket.ok_or("the sampled loop is outside the window to the end")?;
    Ok(Second {
        value: bracket.time,
        route: ROUTE,
        agrees: bracket.holds(time),
        within: "times of a 2 % wider and narrower window, 1.5 detector periods",
    })
}
