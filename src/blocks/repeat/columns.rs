//! The numbers that are read again, each with its unit and what is better.

use super::lines::{Found, Lines, NO_LOCK};
use super::{Given, Unit, View};
use crate::physics::derived;

/// What of a number is better.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sense {
    /// Much: margins, headroom.
    High,
    /// Little: noise, jitter, peaking.
    Low,
    /// Near the design's: bandwidth, gain.
    Near,
}

/// One number of a row.
#[derive(Clone, Debug)]
pub struct Column {
    /// Block that has it.
    pub block: String,
    /// Dotted name below the block.
    pub name: String,
    /// Its unit.
    pub unit: Unit,
    /// What is better.
    pub sense: Sense,
    /// Why a case may be without it.
    pub none: &'static str,
    /// What it means where it is infinite.
    pub unbounded: &'static str,
    read: Read,
}

#[derive(Clone, Debug)]
enum Read {
    Loop(fn(&View<'_>) -> f64),
    /// Position of the noise block, and what is made of its integrals and the output frequency.
    Noise(usize, fn(Noise) -> f64),
    /// Jitter of a noise block with the discrete lines of a block of spurs between two offsets, Hz.
    WithLines(usize, usize, (f64, f64)),
    /// Signal to noise: position, signal (Hz), aperture jitter (s), converter (dB).
    Snr(usize, f64, f64, Option<f64>, bool),
    /// Position of the block of spurs, and what is made of its lines.
    Lines(usize, fn(&Lines, &Found) -> f64),
}

/// What the metrics of a noise block are made of.
#[derive(Clone, Copy)]
struct Noise {
    phase: f64,
    residual_fm: f64,
    delayed: f64,
    output: f64,
}

impl Column {
    /// A line of the block of spurs at a position; `words`: why a case is without it, and what it means where it is infinite.
    pub(super) fn of_lines(
        (block, name): (&str, &str),
        words: (&'static str, &'static str),
        at: usize,
        read: fn(&Lines, &Found) -> f64,
    ) -> Self {
        Self {
            block: block.to_owned(),
            name: name.to_owned(),
            unit: Unit::DecibelCarrier,
            sense: Sense::Low,
            none: words.0,
            unbounded: words.1,
            read: Read::Lines(at, read),
        }
    }

    pub(super) fn value(&self, view: &View<'_>) -> f64 {
        let case = &view.point.case;
        let output = case.oscillator.frequency / case.output_divider;
        let integrals = |i: usize| view.integrals.get(i).copied().unwrap_or_default();
        match &self.read {
            Read::Loop(read) => read(view),
            Read::Lines(at, read) => read(&view.lines[*at].1, &view.found[*at]),
            Read::Noise(i, read) => {
                let found = integrals(*i);
                read(Noise {
                    phase: found.rms_phase,
                    residual_fm: found.residual_fm,
                    delayed: found.delayed_rms_phase,
                    output,
                })
            }
            Read::WithLines(i, at, over) => {
                let phase = integrals(*i).rms_phase;
                let lines = view.lines[*at].1.variance(&view.found[*at], *over);
                derived::jitter((phase * phase + lines).sqrt(), output)
            }
            &Read::Snr(i, signal, aperture, converter, total) => {
                let jitter = derived::jitter(integrals(i).rms_phase, output);
                if total {
                    derived::total_snr(signal, jitter, aperture, converter)
                } else {
                    derived::sampling_snr(signal, jitter)
                }
            }
        }
    }
}

fn list(block: &str, rows: &[(&str, Unit, Sense, Read)]) -> Vec<Column> {
    let column = |(name, unit, sense, read): &(&str, Unit, Sense, Read)| Column {
        block: block.to_owned(),
        name: (*name).to_owned(),
        unit: *unit,
        sense: *sense,
        none: match *name {
            "frequency_accuracy" => "the reference states no `stability`",
            "jitter_with_spurs" => NO_LOCK,
            _ => "no unity gain below half the detector frequency",
        },
        unbounded: "never crosses",
        read: read.clone(),
    };
    rows.iter().map(column).collect()
}

pub(super) fn of_loop(block: &str) -> Vec<Column> {
    use Sense::{High, Low, Near};
    list(
        block,
        &[
            ("frequency_error", Unit::Hertz, Near, Read::Loop(|v| v.point.frequency_error)),
            (
                "frequency_accuracy",
                Unit::Hertz,
                Low,
                Read::Loop(|v| {
                    let case = &v.point.case;
                    derived::reference_error(case.oscillator.frequency / case.output_divider, v.stability)
                }),
            ),
            ("tuning_voltage", Unit::Volt, Near, Read::Loop(|v| v.point.case.oscillator.tuning_voltage)),
            ("tuning_headroom", Unit::Volt, High, Read::Loop(|v| v.point.headroom)),
            ("oscillator_gain", Unit::HertzPerVolt, Near, Read::Loop(|v| v.point.case.oscillator.gain)),
            ("pump_current", Unit::Ampere, Near, Read::Loop(|v| v.point.case.pump.current)),
            ("bandwidth", Unit::Hertz, Near, Read::Loop(|v| v.reading.bandwidth)),
            ("phase_margin", Unit::Degree, High, Read::Loop(|v| v.reading.phase_margin)),
            ("gain_margin", Unit::Decibel, High, Read::Loop(|v| v.reading.gain_margin)),
            ("sampled_phase_margin", Unit::Degree, High, Read::Loop(|v| v.reading.sampled_phase_margin)),
            (
                "bandwidth_ratio",
                Unit::One,
                High,
                Read::Loop(|v| v.point.case.detector_frequency / v.reading.bandwidth),
            ),
        ],
    )
}

pub(super) fn of_response(block: &str) -> Vec<Column> {
    use Sense::{High, Low, Near};
    list(
        block,
        &[
            ("bandwidth", Unit::Hertz, Near, Read::Loop(|v| v.reading.bandwidth)),
            ("phase_margin", Unit::Degree, High, Read::Loop(|v| v.reading.phase_margin)),
            ("gain_margin", Unit::Decibel, High, Read::Loop(|v| v.reading.gain_margin)),
            ("phase_crossover", Unit::Hertz, High, Read::Loop(|v| v.reading.phase_crossover)),
            ("peaking", Unit::Decibel, Low, Read::Loop(|v| v.reading.peaking)),
            ("closed_bandwidth", Unit::Hertz, Near, Read::Loop(|v| v.reading.closed_bandwidth)),
            ("sampled.bandwidth", Unit::Hertz, Near, Read::Loop(|v| v.reading.sampled_bandwidth)),
            ("sampled.phase_margin", Unit::Degree, High, Read::Loop(|v| v.reading.sampled_phase_margin)),
            ("sampled.gain_margin", Unit::Decibel, High, Read::Loop(|v| v.reading.sampled_gain_margin)),
        ],
    )
}

/// Metrics of a noise block with integration limits; `at`: its position among them; `lines`: position of the block whose
/// lines it adds, and its limits (Hz).
pub(super) fn of_noise(given: &Given, at: usize, lines: Option<(usize, (f64, f64))>) -> Vec<Column> {
    use Sense::{High, Low};
    let fields = &given.fields;
    let noise = |read: fn(Noise) -> f64| Read::Noise(at, read);
    let mut rows = vec![
        ("jitter", Unit::Second, Low, noise(|n| derived::jitter(n.phase, n.output))),
        ("rms_phase", Unit::Radian, Low, noise(|n| n.phase)),
        ("rms_phase_degrees", Unit::Degree, Low, noise(|n| derived::degrees(n.phase))),
        ("integrated", Unit::DecibelCarrier, Low, noise(|n| derived::integrated_dbc(n.phase))),
        ("residual_fm", Unit::Hertz, Low, noise(|n| n.residual_fm)),
        ("evm", Unit::One, Low, noise(|n| derived::error_vector(n.phase))),
    ];
    if let Some((lines, over)) = lines {
        rows.push(("jitter_with_spurs", Unit::Second, Low, Read::WithLines(at, lines, over)));
    }
    if fields.written("delay") {
        rows.push(("delayed_rms_phase", Unit::Radian, Low, noise(|n| n.delayed)));
    }
    if let Some(signal) = fields.quantity("sampled_signal") {
        let aperture = fields.quantity("aperture_jitter").unwrap_or(0.0);
        let converter = fields.quantity("converter_snr");
        for (name, total) in [("sampling_snr", false), ("total_snr", true)] {
            rows.push((name, Unit::Decibel, High, Read::Snr(at, signal, aperture, converter, total)));
        }
    }
    list(&given.name, &rows)
}
