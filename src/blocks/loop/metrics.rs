//! Metrics of a loop and of its response, each with its second route.

use super::best;
use super::solved::SolvedLoop;
use super::{Case, Group, Metric, MetricDoc, Node, Route, Unit};
use crate::blocks::Equation;
use crate::physics::linear::Linear;
use crate::physics::noise::{Ladder, integrated_voltages};
use crate::physics::plan::{Rational, to_f64};
use crate::physics::poles::Poles;
use crate::physics::sampled::Sampled;
use crate::physics::{derived, twice};
use crate::results::Second;

pub(super) static METRICS: &[MetricDoc] = &[
    doc("reference_divider", Unit::One, "R", EXACT),
    doc("feedback_divider", Unit::One, "N without its fraction, fixed prescaler not included", EXACT),
    doc("fraction", Unit::One, "fractional part of the feedback divider", EXACT),
    doc("fraction_numerator", Unit::One, "its numerator; fractional dividers only", EXACT),
    doc("fraction_modulus", Unit::One, "its denominator; fractional dividers only", EXACT),
    doc(
        "boundary_distance",
        Unit::Hertz,
        "distance of the oscillator from the nearest multiple of the detector frequency; fractional dividers only",
        EXACT,
    ),
    doc(
        "modulator_period",
        Unit::One,
        "detector periods after which the modulator's sequence repeats; fractional dividers only",
        EXACT,
    ),
    doc("output_divider", Unit::One, "O", EXACT),
    doc("detector_frequency", Unit::Hertz, "rate at which phases are compared", EXACT),
    doc("oscillator_frequency", Unit::Hertz, "frequency of the oscillator", EXACT),
    doc("output_frequency", Unit::Hertz, "frequency at the output, as made", EXACT),
    doc("frequency_error", Unit::Hertz, "output frequency as made less as asked", EXACT),
    doc("frequency_accuracy", Unit::Hertz, "error at the output from the stability of the reference", EXACT),
    doc(
        "floor_rise",
        Unit::Decibel,
        "rise of the detector floor by that slew rate",
        "read off the stated table",
    ),
    doc("tuning_voltage", Unit::Volt, "voltage on the tuning line", "read off the stated curve"),
    doc(
        "tuning_headroom",
        Unit::Volt,
        "distance to the nearest limit of the tuning voltage",
        "read off the stated curve",
    ),
    doc(
        "oscillator_gain",
        Unit::HertzPerVolt,
        "slope of the tuning curve there",
        "slope of the stated curve",
    ),
    doc("pump_current", Unit::Ampere, "pump current", "a choice"),
    doc("polarity", Unit::One, "polarity of the pump: sign of the gain, turned by an active filter", EXACT),
    doc("parts.C1", Unit::Farad, "parts on the board: C1, R2, ..", "a choice"),
    doc(
        "ideal_parts.C1",
        Unit::Farad,
        "parts as synthesised",
        "checked by the bandwidth and margin they give",
    ),
    doc("optimum.bandwidth", Unit::Hertz, "bandwidth of least jitter, ideal parts", SEARCH),
    doc("optimum.phase_margin", Unit::Degree, "margin that goes with it", SEARCH),
    doc("optimum.pole_ratio", Unit::One, "pole ratio that goes with it", SEARCH),
    doc("optimum.jitter", Unit::Second, "least jitter over `optimise.over`, ideal parts", SEARCH),
    doc(
        "optimum.settling",
        Unit::Second,
        "settling of the linear loop there, where it is asked about",
        SEARCH,
    ),
    doc("optimum.reference_spur", Unit::DecibelCarrier, "line at the detector frequency there", SEARCH),
    doc("optimum.minima", Unit::One, "local minima of jitter over bandwidth", SEARCH),
    doc(
        "optimum.rule_of_thumb",
        Unit::Hertz,
        "where the oscillator's noise meets the in-band plateau",
        "read off the stated levels",
    ),
    second("bandwidth", Unit::Hertz, "unity gain of the open loop", "poles and zeros"),
    second("phase_margin", Unit::Degree, "distance of the phase from -180 deg there", "poles and zeros"),
    second(
        "gain_margin",
        Unit::Decibel,
        "distance of the gain from 1 where the phase is -180 deg",
        "poles and zeros",
    ),
    second("sampled_phase_margin", Unit::Degree, "phase margin of the sampled loop", "alias sum"),
    doc(
        "bandwidth_ratio",
        Unit::One,
        "detector frequency over bandwidth",
        "a quotient of two that have theirs",
    ),
    second(
        "impedance",
        Unit::Ohm,
        "magnitude of the filter's transimpedance at the bandwidth",
        "poles and zeros",
    ),
];

