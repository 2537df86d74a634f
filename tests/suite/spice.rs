//! Netlists against ngspice, a circuit simulator from Debian's package `ngspice` (ngspice.sourceforge.io).

use std::f64::consts::PI;
use std::fs;
use std::process::Command;

use loopcase::physics::BOLTZMANN;
use loopcase::physics::part::{AmplifierPoint, Element, Filter, Network, Source, Topology};
use loopcase::pipeline::{self, Job};
use loopcase::source::Memory;
use num_complex::Complex64;
use serde_json::Value;

const TEMPERATURE: f64 = 298.15;
const RANGE: (f64, f64) = (100.0, 1e7);

/// Columns of an ngspice run: frequency, real and imaginary part of `v(output)`, noise density in V/rtHz.
fn simulate(cards: &str) -> Vec<[f64; 4]> {
    let folder = tempfile::tempdir().expect("a folder");
    // The cards as written, and after them only what prints the vectors with all their digits.
    let control = ".control\nset filetype=ascii\nset numdgt=12\nset wr_singlescale\nset wr_vecnames\nrun\n\
                   setplot ac1\nwrdata ac.txt v(output)\nsetplot noise1\nwrdata noise.txt onoise_spectrum\nquit\n.endc\n";
    fs::write(folder.path().join("filter.cir"), format!("* test\n{cards}{control}.end\n")).expect("written");
    let run = Command::new("ngspice").args(["-b", "filter.cir"]).current_dir(folder.path()).output();
    let run = run.expect("ngspice is there: install Debian's package `ngspice`");
    let read = |name: &str| -> Vec<Vec<f64>> {
        let text = fs::read_to_string(folder.path().join(name)).unwrap_or_else(|_| {
            panic!(
                "no {name}:\n{}",
                String::from_utf8_lossy(&[run.stdout.clone(), run.stderr.clone()].concat())
            )
        });
        let row = |line: &str| line.split_whitespace().map(|word| word.parse().expect("a number")).collect();
        text.lines().skip(1).map(row).collect()
    };
    let (ac, noise) = (read("ac.txt"), read("noise.txt"));
    assert_eq!(ac.len(), noise.len());
    ac.iter().zip(&noise).map(|(a, n)| [a[0], a[1], a[2], n[1]]).collect()
}

/// A whole note with an active filter, its netlist run as written: with the simulator's transimpedance and noise the
/// filter's and op-amp's part of the phase noise follows, contributor by contributor of the results summed up.
fn whole_note(filter: &str, parts: &str) {
    let text = format!(
        "---\ntitle: An active filter\n---\n\n\
         ```yaml reference standard\nfrequency: 20 MHz\n```\n\n\
         ```yaml oscillator vco\ngain: 40 MHz/V\ncontrol: 1 V .. 13 V\nrange: 1.9 GHz .. 2.3 GHz\n\
         input_capacitance: 30 pF\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 20 MHz}}\n\
         pump: {{currents: [2 mA], compliance: 0.5 V .. 4.5 V}}\nfeedback_divider: 10 .. 1023\n```\n\n\
         ```yaml amplifier integrator\nvoltage_noise: {{level: 5 nV/rtHz, corner: 2 kHz}}\n\
         current_noise: {{level: 3 pA/rtHz, corner: 20 kHz}}\ngain_bandwidth: 12 MHz\nswing: 0.3 V .. 14 V\n\
         reference_voltage: 2.5 V\nreference_noise: 8 nV/rtHz\n```\n\n\
         ```yaml loop lo\nreference: standard\noscillator: vco\nsynthesizer: core\namplifier: integrator\n\
         output: 2.1 GHz\nfilter: {filter}\nparts: {{{parts}}}\ntemperature: 40 degC\n```\n\n\
         ```yaml phase_noise noise\nover: 1 kHz .. 1 MHz\nspots: [1 kHz, 10 kHz, 100 kHz, 1 MHz]\n```\n"
    );
    let files = Memory::new([("active.md", text.as_str())]);
    let job = Job::plain(&files, "active.md");
    let outcome = pipeline::solve(&job);
    let told: Vec<String> = outcome.diagnostics.iter().map(|d| d.message.clone()).collect();
    let produced = pipeline::produce(&outcome.solved.unwrap_or_else(|| panic!("{told:?}")), &["spice"]);
    let produced = produced.expect("the formats can say it");
    let file = |name: &str| {
        let bytes = &produced.iter().find(|file| file.path == name).expect("it is written").bytes;
        String::from_utf8(bytes.to_vec()).expect("text")
    };
    let results: Value = serde_json::from_str(&file("results.json")).expect("JSON");
    let netlist = file("filter.cir");
    let rows = simulate(netlist.strip_suffix(".end\n").expect("its last card"));
    let metrics = &results["blocks"]["noise"]["metrics"];
    let value = |name: &str| results["blocks"]["lo"]["metrics"][name]["value"].as_f64().expect("a number");
    let (gain, n) = (value("oscillator_gain"), value("oscillator_frequency") / value("detector_frequency"));
    let list = |name: &str| -> Vec<f64> {
        let found = metrics["curve"][name]["values"].as_array().unwrap_or_else(|| panic!("no {name}"));
        found.iter().map(|v| v.as_f64().expect("a number")).collect()
    };
    let offsets = list("offset");
    let names = ["amplifier", "R2", "R3", "R4"];
    let curves: Vec<Vec<f64>> =
        names.iter().filter(|name| **name != "R4" || filter == "active 4").map(|name| list(name)).collect();
    for f in [1e3, 1e4, 1e5, 1e6] {
        let near = |at: f64| (at / f - 1.0).abs() < 1e-9;
        let at = offsets.iter().position(|at| near(*at)).expect("a spot is on the grid");
        let ours: f64 = curves.iter().map(|curve| 10f64.powf(curve[at] / 10.0)).sum();
        let [_, re, im, density] = *rows.iter().find(|row| near(row[0])).expect("a decade is on the grid");
        // The pump is turned for the op-amp.
        let s = Complex64::new(0.0, 2.0 * PI * f);
        let open = -value("pump_current") * gain * Complex64::new(re, im) / (n * s);
        let wanted = 0.5 * (density * gain / f).powi(2) / (1.0 + open).norm_sqr();
        let off = (ours / wanted).sqrt() - 1.0;
        assert!(off.abs() < 0.005, "{filter} at {f} Hz: {off:e}");
    }
}

