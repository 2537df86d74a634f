//! The units of the contract.

/// Unit of a stored value; also stands for what a field expects.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Unit {
    /// Pure number; ratios and shares.
    One,
    /// Frequency, Hz.
    Hertz,
    /// Time, s.
    Second,
    /// Voltage, V.
    Volt,
    /// Current, A.
    Ampere,
    /// Capacitance, F.
    Farad,
    /// Resistance, ohm.
    Ohm,
    /// Power, W.
    Watt,
    /// Length, m.
    Metre,
    /// Speed, m/s.
    MetrePerSecond,
    /// Temperature, K.
    Kelvin,
    /// Oscillator gain and pushing, Hz/V.
    HertzPerVolt,
    /// Frequency drift over temperature, Hz/K.
    HertzPerKelvin,
    /// Slew rate, V/s.
    VoltPerSecond,
    /// Noise voltage density, V/rtHz.
    VoltPerRootHertz,
    /// Noise current density, A/rtHz.
    AmperePerRootHertz,
    /// Angle, rad.
    Radian,
    /// Angle, deg.
    Degree,
    /// Ratio in dB.
    Decibel,
    /// Level against the carrier, dBc.
    DecibelCarrier,
    /// Phase noise L(f), dBc/Hz.
    DecibelCarrierPerHertz,
    /// Power level, dBm.
    DecibelMilliwatt,
}

impl Unit {
    /// All units, for help and tests.
    pub const ALL: [Unit; 22] = [
        Unit::One,
        Unit::Hertz,
        Unit::Second,
        Unit::Volt,
        Unit::Ampere,
        Unit::Farad,
        Unit::Ohm,
        Unit::Watt,
        Unit::Metre,
        Unit::MetrePerSecond,
        Unit::Kelvin,
        Unit::HertzPerVolt,
        Unit::HertzPerKelvin,
        Unit::VoltPerSecond,
        Unit::VoltPerRootHertz,
        Unit::AmperePerRootHertz,
        Unit::Radian,
        Unit::Degree,
        Unit::Decibel,
        Unit::DecibelCarrier,
        Unit::DecibelCarrierPerHertz,
        Unit::DecibelMilliwatt,
    ];

    /// The unit as results.json and CSV write it.
    pub fn symbol(self) -> &'static str {
        match self {
            Unit::One => "1",
            Unit::Hertz => "Hz",
            Unit::Second => "s",
            Unit::Volt => "V",
            Unit::Ampere => "A",
            Unit::Farad => "F",
            Unit::Ohm => "ohm",
            Unit::Watt => "W",
            Unit::Metre => "m",
            Unit::MetrePerSecond => "m/s",
            Unit::Kelvin => "K",
            Unit::HertzPerVolt => "Hz/V",
            Unit::HertzPerKelvin => "Hz/K",
            Unit::VoltPerSecond => "V/s",
            Unit::VoltPerRootHertz => "V/rtHz",
            Unit::AmperePerRootHertz => "A/rtHz",
            Unit::Radian => "rad",
            Unit::Degree => "deg",
            Unit::Decibel => "dB",
            Unit::DecibelCarrier => "dBc",
            Unit::DecibelCarrierPerHertz => "dBc/Hz",
            Unit::DecibelMilliwatt => "dBm",
        }
    }

    /// The unit with this symbol.
    pub fn from_symbol(symbol: &str) -> Option<Unit> {
        Self::ALL.into_iter().find(|unit| unit.symbol() == symbol)
    }

    /// What a field of this unit wants, with an example: "frequency, e.g. 80 MHz".
    pub fn expectation(self) -> &'static str {
        match self {
            Unit::One => "pure number, e.g. 0.3 or 2 %",
            Unit::Hertz => "frequency, e.g. 80 MHz",
            Unit::Second => "time, e.g. 120 fs or 50 us",
            Unit::Volt => "voltage, e.g. 4.5 V",
            Unit::Ampere => "current, e.g. 5 mA",
            Unit::Farad => "capacitance, e.g. 4.7 nF",
            Unit::Ohm => "resistance, e.g. 10 ohm",
            Unit::Watt => "power, e.g. 1.2 W",
            Unit::Metre => "length, e.g. 150 km",
            Unit::MetrePerSecond => "speed, e.g. 30 m/s",
            Unit::Kelvin => "temperature, e.g. 25 degC",
            Unit::HertzPerVolt => "sensitivity, e.g. 60 MHz/V",
            Unit::HertzPerKelvin => "drift, e.g. 100 kHz/degC",
            Unit::VoltPerSecond => "slew rate, e.g. 50 V/us",
            Unit::VoltPerRootHertz => "noise voltage density, e.g. 4 nV/rtHz",
            Unit::AmperePerRootHertz => "noise current density, e.g. 1 pA/rtHz",
            Unit::Radian | Unit::Degree => "angle, e.g. 55 deg",
            Unit::Decibel => "ratio in decibel, e.g. 2 dB",
            Unit::DecibelCarrier => "level against the carrier, e.g. -80 dBc",
            Unit::DecibelCarrierPerHertz => "phase noise, e.g. -110 dBc/Hz",
            Unit::DecibelMilliwatt => "power level, e.g. 7 dBm",
        }
    }

    /// The same with its article: "a frequency, e.g. 80 MHz", "an angle, e.g. 55 deg".
    pub fn described(self) -> String {
        let noun = self.expectation();
        format!("{} {noun}", if noun.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" })
    }

    /// Whether the value is a level in decibels, which formulas take as written.
    pub fn is_decibel(self) -> bool {
        matches!(
            self,
            Unit::Decibel | Unit::DecibelCarrier | Unit::DecibelCarrierPerHertz | Unit::DecibelMilliwatt
        )
    }

    /// The factor from a stored value to what a formula sees (angles in rad).
    pub fn formula_factor(self) -> f64 {
        if self == Unit::Degree { std::f64::consts::PI / 180.0 } else { 1.0 }
    }
}
