//! Traces of a bench that is not the library: what must agree with the model agrees, what is off does not.
//!
//! Settling: the slow simulator of `settling_slow`, which shares no code with the library, read by an instrument with noise
//! of its own. Phase noise: `generators/bench_trace.py`, a loop simulated in time with every source of noise, averaged
//! periodograms and the floor of an analyser.

use std::fmt::Write;

use serde_json::Value;

use crate::settling_slow::{Slow, seen_at};
use crate::support::results_of;

/// Metrics of the block `bench` of a note, with one file.
fn judged(note: &str, csv: &str) -> Value {
    solved(note, &[("bench.csv", csv)], "bench")
}

/// Metrics of a block of a note, with the files it names.
fn solved(note: &str, named: &[(&str, &str)], block: &str) -> Value {
    results_of(note, named)["blocks"][block]["metrics"].clone()
}

fn number(metrics: &Value, name: &str) -> f64 {
    metrics[name]["value"].as_f64().unwrap_or_else(|| panic!("{name}: {}", metrics[name]))
}

/// Uniform numbers in 0..1 from a seed (the 64-bit congruence of Knuth, The Art of Computer Programming, vol. 2).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// A standard normal, as the sum of twelve.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.roll()).sum::<f64>() - 6.0
    }
}

/// The loop that the slow simulator follows, as a note says it: 880 MHz to 900 MHz.
const HOP: &str = "---
title: A hop on the bench
---

```yaml reference standard
frequency: 10 MHz
```

```yaml oscillator vco
gain: 40 MHz/V
control: 0 V .. 5 V
range: 800 MHz .. 1 GHz
```

```yaml synthesizer core
detector: {max_frequency: 1 MHz}
pump: {currents: 1 mA, mismatch: 6 %, leakage: 3 nA, pulse: 4 ns}
reference_divider: 10
feedback_divider: 1 .. 2000
```

```yaml loop lo
reference: standard
oscillator: vco
synthesizer: core
output: 900 MHz
filter: passive 3
parts: {C1: 1.2 nF, R2: 1.8 kohm, C2: 15 nF, R3: 2.7 kohm, C3: 0.22 nF}
```

```yaml settling hop
from: 880 MHz
to: 900 MHz
within: 2 kHz
```
";

/// The stored note of this hop is solved from what the slow simulator shows.
#[test]
fn the_stored_trace_is_that_of_the_slow_simulator() {
    let (times, errors, _) = hop();
    let every = |all: &[f64]| all.iter().step_by(5).copied().collect::<Vec<f64>>();
    let head = "# Frequency counter on the slow simulator of tests/validation/settling_slow.rs, with noise of its own.\n";
    let text = format!("{head}{}", shown(&every(&times), &every(&errors), false));
    assert_eq!(include_str!("../notes/good/parts/hop.csv"), text);
    let note = include_str!("../notes/good/measured_hop.md");
    assert!(note.starts_with(HOP.trim_end()), "the note is that of the simulator");
}

/// Noise of the instrument, Hz rms.
const NOISE: f64 = 150.0;
/// Window of the note, Hz.
const WINDOW: f64 = 2e3;

/// Times (us) and errors (Hz) of the slow simulator's hop, and when it was outside the window last, us.
fn hop() -> (Vec<f64>, Vec<f64>, f64) {
    let slow = Slow {
        current: 1e-3,
        mismatch: 0.06,
        leakage: 3e-9,
        pulse: 4e-9,
        gain: 40e6,
        ratio: 900.0,
        rate: 1e6,
        parts: [1.2e-9, 1.8e3, 15e-9, 2.7e3, 0.22e-9],
        hop: 20e6,
    };
    let times: Vec<f64> = (0..1500).map(|k| 0.17 + 0.5 * f64::from(k)).collect();
    let told = seen_at(&slow, 800, WINDOW, &times);
    assert_eq!(told.seen.len(), times.len());
    (times, told.seen, told.last_outside)
}

/// What the instrument shows: time (us) and frequency (MHz), or the error (kHz).
fn shown(times: &[f64], errors: &[f64], error_only: bool) -> String {
    let mut dice = Dice(11);
    let mut text =
        if error_only { "t [us];deviation [kHz]\n" } else { "# counter\ntime (us), f (MHz)\n" }.to_owned();
    for (time, error) in times.iter().zip(errors) {
        let seen = error + NOISE * dice.normal();
        if error_only {
            writeln!(text, "{time:.3};{:.6}", seen / 1e3).expect("text");
        } else {
            writeln!(text, "{time:.3}, {:.7}", 900.0 + seen / 1e6).expect("text");
        }
    }
    text
}

