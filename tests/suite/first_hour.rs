//! What a newcomer meets: examples, completions, the manual page, schemas of part files, the commands of the README.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::{collections::BTreeSet, io::Write};

use loopcase::blocks::KINDS;
use serde_json::Value;

use super::place::Place;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The note whose blocks `describe` shows, with the files that it names.
#[test]
fn the_examples_of_describe_make_one_note_that_solves() {
    let place = Place::new();
    let note = fs::read_to_string(root().join("templates/describe/examples.md")).expect("the examples");
    place
        .file("examples.md", note)
        .file("parts/standard.yaml", "kind: reference\nphase_noise: {10 Hz: -120, 1 kHz: -150}\n")
        .file("data/vco_noise.csv", "10e3,-82\n1e5,-106\n1e6,-127\n1e7,-147\n")
        .file(
            "data/hop.csv",
            "# time, error of frequency\n0,-80000\n50,2000\n100,50\n200,3\n400,0.2\n800,0.1\n",
        )
        .file("data/trace.csv", "1e3,-96\n1e4,-91.5\n1e5,-104\n1e6,-130\n1e7,-150\n")
        .file(
            "sealed/examples-0.zip",
            fs::read(root().join("tests/sealed/smallest-A.zip")).expect("a sealed file"),
        );
    let run = place.run(&["judge", "--json", "examples.md"]);
    assert!(matches!(run.status, Some(0 | 1)), "{}", run.all());
    let results: Value = serde_json::from_str(&run.stdout).expect("JSON");
    let kinds: BTreeSet<&str> =
        results["blocks"].as_object().expect("blocks").values().filter_map(|b| b["kind"].as_str()).collect();
    for kind in KINDS {
        assert!(kinds.contains(kind.name()), "no block of kind {} among the results", kind.name());
    }
}

#[test]
fn describe_shows_examples_and_contributors() {
    let place = Place::new();
    let run = place.run(&["describe", "phase_noise"]);
    for words in
        ["Contributors\n  reference   ", "  supply ", "Example, invented\n  ```yaml phase_noise noise\n"]
    {
        assert!(run.stdout.contains(words), "{words}: {}", run.stdout);
    }
    let run = place.run(&["describe", "synthesizer.pump.compliance"]);
    assert!(run.stdout.contains("    compliance: 0.4 V .. 4.6 V\n"), "{}", run.stdout);
}

/// Every kind of shell gets completions that name every command, and `sh` itself reads those for bash.
#[test]
fn shells_complete_the_commands() {
    let place = Place::new();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let run = place.run(&["completions", shell]);
        assert_eq!(run.status, Some(0), "{}", run.all());
        for command in ["typeset", "judge", "follow", "reopen", "describe"] {
            assert!(run.stdout.contains(command), "{shell}: {command}");
        }
        if shell == "bash" && Command::new("bash").arg("--version").output().is_ok() {
            let mut reader = Command::new("bash").arg("-n").stdin(Stdio::piped()).spawn().expect("bash");
            reader.stdin.take().expect("a pipe").write_all(run.stdout.as_bytes()).expect("it is read");
            assert!(reader.wait().expect("bash ends").success());
        }
    }
    place.run(&["completions", "tcsh"]).fails(2, &["tcsh"]);
}

#[test]
fn the_manual_page_has_every_command_and_option() {
    let place = Place::new();
    let page = place.run(&["manual"]).stdout.replace("\\-", "-");
    assert!(page.starts_with(".ie") || page.starts_with(".TH") || page.contains("\n.TH"), "{page}");
    let help = place.run(&["--help"]).stdout;
    let commands = help.lines().filter_map(|line| line.strip_prefix("  ")?.split_whitespace().next());
    for command in commands.filter(|word| word.chars().all(char::is_lowercase) && *word != "help") {
        assert!(page.contains(&format!("LOOPCASE {}", command.to_uppercase())), "{command}");
        let help = place.run(&[command, "--help"]).stdout;
        for option in help.split_whitespace().filter(|word| word.starts_with("--")) {
            let option = option.trim_end_matches([',', '.', ';', ')', '`']);
            assert!(page.contains(option), "{command}: {option}");
        }
    }
}

fn part_files() -> Vec<PathBuf> {
    let mut found = Vec::new();
    for folder in ["designs/parts", "tests/notes/good/parts"] {
        for entry in fs::read_dir(root().join(folder)).expect("parts") {
            let path = entry.expect("an entry").path();
            if path.extension().is_some_and(|e| e == "yaml") {
                found.push(path);
            }
        }
    }
    found
}

