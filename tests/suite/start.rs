//! `start`: the first note, as it is written.

use serde_json::Value;

use super::place::Place;

/// Every design gives a note that solves, meets its requirements and has a mask, a time and a headroom among them.
#[test]
fn a_first_note_of_every_design_is_judged_met() {
    let place = Place::new();
    for (design, more) in [
        ("stepped", &["--reference", "80 MHz", "--output", "2.7 GHz .. 2.9 GHz", "--step", "2.5 MHz"][..]),
        ("clock", &[]),
        ("fast_clock", &["--design", "clock", "--output", "491.52 MHz", "--reference", "19.2 MHz"]),
        ("wide", &["--design", "stepped", "--output", "1 GHz .. 2 GHz"]),
        ("fractional", &["--output", "5.8 GHz .. 5.9 GHz"]),
    ] {
        let mut words = vec!["start", design];
        words.extend(more);
        if !more.contains(&"--design") {
            words.extend(["--design", design]);
        }
        let run = place.run(&words);
        assert_eq!(
            (run.status, run.stdout.trim()),
            (Some(0), format!("wrote {design}.md").as_str()),
            "{}",
            run.all()
        );
        let note = format!("{design}.md");
        let judged = place.run(&["judge", &note]);
        assert_eq!(judged.status, Some(0), "{}", judged.all());
        let run = place.run(&["judge", "--json", &note]);
        let results: Value = serde_json::from_str(&run.stdout).expect("JSON");
        assert_eq!(results["warnings"].as_array().map(Vec::len), Some(0), "{design}: {}", run.all());
        for requirement in results["requirements"].as_array().expect("requirements") {
            // A limit that is far from what the loop does says nothing to who reads it.
            let margin = requirement["margin"].as_f64().expect("a margin");
            if requirement["metric"] == "noise.total" {
                assert!((2.0..20.0).contains(&margin), "{design}: {margin} dB to the mask");
            }
            if requirement["metric"] == "noise.jitter" {
                let value = requirement["value"].as_f64().expect("a value");
                assert!((0.2..1.5).contains(&(margin / value)), "{design}: {margin} s beside {value} s");
            }
        }
        let text = place.read(&note);
        for wanted in ["metric: noise.total", "time\n", "metric: lo.tuning_headroom", "basis: assumed"] {
            assert!(text.contains(wanted), "{design}: {wanted}");
        }
    }
}

#[test]
fn a_note_that_is_there_is_left_as_it_is() {
    let place = Place::new();
    place.file("lo.md", "mine");
    let run = place.run(&["start", "lo"]);
    assert_eq!(run.status, Some(4), "{}", run.all());
    assert_eq!(place.read("lo.md"), "mine");
}

#[test]
fn what_can_not_be_a_note_is_refused() {
    let place = Place::new();
    for words in [
        &["start", "../lo"][..],
        &["start", ""],
        &["start", "lo", "--output", "5 V"],
        &["start", "lo", "--output", "2 GHz"],
        &["start", "lo", "--output", "10 GHz .. 11 GHz", "--step", "1 kHz"],
        &["start", "lo", "--design", "clock", "--output", "1 GHz .. 2 GHz"],
    ] {
        let run = place.run(words);
        assert_eq!(run.status, Some(2), "{words:?} {}", run.all());
        assert!(!place.path("lo.md").exists() && run.stderr.contains("expected"), "{}", run.stderr);
    }
}
