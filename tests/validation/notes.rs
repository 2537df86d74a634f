//! Whole notes, from their text to the stored results, against the nodal working of `loop_noise`.
//!
//! The note says the parts, the channel and the facts; what the working needs (N, gain, pump current, tables) is
//! taken from the same numbers here, not from what the program read. Bounds: bandwidth 0.01 %, margins 0.01 deg and
//! 0.01 dB, jitter 0.1 %, spot levels 0.01 dB.

use std::fmt::Write;

use loopcase::physics::part::{Case, LevelTable};
use num_complex::Complex64;
use serde_json::Value;

use crate::loop_noise::{Drive, filter_output, second_working};
use crate::loops;
use crate::support::{close, number, results_of};

/// Integration limits, Hz.
const OVER: (f64, f64) = (100.0, 1e7);

/// Spots, Hz.
const SPOTS: [f64; 6] = [123.0, 1e3, 4.7e3, 2e4, 1e5, 3e6];

/// A loop of the check values' component sets as a note can say it: one gain, no rise of the floor, 25 degC.
fn given(set: &str, output_divider: f64, prescaler: f64) -> Case {
    let mut case = loops::noisy(set, output_divider, prescaler, None);
    case.reference_frequency = 40e6;
    case.temperature = 298.15;
    case.noise.slew_rise = 0.0;
    case
}

/// The same with an active filter, its op-amp's finite gain and noise.
fn given_active(set: &str) -> Case {
    let mut case = loops::active(set);
    case.reference_frequency = 40e6;
    case.temperature = 298.15;
    case.noise.slew_rise = 0.0;
    case
}

/// `offset: level` rows of a table, with a unit for the levels.
fn rows(table: &LevelTable, level: impl Fn(f64) -> String) -> String {
    let rows: Vec<String> = table
        .at
        .iter()
        .zip(&table.level)
        .map(|(at, value)| format!("{at:e} Hz: {}", level(*value)))
        .collect();
    format!("{{{}}}", rows.join(", "))
}

/// The note that says this case.
fn note(case: &Case) -> String {
    format!("---\ntitle: A given loop\n---\n\n{}", blocks(case, "", None))
}

/// The blocks that say a case, their names ending in `tag`. `of`: the block whose total is the reference's noise.
fn blocks(case: &Case, tag: &str, of: Option<&str>) -> String {
    let facts = &case.noise;
    let table = |table: &Option<std::sync::Arc<LevelTable>>, level: &dyn Fn(f64) -> String| {
        rows(table.as_ref().expect("a table"), level)
    };
    let plain = |level: f64| format!("{level}");
    let (oscillator, parts) = (&case.oscillator, loops::parts(case));
    let half = 4.0 * oscillator.gain;
    let mut text = format!(
        "```yaml reference standard{tag}\nfrequency: {:e} Hz\nphase_noise: {}\n```\n\n",
        case.reference_frequency,
        of.map_or_else(|| table(&facts.reference, &plain), |of| format!("{{of: {of}}}")),
    );
    write!(
        text,
        "```yaml oscillator vco{tag}\ngain: {:e} Hz/V\ncontrol: 0.5 V .. 8.5 V\nrange: {:e} Hz .. {:e} Hz\n\
         phase_noise: {}\nphase_noise_at: {:e} Hz\npushing: {:e} Hz/V\ninput_capacitance: {:e} F\n```\n\n",
        oscillator.gain,
        oscillator.frequency - half,
        oscillator.frequency + half,
        table(&facts.oscillator, &plain),
        facts.oscillator_at.expect("a carrier"),
        oscillator.pushing,
        oscillator.input_capacitance,
    )
    .expect("a string takes all");
    let (level, offset, carrier) = facts.flicker.expect("flicker");
    write!(
        text,
        "```yaml supply rail{tag}\nnoise: {}\n```\n\n```yaml synthesizer core{tag}\n\
         detector: {{max_frequency: 50 MHz, floor: {} dBc/Hz, flicker: {{level: {level} dBc/Hz, offset: {offset:e} Hz, carrier: {carrier:e} Hz}}}}\n\
         pump: {{currents: [{:e} A]}}\nreference_divider: 1 .. 1023\nfeedback_divider: 10 .. 4095\n\
         output_divider: [1, 2, 4]\nfixed_prescaler: {}\noutput_floor: {}\n```\n\n",
        table(&facts.supply, &|level| format!("{:e} V/rtHz", 10f64.powf(level / 20.0))),
        facts.detector_floor.expect("a floor"),
        case.pump.current,
        case.fixed_prescaler,
        table(&facts.output_floor, &|level| format!("{level} dBc/Hz")),
    )
    .expect("a string takes all");
    let mut named = format!("C1: {:e} F, R2: {:e} ohm, C2: {:e} F", parts.c1, parts.r2, parts.c2);
    for (i, (r, c)) in parts.post.iter().enumerate() {
        write!(named, ", R{0}: {r:e} ohm, C{0}: {c:e} F", i + 3).expect("a string takes all");
    }
    let mut filter = format!("passive {}", 2 + parts.post.len());
    if let Some(amplifier) = &case.amplifier {
        let ((voltage, voltage_corner), (current, current_corner)) =
            (amplifier.voltage_noise, amplifier.current_noise);
        write!(
            text,
            "```yaml amplifier integrator{tag}\n\
             voltage_noise: {{level: {voltage:e} V/rtHz, corner: {voltage_corner:e} Hz}}\n\
             current_noise: {{level: {current:e} A/rtHz, corner: {current_corner:e} Hz}}\n\
             gain_bandwidth: {:e} Hz\nreference_noise: {:e} V/rtHz\n```\n\n",
            amplifier.gain_bandwidth, amplifier.reference_noise,
        )
        .expect("a string takes all");
        filter = format!("active {}\namplifier: integrator{tag}", 2 + parts.post.len());
    }
    let spots: Vec<String> = SPOTS.iter().map(|f| format!("{f:e} Hz")).collect();
    write!(
        text,
        "```yaml loop lo{tag}\nreference: standard{tag}\noscillator: vco{tag}\nsynthesizer: core{tag}\nsupply: rail{tag}\n\
         output: {:e} Hz\noutput_divider: {}\ndetector_frequency: {:e} Hz\nfilter: {filter}\nparts: {{{named}}}\n\
         ```\n\n```yaml response open_loop{tag}\nof: lo{tag}\n```\n\n\
         ```yaml phase_noise noise{tag}\nof: lo{tag}\nover: {:e} Hz .. {:e} Hz\nspots: [{}]\n```\n",
        oscillator.frequency / case.output_divider,
        case.output_divider,
        case.detector_frequency,
        OVER.0,
        OVER.1,
        spots.join(", "),
    )
    .expect("a string takes all");
    text
}

