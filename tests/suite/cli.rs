//! Commands, streams, exit codes.

use std::io::Read;
use std::process::Stdio;

use super::place::Place;
use super::typst::real_typst;

/// A note that solves and states one requirement, met or not by its limit.
fn note(limit: &str) -> String {
    format!(
        "---\ntitle: A line\ndate: 2026-03-14\n---\n\n# Text\n\n```yaml values given\nline: 5 Hz\n```\n\n\
         ```yaml requirements\nLO-1: {{text: A narrow line., metric: given.line, limit: \"{limit}\"}}\n```\n"
    )
}

/// A note with a fault in its third line.
const FAULTY: &str = "---\ntitle: A line\ncustomr: nobody\n---\n\nText.\n";

/// What makes a PDF, as far as these tests look.
const PRESS: &str = "echo pdf > \"$last\"";

#[test]
fn help_names_every_command_and_exit_code() {
    let help = Place::new().run(&["--help"]);
    assert_eq!((help.status, help.stderr.as_str()), (Some(0), ""));
    for word in [
        "typeset",
        "judge",
        "seal",
        "reopen",
        "compare",
        "describe",
        "typesetter",
        "Exit codes:",
        "4  file system",
    ] {
        assert!(help.stdout.contains(word), "{word}:\n{}", help.stdout);
    }
    Place::new().run(&["--version"]).is(0, "loopcase [VERSION]\n", "");
}

#[test]
fn a_fault_of_the_command_line_is_told_and_prints_nothing() {
    let place = Place::new();
    place.file("lo.md", note("<= 5 Hz"));
    for (words, said) in [
        (&["judge"][..], "NOTE or FOLDER"),
        (&["juge", "lo.md"], "judge"),
        (&["judge", "lo.md", "--jsn"], "--json"),
        (&["judge", "lo.md", "--with", "step"], "NAME=VALUE"),
        (&["typeset", "lo.md", "--edition", "custommer"], "customer"),
        (&["judge", "la.md"], "did you mean `lo.md`?"),
        (&["typeset", "lo.md", "--template", "none"], "none"),
        (&["describe", "oscilator"], "did you mean `oscillator`?"),
    ] {
        let run = place.run(words);
        run.fails(2, &[said]);
        assert_eq!(run.stdout, "", "{words:?}");
    }
    assert_eq!(place.names(""), ["lo.md"]);
}

/// Names of the same block are among those that may be meant, and quotes round a formula shift nothing.
#[test]
fn a_wrong_name_in_a_formula_has_its_nearest() {
    let place = Place::new();
    for formula in ["wdth * 2", "\"wdth * 2\"", "'wdth * 2'"] {
        let values = format!("width: 5 Hz\ntwice: {{formula: {formula}, unit: Hz}}");
        place.file("lo.md", format!("---\ntitle: A line\n---\n\n```yaml values given\n{values}\n```\n"));
        place.run(&["judge", "lo.md"]).fails(2, &["there is no value `wdth`", "did you mean `width`?"]);
    }
}

#[test]
fn judge_prints_the_matrix_and_the_exit_code_follows_the_limit() {
    let place = Place::new();
    place.file("lo.md", note("<= 6 Hz"));
    let met = "requirement  verdict  value  limit    margin   reserve  case\n\
               LO-1         met      5 Hz   <= 6 Hz  1.00 Hz  -        nominal\n\
               1 of 1 judged requirements met\n";
    place.run(&["judge", "lo.md"]).is(0, met, "");
    place.file("lo.md", note("<= 1 Hz"));
    let missed = "requirement  verdict  value  limit    margin    reserve  case\n\
                  LO-1         not met  5 Hz   <= 1 Hz  -4.00 Hz  -        nominal\n\
                  0 of 1 judged requirements met, not met: LO-1\n";
    place.run(&["judge", "lo.md"]).is(1, missed, "");
    assert_eq!(place.names(""), ["lo.md"], "judge writes nothing");
}

#[test]
fn json_is_one_value_and_nothing_on_a_fault() {
    let place = Place::new();
    place.file("a.md", note("<= 1 Hz")).file("b.md", note("<= 6 Hz"));
    let one = place.run(&["judge", "--json", "a.md"]);
    assert_eq!((one.status, one.stderr.as_str()), (Some(1), ""));
    let value: serde_json::Value = serde_json::from_str(&one.stdout).expect("one value");
    assert_eq!(value["note"], "a");
    assert_eq!(value["requirements"][0]["verdict"], "not met");
    let both = place.run(&["judge", "--json", "a.md", "b.md"]);
    assert_eq!(both.status, Some(1), "of several notes the highest counts");
    let value: serde_json::Value = serde_json::from_str(&both.stdout).expect("one value");
    assert_eq!(value.as_array().map(Vec::len), Some(2));
    place.file("b.md", FAULTY);
    let faulty = place.run(&["judge", "--json", "a.md", "b.md"]);
    faulty.fails(2, &["b.md:3:1", "customr"]);
    assert_eq!(faulty.stdout, "");
}

