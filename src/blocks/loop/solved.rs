//! What a solved loop leaves for the blocks that are `of` it.

use std::sync::OnceLock;

use super::channel::Facts;
use super::fill::Filled;
use super::fraction::ChannelPoint;
use super::planning::Planned;
use super::pump::Because;
use super::{Arc, Case, Channel, Digits, Faults, Given, Plan, Unit, first_of, print};
use crate::blocks::amplifier::Amplifier;
use crate::physics::board::Board;
use crate::physics::linear::Linear;
use crate::physics::noise::{Ladder, Spectrum, dbc_per_hz, table_points};
use crate::physics::optimum::{Limits, Optimum};
use crate::physics::part::LevelTable;
use crate::physics::plan::Rational;
use crate::physics::sampled::Sampled;

/// A part on the board.
#[derive(Clone, Debug)]
pub struct BoardPart {
    /// Name, `C1`, `R2`, ..
    pub name: &'static str,
    /// Farad or ohm.
    pub unit: Unit,
    /// Value on the board.
    pub value: f64,
    /// Value as synthesised.
    pub ideal: Option<f64>,
    /// Series it was taken from.
    pub series: &'static str,
    /// Its own tolerance, relative.
    pub tolerance: Option<f64>,
}

impl BoardPart {
    /// "5 %", or nothing.
    pub fn tolerance_text(&self) -> String {
        self.tolerance
            .map_or(String::new(), |t| format!("{}\u{202f}%", print(t * 100.0, Unit::One, Digits::All)))
    }
}

/// A loop with the parts on the board.
#[derive(Clone)]
pub struct SolvedLoop {
    /// Everything the loop equations need.
    pub case: Case,
    /// The loop in the frequency domain: found when asked for in trials that are only judged.
    pub(super) linear: OnceLock<Option<Arc<Linear>>>,
    /// The loop as the detector sees it, once per period: likewise.
    pub(super) sampled: OnceLock<Option<Arc<Sampled>>>,
    /// The frequency plan.
    pub plan: Arc<Plan>,
    /// The design channel.
    pub channel: Channel,
    /// Parts on the board.
    pub parts: Vec<BoardPart>,
    /// How the preferred values were found.
    pub board: Option<Board>,
    /// How the bandwidth was found.
    pub optimum: Option<Optimum>,
    /// Why this pump current.
    pub current_because: Because,
    /// Voltages the tuning line may take, V.
    pub tuning_limits: (f64, f64),
    /// Line near an integer, in band, dBc at the oscillator, as stated; fractional dividers only.
    pub boundary_spur: Option<f64>,
    /// Where the channels lie: found when asked for, once for a loop and its trials.
    pub(super) channel_points: Arc<OnceLock<Vec<ChannelPoint>>>,
    /// Band of the oscillator, where it has several.
    pub band: String,
    /// Relative stability of the reference.
    pub stability: Option<f64>,
    /// Slew rate of the reference at the detector's input, V/s.
    pub reference_slew: Option<f64>,
    /// Highest voltage that pump or op-amp can put on the filter, V.
    pub highest_voltage: Option<f64>,
    /// Op-amp of an active filter, where one is named.
    pub amplifier: Option<Amplifier>,
    /// Open-loop unity gain, Hz.
    pub bandwidth: f64,
    /// What an optimum had to keep.
    pub limits: Limits,
    /// K/N in every channel, magnitude, Hz/V.
    pub slopes: Vec<f64>,
    /// Every channel to serve.
    pub outputs: Vec<Rational>,
    /// Currents that the pump can be set to, A.
    pub pump_steps: Vec<f64>,
    /// Whether it was solved in a trial, where second routes are spared.
    pub trial: bool,
    /// Whether it was solved in a trial of which nothing but verdicts is seen.
    pub only_judged: bool,
    /// Discrete lines on the oscillator's supply: frequency (Hz), peak amplitude (V).
    pub ripple: Vec<(f64, f64)>,
    /// What is stated about oscillator and core, for other channels.
    pub facts: Arc<Facts>,
}

impl SolvedLoop {
    #[allow(clippy::too_many_arguments, reason = "called once, by the builder in this folder")]
    pub(super) fn new(
        case: Case,
        bandwidth: f64,
        planned: Planned,
        slopes: Vec<f64>,
        filled: Filled,
        tuning_limits: (f64, f64),
        band: String,
        stability: Option<f64>,
        highest_voltage: Option<f64>,
        amplifier: Option<Amplifier>,
        facts: Facts,
    ) -> Self {
        Self {
            case,
            linear: OnceLock::new(),
            sampled: OnceLock::new(),
            plan: planned.plan,
            channel: planned.channel,
            parts: filled.parts,
            board: filled.board,
            optimum: filled.optimum,
            current_because: filled.current_because,
            tuning_limits,
            boundary_spur: None,
            channel_points: Arc::default(),
            band,
            stability,
            reference_slew: None,
            highest_voltage,
            amplifier,
            bandwidth,
            limits: Limits::default(),
            slopes,
            outputs: planned.outputs,
            pump_steps: Vec::new(),
            trial: false,
            only_judged: false,
            ripple: Vec::new(),
            facts: Arc::new(facts),
        }
    }

