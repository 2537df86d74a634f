//! What the registry of block kinds promises, held against the sources, the results and `describe`.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use loopcase::blocks::{KINDS, Kind, Route};
use loopcase::note::schema::{Field, Type};
use serde_json::{Map, Value};

use super::place::Place;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn every_kind_has_a_name_of_its_own_and_its_file() {
    let mut names = BTreeSet::new();
    for kind in KINDS {
        assert!(names.insert(kind.name()), "two kinds are called `{}`", kind.name());
        let blocks = root().join("src/blocks");
        let file = [format!("{}.rs", kind.name()), format!("{}/mod.rs", kind.name())]
            .into_iter()
            .find(|name| blocks.join(name).is_file());
        assert!(file.is_some(), "`{}` is in no file of its name", kind.name());
        says(kind.name(), kind.about());
    }
}

/// A meaning is there, and reads as a phrase, not as a sentence with a full stop (`..` goes on).
fn says(what: &str, text: &str) {
    let stopped = text.ends_with('.') && !text.ends_with("..");
    assert!(!text.trim().is_empty() && !stopped, "`{what}`: {text:?}");
}

fn fields(path: &str, list: &[Field]) {
    let mut names = BTreeSet::new();
    for field in list {
        let path = format!("{path}.{}", field.name);
        assert!(names.insert(field.name), "`{path}` is there twice");
        says(&path, field.says);
        groups(&path, &field.kind);
    }
}

fn groups(path: &str, kind: &Type) {
    match kind {
        Type::Group(list) => fields(path, list),
        Type::Either(kinds) => kinds.iter().for_each(|kind| groups(path, kind)),
        Type::List(kind) | Type::Entries(kind) => groups(path, kind),
        _ => {}
    }
}

#[test]
fn every_field_and_metric_says_what_it_means() {
    for kind in KINDS {
        let all: Vec<Field> = kind.fields().iter().flat_map(|list| list.iter().copied()).collect();
        fields(kind.name(), &all);
        if let Some(entry) = kind.entries() {
            groups(kind.name(), entry);
        }
        for metric in kind.metrics() {
            let path = format!("{}.{}", kind.name(), metric.name);
            says(&path, metric.says);
            let (Route::Second(text) | Route::None(text) | Route::SecondWhere(text, _)) = metric.route;
            says(&format!("route of {path}"), text);
            if let Route::SecondWhere(_, applies) = metric.route {
                says(&format!("route of {path}"), applies);
            }
        }
    }
}

/// The first word of a documented name: `parts` of `parts.C1`, `at` of `at("10 kHz")`.
fn first_word(name: &str) -> &str {
    name.split(['.', '(']).next().unwrap_or(name)
}

/// Results of all stored notes and the worked ones: kind and metrics of every block.
fn solved_blocks() -> Vec<(String, Map<String, Value>)> {
    let mut notes = Vec::new();
    for entry in fs::read_dir(root().join("tests/ref")).expect("stored results") {
        notes.push(fs::read_to_string(entry.expect("an entry").path()).expect("text"));
    }
    let place = Place::new();
    let designs = root().join("designs");
    let run = place.run(&["judge", "--json", &designs.to_string_lossy()]);
    notes.push(run.stdout);
    // What only `--thorough` gives.
    let loud = fs::read_to_string(root().join("README.md")).expect("a README");
    let (_, rest) = loud.split_once("````markdown\n").expect("a first note");
    place.file("first.md", rest.split("\n````").next().expect("its end"));
    notes.push(place.run(&["judge", "--json", "--thorough", "first.md"]).stdout);
    let mut found = Vec::new();
    for text in notes {
        let value: Value = serde_json::from_str(&text).expect("JSON");
        let list = match value {
            Value::Array(list) => list,
            one => vec![one],
        };
        for block in list.iter().flat_map(|note| note["blocks"].as_object().expect("blocks").values()) {
            let kind = block["kind"].as_str().expect("a kind").to_owned();
            let mut metrics = block["metrics"].as_object().cloned().unwrap_or_default();
            // Stands beside the metrics, by the contract.
            metrics.extend(block.get("options").map(|options| ("options".to_owned(), options.clone())));
            found.push((kind, metrics));
        }
    }
    found
}

