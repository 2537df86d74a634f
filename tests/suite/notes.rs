//! The notes of `tests/notes`: bad ones with what is told of them, good ones with their results.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::place::{Place, Run};

fn tests() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests")
}

/// Whether stored expectations are written anew instead of compared: `UPDATE=1 cargo test`. What changed is then read
/// in the difference before it is committed.
fn updating() -> bool {
    std::env::var_os("UPDATE").is_some_and(|value| value == "1")
}

/// Names without ending of the files with that ending in a folder below `tests`, in order.
fn stems(folder: &str, ending: &str) -> Vec<String> {
    let entries = fs::read_dir(tests().join(folder)).expect("a folder");
    let mut found: Vec<String> = entries
        .filter_map(|entry| {
            let path = entry.expect("an entry").path();
            let fits = path.extension().is_some_and(|found| found == ending);
            fits.then(|| path.file_stem().expect("a name").to_string_lossy().into_owned())
        })
        .collect();
    found.sort();
    found
}

/// A place with the parts of a folder of notes and one of its notes.
fn place(folder: &str, note: &str) -> Place {
    let place = Place::new();
    let from = tests().join(folder);
    for part in fs::read_dir(from.join("parts")).expect("parts") {
        let part = part.expect("an entry");
        let name = format!("parts/{}", part.file_name().to_string_lossy());
        place.file(&name, fs::read_to_string(part.path()).expect("text"));
    }
    for sealed in fs::read_dir(tests().join("sealed")).expect("sealed files") {
        let sealed = sealed.expect("an entry");
        let name = format!("sealed/{}", sealed.file_name().to_string_lossy());
        place.file(&name, fs::read(sealed.path()).expect("a file"));
    }
    place.file(&format!("{note}.md"), fs::read_to_string(from.join(format!("{note}.md"))).expect("text"));
    place
}

/// `FILE:LINE:COLUMN: message` of every error and warning that a run told, in its order.
fn told(run: &Run) -> String {
    let mut lines = run.stderr.lines();
    let mut all = String::new();
    while let Some(line) = lines.next() {
        let head = ["error[", "warning["].iter().any(|word| line.starts_with(word));
        if !head {
            continue;
        }
        let (_, message) = line.split_once("]: ").expect("a code and a message");
        let at = lines.next().and_then(|line| line.trim_start().strip_prefix("--> ")).expect("a place");
        all.push_str(&format!("{at}: {message}\n"));
    }
    all
}

/// Each bad note is refused with exactly the faults of its `.expect`, each at its line and column; nothing is written
/// and nothing printed. A panic would end with another code.
#[test]
fn bad_notes_are_told_every_fault_at_its_place() {
    let notes = stems("notes/bad", "md");
    assert!(notes.len() >= 40, "{} bad notes", notes.len());
    let mut wrong = String::new();
    for name in &notes {
        let place = place("notes/bad", name);
        let before = place.names("");
        let run = place.run(&["judge", &format!("{name}.md")]);
        let found = told(&run);
        let stored = tests().join("notes/bad").join(format!("{name}.expect"));
        if updating() {
            fs::write(&stored, &found).expect("written");
        }
        let wanted = fs::read_to_string(&stored).unwrap_or_default();
        if run.status != Some(2) || !run.stdout.is_empty() || found.is_empty() {
            wrong.push_str(&format!("=== {name} is not refused\n{}", run.all()));
        }
        if found != wanted {
            wrong.push_str(&format!("=== {name}\n--- wanted\n{wanted}--- found\n{found}"));
        }
        assert_eq!(place.names(""), before, "{name}: something was written");
        let typeset = place.typst("0.15.1", "").run(&["typeset", &format!("{name}.md")]);
        assert_eq!((typeset.status, told(&typeset)), (Some(2), found), "{name}: typeset says the same");
        assert_eq!(place.names(""), before, "{name}: typeset wrote something");
    }
    assert!(wrong.is_empty(), "{wrong}");
}

/// No expectation is left behind by a note that went.
#[test]
fn every_stored_expectation_has_its_note() {
    assert_eq!(stems("notes/bad", "expect"), stems("notes/bad", "md"));
    assert_eq!(stems("ref", "json"), stems("notes/good", "md"));
}

/// Numbers within 1e-9 relative, everything else the same. Digests change with every edit of a note: they are
/// compared by their presence alone.
fn compare(found: &Value, wanted: &Value, path: &str, wrong: &mut Vec<String>) {
    match (found, wanted) {
        (Value::Number(a), Value::Number(b)) => {
            let (integers, x, y) = (a.is_f64() == b.is_f64(), a.as_f64(), b.as_f64());
            let (x, y) = (x.expect("finite"), y.expect("finite"));
            if !integers || (x - y).abs() > 1e-9 * y.abs() {
                wrong.push(format!("{path}: {a}, stored {b}"));
            }
        }
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => {
            for (i, (a, b)) in a.iter().zip(b).enumerate() {
                compare(a, b, &format!("{path}[{i}]"), wrong);
            }
        }
        (Value::Object(a), Value::Object(b)) if a.keys().eq(b.keys()) => {
            for (key, a) in a {
                if key != "digest" {
                    compare(a, &b[key], &format!("{path}.{key}"), wrong);
                }
            }
        }
        _ if found == wanted => {}
        _ => wrong.push(format!("{path}: {found}, stored {wanted}")),
    }
}

