//! What it would take, and regions: every claim is written into the note and judged again.

use serde_json::Value;

use super::place::Place;

/// A loop whose jitter is missed, whose margin is short of its reserve and whose settled phase margin holds; noise levels
/// are moved by some dB.
fn note([reference, oscillator, floor]: [f64; 3], limits: [&str; 3]) -> String {
    let table = |points: &[(&str, f64)], by: f64| {
        let rows: Vec<String> = points.iter().map(|(at, level)| format!("{at}: {}", level + by)).collect();
        rows.join(", ")
    };
    format!(
        "---\ntitle: Short\n---\n
```yaml reference standard
frequency: 10 MHz
phase_noise: {{{}}}
```

```yaml oscillator vco
gain: 20 MHz/V
control: 1 V .. 4 V
range: 470 MHz .. 530 MHz
input_capacitance: 15 pF
phase_noise: {{{}}}
```

```yaml synthesizer core
detector: {{max_frequency: 10 MHz, floor: {} dBc/Hz}}
pump: {{currents: {{from: 1 mA, to: 4 mA, step: 1 mA}}}}
reference_divider: 1 .. 100
feedback_divider: 1 .. 5000
```

```yaml loop lo
reference: standard
oscillator: vco
synthesizer: core
output: 500 MHz
filter: passive 3
bandwidth: 20 kHz
phase_margin: 50 deg
pole_ratio: 0.3
```

```yaml phase_noise noise
over: 1 kHz .. 10 MHz
```

```yaml requirements
LO-1: {{text: Jitter., metric: noise.jitter, limit: \"{}\"}}
LO-2: {{text: Margin., metric: lo.phase_margin, limit: \"{}\", reserve: 3 deg}}
LO-3: {{text: Wide enough., metric: lo.bandwidth, limit: \"{}\"}}
```
",
        table(&[("100 Hz", -135.0), ("1 kHz", -150.0), ("10 kHz", -158.0)], reference),
        table(&[("1 kHz", -70.0), ("100 kHz", -115.0), ("1 MHz", -136.0), ("10 MHz", -155.0)], oscillator),
        -222.0 + floor,
        limits[0],
        limits[1],
        limits[2],
    )
}

const LIMITS: [&str; 3] = ["<= 900 fs", ">= 49 deg", ">= 5 kHz"];

fn judged(place: &Place, text: &str, with: &[String]) -> Value {
    place.file("lo.md", text);
    let mut arguments = vec!["judge", "lo.md", "--json"];
    for one in with {
        arguments.extend(["--with", one]);
    }
    let run = place.run(&arguments);
    serde_json::from_str(&run.stdout).unwrap_or_else(|_| panic!("no results: {}", run.all()))
}

fn requirement<'a>(results: &'a Value, id: &str) -> &'a Value {
    let all = results["requirements"].as_array().expect("requirements");
    all.iter().find(|one| one["id"] == id).expect("the requirement")
}

fn holds(results: &Value, id: &str) -> bool {
    let one = requirement(results, id);
    one["verdict"] == "met" && one["reserve_kept"] != Value::Bool(false)
}

/// The note with a change as an author would make it.
fn changed(place: &Place, choice: &str, to: &Value) -> Value {
    let value = to["value"].as_f64().expect("a value");
    match choice {
        "reference noise" => judged(place, &note([value, 0.0, 0.0], LIMITS), &[]),
        "oscillator noise" => judged(place, &note([0.0, value, 0.0], LIMITS), &[]),
        "detector floor" => judged(place, &note([0.0, 0.0, value], LIMITS), &[]),
        field => {
            let unit = to["unit"].as_str().filter(|unit| *unit != "1").unwrap_or_default();
            judged(place, &note([0.0; 3], LIMITS), &[format!("lo.{field}={value} {unit}").trim().to_owned()])
        }
    }
}

#[test]
fn every_change_that_is_told_holds_when_it_is_made() {
    let place = Place::new();
    let before = judged(&place, &note([0.0; 3], LIMITS), &[]);
    assert!(!holds(&before, "LO-1") && !holds(&before, "LO-2") && holds(&before, "LO-3"), "{before:#}");
    assert!(requirement(&before, "LO-3")["would_take"].is_null());
    let mut told = 0;
    for id in ["LO-1", "LO-2"] {
        let remedies = requirement(&before, id)["would_take"].as_array().expect("changes").clone();
        assert_eq!(remedies.len(), 8, "{remedies:#?}");
        for remedy in remedies.iter().filter(|remedy| !remedy["to"].is_null()) {
            told += 1;
            let choice = remedy["choice"].as_str().expect("a choice");
            let after = changed(&place, choice, &remedy["to"]);
            assert!(holds(&after, id), "{id}: {remedy:#} {:#}", requirement(&after, id));
            for other in ["LO-1", "LO-2", "LO-3"] {
                let lost = requirement(&before, other)["verdict"] == "met"
                    && requirement(&after, other)["verdict"] == "not met";
                let said = remedy["costs"].as_array().expect("costs").iter().any(|cost| cost == other);
                assert_eq!(lost, said, "{id} {remedy:#}");
            }
        }
    }
    assert!(told >= 3, "some changes help");
}