const SEARCH: &str = "result of a search; the loop it leads to is checked";
const EXACT: &str = "exact arithmetic";

const fn doc(name: &'static str, unit: Unit, says: &'static str, why: &'static str) -> MetricDoc {
    MetricDoc { name, unit, says, route: Route::None(why) }
}

const fn second(name: &'static str, unit: Unit, says: &'static str, route: &'static str) -> MetricDoc {
    MetricDoc { name, unit, says, route: Route::Second(route) }
}

pub(super) static EQUATIONS: &[Equation] = &[PLAN, PASSIVE, SYNTHESIS];
/// Those of a loop with an active filter.
pub(super) static ACTIVE_EQUATIONS: &[Equation] = &[PLAN, ACTIVE, SYNTHESIS];

const PLAN: Equation = Equation {
    name: "Frequency plan",
    tex: r"f_\mathrm{pd} = D f_\mathrm{ref} / R, \quad f_\mathrm{osc} = N f_\mathrm{pd} = O f_\mathrm{out}",
    source: "definition; exact rationals",
};
const PASSIVE: Equation = Equation {
    name: "Impedance of a passive filter",
    tex: r"Z(s) = \frac{1 + s T_2}{s A_0 (1 + s T_1)(1 + s T_3)(1 + s T_4)}",
    source: "nodal analysis",
};
const ACTIVE: Equation = Equation {
    name: "Impedance of an active filter",
    tex: r"Z(s) = -\frac{1 + s T_2}{s A_0 (1 + s T_1)(1 + s T_3)(1 + s T_4)(1 + s / 2 \pi f_\mathrm{GBW})}",
    source: "nodal analysis; the op-amp has one pole",
};
const SYNTHESIS: Equation = Equation {
    name: "Synthesis",
    tex: r"\angle G(j \omega_c) = -180^\circ + \varphi, \quad \frac{d}{d \omega} \angle G \Big|_{\omega_c} = 0, \quad |G(j \omega_c)| = 1",
    source: "phase maximum at the crossover; F. M. Gardner, Phaselock Techniques, 3rd ed. (from memory)",
};

/// Why the sampled loop has no bandwidth and no phase margin.
const NO_UNITY_GAIN: &str = "no unity gain below half the detector frequency";

/// A number, or what is said where there is none.
fn or(value: Option<f64>, unit: Unit, absent: Metric) -> Metric {
    value.map_or(absent, |value| Metric::real(value, unit))
}

/// A metric with what its second route gives, where both give a number.
fn routed(
    metric: Metric,
    second: Option<f64>,
    route: &'static str,
    within: &'static str,
    agree: impl Fn(f64, f64) -> bool,
) -> Metric {
    match metric.number().zip(second) {
        Some((value, other)) => {
            let agrees = agree(value, other);
            metric.with_second(Second { value: other, route, agrees, within })
        }
        None => metric,
    }
}

/// A margin or crossing with its second route.
fn by_poles(metric: Metric, second: Option<f64>) -> Metric {
    routed(metric, second, "poles and zeros", "1e-6 relative", close(1e-6))
}

fn close(relative: f64) -> impl Fn(f64, f64) -> bool {
    move |a, b| (a - b).abs() <= relative * a.abs().max(b.abs()).max(1e-300)
}

fn whole_or_real(value: &Rational) -> Metric {
    if value.is_integer()
        && let Ok(count) = i64::try_from(value.to_integer())
    {
        return Metric::count(count);
    }
    Metric::exact(to_f64(value), Unit::One)
}

impl SolvedLoop {
    /// A result by its second route; spared in trials.
    fn second<T>(&self, route: impl Fn(&Case) -> Option<T>) -> Option<T> {
        if self.trial { None } else { route(&self.case) }
    }

