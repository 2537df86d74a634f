//! `--with`: another design for one run, told apart from the one of record everywhere.

use std::fs;

use super::pages::pages;
use super::place::Place;
use super::typst::real_typst;

const PRESS: &str = "echo pdf > \"$last\"";

const NOTE: &str = "---\ntitle: A line\n---\n\n# Text\n\nIt is {{ line }} wide and {{ high }} high.\n\n# More\n\n\
    ```yaml values given\nline: 5 Hz\nhigh: 2 V\n```\n\n\
    ```yaml requirements\nLO-1: {text: A narrow line., metric: given.line, limit: \"<= 4 Hz\"}\n```\n";

#[test]
fn it_stands_apart_and_leaves_the_results_of_record_alone() {
    let place = Place::new();
    place.file("lo.md", NOTE).typst("0.15.1", PRESS);
    assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
    let (results, typst) = (place.read("out/lo/results.json"), place.read("out/lo/lo.typ"));
    assert!(!results.contains("what_if") && !typst.contains("given.line = "));
    let words = ["typeset", "lo.md", "--with", "given.line=3 Hz", "--with", "given.high=9 V"];
    let run = place.run(&words);
    assert_eq!(run.status, Some(0), "{}", run.all());
    assert!(run.stdout.starts_with("wrote out/lo.what-if/lo.pdf"), "{}", run.stdout);
    assert_eq!(place.names("out"), ["lo", "lo.what-if"]);
    assert_eq!((place.read("out/lo/results.json"), place.read("out/lo/lo.typ")), (results, typst));
    let other: serde_json::Value =
        serde_json::from_str(&place.read("out/lo.what-if/results.json")).expect("JSON");
    assert_eq!(other["what_if"], serde_json::json!(["given.line = 3 Hz", "given.high = 9 V"]));
    assert_eq!(other["requirements"][0]["verdict"], "met");
    // A second what-if takes the place of the first, and of nothing else.
    assert_eq!(place.run(&["typeset", "lo.md", "--with", "given.line=1 Hz"]).status, Some(0));
    assert_eq!(place.names("out"), ["lo", "lo.what-if"]);
    assert!(!place.read("out/lo.what-if/results.json").contains("given.high = 9 V"));
}

#[test]
fn judge_says_what_if_and_a_wrong_name_is_told() {
    let place = Place::new();
    place.file("lo.md", NOTE);
    assert_eq!(place.run(&["judge", "lo.md"]).status, Some(1));
    let run = place.run(&["judge", "lo.md", "--with", "given.line=3 Hz", "--with", "given.high=9 V"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    assert!(
        run.stdout.starts_with("what if: given.line = 3 Hz, given.high = 9 V\nrequirement"),
        "{}",
        run.stdout
    );
    let json = place.run(&["judge", "lo.md", "--json", "--with", "given.line=3 Hz"]);
    assert!(json.stdout.contains("\"what_if\""), "{}", json.stdout);
    for (with, said) in [("givn.line=3 Hz", "givn"), ("given.line=3 pigs", "3 pigs")] {
        let run = place.run(&["judge", "lo.md", "--with", with]);
        run.fails(2, &[said]);
        assert_eq!(run.stdout, "");
    }
    assert_eq!(place.names(""), ["lo.md"], "judge writes nothing");
}

#[test]
fn every_page_bears_the_stamp_with_its_own_text() {
    let place = Place::new();
    place.file("lo.md", NOTE);
    for (edition, folder) in [("review", "lo.what-if"), ("customer", "lo.customer.what-if")] {
        let words = [
            "typeset",
            "lo.md",
            "--edition",
            edition,
            "--with",
            "given.line=3 Hz",
            "--with",
            "given.high=9 V",
        ];
        let run = place.end(place.command(&words).env("LOOPCASE_TYPESETTER", real_typst()));
        assert_eq!(run.status, Some(0), "{}", run.all());
        let pages = pages(&fs::read(place.path(&format!("out/{folder}/lo.pdf"))).expect("a PDF"));
        assert!(pages.len() >= 3, "{} pages", pages.len());
        for (index, page) in pages.iter().enumerate() {
            for words in ["What-if, not the design of record", "given.line = 3 Hz", "given.high = 9 V"] {
                assert!(page.contains(words), "{edition}, page {}: {words} is missing:\n{page}", index + 1);
            }
        }
    }
}
