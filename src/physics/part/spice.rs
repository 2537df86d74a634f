//! The filter's nodal description as SPICE cards.

use super::AmplifierPoint;
use super::network::{Element, Network};
use crate::physics::BOLTZMANN;

/// Boltzmann's constant of ngspice 39 (CODATA 2014), J/K.
const NGSPICE_BOLTZMANN: f64 = 1.380_648_52e-23;

/// Direct-voltage gain of the op-amp's single pole; its pole lies at the gain-bandwidth over this.
const OPEN_GAIN: f64 = 1e9;

/// Resistance to ground that gives a simulator its operating point where only capacitors reach a node, ohm.
const BLEED: f64 = 1e15;

/// Resistor whose noise stands for the op-amp's noise current, ohm.
const NOISE_RESISTOR: f64 = 1e3;

impl Network {
    /// Cards of elements, a source of 1 A (AC) into the input, and the analyses of impedance and noise over `range` in
    /// Hz at `temperature` in K; the voltage at `output` is the transimpedance. No title and no `.end`. `amplifier`: noise
    /// of the op-amp, where there is one.
    ///
    /// Every name is from this program's own list. The temperature card is set so that `4 k T` is ours, whatever
    /// constant the simulator has.
    pub fn spice_cards(
        &self,
        temperature: f64,
        range: (f64, f64),
        amplifier: Option<&AmplifierPoint>,
    ) -> String {
        let node = |id: usize| if id == self.output() { "output".to_owned() } else { id.to_string() };
        let mut cards = vec![format!("Iin 0 {} dc 0 ac 1", node(self.input()))];
        for element in self.elements() {
            match *element {
                Element::Resistor { name, a, b, ohms } => {
                    cards.push(format!("{name} {} {} {ohms:e}", node(a), node(b)));
                }
                Element::Capacitor { name, a, b, farads } => {
                    let name = if name.starts_with('C') { name.to_owned() } else { format!("C{name}") };
                    cards.push(format!("{name} {} {} {farads:e}", node(a), node(b)));
                }
                Element::OpAmp { minus, out, gain_bandwidth } => {
                    // 1 S into 1 F / (2 pi GBW): noiseless, and at direct voltage the gain is finite.
                    let farads = 1.0 / (2.0 * std::f64::consts::PI * gain_bandwidth);
                    let noise =
                        amplifier.map(|a| Noise::new(a, temperature, &node(minus))).unwrap_or_default();
                    let plus = if noise.at_plus { "plus" } else { "0" };
                    cards.extend(noise.cards);
                    cards.push(format!("Gpole 0 pole {plus} {} 1", node(minus)));
                    if gain_bandwidth.is_finite() {
                        cards.push(format!("Cpole pole 0 {farads:e}"));
                    }
                    cards.push(format!("Gdc pole 0 pole 0 {:e}", 1.0 / OPEN_GAIN));
                    cards.push(format!("Eout {} 0 pole 0 1", node(out)));
                }
            }
        }
        cards.push(format!("Gbleed {0} 0 {0} 0 {1:e}", node(self.input()), 1.0 / BLEED));
        let celsius = temperature * BOLTZMANN / NGSPICE_BOLTZMANN - 273.15;
        cards.push(format!(".temp {celsius}"));
        cards.push(format!(".ac dec 20 {:e} {:e}", range.0, range.1));
        cards.push(format!(".noise v(output) Iin dec 20 {:e} {:e}", range.0, range.1));
        cards.join("\n") + "\n"
    }
}

/// The op-amp's noise as resistors that make it: those of its voltages in series with the non-inverting input, which
/// draws no current, that of its current behind a transconductance.
#[derive(Default)]
struct Noise {
    cards: Vec<String>,
    /// Whether there is a node `plus`, off ground by the noise voltages.
    at_plus: bool,
}

impl Noise {
    fn new(amplifier: &AmplifierPoint, temperature: f64, minus: &str) -> Self {
        let four_kt = 4.0 * BOLTZMANN * temperature;
        let mut noise = Self::default();
        let voltages =
            [("voltage", amplifier.voltage_noise), ("reference", (amplifier.reference_noise, 0.0))];
        let loud: Vec<_> = voltages.into_iter().filter(|(_, (level, _))| *level > 0.0).collect();
        noise.at_plus = !loud.is_empty();
        let mut upper = "plus";
        for (k, (name, (level, corner))) in loud.iter().enumerate() {
            let lower = if k + 1 == loud.len() { "0" } else { "middle" };
            noise.resistor(name, upper, lower, (level * level / four_kt, four_kt), *corner);
            upper = lower;
        }
        let (level, corner) = amplifier.current_noise;
        if level > 0.0 {
            noise.resistor("current", "current", "0", (NOISE_RESISTOR, four_kt), corner);
            let siemens = level / (four_kt * NOISE_RESISTOR).sqrt();
            noise.cards.push(format!("Gcurrent 0 {minus} current 0 {siemens:e}"));
        }
        noise
    }

    /// A resistor whose noise rises as 1/f below `corner` Hz: `kf / f` A^2/Hz beside the `4 k T / R`, at any current
    /// (`af` is zero).
    fn resistor(&mut self, name: &str, a: &str, b: &str, (ohms, four_kt): (f64, f64), corner: f64) {
        if corner > 0.0 {
            self.cards.push(format!("R{name} {a} {b} {ohms:e} m{name}"));
            self.cards.push(format!(".model m{name} r kf={:e} af=0", four_kt * corner / ohms));
        } else {
            self.cards.push(format!("R{name} {a} {b} {ohms:e}"));
        }
    }
}
