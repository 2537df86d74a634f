//! `spurs`: discrete lines beside the carrier, with their causes.

use std::sync::Arc;

use super::fields::{COMMON, optional, required};
use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::support::{model_of, needs_of};
use super::{Equation, requirements::masks_for, spur_figures, spur_folded, spur_fractional};
use crate::physics::noise::Ladder;
use crate::physics::spurs::{PumpWaveform, level, reference_index, supply_line};
use crate::units::ascii;

/// The kind.
pub struct SpursKind;

/// Lines at multiples of the detector frequency that are listed; every further one is lower by 12 dB an octave or more.
pub(super) const HARMONICS: u32 = 4;

/// Above this level lines are no longer by themselves: they mix, and the carrier loses power.
const STRONG: f64 = -20.0;

/// Where a line comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// Leakage and mismatch of the pump.
    Pump,
    /// Ripple of the oscillator's supply.
    Supply,
    /// The sequence of the fractional modulator.
    Modulator,
    /// The same sequence, bent by the mismatch of the pump.
    Folded,
    /// A fraction near a whole number.
    Boundary,
    /// The note states it.
    Stated,
}

/// One line at the output.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Distance from the carrier, Hz.
    pub offset: f64,
    /// Level of one sideband, dBc.
    pub level: f64,
    /// Where it comes from.
    pub source: Source,
    /// The same in words, in detail.
    pub cause: String,
}

/// What solved lines leave for others.
#[derive(Clone)]
pub struct SolvedSpurs {
    /// The loop they are of.
    pub of: String,
    /// All lines, ascending in offset.
    pub lines: Arc<Vec<Line>>,
    /// The boundary line in every channel.
    pub boundary: spur_fractional::BoundaryMap,
    /// Output frequency of the loop, Hz.
    pub output: f64,
}

impl Source {
    /// What a level rests on, in words.
    pub fn basis(self) -> &'static str {
        match self {
            Source::Pump | Source::Supply | Source::Modulator => "model",
            Source::Folded => "model: no bend but that of the mismatch, and a slow loop",
            Source::Boundary => "rough model: one stated level for every distance",
            Source::Stated => "as stated",
        }
    }
}

static ALSO: &[Field] = &[
    required("offset", Type::Quantity(Unit::Hertz), "distance from the carrier"),
    required("level", Type::Quantity(Unit::DecibelCarrier), "level at the output, one sideband"),
    required("cause", Type::Text, "where it comes from"),
];
static FIELDS: &[Field] = &[
    optional("of", Type::Block(&["loop"]), "loop whose lines they are; absent: the only one"),
    optional(
        "fraction_window",
        Type::Range(Unit::Hertz),
        "offsets within which fractional lines are listed, up to 4 times the detector frequency at most; absent: all \
         below the detector frequency",
    ),
    optional(
        "also",
        Type::List(&Type::Group(ALSO)),
        "lines known from elsewhere, as they stand at the output",
    ),
];

static METRICS: &[MetricDoc] = &[
    MetricDoc {
        name: "reference_spur",
        unit: Unit::DecibelCarrier,
        says: "line at the detector frequency, by leakage and mismatch of the pump; a lower bound",
        route: Route::None("closed form; the tests run the waveform through filter and oscillator in time"),
    },
    MetricDoc {
        name: "worst_spur",
        unit: Unit::DecibelCarrier,
        says: "highest of all lines",
        route: Route::None("the highest of the others"),
    },
    MetricDoc {
        name: "supply_spur",
        unit: Unit::DecibelCarrier,
        says: "highest line by the supply's ripple",
        route: Route::None("closed form of the pushing and E, which has its second route in the margins"),
    },
    MetricDoc {
        name: "boundary_spur",
        unit: Unit::DecibelCarrier,
        says: "line at the distance to the nearest whole multiple of the detector frequency",
        route: Route::None("as stated, through H; the tests drive filter and oscillator with it in time"),
    },
    MetricDoc {
        name: "worst_boundary_spur",
        unit: Unit::DecibelCarrier,
        says: "the same in that channel of `outputs` in which it is highest",
        route: Route::None("the highest of all channels"),
    },
    MetricDoc {
        name: "worst_boundary_output",
        unit: Unit::Hertz,
        says: "output frequency of that channel",
        route: Route::None("read off the channels"),
    },
    MetricDoc {
        name: "folded_spur",
        unit: Unit::DecibelCarrier,
        says: "highest line that the pump's mismatch folds from the sequence of the modulator, where that is short",
        route: Route::SecondWhere("run in time", "the detector runs at 50 bandwidths or more"),
    },
    MetricDoc {
        name: "folded_noise",
        unit: Unit::DecibelCarrierPerHertz,
        says: "noise that the pump's mismatch folds into the band, where the sequence is long; not in the noise budget, \
               nor in what-it-takes, region and alternatives",
        route: Route::None("run in time; the tests bend the sequence by hand and pass it through H"),
    },
    MetricDoc {
        name: "static_offset",
        unit: Unit::Second,
        says: "time between the edges at the detector in lock",
        route: Route::None("closed form: the charge of a period adds up to zero"),
    },
    MetricDoc {
        name: "lines",
        unit: Unit::DecibelCarrier,
        says: "offset, level and cause of every line, for masks",
        route: Route::None("the single lines say theirs"),
    },
];