fn of_kind<'a>(
    blocks: &'a [(String, Map<String, Value>)],
    kind: &'static dyn Kind,
) -> impl Iterator<Item = &'a Map<String, Value>> {
    blocks.iter().filter(move |(name, _)| name == kind.name()).map(|(_, metrics)| metrics)
}

/// Every kind stands in some note, every documented metric in some result, and no result is undocumented. Metrics with
/// an argument stand in no result; `at` has its test with the prose. The names in `values` are the author's.
#[test]
fn metrics_are_documented_and_documented_metrics_are_there() {
    let blocks = solved_blocks();
    let mut wrong = Vec::new();
    for kind in KINDS.iter().copied() {
        let known: BTreeSet<&str> = kind.metrics().iter().map(|metric| first_word(metric.name)).collect();
        let found: BTreeSet<&str> =
            of_kind(&blocks, kind).flat_map(|metrics| metrics.keys().map(String::as_str)).collect();
        if of_kind(&blocks, kind).next().is_none() && kind.name() != "compliance" {
            wrong.push(format!("no note has a `{}`", kind.name()));
        }
        if kind.name() == "values" {
            continue;
        }
        for metric in kind.metrics().iter().filter(|metric| !metric.name.contains('(')) {
            if !found.contains(first_word(metric.name)) {
                wrong.push(format!("{}.{} is in no result", kind.name(), metric.name));
            }
        }
        for name in found.difference(&known) {
            wrong.push(format!("{}.{name} is not documented", kind.name()));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A metric that promises a second route has it, by that name, and agrees; one that gives a reason has none.
#[test]
fn second_routes_are_those_that_the_registry_names() {
    let blocks = solved_blocks();
    let mut wrong = Vec::new();
    for kind in KINDS.iter().copied() {
        for metric in kind.metrics().iter().filter(|metric| !metric.name.contains(['.', '('])) {
            let name = format!("{}.{}", kind.name(), metric.name);
            for found in of_kind(&blocks, kind).filter_map(|metrics| metrics.get(metric.name)) {
                let (there, second) = (!found["value"].is_null(), &found["second"]);
                match metric.route {
                    Route::Second(route) if there && second["route"] != route => {
                        wrong.push(format!("{name}: {second}, wanted {route}"));
                    }
                    Route::SecondWhere(route, _) if !second.is_null() && second["route"] != route => {
                        wrong.push(format!("{name}: {second}, wanted {route}"));
                    }
                    Route::Second(_) if there && second["agrees"] != true => {
                        wrong.push(format!("{name}: the routes disagree: {found}"));
                    }
                    Route::SecondWhere(..) if !second.is_null() && second["agrees"] != true => {
                        wrong.push(format!("{name}: the routes disagree: {found}"));
                    }
                    Route::None(_) if !second.is_null() => {
                        wrong.push(format!("{name}: {second}, none wanted"));
                    }
                    _ => {}
                }
            }
        }
    }
    wrong.dedup();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Commands of a text: the word after `loopcase` where code starts with it.
fn commands(text: &str) -> BTreeSet<String> {
    let after = |part: &str| part.split_whitespace().next().map(|word| word.trim_matches('`').to_owned());
    text.split("`loopcase ").skip(1).filter_map(after).filter(|word| !word.starts_with('-')).collect()
}

#[test]
fn the_readme_lists_the_commands_that_help_lists() {
    let help = Place::new().run(&["--help"]).stdout;
    let (_, list) = help.split_once("Commands:\n").expect("a list of commands");
    let known: BTreeSet<String> = list
        .lines()
        .map_while(|line| line.strip_prefix("  ")?.split_whitespace().next().map(str::to_owned))
        .filter(|word| word != "help")
        .collect();
    let readme = fs::read_to_string(root().join("README.md")).expect("a README");
    assert_eq!(commands(&readme), known);
}

/// The first note of the README does what it says there.
#[test]
fn the_first_note_of_the_readme_solves() {
    let readme = fs::read_to_string(root().join("README.md")).expect("a README");
    let (_, rest) = readme.split_once("````markdown\n").expect("a first note");
    let (note, _) = rest.split_once("\n````").expect("its end");
    let place = Place::new();
    place.file("first.md", note);
    let run = place.run(&["judge", "first.md"]);
    assert!(matches!(run.status, Some(0 | 1)) && !run.stdout.is_empty(), "{}", run.all());
}