    /// Metrics of the `loop` block; those that take long where `wants` asks for them by name.
    pub fn loop_metrics(&self, wants: &dyn Fn(&str) -> bool) -> Group {
        let mut m = Group::new();
        let case = &self.case;
        let hertz = |value: &Rational| Metric::exact(to_f64(value), Unit::Hertz);
        m.metric("reference_divider", Metric::count(self.plan.reference_divider as i64));
        m.metric("feedback_divider", Metric::count(self.channel.feedback_divider as i64));
        m.metric(
            "fraction",
            match self.channel.fraction {
                Some((numerator, modulus)) => Metric::exact(numerator as f64 / modulus as f64, Unit::One),
                None => Metric::count(0),
            },
        );
        self.put_fraction(&mut m);
        m.metric("output_divider", whole_or_real(&self.channel.output_divider));
        m.metric("detector_frequency", hertz(&self.plan.detector_frequency));
        m.metric("oscillator_frequency", hertz(&self.channel.oscillator_frequency));
        m.metric("output_frequency", Metric::exact(self.output_frequency(), Unit::Hertz));
        m.metric("frequency_error", Metric::real(to_f64(&self.channel.frequency_error), Unit::Hertz));
        m.metric(
            "frequency_accuracy",
            match self.stability {
                Some(share) => {
                    Metric::real(derived::reference_error(self.output_frequency(), share), Unit::Hertz)
                }
                None => Metric::none(Unit::Hertz, "the reference states no `stability`"),
            },
        );
        m.metric("floor_rise", Metric::real(case.noise.slew_rise, Unit::Decibel));
        m.metric("tuning_voltage", Metric::real(case.oscillator.tuning_voltage, Unit::Volt));
        m.metric("tuning_headroom", Metric::real(self.headroom(), Unit::Volt));
        m.metric("oscillator_gain", Metric::real(case.oscillator.gain, Unit::HertzPerVolt));
        m.metric("pump_current", Metric::exact(case.pump.current, Unit::Ampere));
        m.metric("polarity", Metric::count(self.polarity()));
        let mut parts = Group::new();
        let mut ideal = Group::new();
        for part in &self.parts {
            parts.metric(part.name, Metric::exact(part.value, part.unit));
            if let Some(value) = part.ideal {
                ideal.metric(part.name, Metric::real(value, part.unit));
            }
        }
        m.put("parts", Node::Group(parts));
        if !ideal.0.is_empty() {
            m.put("ideal_parts", Node::Group(ideal));
        }
        self.put_margins(&mut m, wants);
        if wants("sampled_phase_margin") {
            m.metric("sampled_phase_margin", self.sampled_phase_margin());
        }
        m.metric("bandwidth_ratio", Metric::real(case.detector_frequency / self.bandwidth, Unit::One));
        if wants("impedance") {
            m.metric("impedance", self.impedance());
        }
        if let Some(found) = &self.optimum {
            m.put("optimum", Node::Group(best::metrics(found)));
        }
        m
    }

    /// Metrics of the `response` block; those that take long where `wants` asks for them by name.
    pub fn response_metrics(&self, wants: &dyn Fn(&str) -> bool) -> Group {
        let mut m = Group::new();
        self.put_margins(&mut m, wants);
        let closed = ["phase_crossover", "peaking", "closed_bandwidth"].into_iter().any(wants);
        if let Some(linear) = closed.then(|| self.linear()).flatten() {
            self.put_closed(linear, &mut m);
        }
        if let Some(sampled) = wants("sampled").then(|| self.sampled()).flatten() {
            m.put("sampled", Node::Group(self.sampled_metrics(sampled)));
        }
        m
    }

    fn put_closed(&self, linear: &Linear, m: &mut Group) {
        let margins = linear.margins();
        let crossover = margins.phase_crossovers.first().copied();
        let other = self.second(|case| twice::impedance::margins(case)?.phase_crossovers.first().copied());
        let crossover = or(crossover, Unit::Hertz, Metric::unbounded(Unit::Hertz, "never crosses"));
        let crossover = by_poles(crossover, other);
        m.metric("phase_crossover", crossover.with_all(margins.phase_crossovers.clone()));
        m.metric("peaking", Metric::real(margins.peaking, Unit::Decibel));
        let never = Metric::none(Unit::Hertz, "the closed loop never falls by 3 dB");
        m.metric("closed_bandwidth", or(margins.closed_bandwidth, Unit::Hertz, never));
    }

