//! What the charge pump does once per detector period in lock, and the lines that this makes.

use std::f64::consts::PI;

use super::level;
use crate::physics::noise::Ladder;
use crate::physics::part::Case;

/// The current into the filter over one period, in lock.
///
/// A constant leakage drains the filter. In each period one source comes first and stays on alone for `lead`, then
/// both are on for `pulse`, in which their mismatch is left over; the mean is zero. Signs of leakage and mismatch are
/// not stated, so the worse is taken: both ask for the same source to lead. Edges are ideal.
///
/// Source: Fourier series of the pulses; the procedure is that of R. E. Best, Phase-Locked Loops, p. 156 (from
/// memory), with the mismatch beside the leakage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpWaveform {
    /// Period of the detector, s.
    pub period: f64,
    /// Pump current, A.
    pub current: f64,
    /// Constant drain on the filter, A.
    pub leakage: f64,
    /// Current left over while both sources are on, A.
    pub excess: f64,
    /// Time for which both are on, s.
    pub pulse: f64,
    /// Time for which one is on alone, s: the static offset of the phases.
    pub lead: f64,
}

impl PumpWaveform {
    /// The waveform of a case.
    pub fn new(case: &Case) -> Self {
        let period = 1.0 / case.detector_frequency;
        let current = case.pump.current;
        let leakage = leakage(case);
        let excess = case.pump.mismatch.abs() * current;
        let pulse = case.pump.pulse;
        let lead = (leakage * period + excess * pulse) / current;
        Self { period, current, leakage, excess, pulse, lead }
    }

    /// Whether anything moves the filter at all.
    pub fn is_quiet(&self) -> bool {
        self.lead == 0.0
    }

    /// Whether the pump can make good what is lost in a period; without that there is no lock.
    pub fn holds(&self) -> bool {
        self.lead + self.pulse < self.period
    }

    /// Peak current of the line at `harmonic` times the detector frequency, A.
    pub fn harmonic(&self, harmonic: u32) -> f64 {
        let angles = self.half_angles().map(|angle| f64::from(harmonic) * angle);
        self.line(angles, angles.map(f64::sin_cos))
    }

    /// The same of the first N harmonics, ascending.
    fn harmonics<const N: usize>(&self) -> [f64; N] {
        let first = self.half_angles();
        let turns = first.map(f64::sin_cos);
        let mut turned = [(0.0, 1.0); 2];
        std::array::from_fn(|k| {
            for ((sine, cosine), (s, c)) in turned.iter_mut().zip(turns) {
                (*sine, *cosine) = (*sine * c + *cosine * s, *cosine * c - *sine * s);
            }
            self.line(first.map(|angle| (k + 1) as f64 * angle), turned)
        })
    }

    /// Half the angles for which the lead and the pulse last at the detector frequency, rad.
    fn half_angles(&self) -> [f64; 2] {
        [self.lead, self.pulse].map(|width| PI * width / self.period)
    }

    /// Peak current of a line from half the angles of lead and pulse at its frequency, with their sine and cosine.
    ///
    /// The edge that both sources share is the origin; each pulse turns with its middle.
    fn line(&self, angles: [f64; 2], turns: [(f64, f64); 2]) -> f64 {
        let charges = [self.current * self.lead, -self.excess * self.pulse];
        let part = |k: usize| {
            let (sine, cosine) = turns[k];
            let size = charges[k] / self.period * if angles[k] == 0.0 { 1.0 } else { sine / angles[k] };
            (size * cosine, size * sine)
        };
        let (lead, both) = (part(0), part(1));
        let (re, im) = (lead.0 + both.0, lead.1 - both.1);
        2.0 * (re * re + im * im).sqrt()
    }
}

/// Constant current that the pump has to make good, A.
///
/// The tuning port drains a passive filter; in an active one the op-amp delivers it, but its own bias current counts.
fn leakage(case: &Case) -> f64 {
    let port = if case.filter.topology.is_active() {
        case.amplifier.map_or(0.0, |amplifier| amplifier.input_bias_current.abs())
    } else {
        case.oscillator.input_leakage.abs()
    };
    case.pump.leakage.abs() + port
}

/// Peak phase deviation at the output by the line at `harmonic` times the detector frequency, rad; `None` where
/// there is no line, or no lock.
pub fn reference_index(case: &Case, ladder: &Ladder<'_>, harmonic: u32) -> Option<f64> {
    let pump = PumpWaveform::new(case);
    if pump.is_quiet() || !pump.holds() {
        return None;
    }
    let f = f64::from(harmonic) * case.detector_frequency;
    Some(pump.harmonic(harmonic) * ladder.tuning_gain(f) / (f * case.output_divider))
}