#[test]
fn a_folder_means_its_notes_and_a_bad_one_does_not_stop_the_rest() {
    let place = Place::new();
    place.file("notes/a.md", FAULTY).file("notes/b.md", note("<= 6 Hz")).file("notes/README.md", "# About\n");
    place.typst("0.15.1", PRESS);
    let run = place.run(&["typeset", "notes"]);
    run.fails(2, &["skipped notes/README.md", "notes/a.md:3:1"]);
    assert_eq!(place.names("out"), ["b"]);
    place.file("none/README.md", "# About\n");
    place.run(&["judge", "none"]).fails(2, &["there is no note in `none`"]);
}

#[test]
fn two_notes_of_one_name_are_refused_and_one_note_twice_is_not() {
    let place = Place::new();
    place.file("a/lo.md", note("<= 6 Hz")).file("b/lo.md", note("<= 6 Hz"));
    let run = place.run(&["judge", "a/lo.md", "b/lo.md"]);
    run.fails(2, &["`a/lo.md` and `b/lo.md`"]);
    assert_eq!(run.stdout, "");
    assert_eq!(place.run(&["judge", "a/lo.md", "a", "./a/lo.md"]).status, Some(0));
}

#[test]
fn typeset_writes_the_result_folder_and_says_so() {
    let place = Place::new();
    place.file("lo.md", note("<= 1 Hz")).typst("0.15.1", PRESS);
    let run = place.run(&["typeset", "lo.md"]);
    assert_eq!((run.status, run.stderr.as_str()), (Some(0), ""), "also where a requirement is not met");
    assert!(run.stdout.starts_with("wrote out/lo/lo.pdf"), "{}", run.stdout);
    assert!(run.stdout.ends_with("lo: 0 of 1 judged requirements met, not met: LO-1\n"), "{}", run.stdout);
    for name in ["lo.pdf", "lo.typ", "results.json"] {
        assert!(place.path("out/lo").join(name).is_file(), "{name}");
    }
    place.run(&["typeset", "lo.md", "--edition", "customer", "--into", "other"]);
    place.run(&["typeset", "lo.md", "--with", "given.line=3 Hz", "--into", "other"]);
    place.run(&["typeset", "lo.md", "--with", "given.line=3 Hz", "--edition", "customer", "--into", "other"]);
    assert_eq!(place.names("other"), ["lo.customer", "lo.customer.what-if", "lo.what-if"]);
    assert!(place.read("other/lo.what-if/results.json").contains("\"value\": 3"), "the what-if is solved");
}

#[test]
fn a_second_run_gives_the_same_bytes() {
    let place = Place::new();
    place.file("lo.md", note("<= 6 Hz"));
    for (into, zone) in [("one", "UTC"), ("two", "Asia/Tokyo")] {
        let mut command = place.command(&["typeset", "lo.md", "--into", into]);
        let run = place.end(command.env("LOOPCASE_TYPESETTER", real_typst()).env("TZ", zone));
        assert_eq!(run.status, Some(0), "{}", run.all());
    }
    for name in ["lo.pdf", "lo.typ", "results.json"] {
        let bytes = |into: &str| std::fs::read(place.path(into).join("lo").join(name)).expect("a file");
        assert!(bytes("one") == bytes("two"), "{name} differs");
    }
}

#[test]
fn with_a_fault_nothing_is_written_and_the_earlier_result_stays() {
    let place = Place::new();
    place.file("lo.md", note("<= 6 Hz")).typst("0.15.1", PRESS);
    assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
    let earlier = place.read("out/lo/results.json");
    place.file("lo.md", FAULTY);
    place.run(&["typeset", "lo.md"]).fails(2, &["lo.md:3:1", "1 fault"]);
    assert_eq!(place.read("out/lo/results.json"), earlier);
    assert_eq!(place.names("out"), ["lo"]);
}

