//! `response`: open and closed loop over frequency.

use std::sync::Arc;

use super::fields::{COMMON, optional};
use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::support::{needs_of, shared_of};
use super::{Equation, response_figures};

/// The kind.
pub struct ResponseKind;

/// What a solved response leaves for its figures.
#[derive(Clone)]
pub struct SolvedResponse {
    /// The loop.
    pub solved: Arc<SolvedLoop>,
    /// Range of the figure, Hz.
    pub over: (f64, f64),
}

static FIELDS: &[Field] = &[
    optional("of", Type::Block(&["loop"]), "loop whose response it is; absent: the only one"),
    optional("over", Type::Range(Unit::Hertz), "range of the figure"),
];

static METRICS: &[MetricDoc] = &[
    MetricDoc {
        name: "bandwidth",
        unit: Unit::Hertz,
        says: "unity gain of the open loop",
        route: Route::Second("poles and zeros"),
    },
    MetricDoc {
        name: "phase_margin",
        unit: Unit::Degree,
        says: "distance of the phase from -180 deg there",
        route: Route::Second("poles and zeros"),
    },
    MetricDoc {
        name: "gain_margin",
        unit: Unit::Decibel,
        says: "distance of the gain from 1 where the phase is -180 deg",
        route: Route::Second("poles and zeros"),
    },
    MetricDoc {
        name: "phase_crossover",
        unit: Unit::Hertz,
        says: "where the phase is -180 deg",
        route: Route::Second("poles and zeros"),
    },
    MetricDoc {
        name: "peaking",
        unit: Unit::Decibel,
        says: "highest gain of the closed loop",
        route: Route::None("read from the same G as the margins, which have one"),
    },
    MetricDoc {
        name: "closed_bandwidth",
        unit: Unit::Hertz,
        says: "-3 dB bandwidth of the closed loop",
        route: Route::None("read from the same G as the margins, which have one"),
    },
    MetricDoc {
        name: "sampled",
        unit: Unit::Degree,
        says: "bandwidth, phase_margin and gain_margin of the sampled loop, and whether it is stable",
        route: Route::Second("alias sum"),
    },
];

static EQUATIONS: &[Equation] = &[
    Equation {
        name: "Open loop",
        tex: r"G(s) = \frac{I K Z(s)}{N s}",
        source: "linear loop theory; I in A, K in Hz/V, so that the two factors of 2 pi cancel",
    },
    Equation {
        name: "Closed loop and error",
        tex: r"H = \frac{G}{1 + G}, \quad E = \frac{1}{1 + G}",
        source: "linear loop theory",
    },
    Equation {
        name: "Sampled open loop",
        tex: r"G^*(j \omega) = \sum_k G\left(j \omega + j k\, 2 \pi f_\mathrm{pd}\right)",
        source: "the detector looks once per period; as in Hanumolu et al., IEEE Trans. CAS-I 51(9), 2004",
    },
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

impl Kind for ResponseKind {
    fn name(&self) -> &'static str {
        "response"
    }
    fn about(&self) -> &'static str {
        "open and closed loop over frequency"
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
        let solved = shared_of::<SolvedLoop>(given, inputs, "loop", &mut faults);
        let over = given.fields.range("over");
        if over.is_some_and(|(low, high)| low <= 0.0 || high <= low) {
            faults.place(
                given.fields.place("over"),
                "value-range",
                "a range of frequencies is above zero and in order",
            );
        }
        faults.done()?;
        let solved = solved.ok_or_else(Vec::new)?;
        let metrics = solved.response_metrics(&|metric| inputs.looks_at(&given.name, metric));
        let over = over.unwrap_or_else(|| solved.figure_range());
        let mut answer = Solved::new(SolvedResponse { solved, over }).with_metrics(metrics);
        answer.equations = EQUATIONS;
        Ok(answer)
    }
    fn show(&self, given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        match solved.model.downcast_ref::<SolvedResponse>() {
            Some(response) => response_figures::exhibits(response, given, solved),
            None => Vec::new(),
        }
    }
}