/// [`reference_index`] of the first N harmonics, ascending.
pub fn reference_indices<const N: usize>(case: &Case, ladder: &Ladder<'_>) -> Option<[f64; N]> {
    let pump = PumpWaveform::new(case);
    if pump.is_quiet() || !pump.holds() {
        return None;
    }
    let mut indices = pump.harmonics();
    for (k, index) in indices.iter_mut().enumerate() {
        let f = (k + 1) as f64 * case.detector_frequency;
        *index *= ladder.tuning_gain(f) / (f * case.output_divider);
    }
    Some(indices)
}

/// Level at the output of the line at the detector frequency, dBc; `None` where there is none. A handful of operations.
pub fn reference_spur(case: &Case, ladder: &Ladder<'_>) -> Option<f64> {
    reference_index(case, ladder, 1).map(level).filter(|level| level.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::linear::tests::case;
    use crate::physics::part::Topology;

    fn leaking() -> Case {
        let parts = [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9)];
        let mut case = case(1e-3, 30e6, 200.0, 1e6, Topology::Passive(2), &parts);
        case.pump.leakage = 100e-9;
        case
    }

    #[test]
    fn leakage_alone_gives_twice_its_current_at_low_harmonics() {
        let pump = PumpWaveform::new(&leaking());
        assert!((pump.lead - 1e-10).abs() < 1e-24);
        assert!((pump.harmonic(1) / 200e-9 - 1.0).abs() < 1e-7);
    }

    #[test]
    fn the_mean_over_a_period_is_zero() {
        let mut case = leaking();
        (case.pump.mismatch, case.pump.pulse) = (0.04, 2e-9);
        let pump = PumpWaveform::new(&case);
        let charge = pump.current * pump.lead - pump.excess * pump.pulse - pump.leakage * pump.period;
        assert!(charge.abs() < 1e-12 * pump.current * pump.lead);
    }

    #[test]
    fn harmonics_are_those_of_the_sampled_waveform() {
        let mut case = leaking();
        (case.pump.mismatch, case.pump.pulse, case.pump.leakage) = (0.1, 30e-9, 20e-6);
        let pump = PumpWaveform::new(&case);
        let count = 400_000;
        let at = |k: usize| {
            let t = (k as f64 + 0.5) / count as f64 * pump.period;
            let alone = if t >= pump.period - pump.lead { pump.current } else { 0.0 };
            alone - if t < pump.pulse { pump.excess } else { 0.0 } - pump.leakage
        };
        for harmonic in 1..=4u32 {
            let turn = |k: usize| 2.0 * PI * f64::from(harmonic) * (k as f64 + 0.5) / count as f64;
            let (re, im) = (0..count)
                .fold((0.0, 0.0), |(re, im), k| (re + at(k) * turn(k).cos(), im + at(k) * turn(k).sin()));
            let peak = 2.0 * f64::hypot(re, im) / count as f64;
            assert!((pump.harmonic(harmonic) / peak - 1.0).abs() < 1e-3, "{harmonic}");
        }
        for (one, harmonic) in pump.harmonics::<9>().into_iter().zip(1..) {
            assert!((one / pump.harmonic(harmonic) - 1.0).abs() < 1e-13, "{harmonic}");
        }
    }

    #[test]
    fn the_output_divider_takes_its_decibels_and_a_quiet_pump_has_no_line() {
        let mut case = leaking();
        let level = |case: &Case| reference_spur(case, &Ladder::new(case));
        let one = level(&case).expect("a line");
        case.output_divider = 4.0;
        assert!((one - level(&case).expect("a line") - 20.0 * 4f64.log10()).abs() < 1e-4);
        case.pump.leakage = 0.0;
        assert_eq!(level(&case), None);
        case.pump.leakage = 2.0 * case.pump.current;
        assert_eq!(level(&case), None, "more is lost than the pump delivers");
    }

    #[test]
    fn the_port_drains_a_passive_filter_and_bias_an_active_one() {
        let mut case = leaking();
        case.oscillator.input_leakage = 50e-9;
        assert!((PumpWaveform::new(&case).leakage - 150e-9).abs() < 1e-20);
        case.filter.topology = Topology::Active(3);
        case.amplifier = Some(crate::physics::part::AmplifierPoint {
            voltage_noise: (0.0, 0.0),
            current_noise: (0.0, 0.0),
            gain_bandwidth: f64::INFINITY,
            reference_noise: 0.0,
            input_bias_current: -20e-9,
        });
        assert!((PumpWaveform::new(&case).leakage - 120e-9).abs() < 1e-20);
    }
}