/// Open-loop gain by the second working; the pump is turned for an op-amp that inverts.
fn open_loop(case: &Case, f: f64) -> Complex64 {
    let s = Complex64::new(0.0, 2.0 * std::f64::consts::PI * f);
    let polarity = if case.amplifier.is_some() { -1.0 } else { 1.0 };
    let scale = polarity * case.pump.current * case.oscillator.gain / case.feedback_ratio;
    scale * filter_output(case, f, Drive::Current(0, None)) / s
}

/// Where a function that falls through zero between two frequencies does so; on a grid first, then by halving.
fn falls(g: impl Fn(f64) -> f64) -> Option<f64> {
    let at = |i: i32| 10f64.powf(1.0 + f64::from(i) / 50.0);
    let i = (0..400).find(|i| g(at(*i)) > 0.0 && g(at(*i + 1)) <= 0.0)?;
    let (mut low, mut high) = (at(i), at(i + 1));
    for _ in 0..80 {
        let middle = (low * high).sqrt();
        if g(middle) > 0.0 { low = middle } else { high = middle }
    }
    Some((low * high).sqrt())
}

fn margins_agree(case: &Case, results: &Value, what: &str) {
    let metric = |block: &str, name: &str| results["blocks"][block]["metrics"][name]["value"].clone();
    let value = |block: &str, name: &str| metric(block, name).as_f64().expect("a number");
    let bandwidth = falls(|f| open_loop(case, f).norm() - 1.0).expect("crosses");
    let margin = (-open_loop(case, bandwidth)).arg().to_degrees();
    for block in ["lo", "open_loop"] {
        close(value(block, "bandwidth"), bandwidth, 1e-4, what);
        assert!((value(block, "phase_margin") - margin).abs() < 0.01, "{what}: {margin} deg");
    }
    // The phase passes -180 deg where -G turns to the negative side of the real axis.
    let crossover = falls(|f| (-open_loop(case, f)).im);
    let gain_margin = crossover.map(|f| -20.0 * open_loop(case, f).norm().log10());
    match gain_margin {
        Some(wanted) => {
            let found = value("lo", "gain_margin");
            assert!((found - wanted).abs() < 0.01, "{what}: {found} dB, {wanted} dB");
        }
        None => assert!(metric("lo", "gain_margin").is_null(), "{what}: there is no gain margin"),
    }
}

