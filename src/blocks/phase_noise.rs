//! `phase_noise`: the noise budget at the output.

use std::sync::Arc;

use super::fields::{COMMON, optional};
use super::in_time;
use super::r#loop::SolvedLoop;
use super::noise_trials::judged;
use super::prelude::*;
use super::solved_noise::SolvedNoise;
use super::spurs::{Line, SolvedSpurs};
use super::support::{needs_of, shared_of};
use super::{Equation, noise_figures, requirements::masks_for};
use crate::physics::noise::{CONTRIBUTORS, Ladder, Spectrum, table_points, total_at};
use crate::physics::{derived, twice};
use crate::results::{MetricFunction, Second};

/// The kind.
pub struct PhaseNoiseKind;

static FIELDS: &[Field] = &[
    optional("of", Type::Block(&["loop"]), "loop whose noise it is; absent: the only one"),
    optional("over", Type::Range(Unit::Hertz), "integration limits; absent: a plot, and no integrals"),
    optional("spots", Type::List(&Type::Quantity(Unit::Hertz)), "offsets whose level is listed"),
    optional("spurs", Type::Block(&["spurs"]), "discrete lines that `jitter_with_spurs` adds"),
    optional("delay", Type::Quantity(Unit::Second), "delay of a radar echo, for `delayed_rms_phase`"),
    optional(
        "sampled_signal",
        Type::Quantity(Unit::Hertz),
        "input frequency of a converter that this clock drives",
    ),
    optional("aperture_jitter", Type::Quantity(Unit::Second), "the converter's own jitter"),
    optional(
        "converter_snr",
        Type::Quantity(Unit::Decibel),
        "the converter's signal to noise with a perfect clock",
    ),
];

static METRICS: &[MetricDoc] = &[
    MetricDoc {
        name: "jitter",
        unit: Unit::Second,
        says: "rms jitter over `over`",
        route: Route::Second("adaptive quadrature"),
    },
    MetricDoc {
        name: "rms_phase",
        unit: Unit::Radian,
        says: "rms phase over `over`",
        route: Route::None("the jitter's second route is that of its phase"),
    },
    MetricDoc {
        name: "rms_phase_degrees",
        unit: Unit::Degree,
        says: "the same in degrees",
        route: Route::None("rms_phase in other words"),
    },
    MetricDoc {
        name: "integrated",
        unit: Unit::DecibelCarrier,
        says: "integrated level of both sidebands",
        route: Route::None("rms_phase in other words"),
    },
    MetricDoc {
        name: "residual_fm",
        unit: Unit::Hertz,
        says: "rms frequency deviation over `over`",
        route: Route::None("same integrator as the jitter's, which has one"),
    },
    MetricDoc {
        name: "evm",
        unit: Unit::One,
        says: "error vector magnitude: the rms phase",
        route: Route::None("rms_phase in other words"),
    },
    MetricDoc {
        name: "jitter_with_spurs",
        unit: Unit::Second,
        says: "the jitter with the lines of `spurs` within `over`",
        route: Route::None("the jitter, which has one, and a sum of squares"),
    },
    MetricDoc {
        name: "delayed_rms_phase",
        unit: Unit::Radian,
        says: "rms phase against the signal `delay` ago",
        route: Route::None("same integrator as the jitter's, which has one"),
    },
    MetricDoc {
        name: "sampling_snr",
        unit: Unit::Decibel,
        says: "signal to noise of a sampled sine, this clock alone",
        route: Route::None("closed form of the jitter"),
    },
    MetricDoc {
        name: "total_snr",
        unit: Unit::Decibel,
        says: "the same with aperture jitter and converter noise",
        route: Route::None("closed form of the jitter"),
    },
    MetricDoc {
        name: "spot",
        unit: Unit::DecibelCarrierPerHertz,
        says: "levels at `spots`",
        route: Route::None("the transfers have theirs in `loop` and `response`"),
    },
    MetricDoc {
        name: "at(\"10 kHz\")",
        unit: Unit::DecibelCarrierPerHertz,
        says: "level at an offset",
        route: Route::None("the transfers have theirs in `loop` and `response`"),
    },
    MetricDoc {
        name: "share",
        unit: Unit::One,
        says: "share of each contributor in the integrated power",
        route: Route::None("same integrator as the jitter's, which has one"),
    },
    MetricDoc {
        name: "resistor_noise",
        unit: Unit::Volt,
        says: "rms noise of a passive filter's resistors on the tuning line, over all frequencies; not of an active one, \
               whose op-amp supplies charge, so that equipartition does not hold",
        route: Route::Second("kT/C identity"),
    },
    in_time::METRIC,
    MetricDoc {
        name: "total",
        unit: Unit::DecibelCarrierPerHertz,
        says: "the total over offset, for masks",
        route: Route::None("the transfers have theirs in `loop` and `response`"),
    },
    MetricDoc {
        name: "curve",
        unit: Unit::DecibelCarrierPerHertz,
        says: "offsets, every contributor and the total",
        route: Route::None("the transfers have theirs in `loop` and `response`"),
    },
];

