//! Active filters, oscillators in bands and the messages that go with them, in whole notes.

use serde_json::Value;

use super::place::{Place, Run};

/// A note with these oscillator facts, amplifier facts and loop fields; the pump works between 0.5 V and 4.5 V.
fn note(oscillator: &str, amplifier: &str, fields: &str) -> String {
    format!(
        "---\ntitle: A note\n---\n\n```yaml reference standard\nfrequency: 10 MHz\n```\n\n\
         ```yaml oscillator vco\n{oscillator}\n```\n\n```yaml amplifier integrator\n{amplifier}\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 10 MHz, floor: -220 dBc/Hz}}\n\
         pump: {{currents: [1 mA, 2 mA], compliance: 0.5 V .. 4.5 V}}\nfeedback_divider: 1 .. 1023\n```\n\n\
         ```yaml loop lo\nreference: standard\noscillator: vco\nsynthesizer: core\n{fields}\n```\n\n\
         ```yaml phase_noise noise\nover: 1 kHz .. 10 MHz\n```\n"
    )
}

fn run(note: String) -> Run {
    let place = Place::new();
    let run = place.file("note.md", note).run(&["judge", "--json", "note.md"]);
    // Numbers and units are held together by a narrow space.
    Run { stderr: run.stderr.replace(['\u{202f}', '\u{a0}'], " "), ..run }
}

fn judged(oscillator: &str, amplifier: &str, fields: &str) -> Run {
    run(note(oscillator, amplifier, fields))
}

fn metric(run: &Run, name: &str) -> f64 {
    let results: Value = serde_json::from_str(&run.stdout).unwrap_or_else(|_| panic!("{}", run.all()));
    let found = &results["blocks"]["lo"]["metrics"][name]["value"];
    found.as_f64().unwrap_or_else(|| panic!("no {name}: {}", run.all()))
}

const WIDE: &str = "gain: 40 MHz/V\ncontrol: 1 V .. 13 V\nrange: 1.8 GHz .. 2.2 GHz";
const SYNTHESISED: &str = "bandwidth: 50 kHz\nphase_margin: 52 deg";

/// 2.1 GHz needs 9.5 V: out of the pump's reach, well inside the op-amp's.
#[test]
fn an_active_filter_is_suggested_and_reaches_further() {
    let passive = judged(WIDE, "{}", &format!("output: 2.1 GHz\nfilter: passive 3\n{SYNTHESISED}"));
    assert_eq!(passive.status, Some(2), "{}", passive.all());
    for words in ["needs 9.500 V", "the pump's compliance", "an active filter (`filter: active 3`)"] {
        assert!(passive.stderr.contains(words), "{words}: {}", passive.stderr);
    }
    let facts = "swing: 0.5 V .. 12 V\nreference_voltage: 2.5 V\ngain_bandwidth: 2 MHz";
    let active = judged(
        WIDE,
        facts,
        &format!("amplifier: integrator\noutput: 2.1 GHz\nfilter: active 3\nseries: ideal\n{SYNTHESISED}"),
    );
    assert_eq!(active.status, Some(0), "{}", active.all());
    for (name, wanted) in [
        ("tuning_voltage", 9.5),
        ("tuning_headroom", 2.5),
        ("polarity", -1.0),
        ("bandwidth", 50e3),
        // The op-amp's pole, at 40 times the bandwidth, is in the synthesis.
        ("phase_margin", 52.0),
    ] {
        let found = metric(&active, name);
        assert!((found / wanted - 1.0).abs() < 1e-6, "{name}: {found}");
    }
}

/// The pump is turned round for a falling oscillator, and for an op-amp that inverts.
#[test]
fn the_register_of_the_polarity_is_that_of_the_pump() {
    let passive = "output: 2 GHz\nfilter: passive 2\nparts: {C1: 220 pF, R2: 2.2 kohm, C2: 3.3 nF}";
    let active = "output: 2 GHz\namplifier: integrator\nfilter: active 3\n\
                  parts: {C1: 1 nF, R2: 1 kohm, C2: 15 nF, R3: 300 ohm, C3: 1 nF}";
    let rising = "gain: 20 MHz/V\ncontrol: 0.5 V .. 4.5 V\nrange: 1.96 GHz .. 2.04 GHz";
    let falling = rising.replace("gain: ", "gain: -");
    let falling = falling.as_str();
    for (oscillator, fields, wanted) in
        [(rising, passive, 1), (falling, passive, 0), (rising, active, 0), (falling, active, 1)]
    {
        let program = "feedback_divider: 1 .. 1023\n\
                       program: {words: {A: {fields: {sign: {bits: 0, formula: polarity}}}}}";
        let text = note(oscillator, "{}", fields).replace("feedback_divider: 1 .. 1023", program);
        let run = run(text + "\n```yaml program registers\n{}\n```\n");
        let results: Value = serde_json::from_str(&run.stdout).unwrap_or_else(|_| panic!("{}", run.all()));
        let word = &results["blocks"]["registers"]["metrics"]["words"]["A"]["value"];
        assert_eq!(word.as_i64(), Some(wanted), "{oscillator}\n{fields}\n{}", run.all());
        let sign = (2 * wanted - 1) as f64;
        assert!((metric(&run, "polarity") - sign).abs() < 1e-9, "{}", run.all());
    }
}

