//! Whole notes over channels and runs: what is read again is what the blocks themselves say.

use serde_json::Value;

use super::place::Place;

/// A loop with its lines, served in the channels `outputs`; `leakage` of the pump; what follows it.
fn note(outputs: &str, leakage: &str, more: &str) -> String {
    format!(
        r"---
title: Repeated
---

```yaml reference standard
frequency: 80 MHz
phase_noise: {{10 Hz: -110, 1 kHz: -150, 100 kHz: -160}}
```

```yaml oscillator vco
tuning: {{0.5 V: 2.60 GHz, 2 V: 2.75 GHz, 4.5 V: 2.95 GHz}}
phase_noise: {{1 kHz: -62, 10 kHz: -91, 100 kHz: -114, 1 MHz: -135, 10 MHz: -154}}
phase_noise_at: 2.8 GHz
input_capacitance: 22 pF
pushing: 6 MHz/V
```

```yaml supply rail
ripple: [{{frequency: 300 kHz, amplitude: 2 uV}}, {{frequency: 50 kHz, amplitude: 1 uV}}]
```

```yaml synthesizer core
detector: {{max_frequency: 30 MHz, floor: -220 dBc/Hz}}
pump: {{currents: {{from: 0.625 mA, to: 5 mA, step: 0.625 mA}}, compliance: 0.5 V .. 4.5 V, mismatch: 4 %, leakage: {leakage}, pulse: 1.5 ns}}
reference_divider: 1 .. 1023
feedback_divider: {{prescaler: 8, a: 0 .. 7, b: 8 .. 8191}}
```

```yaml loop lo
reference: standard
oscillator: vco
synthesizer: core
supply: rail
output: 2.8 GHz
outputs: {outputs}
step: 2.5 MHz
filter: passive 4
parts: {{C1: 8.2 nF, R2: 220 ohm, C2: 120 nF, R3: 680 ohm, C3: 1.5 nF, R4: 680 ohm, C4: 1.5 nF}}
pump_current: 2.5 mA
```

```yaml phase_noise noise
of: lo
over: 1 kHz .. 10 MHz
spurs: lines
```

```yaml spurs lines
of: lo
also: [{{offset: 10 kHz, level: -50 dBc, cause: invented}}]
```

{more}
"
    )
}

fn judged(text: &str) -> Value {
    let place = Place::new();
    let run = place.file("lo.md", text).run(&["judge", "lo.md", "--json"]);
    serde_json::from_str(&run.stdout).unwrap_or_else(|_| panic!("no results: {}", run.all()))
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("a number, not {value}"))
}

fn requirement<'a>(results: &'a Value, id: &str) -> &'a Value {
    let all = results["requirements"].as_array().expect("requirements");
    all.iter().find(|one| one["id"] == id).expect("the requirement")
}

/// In a band of the design channel alone, lines and the jitter with them are those of the blocks, to the last line.
#[test]
fn lines_of_the_design_channel_are_those_of_the_blocks() {
    let more = r"
```yaml band served
of: lo
outputs: [2.8 GHz]
```

```yaml requirements
L-1: {text: design, metric: lines.lines, limit: {1 kHz: -30, 200 kHz: -45, 10 MHz: -60}}
L-2: {text: channel, metric: lines.lines, limit: {1 kHz: -30, 200 kHz: -45, 10 MHz: -60}, judged: band served}
L-3: {text: high, metric: lines.lines, limit: {1 MHz: -200, 10 MHz: -200}, judged: band served}
L-4: {text: high in the design, metric: lines.lines, limit: {1 MHz: -200, 10 MHz: -200}}
```
";
    let results = judged(&note("2.78 GHz .. 2.82 GHz", "20 nA", more));
    let (noise, served) = (&results["blocks"]["noise"]["metrics"], &results["blocks"]["served"]["metrics"]);
    let with = |node: &Value| number(&node["jitter_with_spurs"]["value"]);
    assert!(with(noise) > 1.001 * number(&noise["jitter"]["value"]), "the lines add to it");
    assert!((with(&served["worst"]["noise"]) / with(noise) - 1.0).abs() < 1e-9);
    for (design, channel) in [("L-1", "L-2"), ("L-4", "L-3")] {
        let (design, channel) = (requirement(&results, design), requirement(&results, channel));
        assert_eq!(design["verdict"], channel["verdict"]);
        assert_eq!(design["at"], channel["at"]);
        assert!((number(&design["margin"]) - number(&channel["margin"])).abs() < 1e-9);
    }
    assert_eq!(requirement(&results, "L-2")["verdict"], "met");
    assert_eq!(requirement(&results, "L-3")["verdict"], "not met");
}

