//! Whole notes from text to files: one limit that reaches every place, the same bytes twice, what the customer's
//! edition must not hold, the shape of the results.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde_json::Value;

use super::place::Place;
use super::typst::real_typst;

/// What makes a PDF where only the other files are looked at.
const PRESS: &str = "echo pdf > \"$last\"";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every file below a folder of the place, by path.
fn files(place: &Place, folder: &str) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(folder) = open.pop() {
        for name in place.names(&folder) {
            let path = format!("{folder}/{name}");
            if place.path(&path).is_dir() {
                open.push(path);
            } else {
                let bytes = fs::read(place.path(&path)).expect("a file");
                found.insert(path, bytes);
            }
        }
    }
    found
}

/// The good note with part files, and its parts.
fn with_parts(place: &Place) {
    let from = root().join("tests/notes/good");
    for part in ["standard.yaml", "vco.yaml", "vco.csv", "core.yaml"] {
        let text = fs::read_to_string(from.join("parts").join(part)).expect("text");
        place.file(&format!("parts/{part}"), &text);
    }
}

/// One limit is changed: the sentence of the cover, the matrix, the prose, the results and the exit code turn with it.
#[test]
fn one_limit_turns_every_place_that_says_the_verdict() {
    let place = Place::new();
    place.typst("0.15.1", PRESS);
    with_parts(&place);
    let note = fs::read_to_string(root().join("tests/notes/good/given_with.md")).expect("text");
    let prose = "\nThe jitter requirement stands {{ requirements[\"LO-1\"].verdict }} here.\n";
    for (limit, code, verdict, cover) in [
        ("<= 2 ps", 0, "met", "All 2 judged requirements are met"),
        ("<= 20 fs", 1, "not met", "1 of 2 judged requirements is not met: LO-1"),
    ] {
        place.file("lo.md", &(note.replace("<= 2 ps", limit) + prose));
        let judged = place.run(&["judge", "lo.md"]);
        assert_eq!(judged.status, Some(code), "{}", judged.all());
        let row = judged.stdout.lines().find(|line| line.starts_with("LO-1")).expect("its row");
        assert_eq!(row.split("  ").filter(|word| !word.is_empty()).nth(1).map(str::trim), Some(verdict));
        assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
        let typst = place.read("out/lo/lo.typ");
        assert_eq!(typst.matches(cover).count(), 2, "cover and summary: {cover}");
        let row = typst.lines().find(|line| line.starts_with("(id: [#\"LO-1\"")).expect("its row");
        assert!(row.contains(&format!("verdict: \"{verdict}\"")), "{row}");
        let said = typst.lines().find(|line| line.contains("The jitter requirement stands")).expect("prose");
        assert!(said.contains(&format!("#\"{verdict}\";")), "{said}");
        let results: Value = serde_json::from_str(&place.read("out/lo/results.json")).expect("JSON");
        assert_eq!(results["requirements"][0]["verdict"], verdict);
    }
}

/// The worked notes and the good ones, twice, in folders and time zones of their own.
#[test]
fn a_second_run_gives_the_same_bytes_of_every_file() {
    let place = Place::new();
    with_parts(&place);
    for name in ["given_with", "dividers"] {
        let text = fs::read_to_string(root().join(format!("tests/notes/good/{name}.md"))).expect("text");
        place.file(&format!("{name}.md"), &text);
    }
    for (into, zone) in [("one", "UTC"), ("two", "Pacific/Auckland")] {
        let mut command = place.command(&["typeset", "given_with.md", "dividers.md", "--into", into]);
        let run = place.end(command.env("LOOPCASE_TYPESETTER", real_typst()).env("TZ", zone));
        assert_eq!(run.status, Some(0), "{}", run.all());
    }
    let (one, two) = (files(&place, "one"), files(&place, "two"));
    assert!(one.len() > 20, "{} files", one.len());
    for ((path, first), (_, second)) in one.iter().zip(&two) {
        assert!(first == second, "{path} differs");
    }
    assert_eq!(one.len(), two.len());
}