/// The last two are for fractional dividers.
static EQUATIONS: &[Equation] = &[
    Equation {
        name: "Static offset of the phases",
        tex: r"\tau = \frac{I_\mathrm{leak}}{I\, f_\mathrm{pd}} + \frac{\Delta I}{I} t_\mathrm{pulse}",
        source: "the charge of a period is zero",
    },
    Equation {
        name: "Line of the pump",
        tex: r"20 \log_{10} \frac{I_k |Z(k f_\mathrm{pd})| K}{2\, k f_\mathrm{pd}\, O}",
        source: "Fourier series and narrow-band FM; Best, Phase-Locked Loops (from memory); Bessel functions where large",
    },
    Equation {
        name: "Line of the supply",
        tex: r"20 \log_{10} \frac{K_\mathrm{push} A |E|}{2 f O}",
        source: "narrow-band FM and linear loop theory",
    },
    Equation {
        name: "Line of the modulator",
        tex: r"20 \log_{10} \left( \frac{P}{O} |c_k| |H| \right), \quad c_k = \frac{1}{L} \sum_{n=0}^{L-1} \varphi_n e^{-2 \pi i k n / L}",
        source: "Fourier series of the phase of the sequence, which repeats after L detector periods; linear loop theory. \
                 Where the sources of the pump differ by e, a short sequence counts as φ + e |φ| / 2 about the settled phase",
    },
    Equation {
        name: "Boundary line",
        tex: r"S + 20 \log_{10} \frac{|H|}{O} \quad \text{at the distance to the nearest multiple of } f_\mathrm{pd}",
        source: "common practice, no source; S is stated",
    },
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

impl Kind for SpursKind {
    fn name(&self) -> &'static str {
        "spurs"
    }
    fn about(&self) -> &'static str {
        "discrete lines beside the carrier"
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        METRICS
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        needs_of(given, catalog, "loop")
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let solved = model_of::<SolvedLoop>(given, inputs, "loop", &mut faults);
        let of = inputs.of(given, "loop").unwrap_or_default().to_owned();
        let known = known(given, &mut faults);
        spur_fractional::check(given, &mut faults);
        faults.done()?;
        let solved = solved.ok_or_else(Vec::new)?;
        let reference = reference_lines(solved);
        let supply = supply_lines(solved);
        let mut metrics = Group::new();
        metrics.metric("reference_spur", reference_metric(solved, &reference));
        let supply_metric = match worst(&supply) {
            Some(level) => Metric::real(level, Unit::DecibelCarrier),
            None => Metric::unbounded(Unit::DecibelCarrier, no_supply_line(solved)),
        };
        let wants = |metric: &str| inputs.looks_at(&given.name, metric);
        let all = ["worst_boundary_spur", "worst_boundary_output"].into_iter().any(wants);
        let boundary = if all { spur_fractional::map(solved, inputs.is_only_judged()) } else { Vec::new() };
        // Trials by the thousand go without: a run costs more than all the rest.
        let folding = if inputs.is_trial() {
            Err("trials go without it")
        } else {
            spur_folded::run(solved, inputs.keep)
        };
        let fractional = spur_fractional::lines(solved, given.fields.range("fraction_window"));
        let divides_whole = fractional.is_empty() && boundary.is_empty();
        let mut lines: Vec<Line> =
            reference.into_iter().chain(supply).chain(fractional).chain(known).collect();
        lines.sort_by(|a, b| a.offset.total_cmp(&b.offset));
        metrics.metric(
            "worst_spur",
            match worst(&lines) {
                Some(level) => Metric::real(level, Unit::DecibelCarrier),
                None => Metric::unbounded(Unit::DecibelCarrier, "there is no line"),
            },
        );
        metrics.metric("supply_spur", supply_metric);
        spur_fractional::put(solved, &boundary, &mut metrics);
        spur_folded::put(&folding, solved, &lines, &mut metrics);
        metrics.metric("static_offset", Metric::real(PumpWaveform::new(&solved.case).lead, Unit::Second));
        if !inputs.is_only_judged() {
            // Masks look at the model.
            metrics.put("lines", Node::List(lines.iter().map(line_node).collect()));
            warn(given, solved, &lines, &mut faults);
        }
        let lines = Arc::new(lines);
        let mut answer = Solved::new(SolvedSpurs { of, lines, boundary, output: solved.output_frequency() })
            .with_metrics(metrics);
        answer.warnings = faults.warnings;
        answer.equations = if divides_whole { &EQUATIONS[..3] } else { EQUATIONS };
        Ok(answer)
    }
    fn looks_at(&self, given: &Given, inputs: &Inputs<'_>) -> String {
        format!("{:?}", masks_for(given, "lines", inputs))
    }
    fn show(&self, given: &Given, solved: &Solved, inputs: &Inputs<'_>) -> Vec<Exhibit> {
        match solved.model.downcast_ref::<SolvedSpurs>() {
            Some(spurs) => spur_figures::exhibits(spurs, given, solved, &masks_for(given, "lines", inputs)),
            None => Vec::new(),
        }
    }
}