    /// With what was found of the loop already.
    pub(super) fn with(self, linear: Linear, sampled: Sampled) -> Self {
        Self { linear: Some(Arc::new(linear)).into(), sampled: Some(Arc::new(sampled)).into(), ..self }
    }

    /// The loop in the frequency domain; never without one but in a trial.
    pub fn linear(&self) -> Option<&Linear> {
        self.linear.get_or_init(|| Linear::new(&self.case).ok().map(Arc::new)).as_deref()
    }

    /// The loop as the detector sees it; never without one but in a trial.
    pub fn sampled(&self) -> Option<&Sampled> {
        self.sampled.get_or_init(|| Sampled::new(&self.case).ok().map(Arc::new)).as_deref()
    }

    /// Output frequency as made, Hz.
    pub fn output_frequency(&self) -> f64 {
        self.channel.output_frequency()
    }

    /// Polarity of the pump, 1 or -1.
    pub fn polarity(&self) -> i64 {
        self.case.polarity() as i64
    }

    /// Distance of the tuning voltage to the nearest limit, V.
    pub fn headroom(&self) -> f64 {
        let voltage = self.case.oscillator.tuning_voltage;
        (voltage - self.tuning_limits.0).min(self.tuning_limits.1 - voltage)
    }

    /// The filter as SPICE cards, with analyses over the range of the figures.
    pub fn netlist(&self) -> String {
        let case = &self.case;
        case.network().spice_cards(case.temperature, self.figure_range(), case.amplifier.as_ref())
    }

    /// Total phase noise at the output, over all stated tables and the range of figures, for a loop that takes this one
    /// as its reference; `None` where nothing contributes.
    pub fn total_noise(&self) -> Option<LevelTable> {
        let (low, high) = self.figure_range();
        let points = table_points(&self.case);
        let range = points.iter().fold((low, high), |(low, high), f| (low.min(*f), high.max(*f)));
        let spectrum = Spectrum::new(&self.case, &Ladder::new(&self.case), range, &[])?;
        let rows = spectrum.offsets.iter().zip(&spectrum.total).map(|(f, total)| (*f, dbc_per_hz(*total)));
        LevelTable::new(rows.filter(|(_, level)| level.is_finite()).collect())
    }

    /// Whole decades around the bandwidth, for figures.
    pub fn figure_range(&self) -> (f64, f64) {
        let decade = |f: f64| 10f64.powf(f.log10().round());
        (decade(self.bandwidth / 200.0), decade(self.bandwidth * 200.0))
    }

    /// Cautions that the loop itself gives rise to.
    pub(super) fn warn(&self, given: &Given, faults: &mut Faults) {
        self.warn_fraction(given, faults);
        let place = first_of(&given.fields, &["bandwidth", "parts"]);
        let (Some(linear), Some(looks)) = (self.linear(), self.sampled()) else { return };
        let margins = linear.margins();
        let ratio = self.case.detector_frequency / self.bandwidth;
        if ratio < 10.0 {
            let text = format!(
                "the detector runs at only {ratio:.1} times the bandwidth; ten times is common practice, no source"
            );
            faults.warn(place, "bandwidth-ratio", text);
        }
        if margins.crossings.len() > 1 {
            let all: Vec<String> =
                margins.crossings.iter().map(|f| print(*f, Unit::Hertz, Digits::Significant(3))).collect();
            faults.warn(place, "several-crossings", format!("|G| is 1 at {}", all.join(", ")));
        }
        let sampled = looks.margins();
        if !looks.is_stable() {
            faults.warn(
                place,
                "unstable",
                "the sampled loop is not stable: it has a pole on or outside the unit circle",
            );
        } else if let (Some(a), Some(b)) = (margins.phase_margin, sampled.phase_margin)
            && (a - b).abs() > 2.0
        {
            let text = format!("sampling moves the phase margin from {a:.1} deg to {b:.1} deg");
            faults.warn(place, "sampled-margin", text);
        }
        if self.case.oscillator.gain == 0.0 {
            faults.warn(place, "no-gain", "the oscillator's gain is zero at the operating point");
        }
        if self.headroom() < 0.0 {
            faults.warn(
                given.fields.place("output"),
                "headroom",
                "the tuning voltage lies outside its limits",
            );
        }
    }
}