/// L(f) at the output, all contributors.
fn total(case: &Case, f: f64) -> f64 {
    second_working(case, f).iter().map(|(_, density)| density).sum()
}

/// Spots and jitter of a block against a total worked out in this file.
fn noise_agrees(case: &Case, level: impl Fn(f64) -> f64, metrics: &Value, what: &str) {
    let spots = metrics["spot"].as_array().expect("a list");
    assert_eq!(spots.len(), SPOTS.len());
    for (spot, f) in spots.iter().zip(SPOTS) {
        let (found, wanted) = (number(&spot["level"], "value"), 10.0 * level(f).log10());
        assert!((found - wanted).abs() < 0.01, "{what} at {f} Hz: {found}, {wanted}");
    }
    let points = 20_000;
    let at = |i: usize| OVER.0 * (OVER.1 / OVER.0).powf(i as f64 / f64::from(points));
    let mut sum = 0.0;
    let mut left = level(OVER.0);
    for i in 1..=points as usize {
        let right = level(at(i));
        sum += 0.5 * (left + right) * (at(i) - at(i - 1));
        left = right;
    }
    let output = case.oscillator.frequency / case.output_divider;
    let jitter = (2.0 * sum).sqrt() / (2.0 * std::f64::consts::PI * output);
    close(number(&metrics["jitter"], "value"), jitter, 1e-3, what);
}

/// Filters of 2nd to 4th order, with output divider and fixed prescaler.
#[test]
fn given_loops_against_a_second_working() {
    for set in ["F1", "F2", "F3", "F4", "F5", "F6"] {
        for (output_divider, prescaler) in [(1.0, 1.0), (4.0, 1.0), (2.0, 2.0)] {
            let case = given(set, output_divider, prescaler);
            let what = format!("{set}, output / {output_divider}, prescaler {prescaler}");
            let results = results_of(&note(&case), &[]);
            let plan = &results["blocks"]["lo"]["metrics"];
            close(number(&plan["feedback_divider"], "value") * prescaler, case.feedback_ratio, 0.0, &what);
            margins_agree(&case, &results, &what);
            noise_agrees(&case, |f| total(&case, f), &results["blocks"]["noise"]["metrics"], &what);
        }
    }
}

/// Active filters of 3rd and 4th order, the op-amp's finite gain and all its noise.
#[test]
fn active_loops_against_a_second_working() {
    for set in ["F2", "F4", "F6"] {
        let case = given_active(set);
        let results = results_of(&note(&case), &[]);
        margins_agree(&case, &results, set);
        noise_agrees(&case, |f| total(&case, f), &results["blocks"]["noise"]["metrics"], set);
        let plan = &results["blocks"]["lo"]["metrics"];
        assert_eq!(plan["polarity"]["value"].as_i64(), Some(-1), "{set}: the op-amp inverts");
    }
}

/// Two loops, the first one the second's standard: what the first leaves takes the way of a reference.
#[test]
fn cascades_against_a_second_working() {
    for (of, divider) in [("lo_first", 4.0), ("noise_first", 2.0)] {
        let first = given("F3", divider, 1.0);
        let mut second = given("F1", 1.0, 1.0);
        second.reference_frequency = first.oscillator.frequency / divider;
        let text = format!(
            "---\ntitle: A cascade\n---\n\n{}{}",
            blocks(&second, "", Some(of)),
            blocks(&first, "_first", None)
        );
        let results = results_of(&text, &[]);
        // What a standard of 0 dBc/Hz leaves at the output is the transfer.
        let mut bare = second.clone();
        bare.noise.reference = Some(std::sync::Arc::new(LevelTable::flat(0.0)));
        let level = |f: f64| -> f64 {
            let weight = |name: &str| if name == "reference" { total(&first, f) } else { 1.0 };
            second_working(&bare, f).iter().map(|(name, density)| weight(name) * density).sum()
        };
        noise_agrees(&second, level, &results["blocks"]["noise"]["metrics"], of);
        let first_metrics = &results["blocks"]["noise_first"]["metrics"];
        noise_agrees(&first, |f| total(&first, f), first_metrics, of);
        // The check says something only where the first loop's noise counts.
        let without = second_working(&second, 1e3).iter().map(|(_, density)| density).sum::<f64>();
        assert!((level(1e3) / without).log10().abs() > 0.1, "{of}: the first loop shows");
    }
}