#[test]
fn without_a_typesetter_the_rest_is_written_and_the_earlier_pdf_is_set_aside() {
    let place = Place::new();
    place.file("lo.md", note("<= 6 Hz")).typst("0.15.1", PRESS);
    assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
    place.file("lo.md", note("<= 7 Hz"));
    // Each way of having none: a wrong version on the PATH, a path that is not there by option or variable.
    let by_option = place.run(&["typeset", "lo.md", "--typesetter", "none"]);
    by_option.fails(3, &["named by --typesetter, does not run"]);
    assert_eq!(place.read("out/lo/lo.outdated.pdf"), "pdf\n");
    assert!(!place.path("out/lo/lo.pdf").exists());
    assert!(place.read("out/lo/results.json").contains("<= 7 Hz"));
    place
        .end(place.command(&["typeset", "lo.md"]).env("LOOPCASE_TYPESETTER", "none"))
        .fails(3, &["LOOPCASE_TYPESETTER"]);
    place.typst("0.14.0", PRESS);
    place.run(&["typeset", "lo.md"]).fails(3, &["is version 0.14.0", "loopcase typesetter --install"]);
    assert_eq!(place.read("out/lo/lo.outdated.pdf"), "pdf\n", "it stays through several such runs");
    place.typst("0.15.0", PRESS);
    assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
    assert!(!place.path("out/lo/lo.outdated.pdf").exists(), "and goes with a new one");
}

#[test]
fn a_failing_typesetter_replaces_nothing_and_its_source_is_kept() {
    let place = Place::new();
    place.file("lo.md", note("<= 6 Hz")).typst("0.15.1", PRESS);
    assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
    let earlier = place.read("out/lo/results.json");
    place.file("lo.md", note("<= 7 Hz")).typst("0.15.1", "echo 'error: no such thing' >&2; exit 1");
    place
        .run(&["typeset", "lo.md"])
        .fails(3, &["no such thing", "nothing was replaced", "out/lo.failed.typ"]);
    assert_eq!(place.read("out/lo/results.json"), earlier);
    assert_eq!(place.read("out/lo/lo.pdf"), "pdf\n");
    assert_eq!(place.names("out"), ["lo", "lo.failed.typ"]);
    place.typst("0.15.1", PRESS);
    assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
    assert_eq!(place.names("out"), ["lo"], "a success removes what the failure kept");
}

#[test]
fn what_is_no_result_folder_is_not_replaced() {
    let place = Place::new();
    place.file("lo.md", note("<= 6 Hz")).file("out/lo/precious.txt", "mine").typst("0.15.1", PRESS);
    place.run(&["typeset", "lo.md"]).fails(4, &["out/lo", "not results of a note"]);
    assert_eq!(place.read("out/lo/precious.txt"), "mine");
}

#[test]
fn typesetter_says_which_and_builds_only_when_asked() {
    let place = Place::new();
    place.run(&["typesetter"]).fails(3, &["no typst 0.15.*", "loopcase typesetter --install"]);
    place.run(&["typesetter", "--install"]).fails(3, &["cargo on PATH", "a C compiler", "libssl-dev"]);
    place.typst("0.15.7", "");
    place.run(&["typesetter"]).is(0, "typst 0.15.7 at [DIR]/bin/typst, found on PATH\n", "");
    place.run(&["typesetter", "--install"]).is(0, "typst 0.15.7 at [DIR]/bin/typst, found on PATH\n", "");
}

#[test]
fn describe_lists_kinds_fields_and_metrics() {
    let place = Place::new();
    let kinds = place.run(&["describe"]);
    assert_eq!(kinds.status, Some(0));
    assert!(kinds.stdout.contains("the frequency standard"), "{}", kinds.stdout);
    let kind = place.run(&["describe", "reference"]).stdout;
    assert!(kind.contains("frequency, e.g. 80 MHz; required"), "{kind}");
    let field = place.run(&["describe", "reference.frequency"]).stdout;
    assert!(field.starts_with("reference.frequency: "), "{field}");
    place.run(&["describe", "reference.frequence"]).fails(2, &["did you mean `frequency`?"]);
}

#[test]
fn a_reader_who_goes_away_is_no_fault() {
    let place = Place::new();
    let mut child = place
        .command(&["describe"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    drop(child.stdout.take());
    let mut said = String::new();
    child.stderr.take().expect("piped").read_to_string(&mut said).expect("text");
    assert_eq!((child.wait().expect("ends").code(), said.as_str()), (Some(0), ""));
}

#[test]
fn there_is_no_colour_off_a_terminal() {
    let place = Place::new();
    place.file("lo.md", FAULTY);
    assert!(!place.run(&["judge", "lo.md"]).all().contains('\u{1b}'));
    assert!(!place.run(&["juge"]).all().contains('\u{1b}'));
}

/// A block that only lacks a faulty one is named behind the faults, and is none.
#[test]
fn what_a_fault_leaves_unsolved_is_one_line() {
    let place = Place::new();
    place.file("lo.md", note("<= 7 Hz").replace("line: 5 Hz", "line: 5 Hzz"));
    let run = place.run(&["judge", "lo.md"]);
    assert_eq!((run.status, run.stderr.matches("error[").count()), (Some(2), 1), "{}", run.all());
    for words in ["lo.md: 1 fault, not solved\n", "since they need what is at fault: requirements\n"] {
        assert!(run.stderr.contains(words), "{}", run.stderr);
    }
}