/// Lines that the note states.
fn known(given: &Given, faults: &mut Faults) -> Vec<Line> {
    let one = |item: &Checked| {
        let group = item.group()?;
        positive_in(group, "offset", faults);
        Some(Line {
            offset: group.quantity("offset")?,
            level: group.quantity("level")?,
            source: Source::Stated,
            cause: group.text("cause")?.to_owned(),
        })
    };
    given.fields.list("also").iter().filter_map(one).collect()
}

/// Lines at multiples of the detector frequency.
fn reference_lines(solved: &SolvedLoop) -> Vec<Line> {
    let case = &solved.case;
    let ladder = Ladder::new(case);
    let words = pump_words(&PumpWaveform::new(case));
    let line = |harmonic: u32| {
        let level = level(reference_index(case, &ladder, harmonic)?);
        level.is_finite().then(|| Line {
            offset: f64::from(harmonic) * case.detector_frequency,
            level,
            cause: match harmonic {
                1 => format!("detector frequency: {words}"),
                2 => "2nd harmonic of the detector frequency".to_owned(),
                3 => "3rd harmonic of the detector frequency".to_owned(),
                n => format!("{n}th harmonic of the detector frequency"),
            },
            source: Source::Pump,
        })
    };
    (1..=HARMONICS).filter_map(line).collect()
}

/// What makes the pump's waveform.
fn pump_words(pump: &PumpWaveform) -> &'static str {
    match (pump.leakage > 0.0, pump.excess * pump.pulse > 0.0) {
        (true, true) => "leakage, and mismatch of the pump",
        (true, false) => "leakage",
        _ => "mismatch of the pump",
    }
}

/// Lines by the ripple of the oscillator's supply.
fn supply_lines(solved: &SolvedLoop) -> Vec<Line> {
    let ladder = Ladder::new(&solved.case);
    let line = |&(frequency, amplitude): &(f64, f64)| {
        Some(Line {
            offset: frequency,
            level: supply_line(&solved.case, &ladder, frequency, amplitude)?,
            cause: if solved.only_judged {
                String::new()
            } else {
                format!("supply ripple of {} peak", print(amplitude, Unit::Volt, Digits::All))
            },
            source: Source::Supply,
        })
    };
    solved.ripple.iter().filter_map(line).collect()
}

fn no_supply_line(solved: &SolvedLoop) -> &'static str {
    if solved.ripple.is_empty() { "no ripple is stated" } else { "the oscillator states no pushing" }
}

fn reference_metric(solved: &SolvedLoop, lines: &[Line]) -> Metric {
    let pump = PumpWaveform::new(&solved.case);
    let unit = Unit::DecibelCarrier;
    match lines.first() {
        Some(line) => Metric::real(line.level, unit),
        None if pump.is_quiet() => {
            Metric::unbounded(unit, "no fact states a leakage, or a mismatch with its pulse")
        }
        None if !pump.holds() => Metric::none(unit, "the pump can't make good the leakage: no lock"),
        None => Metric::none(unit, "the carrier vanishes"),
    }
}

/// Level of the highest line, dBc.
fn worst(lines: &[Line]) -> Option<f64> {
    lines.iter().map(|line| line.level).max_by(f64::total_cmp)
}

fn line_node(line: &Line) -> Node {
    let mut group = Group::new();
    group.metric("offset", Metric::exact(line.offset, Unit::Hertz));
    group.metric("level", Metric::real(line.level, Unit::DecibelCarrier));
    group.put("cause", Node::Text(ascii(&line.cause)));
    group.put("basis", Node::Text(line.source.basis().to_owned()));
    Node::Group(group)
}

/// Cautions that the lines themselves give rise to.
fn warn(given: &Given, solved: &SolvedLoop, lines: &[Line], faults: &mut Faults) {
    let place = given.fields.place("of");
    let pump = PumpWaveform::new(&solved.case);
    if !pump.holds() {
        let text = format!(
            "a leakage of {} is more than the pump, set to {}, can make good in a period: the loop does not lock",
            print(pump.leakage, Unit::Ampere, Digits::Significant(3)),
            print(pump.current, Unit::Ampere, Digits::Significant(3))
        );
        faults.warn(place, "leakage", text);
    }
    if let Some(line) = lines.iter().find(|line| line.level > STRONG) {
        let text = format!(
            "the line at {} stands at {:.1} dBc: lines above {STRONG} dBc mix with each other, which the model leaves out",
            print(line.offset, Unit::Hertz, Digits::Significant(4)),
            line.level
        );
        faults.warn(place, "strong-line", text);
    }
}
