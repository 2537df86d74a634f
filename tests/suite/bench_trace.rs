//! Traces as an analyser would give them, made from the model's own prediction: what must agree agrees, what is 3 dB off
//! does not.

use std::fmt::Write as _;

use serde_json::Value;

use super::place::Place;

const NOTE: &str = "---
title: Bench
---

```yaml reference standard
frequency: 10 MHz
phase_noise: {100 Hz: -135, 1 kHz: -150, 10 kHz: -158}
```

```yaml oscillator vco
gain: 20 MHz/V
control: 1 V .. 4 V
range: 470 MHz .. 530 MHz
phase_noise: {1 kHz: -70, 100 kHz: -115, 1 MHz: -136, 10 MHz: -155}
```

```yaml synthesizer core
detector: {max_frequency: 10 MHz, floor: -222 dBc/Hz}
pump: {currents: 1 mA}
feedback_divider: 1 .. 1023
```

```yaml loop lo
reference: standard
oscillator: vco
synthesizer: core
output: 500 MHz
filter: passive 2
bandwidth: 30 kHz
phase_margin: 50 deg
```

```yaml phase_noise noise
over: 1 kHz .. 10 MHz
```
";

/// Uniform numbers in 0..1 from a seed (the 64-bit congruence of Knuth, The Art of Computer Programming, vol. 2).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// What `averages` spectra of Gaussian noise average to, over its mean: a sum of exponentials.
    fn averaged(&mut self, averages: u32) -> f64 {
        (0..averages).map(|_| -self.roll().ln()).sum::<f64>() / f64::from(averages)
    }
}

/// Floor of the analyser, dBc/Hz.
const FLOOR: f64 = -148.0;

/// The predicted total at every 8th offset of the note's own curve, as an analyser of 100 averages shows it: scattered, with
/// its floor and three lines, all of it `shift` dB off.
fn trace(curve: &Value, shift: f64) -> (String, Vec<f64>) {
    let column = |name: &str| -> Vec<f64> {
        let values = curve[name]["values"].as_array().expect("a series");
        values.iter().map(|value| value.as_f64().expect("a number")).collect()
    };
    let mut dice = Dice(7);
    let mut text = "# analyser, made up\noffset (kHz);noise (dBc/Hz)\n".to_owned();
    let mut lines = Vec::new();
    for (k, (f, level)) in column("offset").iter().zip(column("total")).enumerate().step_by(8) {
        let power = 10f64.powf((level + shift) / 10.0) + 10f64.powf(FLOOR / 10.0);
        let mut shown = 10.0 * (power * dice.averaged(100)).log10();
        if [240, 480, 640].contains(&k) {
            shown += 18.0;
            lines.push(*f);
        }
        writeln!(text, "{};{shown:.2}", f / 1e3).expect("text");
    }
    (text, lines)
}