/// I / C1: 1 mA into 1 nF is 1 V/us.
#[test]
fn the_slew_rate_is_held_against_the_pumps_pulses() {
    let fields = "amplifier: integrator\noutput: 2 GHz\nfilter: active 3\npump_current: 1 mA\n\
                  parts: {C1: 1 nF, R2: 1 kohm, C2: 15 nF, R3: 300 ohm, C3: 1 nF}";
    let slow = judged(WIDE, "slew_rate: 0.9 V/us", fields);
    assert!(slow.stderr.contains("pulses of 1.00 mA into C1"), "{}", slow.stderr);
    let fast = judged(WIDE, "slew_rate: 1.1 V/us", fields);
    assert!(!fast.stderr.contains("into C1"), "{}", fast.stderr);
    let ideal = judged(WIDE, "{}", fields);
    assert!(!ideal.stderr.contains("into C1"), "{}", ideal.stderr);
}

/// Each band has its own gain and noise; without a wish the one is taken that holds the channel nearest its middle.
#[test]
fn a_band_brings_its_own_gain_and_noise() {
    let bands = "bands:\n  low: {gain: 20 MHz/V, control: 0.5 V .. 4.5 V, range: 1.92 GHz .. 2 GHz, \
                 phase_noise: {100 kHz: -110, 1 MHz: -130}}\n  \
                 high: {gain: -25 MHz/V, control: 0.5 V .. 4.5 V, range: 1.96 GHz .. 2.06 GHz, \
                 phase_noise: {100 kHz: -104, 1 MHz: -124}}";
    let parts = "parts: {C1: 220 pF, R2: 2.2 kohm, C2: 3.3 nF}\npump_current: 1 mA\nfilter: passive 2";
    let run = |fields: &str| judged(bands, "{}", &format!("{parts}\n{fields}"));
    let gain = |run: &Run, wanted: f64| {
        assert!((metric(run, "oscillator_gain") / wanted - 1.0).abs() < 1e-9, "{}", run.all());
        assert!((metric(run, "polarity") - wanted.signum()).abs() < 1e-9, "{}", run.all());
    };
    // 1.97 GHz: 0.01 of 0.08 GHz off the middle of `low`, 0.04 of 0.1 GHz off that of `high`.
    let low = run("output: 1.97 GHz");
    gain(&low, 20e6);
    assert!((metric(&low, "tuning_voltage") - 3.0).abs() < 1e-9);
    let high = run("output: 1.97 GHz\noscillator_band: high");
    gain(&high, -25e6);
    assert!((metric(&high, "tuning_voltage") - 4.1).abs() < 1e-9);
    // Headroom counts to the nearer end: 0.4 V below 4.5 V, and 0.4 V above 0.5 V.
    assert!((metric(&high, "tuning_headroom") - 0.4).abs() < 1e-9);
    assert!((metric(&run("output: 2.05 GHz"), "tuning_headroom") - 0.4).abs() < 1e-9);
    // Far above the bandwidth only the oscillator is left.
    let level = |run: &Run| {
        let results: Value = serde_json::from_str(&run.stdout).expect("JSON");
        let curve = &results["blocks"]["noise"]["metrics"]["curve"]["oscillator"]["values"];
        curve.as_array().and_then(|list| list.last()?.as_f64()).expect("a level")
    };
    assert!((level(&low) + 130.0).abs() < 0.05 && (level(&high) + 124.0).abs() < 0.05);
}

/// The tuning port's pole takes about its own phase at the bandwidth off the margin.
#[test]
fn the_tuning_ports_own_pole_is_in_the_loop() {
    let parts =
        "parts: {C1: 220 pF, R2: 2.2 kohm, C2: 3.3 nF}\npump_current: 1 mA\nfilter: passive 2\noutput: 2 GHz";
    let vco = "gain: 20 MHz/V\ncontrol: 0.5 V .. 4.5 V\nrange: 1.96 GHz .. 2.04 GHz";
    let plain = judged(vco, "{}", parts);
    let slow = judged(&format!("{vco}\nmodulation_bandwidth: 500 kHz"), "{}", parts);
    let (wide, narrow) = (metric(&plain, "bandwidth"), metric(&slow, "bandwidth"));
    let lag = (narrow / 500e3).atan().to_degrees();
    let lost = metric(&plain, "phase_margin") - metric(&slow, "phase_margin");
    assert!(
        narrow < wide && (lost / lag - 1.0).abs() < 0.3,
        "{wide} {narrow}: lost {lost} deg, lag {lag} deg"
    );
}

/// Carriers outside those stated are told, with what is done about them.
#[test]
fn noise_stated_at_other_carriers_is_told() {
    let noise = "phase_noise: [{at: 1.9 GHz, table: {10 kHz: -90, 1 MHz: -130}}, \
                 {at: 1.95 GHz, table: {10 kHz: -88, 1 MHz: -128}}]";
    let fields = "output: 2 GHz\nfilter: passive 2\nparts: {C1: 220 pF, R2: 2.2 kohm, C2: 3.3 nF}";
    let vco = "gain: 40 MHz/V\ncontrol: 0.5 V .. 4.5 V\nrange: 1.9 GHz .. 2.05 GHz";
    let outside = judged(&format!("{vco}\n{noise}"), "{}", fields);
    let told =
        "phase noise is stated at carriers of 1.9 GHz .. 1.95 GHz; at 2 GHz that of 1.95 GHz is scaled";
    assert!(outside.stderr.contains(told), "{}", outside.stderr);
    let inside = judged(&format!("{vco}\n{noise}"), "{}", &fields.replace("2 GHz", "1.92 GHz"));
    assert!(inside.status == Some(0) && !inside.stderr.contains("is scaled"), "{}", inside.all());
}