/// The smallest: nine tenths of the way does not do.
#[test]
fn nine_tenths_of_a_change_would_not_do() {
    let place = Place::new();
    let before = judged(&place, &note([0.0; 3], LIMITS), &[]);
    let remedies = requirement(&before, "LO-1")["would_take"].as_array().expect("changes").clone();
    let mut tried = 0;
    for remedy in remedies.iter().filter(|remedy| !remedy["to"].is_null()) {
        let choice = remedy["choice"].as_str().expect("a choice");
        if ["pump_current", "detector_frequency"].contains(&choice) {
            continue;
        }
        let to = remedy["to"]["value"].as_f64().expect("a value");
        let from = remedy["from"]["value"].as_f64().unwrap_or(0.0);
        let mut short = remedy["to"].clone();
        short["value"] = Value::from(from + 0.8 * (to - from));
        assert!(!holds(&changed(&place, choice, &short), "LO-1"), "{remedy:#}");
        tried += 1;
    }
    assert!(tried > 0);
}

/// What is said not to do by itself does not, wherever it is put.
#[test]
fn what_would_not_do_alone_does_not() {
    let place = Place::new();
    let hard = ["<= 1 fs", ">= 49 deg", ">= 5 kHz"];
    let before = judged(&place, &note([0.0; 3], hard), &[]);
    let remedies = requirement(&before, "LO-1")["would_take"].as_array().expect("changes").clone();
    assert!(remedies.iter().all(|remedy| remedy["to"].is_null() && remedy["why"] == "not by this alone"));
    for with in
        ["lo.bandwidth=100 kHz", "lo.bandwidth=12 kHz", "lo.phase_margin=70 deg", "lo.pump_current=1 mA"]
    {
        assert!(!holds(&judged(&place, &note([0.0; 3], hard), &[with.to_owned()]), "LO-1"));
    }
    let text = place.run(&["judge", "lo.md"]).stdout;
    assert!(text.contains("not by this alone: bandwidth, phase margin"), "{text}");
}

/// The region's edges, each tried just inside and just outside on ideal parts.
#[test]
fn a_region_ends_where_a_requirement_is_lost() {
    let place = Place::new();
    let limits = ["<= 1.2 ps", ">= 47 deg", ">= 5 kHz"];
    let region = "
```yaml region room
across: {bandwidth: 4 kHz .. 400 kHz}
along: {phase_margin: 40 deg .. 70 deg}
```
";
    let text = note([0.0; 3], limits) + region;
    let ideal = ["lo.series=ideal".to_owned()];
    let results = judged(&place, &text, &ideal);
    let metrics = &results["blocks"]["room"]["metrics"];
    let area = metrics["area"]["value"].as_f64().expect("an area");
    assert!(area > 0.02 && area < 0.98, "{area}");
    let mut nearest = f64::INFINITY;
    for (field, unit, chosen) in [("bandwidth", "Hz", 20e3), ("phase_margin", "deg", 50.0)] {
        for side in ["below", "above"] {
            let bound = &metrics["bounded_by"][field];
            let by = bound[side].as_str().expect("what bounds it");
            let at = bound[format!("{side}_at")]["value"].as_f64().expect("an edge");
            if by == "edge of the map" {
                continue;
            }
            nearest = nearest.min((at - chosen).abs() / chosen);
            if !by.starts_with("LO-") {
                // No parts: the note itself is refused there, with the same words.
                place.file("lo.md", note([0.0; 3], limits));
                let with = format!("lo.{field}={at} {unit}");
                let run = place.run(&["judge", "lo.md", "--with", &ideal[0], "--with", &with]);
                assert_eq!(run.status, Some(2), "{by}");
                assert!(run.stderr.contains(by), "{by}: {}", run.stderr);
                continue;
            }
            let inside = chosen + (at - chosen) * 0.995;
            for (value, all) in [(inside, true), (at, false)] {
                let with = [ideal[0].clone(), format!("lo.{field}={value} {unit}")];
                let after = judged(&place, &note([0.0; 3], limits), &with);
                let met =
                    ["LO-1", "LO-2", "LO-3"].iter().all(|id| requirement(&after, id)["verdict"] == "met");
                assert_eq!(met, all, "{field} {side} {value}: {by}");
                if !all {
                    let lost: Vec<&str> = ["LO-1", "LO-2", "LO-3"]
                        .into_iter()
                        .filter(|id| requirement(&after, id)["verdict"] == "not met")
                        .collect();
                    assert_eq!(by, lost.join(", "));
                }
            }
        }
    }
    let told = metrics["nearest_edge"]["value"].as_f64().expect("a distance");
    assert!((told - nearest).abs() <= 1e-9 * nearest, "{told} {nearest}");
}

/// A requirement may cite the region that it bounds: no circle.
#[test]
fn a_requirement_may_be_on_the_region_itself() {
    let place = Place::new();
    let region = "
```yaml region room
across: {bandwidth: 4 kHz .. 400 kHz}
along: {pump_current: 1 mA .. 4 mA}
```

```yaml requirements more
LO-9: {text: Room., metric: room.area, limit: \">= 0.01\"}
```
";
    let text = note([0.0; 3], ["<= 1.2 ps", ">= 47 deg", ">= 5 kHz"]) + region;
    let results = judged(&place, &text, &[]);
    assert_eq!(requirement(&results, "LO-9")["verdict"], "met");
}
