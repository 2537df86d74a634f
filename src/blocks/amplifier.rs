//! `amplifier`: the op-amp of an active filter.

use super::fields::{COMMON, FACTS, optional, required};
use super::prelude::*;
use crate::physics::part::AmplifierPoint;

/// The kind.
pub struct AmplifierKind;

/// The op-amp as stated.
#[derive(Clone, Debug)]
pub struct Amplifier {
    /// What the loop equations take.
    pub point: AmplifierPoint,
    /// Slew rate, V/s; absent: without limit.
    pub slew_rate: Option<f64>,
    /// Voltages its output reaches, V; absent: any.
    pub swing: Option<(f64, f64)>,
    /// Voltage at its non-inverting input, V.
    pub reference_voltage: Option<f64>,
    /// Its facts that are not stated, and taken as ideal.
    pub unstated: Vec<&'static str>,
}

static VOLTAGE_NOISE: &[Field] = &[
    required("level", Type::Quantity(Unit::VoltPerRootHertz), "white noise density"),
    required("corner", Type::Quantity(Unit::Hertz), "frequency at which 1/f noise equals the white noise"),
];
static CURRENT_NOISE: &[Field] = &[
    required("level", Type::Quantity(Unit::AmperePerRootHertz), "white noise density"),
    required("corner", Type::Quantity(Unit::Hertz), "frequency at which 1/f noise equals the white noise"),
];
static FIELDS: &[Field] = &[
    optional(
        "voltage_noise",
        Type::Either(&[Type::Quantity(Unit::VoltPerRootHertz), Type::Group(VOLTAGE_NOISE)]),
        "noise voltage between the inputs: a level, or level and 1/f corner",
    ),
    optional(
        "current_noise",
        Type::Either(&[Type::Quantity(Unit::AmperePerRootHertz), Type::Group(CURRENT_NOISE)]),
        "noise current at the inverting input: a level, or level and 1/f corner",
    ),
    optional("gain_bandwidth", Type::Quantity(Unit::Hertz), "gain-bandwidth product; absent: infinite"),
    optional("slew_rate", Type::Quantity(Unit::VoltPerSecond), "slew rate; absent: without limit"),
    optional("swing", Type::Range(Unit::Volt), "voltages its output reaches; absent: any"),
    optional("input_bias_current", Type::Quantity(Unit::Ampere), "bias current of the inverting input"),
    optional(
        "reference_voltage",
        Type::Quantity(Unit::Volt),
        "voltage at the non-inverting input, where the pump rests; absent: anywhere the pump works",
    ),
    optional(
        "reference_noise",
        Type::Quantity(Unit::VoltPerRootHertz),
        "white noise density of that voltage",
    ),
];

static LISTS: &[&[Field]] = &[FIELDS, FACTS, COMMON];

impl Kind for AmplifierKind {
    fn name(&self) -> &'static str {
        "amplifier"
    }
    fn about(&self) -> &'static str {
        "the op-amp of an active filter"
    }
    fn facts(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn solve(&self, given: &Given, _inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let fields = &given.fields;
        for name in ["gain_bandwidth", "slew_rate"] {
            positive_in(fields, name, &mut faults);
        }
        for name in ["input_bias_current", "reference_noise"] {
            not_negative_in(fields, name, &mut faults);
        }
        let amplifier = Amplifier {
            point: AmplifierPoint {
                voltage_noise: noise(fields, "voltage_noise", &mut faults),
                current_noise: noise(fields, "current_noise", &mut faults),
                gain_bandwidth: fields.quantity("gain_bandwidth").unwrap_or(f64::INFINITY),
                reference_noise: fields.quantity("reference_noise").unwrap_or(0.0),
                input_bias_current: fields.quantity("input_bias_current").unwrap_or(0.0),
            },
            slew_rate: fields.quantity("slew_rate"),
            swing: fields.range("swing"),
            reference_voltage: fields.quantity("reference_voltage"),
            unstated: FIELDS.iter().map(|field| field.name).filter(|name| !fields.written(name)).collect(),
        };
        faults.done()?;
        Ok(Solved::facts(given, amplifier))
    }
}

/// White level and 1/f corner (0: none) of a noise field.
fn noise(fields: &Fields, name: &str, faults: &mut Faults) -> (f64, f64) {
    match fields.group(name) {
        Some(group) => {
            not_negative_in(group, "level", faults);
            not_negative_in(group, "corner", faults);
            (group.quantity("level").unwrap_or(0.0), group.quantity("corner").unwrap_or(0.0))
        }
        None => {
            not_negative_in(fields, name, faults);
            (fields.quantity(name).unwrap_or(0.0), 0.0)
        }
    }
}