static EQUATIONS: &[Equation] = &[
    Equation {
        name: "Detector floor at the output",
        tex: r"L(f) = 10^{F/10}\, f_\mathrm{pd}\, N^2\, |H|^2 / O^2",
        source: "common practice; F is the floor at 1 Hz detector rate",
    },
    Equation {
        name: "Oscillator at the output",
        tex: r"L(f) = L_\mathrm{osc}(f) \left(\frac{f_\mathrm{osc}}{f_\mathrm{at}}\right)^2 |E|^2 / O^2",
        source: "linear loop theory",
    },
    Equation {
        name: "Resistor of the filter",
        tex: r"L(f) = \frac{4 k T R}{2} \left|T_R(f)\right|^2 \left(\frac{K}{f}\right)^2 |E|^2 / O^2",
        source: "Nyquist, Phys. Rev. 32, 1928; L = S/2, IEEE Std 1139",
    },
    Equation {
        name: "Jitter with discrete lines",
        tex: r"\sigma_t = \frac{1}{2 \pi f_\mathrm{out}} \sqrt{2 \int L(f)\, df + \sum 2 \cdot 10^{s/10}}",
        source: "a line of s dBc is one of a pair at 20 log10(index / 2)",
    },
    Equation {
        name: "Jitter",
        tex: r"\sigma_t = \frac{1}{2 \pi f_\mathrm{out}} \sqrt{2 \int L(f)\, df}",
        source: "IEEE Std 1139",
    },
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

impl Kind for PhaseNoiseKind {
    fn name(&self) -> &'static str {
        "phase_noise"
    }
    fn about(&self) -> &'static str {
        "the noise budget at the output"
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        METRICS
    }
    fn contributors(&self) -> Vec<(&'static str, &'static str)> {
        CONTRIBUTORS.iter().map(|contributor| (contributor.name(), contributor.says())).collect()
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        needs_of(given, catalog, "loop")
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let fields = &given.fields;
        let solved = shared_of::<SolvedLoop>(given, inputs, "loop", &mut faults);
        let of = inputs.of(given, "loop").unwrap_or_default().to_owned();
        for name in ["delay", "sampled_signal", "aperture_jitter"] {
            positive_in(fields, name, &mut faults);
        }
        let over = fields.range("over");
        if over.is_some_and(|(low, high)| low <= 0.0 || high <= low) {
            faults.place(
                fields.place("over"),
                "value-range",
                "integration limits are above zero and in order",
            );
        }
        let lines = lines(given, &of, inputs, &mut faults);
        let spots: Vec<f64> = fields.list("spots").iter().filter_map(Checked::number).collect();
        if spots.iter().any(|f| *f <= 0.0) {
            faults.place(fields.place("spots"), "value-range", "a spot is at an offset above zero");
        }
        faults.done()?;
        let solved = solved.ok_or_else(Vec::new)?;
        let range = over.unwrap_or_else(|| solved.figure_range());
        let spectrum = if inputs.is_only_judged() {
            judged(given, &of, &solved.case, (range, &spots), inputs)
        } else {
            Spectrum::new(&solved.case, &Ladder::new(&solved.case), range, &spots).map(|whole| (whole, None))
        };
        let (spectrum, integrals) = spectrum.ok_or_else(Vec::new)?;
        let in_time = (inputs.thorough && !inputs.is_trial()).then(|| in_time::run(&solved));
        let noise = SolvedNoise {
            of,
            solved,
            spectrum: Arc::new(spectrum),
            over,
            spots,
            lines,
            in_time,
            delay: fields.quantity("delay"),
            integrals,
            budget: Arc::default(),
            fine: Arc::default(),
        };
        let mut metrics = metrics(&noise, given, inputs, &mut faults);
        if let Some(found) = &noise.in_time {
            metrics.put("in_time", Node::Group(in_time::metrics(found)));
        }
        let at = Arc::new(noise);
        let mut answer = Solved::of(Arc::clone(&at) as Arc<_>).with_metrics(metrics);
        answer.functions.push(("at".to_owned(), MetricFunction(Arc::new(move |text| level_at(&at, text)))));
        answer.warnings = faults.warnings;
        answer.equations = EQUATIONS;
        Ok(answer)
    }
    fn looks_at(&self, given: &Given, inputs: &Inputs<'_>) -> String {
        format!("{:?}", masks_for(given, "total", inputs))
    }
    fn show(&self, given: &Given, solved: &Solved, inputs: &Inputs<'_>) -> Vec<Exhibit> {
        match solved.model.downcast_ref::<SolvedNoise>() {
            Some(noise) => noise_figures::exhibits(noise, given, solved, &masks_for(given, "total", inputs)),
            None => Vec::new(),
        }
    }
}