/// A leakage that the pump can't make good has no lines to look at: nothing that rests on them is met.
#[test]
fn without_lock_no_mask_is_met() {
    let more = r#"
```yaml band served
of: lo
```

```yaml requirements
L-1: {text: lines, metric: lines.lines, limit: {1 kHz: 0, 10 MHz: 0}, judged: band served}
L-2: {text: jitter, metric: noise.jitter_with_spurs, limit: "<= 1 s", judged: band served}
```
"#;
    let results = judged(&note("2.78 GHz .. 2.82 GHz", "5 mA", more));
    for id in ["L-1", "L-2"] {
        assert_eq!(requirement(&results, id)["verdict"], "not met", "{id}");
        assert_eq!(requirement(&results, id)["value"], Value::Null, "{id}");
    }
}

/// Parts of one reel: the spread is that of the first order with what they have in common, and another than without; what
/// each part does by itself stays the same; where nothing shares a reel it is told.
#[test]
fn parts_of_one_reel_spread_together() {
    let more = r"
```yaml tolerance apart
of: lo
parts: {R: 1 %, C: 5 %}
runs: 2000
```

```yaml tolerance together
of: lo
parts: {R: 1 %, C: 5 %}
same_reel: {R: 1, C: 0.9}
runs: 2000
```

```yaml tolerance single
of: lo
parts: {R2: 1 %, R3: 2 %, R4: 1 %}
same_reel: {R: 0.5}
runs: 100
```
";
    let results = judged(&note("2.78 GHz .. 2.82 GHz", "20 nA", more));
    let of = |block: &str, name: &str| {
        let node = &results["blocks"][block]["metrics"][name]["lines"]["reference_spur"];
        number(&node["value"])
    };
    for block in ["apart", "together"] {
        let (sampled, first) = (of(block, "deviation"), of(block, "first_order"));
        // Three deviations of a sampled one, and some for what is not of first order.
        assert!((sampled / first - 1.0).abs() < 3.0 / 4000f64.sqrt() + 0.01, "{block}: {sampled} {first}");
    }
    assert!(
        of("together", "first_order") > 1.1 * of("apart", "first_order"),
        "two capacitors move it together"
    );
    let ranking =
        |block: &str| results["blocks"][block]["metrics"]["sensitivity"]["lines"]["reference_spur"].clone();
    assert_eq!(ranking("apart"), ranking("together"));
    let warnings: Vec<String> = results["warnings"]
        .as_array()
        .expect("warnings")
        .iter()
        .filter(|one| one["block"] == "single")
        .map(|one| one["text"].as_str().expect("a text").to_owned())
        .collect();
    assert_eq!(
        warnings,
        ["no two resistors that vary have one value and one tolerance: none share a reel".to_owned()],
        "R3 and R4 have one value and two tolerances"
    );
}

const SPREAD: &str = "parts: {R: 1 %, C: 5 %}\ngain: 8 %\nruns: 400\nseed: 11\n";

