use serde_json::json;

use super::*;

fn side(jitter: f64, c2: f64, limit: f64, text: &str) -> Side {
    let margin = limit - jitter;
    let results = json!({
        "blocks": {
            "lo": {"kind": "loop", "line": 3, "digest": "x", "metrics": {
                "bandwidth": {"value": 28e3, "unit": "Hz"},
                "gain_margin": {"value": null, "unit": "dB", "why": "never crosses"},
                "parts": {"C1": {"value": 1e-9, "unit": "F"}, "C2": {"value": c2, "unit": "F"}}}},
            "noise": {"kind": "phase_noise", "line": 9, "digest": "y", "metrics": {
                "jitter": {"value": jitter, "unit": "s"},
                "level": {"value": -100.0 + (jitter - 141e-15) * 1e14, "unit": "dBc/Hz"},
                "curve": {"total": {"unit": "dBc/Hz", "values": [-90.0, -100.0 + jitter * 1e14]}}}},
        },
        "requirements": [
            {"id": "LO-1", "metric": "noise.jitter", "value": jitter, "unit": "s",
             "limit": format!("<= {:.0} fs", limit * 1e15), "margin": margin,
             "verdict": if margin >= 0.0 { "met" } else { "not met" }, "judged": "nominal"},
            {"id": "LO-2", "verdict": "not judged", "judged": "nominal", "method": "test"}],
    });
    Side { results, text: text.to_owned(), files: BTreeMap::new() }
}

#[test]
fn the_same_is_the_same() {
    let one = side(141e-15, 4.7e-9, 150e-15, "a\nb\n");
    let differences = compare(&one, &one);
    assert!(differences.none() && differences.sections().is_empty());
    assert_eq!(differences.sentence(), "nothing differs");
}

#[test]
fn a_verdict_that_turned_comes_first_and_metrics_go_by_size() {
    let old = side(141e-15, 4.7e-9, 150e-15, "a\nb\n");
    let new = side(153e-15, 3.9e-9, 150e-15, "a\nc\n");
    let found = compare(&old, &new);
    assert_eq!(found.turned.len(), 1);
    let turned = &found.turned[0];
    assert_eq!(
        (turned.id.as_str(), turned.old.as_deref(), turned.new.as_deref()),
        ("LO-1", Some("met"), Some("not met"))
    );
    assert_eq!(turned.rests_on, "153 fs, limit <= 150 fs, margin -3.00 fs");
    assert!(found.lost.is_empty(), "it is not met any more, which says more");
    assert_eq!(found.parts.len(), 1);
    assert_eq!(
        (found.parts[0].name.as_str(), found.parts[0].new.as_deref()),
        ("lo.parts.C2", Some("3.90 nF"))
    );
    let names: Vec<&str> = found.metrics.iter().map(|change| change.name.as_str()).collect();
    // 12 fs of 141 fs are 8.5 %; 1.2 dB are 14.8 % of the amplitude.
    assert_eq!(names, ["noise.level", "noise.curve.total", "noise.jitter"]);
    assert_eq!(found.metrics[2].relative.map(|by| (by * 1e4).round()), Some(851.0));
    let titles: Vec<&str> = found.sections().iter().map(|section| section.name).collect();
    assert_eq!(titles, ["verdicts", "parts", "metrics", "text"]);
    assert!(found.results_differ());
}

#[test]
fn a_margin_that_lost_more_than_half_is_told_and_half_is_not() {
    let old = side(140e-15, 4.7e-9, 150e-15, "");
    let found = compare(&old, &side(146e-15, 4.7e-9, 150e-15, ""));
    assert_eq!(found.lost.len(), 1);
    assert_eq!((found.lost[0].old.as_str(), found.lost[0].new.as_str()), ("10.0 fs", "4.00 fs"));
    assert!(compare(&old, &side(144e-15, 4.7e-9, 150e-15, "")).lost.is_empty());
    let limit = compare(&old, &side(140e-15, 4.7e-9, 160e-15, ""));
    assert_eq!((limit.limits.len(), limit.metrics.len()), (1, 0));
    assert_eq!(limit.sentence(), "1 limit moved");
}

#[test]
fn a_revision_of_prose_alone_says_so() {
    let old = side(141e-15, 4.7e-9, 150e-15, "one\ntwo\nthree\n");
    let new = side(141e-15 * (1.0 + 1e-12), 4.7e-9, 150e-15, "one  \r\n2\nthree\nfour\n");
    let found = compare(&old, &new);
    assert!(!found.none() && !found.results_differ());
    assert_eq!(found.sentence(), "no number moved: only the text of the note changed");
    let lines: Vec<(bool, usize, &str)> =
        found.lines.iter().map(|l| (l.came, l.line, l.text.as_str())).collect();
    assert_eq!(lines, [(false, 2, "two"), (true, 2, "2"), (true, 4, "four")]);
}

#[test]
fn requirements_results_and_files_that_come_and_go() {
    let old = side(141e-15, 4.7e-9, 150e-15, "");
    let mut new = old.clone();
    new.results["requirements"][1]["id"] = json!("LO-3");
    new.results["blocks"]["lo"]["metrics"]["gain_margin"] = json!({"value": 12.0, "unit": "dB"});
    let metrics = new.results["blocks"]["noise"]["metrics"].as_object_mut().expect("an object");
    metrics.remove("jitter");
    new.files.insert("data/vco.csv".to_owned(), "1".to_owned());
    let found = compare(&old, &new);
    let turned: Vec<(&str, bool, bool)> =
        found.turned.iter().map(|t| (t.id.as_str(), t.old.is_some(), t.new.is_some())).collect();
    assert_eq!(turned, [("LO-3", false, true), ("LO-2", true, false)]);
    let metrics: Vec<(&str, Option<&str>, Option<&str>)> =
        found.metrics.iter().map(|c| (c.name.as_str(), c.old.as_deref(), c.new.as_deref())).collect();
    assert_eq!(
        metrics,
        [
            ("lo.gain_margin", Some("never crosses"), Some("12.00 dB")),
            ("noise.jitter", Some("141.0 fs"), None)
        ]
    );
    assert_eq!(found.files, [("data/vco.csv".to_owned(), "came")]);
}