    fn sampled_metrics(&self, looks: &Sampled) -> Group {
        let sampled = looks.margins();
        let mut s = Group::new();
        s.metric("bandwidth", or(sampled.bandwidth, Unit::Hertz, Metric::none(Unit::Hertz, NO_UNITY_GAIN)));
        s.metric("phase_margin", self.sampled_phase_margin());
        let never = Metric::unbounded(Unit::Decibel, "never crosses");
        s.metric("gain_margin", or(sampled.gain_margin, Unit::Decibel, never));
        let never = Metric::unbounded(Unit::Hertz, "never crosses");
        s.metric("phase_crossover", or(sampled.phase_crossover, Unit::Hertz, never));
        let unstable = Metric::none(Unit::Decibel, "the sampled loop is not stable");
        s.metric("peaking", or(sampled.peaking, Unit::Decibel, unstable));
        let never = Metric::none(
            Unit::Hertz,
            "the sampled closed loop does not fall by 3 dB below half the detector frequency",
        );
        s.metric("closed_bandwidth", or(sampled.closed_bandwidth, Unit::Hertz, never));
        s.metric("stable", Metric::count(i64::from(looks.is_stable())));
        s
    }

    fn put_margins(&self, m: &mut Group, wants: &dyn Fn(&str) -> bool) {
        if self.only_judged && self.put_quick_margins(m, wants).is_some() {
            return;
        }
        let Some(linear) = self.linear() else { return };
        let margins = linear.margins();
        let other = self.second(twice::impedance::margins);
        let first = |values: &[f64]| values.first().copied();
        let never = |unit: Unit| Metric::none(unit, "|G| never crosses 1");
        let bandwidth = or(margins.bandwidth, Unit::Hertz, never(Unit::Hertz));
        let bandwidth = by_poles(bandwidth, other.as_ref().and_then(|t| first(&t.crossings)));
        m.metric("bandwidth", bandwidth.with_all(margins.crossings.clone()));
        let phase = or(margins.phase_margin, Unit::Degree, never(Unit::Degree));
        let phase = by_poles(phase, other.as_ref().and_then(|t| t.phase_margin));
        m.metric("phase_margin", phase.with_all(margins.phase_margins.clone()));
        let gain = or(margins.gain_margin, Unit::Decibel, Metric::unbounded(Unit::Decibel, "never crosses"));
        let gain = by_poles(gain, other.as_ref().and_then(|t| t.gain_margin));
        m.metric("gain_margin", gain.with_all(margins.gain_margins.clone()));
    }

    /// The same by the poles, for a trial that is only judged; `None` where they do not tell all that is wanted.
    fn put_quick_margins(&self, m: &mut Group, wants: &dyn Fn(&str) -> bool) -> Option<()> {
        let poles = Poles::new(&self.case);
        let open = poles.open()?;
        let turn = if wants("gain_margin") { Some(poles.turn()?) } else { None };
        m.metric("bandwidth", Metric::real(open.bandwidth, Unit::Hertz));
        m.metric("phase_margin", Metric::real(open.phase_margin, Unit::Degree));
        if let Some(turn) = turn {
            let never = Metric::unbounded(Unit::Decibel, "never crosses");
            m.metric("gain_margin", or(turn.map(|(_, gain)| gain), Unit::Decibel, never));
        }
        Some(())
    }

    fn sampled_phase_margin(&self) -> Metric {
        // A trial that is only judged is read by its poles, where they tell of a loop at all.
        let poles = self.only_judged.then(|| Poles::new(&self.case)).filter(|poles| poles.open().is_some());
        let margin = match poles {
            Some(poles) => poles.sampled_phase_margin(),
            None => self.sampled().and_then(Sampled::phase_margin),
        };
        let margin = or(margin, Unit::Degree, Metric::none(Unit::Degree, NO_UNITY_GAIN));
        let other = margin.number().and_then(|_| self.second(twice::sampled::phase_margin));
        routed(margin, other, "alias sum", "0.01 deg", |a, b| (a - b).abs() <= 0.01)
    }

    fn impedance(&self) -> Metric {
        let at = self.bandwidth;
        let value = self.linear().map_or(f64::NAN, |linear| linear.impedance(at).norm());
        let other = self.second(|case| twice::impedance::impedance(case, at)).map(nalgebra::Complex::norm);
        by_poles(Metric::real(value, Unit::Ohm), other)
    }

    /// Noise of a passive filter's resistors on the tuning line over all frequencies, V rms, by two routes.
    pub fn resistor_noise(&self) -> Option<Metric> {
        if self.trial {
            return None;
        }
        let other = twice::thermal::output_variance(&self.case)?.sqrt();
        let ladder = Ladder::new(&self.case);
        let parts = integrated_voltages(&self.case, |f| ladder.response(f));
        let value = parts.iter().map(|(_, variance)| variance).sum::<f64>().sqrt();
        Some(routed(Metric::real(value, Unit::Volt), Some(other), "kT/C identity", "0.1 %", close(1e-3)))
    }
}