fn schema_of(kind: &str) -> Value {
    let run = Place::new().run(&["describe", kind, "--schema"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    serde_json::from_str(&run.stdout).expect("JSON")
}

/// Whether a value keeps a schema, by an independent checker of JSON Schema 2020-12.
fn keeps(schema: &Value, value: &Value) -> Result<(), String> {
    let mut compiler = boon::Compiler::new();
    compiler.add_resource("part.json", schema.clone()).expect("a resource");
    let mut schemas = boon::Schemas::new();
    let index = compiler.compile("part.json", &mut schemas).expect("a schema by the standard");
    schemas.validate(value, index).map_err(|error| format!("{error:#}"))
}

#[test]
fn schemas_take_the_part_files_and_refuse_what_the_checker_refuses() {
    let mut kinds = BTreeSet::new();
    for path in part_files() {
        let text = fs::read_to_string(&path).expect("text");
        let value: serde_yaml::Value = serde_yaml::from_str(&text).expect("YAML");
        let part: Value = serde_json::to_value(&value).expect("it is JSON too");
        let Some(kind) = part["kind"].as_str() else { continue };
        let schema = schema_of(kind);
        kinds.insert(kind.to_owned());
        keeps(&schema, &part).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let mut wrong = part.clone();
        wrong["frequenzy"] = Value::String("1 Hz".to_owned());
        assert!(keeps(&schema, &wrong).is_err(), "a misspelt field of {kind} passes");
        wrong = part.clone();
        wrong["kind"] = Value::String("loop".to_owned());
        assert!(keeps(&schema, &wrong).is_err(), "a part of another kind passes as {kind}");
        wrong = part.clone();
        wrong["basis"] = Value::String("rumour".to_owned());
        assert!(keeps(&schema, &wrong).is_err(), "an unknown basis passes in {kind}");
    }
    assert!(kinds.len() >= 3, "{kinds:?}");
    for kind in KINDS {
        keeps(&schema_of(kind.name()), &Value::Object(serde_json::Map::new()))
            .expect("nothing is required in a part");
    }
    Place::new().run(&["describe", "oscilator", "--schema"]).fails(2, &["did you mean `oscillator`"]);
}

#[test]
fn quiet_leaves_products_and_faults() {
    let place = Place::new();
    place.file("notes/a.md", "---\ntitle: A\n---\nText.\n").file("notes/b.md", "# no front matter\n");
    let loud = place.run(&["judge", "notes"]);
    let quiet = place.run(&["--quiet", "judge", "notes"]);
    assert!(loud.stderr.contains("skipped notes/b.md"), "{}", loud.all());
    assert_eq!((quiet.stdout.as_str(), quiet.stderr.as_str()), (loud.stdout.as_str(), ""));
    place.file("bad.md", "---\ntitel: A\n---\n");
    place.run(&["judge", "-q", "bad.md"]).fails(2, &["bad.md:2:1"]);
}

#[test]
fn colour_is_as_wished() {
    let place = Place::new();
    place.file("bad.md", "---\ntitel: A\n---\n");
    let coloured = |run: &super::place::Run| run.stderr.contains('\u{1b}');
    assert!(!coloured(&place.run(&["judge", "bad.md"])), "colour into a pipe");
    assert!(coloured(&place.run(&["judge", "--color", "always", "bad.md"])));
    assert!(!coloured(&place.run(&["judge", "--color", "never", "bad.md"])));
    place.run(&["--color", "often", "judge", "bad.md"]).fails(2, &["always"]);
}

/// The lines of the README's shell blocks, without their comments.
fn readme_commands() -> Vec<String> {
    let readme = fs::read_to_string(root().join("README.md")).expect("a README");
    let blocks = readme.split("```sh\n").skip(1).filter_map(|rest| rest.split("```").next());
    let lines =
        blocks.flat_map(str::lines).map(|line| line.split(" #").next().unwrap_or("").trim().to_owned());
    lines.filter(|line| !line.is_empty()).collect()
}

/// Every command of the README runs as it says: those of cargo in `.ci/run`, which holds them word for word, all others
/// here, one after the other in one folder.
#[test]
fn the_commands_of_the_readme_run() {
    let ci = fs::read_to_string(root().join(".ci/run")).expect(".ci/run");
    let readme = fs::read_to_string(root().join("README.md")).expect("a README");
    let (_, rest) = readme.split_once("````markdown\n").expect("a first note");
    let (note, _) = rest.split_once("\n````").expect("its end");
    let place = Place::new();
    place.file("first.md", note);
    // Stands in for typst: the commands are what is tried here, documents are typeset by the tests of pages.
    place.program("cat", "exec /bin/cat \"$@\"").typst("0.15.1", "cat /dev/null > \"$last\"");
    let mut ran = 0;
    for line in readme_commands() {
        if line.starts_with("cargo ") {
            assert!(ci.contains(&line), "`.ci/run` does not run `{line}`");
            continue;
        }
        if line.starts_with("loopcase follow") {
            continue; // goes on until Ctrl-C; tests/suite/follow.rs
        }
        let words = words_of(&line);
        assert_eq!(words.first().map(String::as_str), Some("loopcase"), "{line}");
        let words: Vec<&str> = words[1..].iter().map(String::as_str).collect();
        let run = place.run(&words);
        assert_eq!(run.status, Some(0), "`{line}`\n{}", run.all());
        ran += 1;
    }
    assert!(ran >= 5, "{ran} commands");
}

/// A command line's words; double quotes hold one together.
fn words_of(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            _ => words.last_mut().expect("a word").push(c),
        }
    }
    words.retain(|word| !word.is_empty());
    words
}