/// The discrete lines that the block asks for; they have to be of its own loop.
fn lines(given: &Given, of: &str, inputs: &Inputs<'_>, faults: &mut Faults) -> Arc<Vec<Line>> {
    let Some(name) = given.fields.block("spurs") else { return Arc::default() };
    let Some(spurs) = inputs.model::<SolvedSpurs>(name) else { return Arc::default() };
    if spurs.of != of {
        let text = format!("`{name}` holds the lines of loop `{}`, this noise is of `{of}`", spurs.of);
        faults.place(given.fields.place("spurs"), "spurs-of", text);
    }
    Arc::clone(&spurs.lines)
}

fn level_at(noise: &SolvedNoise, text: &str) -> Result<Metric, String> {
    let offset = crate::units::parse_as(text, Unit::Hertz)
        .map_err(|_| format!("`{text}` is not an offset; expected {}", Unit::Hertz.described()))?;
    if offset.value <= 0.0 {
        return Err(format!("`{text}` is not an offset above zero"));
    }
    Ok(match noise.total_at(offset.value) {
        Some(level) => Metric::real(level, Unit::DecibelCarrierPerHertz),
        None => Metric::none(Unit::DecibelCarrierPerHertz, "nothing contributes noise"),
    })
}

/// Metrics that are made of the rms phase.
const OF_PHASE: [&str; 8] = [
    "jitter",
    "rms_phase",
    "rms_phase_degrees",
    "integrated",
    "evm",
    "jitter_with_spurs",
    "sampling_snr",
    "total_snr",
];

const NO_RANGE: &str = "no integration limits (`over`)";