fn bench(fields: &str) -> String {
    format!("{HOP}\n```yaml measurement bench\nfile: bench.csv\nof: hop\n{fields}```\n")
}

#[test]
fn a_hop_of_the_slow_simulator_agrees() {
    let (times, errors, last) = hop();
    for error_only in [false, true] {
        let found = judged(&bench(""), &shown(&times, &errors, error_only));
        assert_eq!(found["agrees"]["value"], 1, "{found}");
        assert!(number(&found, "share_within") >= 1.0, "{found}");
        // The step is 20 MHz, of which 2 % count as agreement; what differs is noise: five deviations.
        assert!(number(&found, "worst_difference") < 5.0 * NOISE, "{}", found["worst_difference"]);
        assert!((number(&found, "scatter") / NOISE - 1.0).abs() < 0.2, "{}", found["scatter"]);
        let (lock, predicted) = (number(&found, "lock_time"), number(&found, "predicted_lock_time"));
        assert!((predicted - last * 1e-6).abs() < 1.5e-6, "{predicted} {last}");
        assert!((lock / predicted - 1.0).abs() < 0.05, "{lock} {predicted}");
    }
    // The trigger came 40 us before the divider's change.
    let late: Vec<f64> = times.iter().map(|time| time + 40.0).collect();
    let found = judged(&bench("start: 40 us\n"), &shown(&late, &errors, false));
    assert_eq!(found["agrees"]["value"], 1, "{found}");
}

#[test]
fn a_hop_that_is_late_slow_or_larger_does_not_agree() {
    let (times, errors, _) = hop();
    let stretched = |by: f64, late: f64| times.iter().map(|time| by * time + late).collect::<Vec<f64>>();
    let scaled: Vec<f64> = errors.iter().map(|error| error * 10f64.powf(3.0 / 20.0)).collect();
    for (what, times, errors) in [
        ("late", &stretched(1.0, 15.0), &errors),
        ("early", &stretched(1.0, -15.0), &errors),
        ("slow", &stretched(1.2, 0.0), &errors),
        ("3 dB larger", &stretched(1.0, 0.0), &scaled),
    ] {
        let found = judged(&bench(""), &shown(times, errors, false));
        assert_eq!(found["agrees"]["value"], 0, "{what}: {found}");
    }
}

/// The stored note and trace, the levels of the trace `shift` dB off.
fn noise(shift: f64) -> Value {
    let shifted = |line: &str| match line.split_once(", ").map(|(f, level)| (f, level.parse::<f64>())) {
        Some((f, Ok(level))) => format!("{f}, {}\n", level + shift),
        _ => format!("{line}\n"),
    };
    let trace: String = include_str!("../notes/good/parts/bench.csv").lines().map(shifted).collect();
    let parts = [
        ("parts/bench.csv", trace.as_str()),
        ("parts/standard.yaml", include_str!("../notes/good/parts/standard.yaml")),
        ("parts/core.yaml", include_str!("../notes/good/parts/core.yaml")),
        ("parts/vco.csv", include_str!("../notes/good/parts/vco.csv")),
    ];
    solved(include_str!("../notes/good/measured.md"), &parts, "sample")
}

/// 256 averages scatter by 0.27 dB (4.34 dB over the root) in the lowest bins, less where a bin holds more of them. The
/// detector looks once in a period: the continuous model is up to 0.4 dB off below a twentieth of its rate.
#[test]
fn a_loop_simulated_in_time_agrees() {
    let found = noise(0.0);
    assert_eq!(found["agrees"]["value"], 1, "{found}");
    assert!(number(&found, "share_within") >= 1.0, "{}", found["share_within"]);
    assert!(number(&found, "worst_difference") < 1.0, "{}", found["worst_difference"]);
    assert!(number(&found, "mean_difference").abs() < 0.2, "{}", found["mean_difference"]);
    // The line of the bench, and nothing else, is left out.
    assert_eq!(found["spur_count"]["value"], 1, "{found}");
    let (jitter, model) = (number(&found, "jitter"), number(&found, "predicted_jitter"));
    assert!((jitter / model - 1.0).abs() < 0.02, "{jitter} {model}");
}

#[test]
fn a_loop_simulated_in_time_and_shifted_does_not_agree() {
    for shift in [3.0, -3.0] {
        let found = noise(shift);
        assert_eq!(found["agrees"]["value"], 0, "{shift}: {found}");
        assert!(number(&found, "share_within") < 0.05, "{shift}: {}", found["share_within"]);
    }
}
