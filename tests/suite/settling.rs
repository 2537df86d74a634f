//! What a settling block says where there is no time, or where the question can't be answered: a statement each, and soon.

use serde_json::Value;

use super::place::{Place, Run};

/// A loop of some 20 kHz at 1 GHz with a settling block of these lines; `pump` and `parts` of the loop.
fn note(pump: &str, parts: &str, settling: &str) -> String {
    format!(
        "---\ntitle: Hops\n---\n\n```yaml reference standard\nfrequency: 10 MHz\n```\n\n```yaml oscillator vco\n\
         gain: 50 MHz/V\ncontrol: 0 V .. 5 V\nrange: 875 MHz .. 1.125 GHz\n```\n\n```yaml synthesizer core\n\
         detector: {{max_frequency: 1 MHz}}\npump: {pump}\nreference_divider: 1 .. 1023\n\
         feedback_divider: 16 .. 4095\n```\n\n```yaml loop lo\nreference: standard\noscillator: vco\n\
         synthesizer: core\noutput: 1 GHz\ndetector_frequency: 1 MHz\nfilter: passive 3\nparts: {parts}\n```\n\n\
         ```yaml settling hop\n{settling}\n```\n"
    )
}

const PUMP: &str = "{currents: [1 mA]}";
const PARTS: &str = "{C1: 1 nF, R2: 1.5 kohm, C2: 15 nF, R3: 2.2 kohm, C3: 220 pF}";
const HOP: &str = "from: 990 MHz\nto: 1 GHz\n";

fn judge(text: &str) -> Run {
    let place = Place::new();
    place.file("lo.md", text);
    place.run(&["judge", "--json", "lo.md"])
}

/// Why there is no time.
fn why(text: &str) -> String {
    let run = judge(text);
    let value: Value = serde_json::from_str(&run.stdout).unwrap_or_else(|_| panic!("{}", run.all()));
    let time = &value["blocks"]["hop"]["metrics"]["time"];
    assert!(time["value"].is_null(), "{time}");
    let why = time["why"].as_str().expect("a reason").to_owned();
    // The reader of the document is told too.
    assert!(run.stderr.contains(&why), "{}", run.stderr);
    why
}

#[test]
fn a_loop_that_is_not_stable_never_locks() {
    // So much current that the detector's delay eats up the phase margin.
    let text = note("{currents: [80 mA]}", PARTS, &format!("{HOP}within: 1 kHz"));
    let said = why(&text);
    assert_eq!(said, "never locked: the sampled loop is not stable at 1\u{202f}GHz");
}

#[test]
fn a_window_that_is_never_kept_is_said_to_be() {
    // Leakage makes a ripple wider than the window.
    let text = note("{currents: [1 mA], leakage: 20 uA}", PARTS, &format!("{HOP}within: 10 Hz"));
    let said = why(&text);
    assert!(said.starts_with("the window is never kept: still outside after "), "{said}");
}

#[test]
fn too_short_a_time_is_said_to_be() {
    let said = why(&note(PUMP, PARTS, &format!("{HOP}within: 1 kHz\nuntil: 20 us")));
    assert_eq!(said, "still outside the window at the end of `until`, 20.0\u{202f}µs");
}

#[test]
fn more_cycles_than_can_be_followed_are_refused_at_once() {
    judge(&note(PUMP, PARTS, &format!("{HOP}within: 1 kHz\nuntil: 1000 s")))
        .fails(2, &["`until` asks for 1000000000 detector cycles; at most 20000000 are followed"]);
}

#[test]
fn a_pump_without_current_is_refused() {
    judge(&note("{currents: [0 mA]}", PARTS, &format!("{HOP}within: 1 kHz"))).fails(2, &["current"]);
}

#[test]
fn a_start_outside_the_tuning_range_is_followed_with_a_warning_or_refused() {
    let outside = judge(&note(PUMP, PARTS, "from: 7 V\nto: 1 GHz\nwithin: 1 kHz"));
    assert_eq!(outside.status, Some(0), "{}", outside.all());
    assert!(outside.stderr.contains("lies outside the tuning curve"), "{}", outside.stderr);
    judge(&note(PUMP, PARTS, "from: -40 V\nto: 1 GHz\nwithin: 1 kHz"))
        .fails(2, &["whose end's straight line gives no frequency there"]);
}

/// With `--thorough` the noise is also put into the loop edge by edge, and the two agree; without it nothing of it is there.
#[test]
fn noise_in_time_on_demand() {
    let noise =
        format!("{HOP}within: 1 kHz\n```\n\n```yaml phase_noise noise\nof: lo\nover: 1 kHz .. 400 kHz");
    let text =
        note("{currents: [3 mA]}", "{C1: 330 pF, R2: 1.5 kohm, C2: 4.7 nF, R3: 1 kohm, C3: 100 pF}", &noise)
            .replace(
                "range: 875 MHz .. 1.125 GHz",
                "range: 875 MHz .. 1.125 GHz\nphase_noise: {1 kHz: -60, 100 kHz: -110, 10 MHz: -150}",
            );
    let place = Place::new();
    place.file("lo.md", text);
    let plain = place.run(&["judge", "--json", "lo.md"]);
    let thorough = place.run(&["judge", "--json", "--thorough", "lo.md"]);
    let noise = |run: &Run| -> Value {
        let value: Value = serde_json::from_str(&run.stdout).unwrap_or_else(|_| panic!("{}", run.all()));
        value["blocks"]["noise"]["metrics"].clone()
    };
    assert!(noise(&plain).get("in_time").is_none());
    let found = &noise(&thorough)["in_time"];
    assert_eq!(thorough.status, Some(0), "{}", thorough.all());
    assert_eq!(found["level"]["second"]["agrees"], true, "{found}");
    assert_eq!(found["level"]["second"]["route"], "noise injected in time");
    let error = found["statistical_error"]["value"].as_f64().expect("a number");
    assert!(error > 0.0 && error < 1.5, "{found}");
    assert_eq!(thorough.stdout, place.run(&["judge", "--json", "--thorough", "lo.md"]).stdout);
}