/// All metrics; of a trial that is only judged, those that take long where they are looked at.
fn metrics(noise: &SolvedNoise, given: &Given, inputs: &Inputs<'_>, faults: &mut Faults) -> Group {
    let wants = |metric: &str| inputs.looks_at(&given.name, metric);
    let fields = &given.fields;
    let spectrum = &noise.spectrum;
    let case = &noise.solved.case;
    let output = case.oscillator.frequency / case.output_divider;
    let mut metrics = Group::new();
    let phase = noise.over.filter(|_| OF_PHASE.into_iter().any(&wants)).map(|_| noise.rms_phase());
    let mut put = |name: &str, value: Option<f64>, unit: Unit| {
        let metric = value.map_or_else(|| Metric::none(unit, NO_RANGE), |value| Metric::real(value, unit));
        metrics.metric(name, metric);
    };
    let jitter = phase.map(|phase| derived::jitter(phase, output));
    put("rms_phase", phase, Unit::Radian);
    put("rms_phase_degrees", phase.map(derived::degrees), Unit::Degree);
    put("integrated", phase.map(derived::integrated_dbc), Unit::DecibelCarrier);
    if wants("residual_fm") {
        put("residual_fm", noise.over.map(|_| noise.residual_fm()), Unit::Hertz);
    }
    put("evm", phase.map(derived::error_vector), Unit::One);
    if let Some((from, to)) = noise.over.filter(|_| fields.written("spurs")) {
        let inside = noise.lines.iter().filter(|line| line.offset >= from && line.offset <= to);
        let with = |phase| derived::rms_phase_with_lines(phase, inside.map(|line| line.level));
        put("jitter_with_spurs", phase.map(|phase| derived::jitter(with(phase), output)), Unit::Second);
    } else if fields.written("spurs") {
        put("jitter_with_spurs", None, Unit::Second);
    }
    if let Some(delay) = fields.quantity("delay").filter(|_| wants("delayed_rms_phase")) {
        put("delayed_rms_phase", noise.over.map(|_| noise.delayed_rms_phase(delay)), Unit::Radian);
    }
    if let Some(signal) = fields.quantity("sampled_signal") {
        let aperture = fields.quantity("aperture_jitter").unwrap_or(0.0);
        let converter = fields.quantity("converter_snr");
        put("sampling_snr", jitter.map(|j| derived::sampling_snr(signal, j)), Unit::Decibel);
        put("total_snr", jitter.map(|j| derived::total_snr(signal, j, aperture, converter)), Unit::Decibel);
        if noise.over.is_some_and(|(_, to)| to < output / 2.0) {
            let text = format!(
                "the clock's floor folds into the sampled band: `over` ends below half the clock's frequency ({}); it \
                 should reach the bandwidth of the clock input",
                print(output / 2.0, Unit::Hertz, Digits::Significant(3))
            );
            faults.warn(fields.place("over"), "over-short", text);
        }
    }
    let mut first = Metric::none(Unit::Second, NO_RANGE);
    if let (Some(value), Some((from, to))) = (jitter, noise.over) {
        first = Metric::real(value, Unit::Second);
        let ladder = Ladder::new(case);
        let density = |f: f64| total_at(case, &ladder, f);
        let second =
            (!noise.solved.trial).then(|| twice::jitter::rms_phase(density, from, to, &table_points(case)));
        if let Some(Ok(phase)) = second {
            let second = derived::jitter(phase, output);
            let agrees = (second - value).abs() <= 1e-3 * value.abs();
            first = first.with_second(Second {
                value: second,
                route: "adaptive quadrature",
                agrees,
                within: "0.1 %",
            });
        }
        if !noise.solved.trial {
            warn_about_limits(noise, phase.unwrap_or(0.0), given, faults);
        }
    }
    metrics.0.insert(0, ("jitter".to_owned(), Node::Metric(first)));
    let spots = noise.spots.iter().filter(|_| wants("spot")).map(|&offset| {
        let mut spot = Group::new();
        spot.metric("offset", Metric::exact(offset, Unit::Hertz));
        let level = noise.total_at(offset);
        let unit = Unit::DecibelCarrierPerHertz;
        spot.metric(
            "level",
            level.map_or_else(|| Metric::none(unit, "nothing contributes noise"), |l| Metric::real(l, unit)),
        );
        Node::Group(spot)
    });
    metrics.put("spot", Node::List(spots.collect()));
    let mut shares = Group::new();
    for (name, share) in spectrum.shares() {
        let metric = if noise.over.is_some() {
            Metric::real(share, Unit::One)
        } else {
            Metric::none(Unit::One, NO_RANGE)
        };
        shares.metric(name, metric);
    }
    metrics.put("share", Node::Group(shares));
    if let Some(metric) = noise.solved.resistor_noise() {
        metrics.metric("resistor_noise", metric);
    }
    if noise.solved.trial {
        // Curves are for readers; what is judged of them comes from the model.
        return metrics;
    }
    let decibels = |density: &[f64]| Node::Series {
        unit: Unit::DecibelCarrierPerHertz,
        values: density.iter().map(|d| (10.0 * d.log10()).max(-400.0)).collect(),
    };
    metrics.put("total", decibels(&spectrum.total));
    let mut curve = Group::new();
    curve.put("offset", Node::Series { unit: Unit::Hertz, values: spectrum.offsets.clone() });
    for one in &spectrum.curves {
        curve.put(one.name, decibels(&one.density));
    }
    curve.put("total", decibels(&spectrum.total));
    metrics.put("curve", Node::Group(curve));
    metrics
}

/// Cautions that the model itself asks for.
fn warn_about_limits(noise: &SolvedNoise, phase: f64, given: &Given, faults: &mut Faults) {
    let place = given.fields.place("over");
    if phase > 0.1 {
        faults.warn(
            place,
            "large-angle",
            format!(
                "rms phase of {} is beyond the small-angle model (0.1 rad)",
                print(phase, Unit::Radian, Digits::Significant(3))
            ),
        );
    }
    for outside in noise.spectrum.outside(&noise.solved.case) {
        for (share, where_) in [(outside.below, "below the first"), (outside.above, "above the last")] {
            if share > 0.01 {
                let text = format!(
                    "{:.1} % of the integral is {} noise from {where_} point of its table: the table does not reach",
                    share * 100.0,
                    outside.name
                );
                faults.warn(place, "outside-table", text);
            }
        }
    }
    if let Some((from, to)) = noise.over {
        let lines = noise.solved.modulator_lines(to);
        let within = lines.iter().filter(|(offset, _)| *offset >= from);
        let in_lines = (2.0 * within.map(|(_, power)| power).sum::<f64>()).sqrt();
        if in_lines > 0.1 * phase {
            let radians = |value: f64| print(value, Unit::Radian, Digits::Significant(3));
            let text = format!(
                "the modulator's sequence is short and counts as lines, not as noise: their {} rms stand beside the {} \
                 of the noise",
                radians(in_lines),
                radians(phase)
            );
            faults.warn(place, "modulator-lines", text);
        }
    }
    let ratio = noise.solved.case.detector_frequency / noise.solved.bandwidth;
    if ratio < 20.0 {
        let text = format!(
            "the detector runs at {ratio:.1} times the bandwidth: the continuous noise transfers differ from the \
             sampled loop's by up to 0.4 dB at 20 times, 1 to 2 dB at 10 times"
        );
        faults.warn(given.fields.place("of"), "sampled-noise", text);
    }
}