/// Internal by heading, by field, in a caption, a requirement, a decision, an open item and a warning. Each string is
/// in the review edition, and in no file of the customer's.
#[test]
fn no_internal_string_reaches_the_customer() {
    const SECRETS: [&str; 8] = [
        "Zwiebelkuchen",
        "Apfelstrudel",
        "Sauerbraten",
        "Kartoffelpuffer",
        "Himbeergeist",
        "Leberkaese",
        "hidden_price",
        "987654321",
    ];
    let place = Place::new();
    place.typst("0.15.1", PRESS);
    with_parts(&place);
    let note = fs::read_to_string(root().join("tests/notes/good/given_with.md")).expect("text");
    let internal = "\n# Zwiebelkuchen in the house {.internal}\n\nApfelstrudel is cheaper.\n\n\
        ## Below it\n\n| a | b |\n|---|---|\n| Sauerbraten | 1 |\n\n```yaml decision\n\
        taken: Kartoffelpuffer it is.\nbecause: Nobody asked.\n```\n\n# In public\n\nThis all may read.\n\n\
        ```yaml values secrets\naudience: internal\nhidden_price: 987654321 Hz\n```\n\n\
        ```yaml requirements in_house\naudience: internal\n\
        LO-9: {text: Himbeergeist at night., source: Leberkaese, metric: noise.jitter, limit: \"<= 9 ps\"}\n```\n";
    place.file("lo.md", format!("{note}{internal}"));
    for edition in ["review", "customer"] {
        let run = place.run(&["typeset", "lo.md", "--edition", edition]);
        assert_eq!(run.status, Some(0), "{}", run.all());
    }
    let holding = |folder: &str, secret: &str| -> Vec<String> {
        let files = files(&place, folder);
        let held = files
            .iter()
            .filter(|(path, bytes)| path.contains(secret) || String::from_utf8_lossy(bytes).contains(secret));
        held.map(|(path, _)| path.clone()).collect()
    };
    for secret in SECRETS {
        assert!(!holding("out/lo", secret).is_empty(), "the review edition does not hold {secret}");
        assert_eq!(holding("out/lo.customer", secret), [""; 0], "{secret}");
    }
    assert!(!holding("out/lo.customer", "This all may read.").is_empty());
}

/// Units that a metric may have.
const UNITS: [&str; 15] =
    ["Hz", "s", "V", "A", "F", "ohm", "K", "Hz/V", "rad", "deg", "1", "dB", "dBc", "dBc/Hz", "dBm"];

/// Metrics that count: JSON integers.
const COUNTS: [&str; 5] = ["reference_divider", "feedback_divider", "polarity", "stable", "open"];

fn shape(value: &Value, path: &str, wrong: &mut Vec<String>) {
    match value {
        Value::Object(entries) => {
            if let Some(unit) = entries.get("unit") {
                let known = unit.as_str().is_some_and(|unit| UNITS.contains(&unit));
                // Facts stand as they were given, with units that no metric has; `values` may have any.
                if !known && path.contains(".metrics") && !path.contains("(values)") {
                    wrong.push(format!("{path}: {unit} is no unit of a metric"));
                }
                let count = COUNTS.iter().any(|name| path.ends_with(&format!(".{name}")));
                if count && !entries["value"].is_i64() && !entries["value"].is_u64() {
                    wrong.push(format!("{path}: {} is no integer", entries["value"]));
                }
                if !entries.contains_key("value") && !entries.contains_key("values") {
                    wrong.push(format!("{path}: a unit without a value"));
                }
            }
            if entries.get("value").is_some_and(Value::is_null)
                && entries.get("why").is_none_or(|why| why.as_str().is_none_or(str::is_empty))
            {
                wrong.push(format!("{path}: no value, and no `why`"));
            }
            entries.iter().for_each(|(key, value)| shape(value, &format!("{path}.{key}"), wrong));
        }
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, value)| shape(value, &format!("{path}[{i}]"), wrong));
        }
        _ => {}
    }
}

/// The stored results have the shape that notes, checks and archives rest on.
#[test]
fn results_have_the_promised_shape() {
    let mut wrong = Vec::new();
    for entry in fs::read_dir(root().join("tests/ref")).expect("stored results") {
        let path = entry.expect("an entry").path();
        let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
        let results: Value = serde_json::from_str(&fs::read_to_string(&path).expect("text")).expect("JSON");
        assert_eq!(results["note"], name.as_str());
        assert_eq!(results["tool"], "loopcase [VERSION]", "stored without the version");
        let blocks = results["blocks"].as_object().expect("blocks");
        for (block, found) in blocks {
            let kind = found["kind"].as_str().expect("a kind");
            assert!(found["line"].as_u64().is_some_and(|line| line > 0), "{name}.{block}");
            assert_eq!(found["digest"].as_str().map(str::len), Some(64), "{name}.{block}");
            let kinds = ["reference", "oscillator", "supply", "synthesizer", "amplifier", "measurement"];
            let facts = kinds.contains(&kind);
            assert_eq!(found.get("fields").is_some(), facts, "{name}.{block}");
            shape(found, &format!("{name}.{block}({kind})"), &mut wrong);
        }
        for judged in results["requirements"].as_array().expect("requirements") {
            let verdict = judged["verdict"].as_str().expect("a verdict");
            assert!(["met", "not met", "not judged"].contains(&verdict), "{judged}");
            // A margin without end, or a line that is not there, has neither value nor margin, but says why.
            let judged_by_number = judged["margin"].is_number() && judged["value"].is_number();
            let said = judged["value"].is_null() && judged["why"].is_string();
            assert!(
                judged["id"].is_string() && (verdict == "not judged" || judged_by_number || said),
                "{judged}"
            );
        }
        assert!(results["warnings"].is_array());
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