#[test]
fn whole_notes_with_active_filters_agree_with_ngspice() {
    whole_note("active 3", "C1: 1 nF, R2: 1.5 kohm, C2: 15 nF, R3: 400 ohm, C3: 820 pF");
    whole_note(
        "active 4",
        "C1: 1.2 nF, R2: 1.2 kohm, C2: 18 nF, R3: 330 ohm, C3: 1 nF, R4: 820 ohm, C4: 150 pF",
    );
}

fn compare(what: &str, network: &Network, amplifier: Option<&AmplifierPoint>) {
    let rows = simulate(&network.spice_cards(TEMPERATURE, RANGE, amplifier));
    assert!(rows.len() > 100 && rows[rows.len() - 1][0] / rows[0][0] > 0.99e5, "{what}: five decades");
    let pencil = network.pencil();
    let (mut worst_z, mut worst_n) = (0.0_f64, 0.0_f64);
    for [f, re, im, density] in rows {
        let s = Complex64::new(0.0, 2.0 * PI * f);
        let ours = pencil.impedance(s).expect("regular");
        worst_z = worst_z.max((ours - Complex64::new(re, im)).norm() / ours.norm());
        let mut power = 0.0;
        for element in network.elements() {
            if let Element::Resistor { name, ohms, .. } = element {
                let [t] = pencil.transfers(s, [Source::Resistor(name)]).expect("regular");
                power += 4.0 * BOLTZMANN * TEMPERATURE * ohms * t.norm_sqr();
            }
        }
        if let Some(amplifier) = amplifier {
            let [z, a] = pencil.transfers(s, [Source::Input, Source::OpAmp]).expect("regular");
            let square = |(level, corner): (f64, f64)| level * level * (1.0 + corner / f);
            power += square(amplifier.current_noise) * z.norm_sqr();
            let voltage = square(amplifier.voltage_noise) + square((amplifier.reference_noise, 0.0));
            power += voltage * a.norm_sqr();
        }
        worst_n = worst_n.max((power.sqrt() / density - 1.0).abs());
    }
    assert!(worst_z < 1e-6, "{what}: impedance differs by {worst_z:e}");
    assert!(worst_n < 0.005, "{what}: noise differs by {worst_n:e}");
}

fn filter(topology: Topology) -> Filter {
    let mut filter = Filter::of(topology);
    for (name, value) in
        [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9), ("R3", 2e3), ("C3", 0.2e-9), ("R4", 3e3), ("C4", 0.1e-9)]
    {
        filter.set(name, value);
    }
    filter
}

#[test]
fn passive_filters_agree_with_ngspice() {
    for order in 2..=4 {
        compare(&format!("passive {order}"), &filter(Topology::Passive(order)).network(10e-12, None), None);
    }
}

/// Ideal and of 10 MHz; without noise, with each of its noises alone, and with all.
#[test]
fn active_filters_agree_with_ngspice() {
    let quiet = AmplifierPoint {
        voltage_noise: (0.0, 0.0),
        current_noise: (0.0, 0.0),
        gain_bandwidth: 10e6,
        reference_noise: 0.0,
        input_bias_current: 0.0,
    };
    let voltage = AmplifierPoint { voltage_noise: (6e-9, 2e3), ..quiet };
    let current = AmplifierPoint { current_noise: (5e-12, 30e3), ..quiet };
    let reference = AmplifierPoint { reference_noise: 20e-9, ..quiet };
    let all = AmplifierPoint { gain_bandwidth: f64::INFINITY, reference_noise: 20e-9, ..current };
    let all = AmplifierPoint { voltage_noise: (6e-9, 2e3), ..all };
    for order in 3..=4 {
        for (what, amplifier) in [
            ("ideal", None),
            ("quiet", Some(quiet)),
            ("voltage", Some(voltage)),
            ("current", Some(current)),
            ("reference", Some(reference)),
            ("all", Some(all)),
        ] {
            let network = filter(Topology::Active(order)).network(10e-12, amplifier.as_ref());
            compare(&format!("active {order}, {what}"), &network, amplifier.as_ref());
        }
    }
}