/// With hardly any spread the worst channel of every run is the worst of the band.
#[test]
fn without_spread_the_runs_are_the_band() {
    let more = "```yaml band served\nof: lo\n```\n\n```yaml tolerance spread\nof: lo\ngain: 0.000001 %\nruns: 4\nband: served\n```\n";
    let results = judged(&note("2.78 GHz .. 2.82 GHz", "20 nA", more));
    let (served, spread) = (&results["blocks"]["served"]["metrics"], &results["blocks"]["spread"]["metrics"]);
    let channels = spread["channels"]["value"].as_u64().expect("a count");
    assert!((3..17).contains(&channels), "some of the 17 are chosen: {channels}");
    for (block, name) in [("noise", "jitter"), ("noise", "jitter_with_spurs"), ("lines", "reference_spur")] {
        let worst = number(&served["worst"][block][name]["value"]);
        let mean = number(&spread["mean"][block][name]["value"]);
        assert!((mean / worst - 1.0).abs() < 1e-6, "{name}: {mean}, in the band {worst}");
    }
    let headroom = number(&served["worst"]["lo"]["sampled_phase_margin"]["value"]);
    assert!((number(&spread["mean"]["lo"]["sampled_phase_margin"]["value"]) / headroom - 1.0).abs() < 1e-6);
}

/// Where one channel is the worst in every run, the numbers are those of a loop that is designed in it, with the same seed.
#[test]
fn the_worst_channel_is_as_if_designed_in() {
    let over = format!(
        "```yaml band served\nof: lo\noutputs: [2.78 GHz, 2.8 GHz, 2.82 GHz]\n```\n\n```yaml tolerance spread\nof: lo\n{SPREAD}band: served\n```\n\n\
         ```yaml requirements\nT-1: {{text: all channels, metric: lo.tuning_headroom, limit: '>= 1 V', judged: tolerance spread at 90 %}}\n```\n"
    );
    let alone = format!("```yaml tolerance spread\nof: lo\n{SPREAD}```\n");
    let text = note("2.78 GHz .. 2.82 GHz", "20 nA", &over);
    let results = judged(&text);
    let spread = &results["blocks"]["spread"]["metrics"];
    for (block, name) in [("noise", "jitter"), ("lo", "sampled_phase_margin")] {
        let share = number(&spread["worst_channel_share"][block][name]["value"]);
        let channel = number(&spread["worst_channel"][block][name]["value"]);
        assert!((share - 1.0).abs() < 1e-12, "{name}: one channel is always the worst: {share}");
        let there = note("2.78 GHz .. 2.82 GHz", "20 nA", &alone)
            .replace("output: 2.8 GHz", &format!("output: {channel} Hz"));
        let there = judged(&there);
        let there = &there["blocks"]["spread"]["metrics"];
        for statistic in ["mean", "deviation", "p01", "p99"] {
            let (a, b) = (
                number(&spread[statistic][block][name]["value"]),
                number(&there[statistic][block][name]["value"]),
            );
            // The offsets at which noise is read are those of the design.
            assert!((a / b - 1.0).abs() < 2e-6, "{statistic} of {name}: {a}, designed there {b}");
        }
    }
    let decided = requirement(&results, "T-1")["decided_by"].to_string();
    assert!(decided.contains("run") && decided.contains("channel 2.8"), "{decided}");
}

/// A band of another loop has other channels.
#[test]
fn a_band_of_another_loop_is_refused() {
    let more = "```yaml loop other\nreference: standard\noscillator: vco\nsynthesizer: core\noutput: 2.8 GHz\nfilter: passive 2\n\
                bandwidth: 20 kHz\nphase_margin: 50 deg\n```\n\n```yaml band served\nof: other\n```\n\n\
                ```yaml tolerance spread\nof: lo\ngain: 5 %\nruns: 4\nband: served\n```\n";
    let place = Place::new();
    let run =
        place.file("lo.md", note("2.78 GHz .. 2.82 GHz", "20 nA", more)).run(&["judge", "lo.md", "--json"]);
    assert!(
        run.stderr.contains("`served` is a band of the loop `other`, this block is of `lo`"),
        "{}",
        run.all()
    );
    assert_eq!(run.stdout, "");
}