/// Notes of whose curves few points are stored: each of their hops has a curve of some five hundred points, and a wrong
/// number moves all that come after it.
const THINNED: [&str; 1] = ["settling"];

/// The same with 25 points of every long list of numbers, the first and the last among them.
fn thinned(value: &Value) -> Value {
    const POINTS: usize = 25;
    match value {
        Value::Array(all) if all.len() > 4 * POINTS && all.iter().all(Value::is_number) => {
            (0..POINTS).map(|k| all[k * (all.len() - 1) / (POINTS - 1)].clone()).collect()
        }
        Value::Array(all) => all.iter().map(thinned).collect(),
        Value::Object(fields) => fields.iter().map(|(key, value)| (key.clone(), thinned(value))).collect(),
        other => other.clone(),
    }
}

/// Each good note solves, and gives the numbers that are stored of it.
#[test]
fn good_notes_give_their_stored_numbers() {
    let mut wrong = Vec::new();
    for name in stems("notes/good", "md") {
        let place = place("notes/good", &name);
        let note = format!("{name}.md");
        let mut words = vec!["judge", "--json", &note];
        if name == "given_with" {
            words.extend(["--with", "lo.parts.R2=2.2 kohm", "--with", "standard.frequency=100 MHz"]);
        }
        let run = place.run(&words);
        assert_eq!(run.status, Some(0), "{name}: {}", run.all());
        let mut found: Value = serde_json::from_str(&run.stdout).expect("one value");
        let mut text = run.stdout.clone();
        if THINNED.contains(&name.as_str()) {
            found = thinned(&found);
            text = format!("{found:#}\n");
        }
        let stored = tests().join("ref").join(format!("{name}.json"));
        if updating() {
            fs::write(&stored, &text).expect("written");
        }
        let text = fs::read_to_string(&stored).unwrap_or_else(|_| "null".to_owned());
        compare(&found, &serde_json::from_str(&text).expect("JSON"), &name, &mut wrong);
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The same seed gives the same bytes, however many cores share the work.
#[test]
fn one_core_and_two_write_the_same_results() {
    let name = "band_and_tolerance";
    let results = ["1", "2"].map(|cores| {
        let place = place("notes/good", name);
        let mut command = place.command(&["typeset", &format!("{name}.md")]);
        // Without a typesetter all but the PDF is written.
        let run = place.end(command.env("RAYON_NUM_THREADS", cores));
        assert_eq!(run.status, Some(3), "{}", run.all());
        place.read(&format!("out/{name}/results.json"))
    });
    assert!(results[0].contains("\"yield_at_least\""), "{}", results[0]);
    assert!(results[0] == results[1], "results.json differs");
}

/// What `band` reads in the design channel is what the block of spurs says there; in other channels the boundary line
/// differs, and no line is above the worst.
#[test]
fn lines_over_a_band_are_those_of_the_block_in_its_channel() {
    let text = fs::read_to_string(tests().join("ref/lines_over_band.json")).expect("text");
    let blocks = serde_json::from_str::<Value>(&text).expect("JSON")["blocks"].clone();
    let design = &blocks["lo"]["metrics"]["output_frequency"]["value"];
    let channels = blocks["served"]["channels"].as_array().expect("channels");
    let own =
        channels.iter().find(|channel| channel["output"]["value"] == *design).expect("the design channel");
    let level = |of: &Value, name: &str| of[name]["value"].as_f64();
    for name in ["reference_spur", "worst_spur", "supply_spur", "boundary_spur"] {
        let (a, b) = (level(own, name), level(&blocks["lines"]["metrics"], name));
        assert!(a.zip(b).is_some_and(|(a, b)| (a - b).abs() < 1e-9), "{name}: {a:?} {b:?}");
        let worst = level(&blocks["served"]["metrics"]["worst"], name).expect("a worst");
        let highest =
            channels.iter().filter_map(|channel| level(channel, name)).fold(f64::NEG_INFINITY, f64::max);
        assert!((worst - highest).abs() < 1e-9, "{name}: {worst} {highest}");
    }
    let metrics = &blocks["lines"]["metrics"];
    let worst_boundary = level(metrics, "worst_boundary_spur").expect("a level");
    let over_band = level(&blocks["served"]["metrics"]["worst"], "boundary_spur").expect("a level");
    assert!((worst_boundary - over_band).abs() < 1e-9, "{worst_boundary} {over_band}");
    let low_and_high = |name: &str| {
        let runs = |of: &str| level(&blocks["spread"]["metrics"][of], name).expect("a quantile");
        (runs("p01"), level(metrics, name).expect("a level"), runs("p99"))
    };
    for name in ["supply_spur", "reference_spur"] {
        let (low, design, high) = low_and_high(name);
        assert!(low < design && design < high, "{name}: {low} {design} {high}");
    }
}
