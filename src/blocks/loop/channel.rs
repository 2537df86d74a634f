//! The same loop, the same parts, at another channel.

use std::sync::Arc;

use super::solved::SolvedLoop;
use super::{Case, Channel, Digits, Unit, print};
use crate::blocks::oscillator::{Band, Oscillator};
use crate::blocks::synthesizer::Synthesizer;
use crate::physics::part::{LevelTable, OscillatorPoint};
use crate::physics::plan::{PlanError, Rational, to_f64};

/// What is stated about the loop, from which the operating point of any channel follows.
#[derive(Clone, Debug)]
pub struct Facts {
    /// The oscillator.
    pub oscillator: Arc<Oscillator>,
    /// The synthesizer core.
    pub synthesizer: Arc<Synthesizer>,
    /// Band of the oscillator that was asked for.
    pub wanted_band: Option<String>,
    /// Voltages that pump or amplifier can put on the tuning line, V.
    pub reach: Option<(f64, f64)>,
}

/// A loop at one channel, with the parts and the pump current of the design channel.
#[derive(Clone, Debug)]
pub struct AtChannel {
    /// Everything the loop equations need.
    pub case: Case,
    /// How the channel is made.
    pub channel: Channel,
    /// Band of the oscillator.
    pub band: Band,
    /// Voltages the tuning line may take, V.
    pub tuning_limits: (f64, f64),
}

/// Why a channel has no operating point.
#[derive(Clone, Debug, PartialEq)]
pub enum ChannelError {
    /// The plan can't make it.
    Plan(Box<PlanError>),
    /// No band of the oscillator holds its frequency (Hz).
    OutOfReach(f64),
}

impl std::fmt::Display for ChannelError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Plan(error) => write!(f, "{error}"),
            Self::OutOfReach(frequency) => {
                write!(
                    f,
                    "no band of the oscillator holds {}",
                    print(*frequency, Unit::Hertz, Digits::Written)
                )
            }
        }
    }
}

impl AtChannel {
    /// Distance of the tuning voltage to the nearest limit, V; negative outside.
    pub fn headroom(&self) -> f64 {
        let voltage = self.case.oscillator.tuning_voltage;
        (voltage - self.tuning_limits.0).min(self.tuning_limits.1 - voltage)
    }

    /// Output frequency as made, Hz.
    pub fn output_frequency(&self) -> f64 {
        self.channel.output_frequency()
    }
}

impl Facts {
    /// The band that holds `frequency` (Hz) closest to the middle of its range, or the one asked for.
    pub fn band_for(&self, frequency: f64) -> Option<&Band> {
        let off_middle = |band: &Band| {
            let (low, high) = band.tuning.frequency_range();
            ((frequency - 0.5 * (low + high)) / (high - low)).abs()
        };
        let holds = |band: &&Band| {
            let (low, high) = band.tuning.frequency_range();
            frequency >= low && frequency <= high
        };
        self.usable().filter(holds).min_by(|a, b| off_middle(a).total_cmp(&off_middle(b)))
    }

    /// The oscillator at `frequency` (Hz), with its band.
    pub(super) fn oscillator_at(&self, frequency: f64) -> Option<(&Band, OscillatorPoint)> {
        let band = self.band_for(frequency)?;
        Some((band, band.point(frequency, band.tuning.voltage_for(frequency)?)))
    }

    /// The bands that may be used: all, or the one asked for.
    pub fn usable(&self) -> impl Iterator<Item = &Band> {
        let allowed = |band: &&Band| self.wanted_band.as_ref().is_none_or(|wanted| band.name == *wanted);
        self.oscillator.bands.iter().filter(allowed)
    }

    /// Voltages that a band's tuning line may take, V.
    pub fn tuning_limits(&self, band: &Band) -> (f64, f64) {
        let (low, high) = band.tuning.voltage_range();
        self.reach.map_or((low, high), |(l, h)| (low.max(l), high.min(h)))
    }
}

impl Band {
    /// The oscillator at `frequency` (Hz) and `volts`.
    pub(super) fn point(&self, frequency: f64, volts: f64) -> OscillatorPoint {
        OscillatorPoint {
            frequency,
            tuning_voltage: volts,
            gain: self.tuning.gain(volts),
            input_capacitance: self.input_capacitance,
            input_leakage: self.input_leakage,
            modulation_bandwidth: self.modulation_bandwidth,
            pushing: self.pushing,
        }
    }

    /// Its phase noise at `frequency` (Hz) and the carrier (Hz) at which that is stated.
    pub(super) fn noise(&self, frequency: f64) -> (Option<Arc<LevelTable>>, Option<f64>) {
        match &self.phase_noise {
            Some(spec) => {
                let (table, at) = spec.at(frequency);
                (Some(table), at.or(self.phase_noise_at))
            }
            None => (None, None),
        }
    }
}

impl SolvedLoop {
    /// The operating point of another channel (`output` in Hz), with the parts and the pump current of this one.
    ///
    /// # Errors
    /// [`ChannelError`] where the plan can't make the channel or no band of the oscillator holds it.
    pub fn at_channel(&self, output: &Rational) -> Result<AtChannel, ChannelError> {
        let channel = self.plan.channel(output).map_err(ChannelError::Plan)?;
        let frequency = to_f64(&channel.oscillator_frequency);
        let (band, oscillator) =
            self.facts.oscillator_at(frequency).ok_or(ChannelError::OutOfReach(frequency))?;
        let mut case = self.case.clone();
        case.feedback_ratio = to_f64(&channel.feedback_ratio);
        case.output_divider = to_f64(&channel.output_divider);
        case.oscillator = oscillator;
        (case.noise.oscillator, case.noise.oscillator_at) = band.noise(frequency);
        case.noise.modulator_order =
            self.plan.modulator(&channel).and_then(|modulator| modulator.noise_order());
        Ok(AtChannel { case, channel, band: band.clone(), tuning_limits: self.facts.tuning_limits(band) })
    }
}
