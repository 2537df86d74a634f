//! `settling`: how long the loop takes from one channel to another.

use rayon::prelude::*;

use super::Equation;
use super::fields::{COMMON, default, optional, required};
use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::solved_noise::SolvedNoise;
use super::support::{model_of, needs_of};

mod asked;
mod hop;
mod metrics;
mod path;
mod show;

pub use hop::Hop;
pub use path::Path;

/// The kind.
pub struct SettlingKind;

/// What a solved settling block leaves for its exhibits and for bench traces.
#[derive(Clone, Debug)]
pub struct SolvedSettling {
    /// Name of the loop.
    pub of: String,
    /// Every hop, in the order asked.
    pub hops: Vec<Hop>,
    /// Half width of the window: Hz at the output, or cycles of the output.
    pub window: Option<Window>,
    /// Index of the slowest hop, or of the first that never settles.
    pub slowest: usize,
}

/// Half width of the window within which the loop counts as settled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Window {
    /// Frequency at the output, Hz.
    Frequency(f64),
    /// Phase at the output, cycles.
    Phase(f64),
}

static CHANNEL: Type = Type::Either(&[Type::Quantity(Unit::Hertz), Type::Quantity(Unit::Volt)]);
static GEAR: &[Field] = &[
    required("pump_current", Type::Quantity(Unit::Ampere), "pump current at first"),
    required("for", Type::Quantity(Unit::Second), "for how long"),
];
static FIELDS: &[Field] = &[
    optional("of", Type::Block(&["loop"]), "loop that settles; absent: the only one"),
    optional("from", CHANNEL, "channel that is left; a voltage (`0 V`) is power-up"),
    optional("to", Type::Quantity(Unit::Hertz), "channel that is aimed at"),
    optional(
        "hops",
        Type::List(&Type::List(&CHANNEL)),
        "several hops [from, to], in place of `from` and `to`",
    ),
    optional(
        "within",
        Type::Either(&[Type::Quantity(Unit::Hertz), Type::Quantity(Unit::Degree)]),
        "half width of the window at the output, a frequency or a phase; absent: no time is judged",
    ),
    optional(
        "phase_within",
        Type::Quantity(Unit::Degree),
        "half width of the window for `phase_time`; absent: `within`, where that is a phase",
    ),
    optional("until", Type::Quantity(Unit::Second), "how long to look on; absent: until it has settled"),
    optional("programming", Type::Quantity(Unit::Second), "time that programming takes, for `total_time`"),
    optional("gear", Type::Group(GEAR), "a larger pump current first"),
    default(
        "model",
        Type::Word(&["event", "linear"]),
        "event",
        "event: every edge, with slips and limits; linear: modes of the linear loop",
    ),
];

static LISTS: &[&[Field]] = &[FIELDS, COMMON];

static EQUATIONS: &[Equation] = &[
    Equation {
        name: "Edge of the divider",
        tex: r"\varphi(t_k) = k N",
        source: "the oscillator's phase in cycles, by exact exponentials between events",
    },
    Equation {
        name: "Settling of the linear loop",
        tex: r"\Delta f(t) = \Delta f_0\, \mathcal{L}^{-1}\left\{\frac{1}{s}\, \frac{1}{1 + G(s)}\right\}",
        source: "linear loop theory",
    },
];

impl Kind for SettlingKind {
    fn name(&self) -> &'static str {
        "settling"
    }
    fn about(&self) -> &'static str {
        "time from one channel to another"
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        metrics::METRICS
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        // A phase-noise block of the loop says what residual FM the window has to hold.
        let place = given.fields.place("of");
        let noise = catalog.of_kind("phase_noise").filter_map(MetricPath::parse);
        let mut needed = needs_of(given, catalog, "loop");
        needed.extend(noise.map(|path| Needed { path, place: place.clone() }));
        needed
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let solved = model_of::<SolvedLoop>(given, inputs, "loop", &mut faults);
        let of = inputs.of(given, "loop").unwrap_or_default().to_owned();
        let ready =
            solved.and_then(|solved| asked::read(given, solved, residual_fm(inputs, &of), &mut faults));
        faults.done()?;
        let ready = ready.ok_or_else(Vec::new)?;
        // Collected in the order asked, whichever is done first.
        let follow = |(index, one)| hop::follow(one, &ready.terms, (inputs.keep, index));
        let hops: Vec<Hop> = ready.hops.par_iter().enumerate().map(follow).collect();
        let slowest = (0..hops.len())
            .max_by(|a, b| hops[*a].lasting().total_cmp(&hops[*b].lasting()).then(b.cmp(a)))
            .unwrap_or(0);
        let settled = SolvedSettling { of, hops, window: ready.terms.window, slowest };
        metrics::warn(given, &settled, &mut faults);
        let mut answer = Solved::new(settled.clone()).with_metrics(metrics::metrics(&settled));
        answer.beside = metrics::beside(&settled);
        answer.warnings = faults.warnings;
        answer.equations = EQUATIONS;
        Ok(answer)
    }
    fn show(&self, given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        match solved.model.downcast_ref::<SolvedSettling>() {
            Some(settled) => show::exhibits(settled, given, solved),
            None => Vec::new(),
        }
    }
}

/// Residual FM (Hz, rms) of the loop and the block that states it, where one does.
fn residual_fm(inputs: &Inputs<'_>, of: &str) -> Option<(String, f64)> {
    inputs.solved.iter().find_map(|(name, solution)| {
        let noise = solution.solved.model.downcast_ref::<SolvedNoise>().filter(|noise| noise.of == of)?;
        noise.over?;
        match solution.solved.metrics.get("residual_fm")? {
            Node::Metric(metric) => Some((name.to_string(), metric.number()?)),
            _ => None,
        }
    })
}