fn judged(place: &Place, measurement: &str) -> Value {
    place.file("bench.md", format!("{NOTE}\n```yaml measurement bench\n{measurement}\n```\n"));
    let run = place.run(&["judge", "--json", "bench.md"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    let found: Value = serde_json::from_str(&run.stdout).expect("one value");
    found["blocks"]["bench"]["metrics"].clone()
}

fn number(metrics: &Value, name: &str) -> f64 {
    metrics[name]["value"].as_f64().unwrap_or_else(|| panic!("{name}: {}", metrics[name]))
}

#[test]
fn a_trace_of_the_model_agrees_and_one_three_decibels_off_does_not() {
    let place = Place::new();
    place.file("plain.md", NOTE);
    let run = place.run(&["judge", "--json", "plain.md"]);
    let plain: Value = serde_json::from_str(&run.stdout).expect("one value");
    let noise = &plain["blocks"]["noise"]["metrics"];
    let (text, lines) = trace(&noise["curve"], 0.0);
    assert_eq!(lines.len(), 3);
    place.file("bench.csv", &text);
    let fields = format!("file: bench.csv\ninstrument_floor: {FLOOR} dBc/Hz");
    let good = judged(&place, &fields);
    assert_eq!(good["agrees"]["value"], 1, "{good}");
    assert_eq!(good["spur_count"]["value"], 3, "{good}");
    // 100 averages scatter by 0.43 dB (4.34 dB / sqrt 100); at the floor's clearance of 3 dB the floor adds up to 3 dB, at
    // most points nothing.
    assert!(number(&good, "share_within") >= 0.95, "{good}");
    assert!(number(&good, "mean_difference").abs() < 0.3, "{good}");
    let model = noise["jitter"]["value"].as_f64().expect("jitter");
    assert!((number(&good, "predicted_jitter") / model - 1.0).abs() < 1e-9);
    assert!((number(&good, "jitter") / model - 1.0).abs() < 0.03, "{} of {model}", good["jitter"]);

    for shift in [3.0, -3.0] {
        place.file("bench.csv", &trace(&noise["curve"], shift).0);
        let off = judged(&place, &fields);
        assert_eq!(off["agrees"]["value"], 0, "{off}");
        assert!(number(&off, "share_within") < 0.2, "{off}");
        assert!((number(&off, "mean_difference") - shift).abs() < 0.5, "{off}");
        assert_eq!(off["spur_count"]["value"], 3, "{off}");
    }
}

#[test]
fn columns_are_guessed_and_can_be_said() {
    let place = Place::new();
    let same = ["offset", "measured"];
    let wanted = judged(place.file("a.csv", "1000,-90\n10000,-95\n100000,-105\n"), "file: a.csv");
    for (text, columns) in [
        ("phase noise (dBc/Hz), offset (kHz)\n-90,1\n-95,10\n-105,100\n", ""),
        ("n;level;f\n3;-105;100000\n2;-95;10000\n1;-90;1000\n", ""),
        ("f MHz, l dBc\n0.001, -90\n0.01, -95\n0.1, -105\n", ""),
        ("1 0.1 -90\n10 0.1 -95\n100 0.1 -105\n", "columns: [offset kHz, skip, level]"),
        ("x (kHz)\ty (dB)\n0.001\t-90\n0.01\t-95\n0.1\t-105\n", "columns: [offset MHz, level dBc/Hz]"),
        ("1000,-90\n10000,-93\n10000,-97\n100000,-105\n", ""),
    ] {
        let found = judged(place.file("a.csv", text), &format!("file: a.csv\n{columns}"));
        for name in same {
            let list = |metrics: &Value| -> Vec<f64> {
                let values = metrics["curve"][name]["values"].as_array().expect("a series");
                values.iter().map(|value| value.as_f64().expect("a number")).collect()
            };
            for (a, b) in list(&found).iter().zip(list(&wanted)) {
                assert!((a - b).abs() <= 1e-9 * b.abs(), "{text}: {name} {a}, wanted {b}");
            }
            assert_eq!(list(&found).len(), 3, "{text}");
        }
    }
}

#[test]
fn jitter_has_no_value_where_the_trace_does_not_reach() {
    let place = Place::new();
    let short = judged(place.file("a.csv", "1000,-90\n10000,-95\n100000,-105\n"), "file: a.csv");
    assert!(short["jitter"]["value"].is_null(), "{short}");
    let why = short["jitter"]["why"].as_str().expect("a reason").replace('\u{202f}', " ");
    assert_eq!(why, "the trace covers 1 kHz .. 100 kHz, not 1 kHz .. 10 MHz");
    // 2 int L df of the two power laws: slopes -5 and -10 dB a decade from -90 dBc/Hz at 1 kHz.
    let over = judged(&place, "file: a.csv\nover: 1 kHz .. 100 kHz");
    let first = 1e-9 * 1e3 * (10f64.powf(0.5) - 1.0) / 0.5;
    let second = 10f64.powf(-9.5) * 1e4 * 10f64.ln();
    let wanted = (2.0 * (first + second)).sqrt() / (2.0 * std::f64::consts::PI * 500e6);
    assert!((number(&over, "jitter") / wanted - 1.0).abs() < 1e-6, "{} of {wanted}", over["jitter"]);
}
