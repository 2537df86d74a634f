//! Packages: notes of a folder bound into one document.

#![allow(clippy::disallowed_methods, reason = "tests copy notes and run poppler's tools")]

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use super::browser::Browser;
use super::place::{Place, Run};
use super::typst::real_typst;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Copies the worked notes with their parts and data below `designs`.
fn designs(place: &Place) {
    for folder in ["", "parts", "data"] {
        for entry in fs::read_dir(root().join("designs").join(folder)).expect("designs") {
            let entry = entry.expect("an entry");
            if entry.path().is_file() {
                let name = entry.file_name().to_string_lossy().into_owned();
                let name = if folder.is_empty() { name } else { format!("{folder}/{name}") };
                place.file(&format!("designs/{name}"), fs::read_to_string(entry.path()).expect("text"));
            }
        }
    }
}

fn bind(place: &Place, words: &[&str]) -> Run {
    let mut all = vec!["typeset", "--bind"];
    all.extend(words);
    place.end(place.command(&all).env("LOOPCASE_TYPESETTER", real_typst()))
}

/// The text of each page, by poppler.
fn pages(pdf: &Path) -> Vec<String> {
    let output = Command::new("pdftotext").arg("-layout").arg(pdf).arg("-").output();
    let output = output.unwrap_or_else(|e| panic!("pdftotext: {e}; Debian: apt-get install poppler-utils"));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    text.trim_end_matches('\u{c}').split('\u{c}').map(str::to_owned).collect()
}

#[test]
fn the_worked_notes_are_bound_with_one_numbering_and_common_lists() {
    let place = Place::new();
    designs(&place);
    let run = bind(&place, &["designs", "--also", "html"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    let pages = pages(&place.path("out/designs.package/designs.pdf"));
    let count = pages.len();
    assert!(count > 20, "{count} pages");
    for (index, page) in pages.iter().enumerate().skip(1) {
        let head = format!("page {} of {count}", index + 1);
        assert!(page.contains(&head), "page {} has no running head `{head}`:\n{page}", index + 1);
    }
    let front = pages[..4].concat();
    let spaced = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    for note in ["radar_lo", "sampling_clock"] {
        let text = fs::read_to_string(root().join(format!("designs/{note}.md"))).expect("text");
        let title = text.lines().find_map(|line| line.strip_prefix("title: ")).expect("a title");
        assert!(spaced(&front).contains(title.trim_matches('"')), "{title} is not in front");
        assert!(place.path(&format!("out/{note}/{note}.pdf")).exists());
        assert!(place.path(&format!("out/designs.package/{note}.html")).exists());
    }
    let all = pages.concat();
    for words in ["Requirements of all notes", "Open items of all notes", "Parts of all notes"] {
        assert!(all.contains(words), "{words}");
    }
    // The lists name the note of each row.
    let typst = place.read("out/designs.package/designs.typ");
    for row in ["#\"radar_lo\";], [#\"LO-1\";]", "#\"radar_lo\";], [#\"OI-1\";]"] {
        assert!(typst.contains(row), "{row}");
    }

    let browser = Browser::start(1200, 800, false);
    let index = place.path("out/designs.package/index.html").canonicalize().expect("there");
    browser.open(&index);
    let found = browser.ask(
        "return [document.querySelectorAll('main a[href$=\".html\"]').length > 1, \
         document.querySelectorAll('th:not([scope])').length, document.querySelectorAll('h1').length].join()",
    );
    assert_eq!(found, "true,0,1");
    browser.ask("document.querySelector('main a[href$=\"radar_lo.html\"]').click()");
    let title = browser.ask("return document.querySelector('h1').textContent");
    assert!(title.as_str().expect("a title").contains("radar"), "{title}");
    let (said, _) = browser.heard();
    assert_eq!(said, [""; 0]);

    // On a phone each row is a card, with every verdict in sight and each cell beside its name.
    let phone = Browser::start(390, 844, false);
    phone.open(&index);
    let cut = phone.ask(
        "const out = [...document.querySelectorAll('.listed, .listed .verdict')].map(e => e.getBoundingClientRect().right - innerWidth); \
         return Math.max(...out)",
    );
    assert!(cut.as_f64().expect("a number") <= 0.0, "cut by {cut}");
    let named = phone.ask(
        "const cell = document.querySelector('.listed .verdict').closest('td'); \
         return [cell.getAttribute('role'), getComputedStyle(cell, '::before').content].join()",
    );
    assert_eq!(named, "cell,\"Verdict\"");
}

#[test]
fn a_bad_note_stops_no_other_and_is_named_on_the_cover() {
    let place = Place::new();
    let smallest = fs::read_to_string(root().join("tests/notes/good/smallest.md")).expect("text");
    place.file("set/good.md", &smallest).file("set/bad.md", "---\ntitle: B\nnonsense: 1\n---\n");
    let run = bind(&place, &["set"]);
    assert_eq!(run.status, Some(2), "{}", run.all());
    assert!(run.stderr.contains("set/bad.md:3:1"), "{}", run.all());
    assert!(place.path("out/good/good.pdf").exists());
    let first = pages(&place.path("out/set.package/set.pdf"))[..2].concat();
    assert!(first.contains("bad") && first.contains("could not be solved"), "{first}");
    assert!(first.contains("The smallest loop"), "{first}");
}

#[test]
fn a_note_that_can_not_be_typeset_is_not_in_the_package() {
    let place = Place::new();
    let smallest = fs::read_to_string(root().join("tests/notes/good/smallest.md")).expect("text");
    place.file("set/sound.md", &smallest).file("set/torn.md", &smallest);
    place.typst("0.15.1", "case \"$*\" in *torn.typ*) echo torn >&2; exit 1;; esac; echo pdf > \"$last\"");
    let run = place.run(&["typeset", "set", "--bind"]);
    assert_eq!(run.status, Some(3), "{}", run.all());
    let text = place.read("out/set.package/set.typ");
    assert!(text.contains("could not be solved"), "{text}");
    let results: serde_json::Value =
        serde_json::from_str(&place.read("out/set.package/results.json")).expect("JSON");
    assert_eq!(
        [&results[0]["note"], &results[1]["note"]],
        [&serde_json::json!("sound"), &serde_json::Value::Null]
    );
    assert!(place.path("out/sound/sound.pdf").exists() && !place.path("out/torn").exists());
    assert!(
        run.stderr.contains("(1 of 2 notes bound)") || run.stdout.contains("(1 of 2 notes bound)"),
        "{}",
        run.all()
    );
}

#[test]
fn parts_that_notes_share_are_one_line() {
    let place = Place::new();
    let smallest = fs::read_to_string(root().join("tests/notes/good/smallest.md")).expect("text");
    let list = format!("{smallest}\n```yaml parts_list\n```\n");
    place.file("set/one.md", &list).file("set/two.md", list.replace("1.5 kohm", "1.6 kohm"));
    let run = bind(&place, &["set"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    let text = place.read("out/set.package/set.typ");
    let line = |words: &str| text.matches(words).count();
    assert_eq!(line("#\"one: C1; two: C1\";"), 1, "220 pF stands once");
    assert_eq!(line("#\"one: R2\";") + line("#\"two: R2\";"), 2, "the resistors differ");

    // Results of every note, and a later run replaces the package.
    let results: serde_json::Value =
        serde_json::from_str(&place.read("out/set.package/results.json")).expect("JSON");
    assert_eq!([&results[0]["note"], &results[1]["note"]], ["one", "two"]);
    let again = bind(&place, &["set"]);
    assert_eq!(again.status, Some(0), "{}", again.all());
    assert_eq!(place.read("out/set.package/set.typ"), text);
}

#[test]
fn the_customers_package_holds_nothing_internal() {
    let place = Place::new();
    designs(&place);
    let run = bind(&place, &["designs", "--edition", "customer", "--also", "html"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    for name in place.names("out/designs.package.customer") {
        let text = place.read(&format!("out/designs.package.customer/{name}"));
        assert!(!text.contains("Thoughts that stay in the house"), "{name}");
    }
    assert!(place.path("out/designs.package.customer/index.html").exists());
}

/// Fifty notes; prints the time against that of the bare typesetter on the same files, two at a time.
#[test]
#[ignore = "takes a minute"]
fn fifty_notes_are_bound() {
    let place = Place::new();
    let smallest = fs::read_to_string(root().join("tests/notes/good/smallest.md")).expect("text");
    for number in 0..50 {
        let text = smallest
            .replace("The smallest loop", &format!("Loop number {number}"))
            .replace("output: 500 MHz", &format!("output: {} MHz", 480 + 10 * (number % 5)))
            .replace("1.5 kohm", &format!("1.{} kohm", 3 + number % 5));
        place.file(&format!("set/loop_{number:02}.md"), format!("{text}\n```yaml parts_list\n```\n"));
    }
    let start = Instant::now();
    let run = bind(&place, &["set"]);
    let ours = start.elapsed().as_secs_f64();
    assert_eq!(run.status, Some(0), "{}", run.all());
    let all = pages(&place.path("out/set.package/set.pdf"));
    assert!(all.len() > 100, "{} pages", all.len());
    for number in 0..50 {
        assert!(all.iter().any(|page| page.contains(&format!("Loop number {number}"))), "{number}");
    }
    let mut sources: Vec<String> = (0..50).map(|n| format!("out/loop_{n:02}/loop_{n:02}.typ")).collect();
    sources.push("out/set.package/set.typ".to_owned());
    let start = Instant::now();
    let mut next = sources.iter();
    let spawn = |source: &String| {
        let path = place.path(source);
        let folder = path.parent().expect("a folder");
        let mut typst = Command::new(real_typst());
        typst.args(["compile", "--root", ".", "--ignore-system-fonts"]).arg(&path);
        typst.arg(place.path("bare.pdf").with_extension(format!("{}.pdf", source.len())));
        typst.current_dir(folder).spawn().expect("typst runs")
    };
    let mut running: Vec<_> = next.by_ref().take(2).map(spawn).collect();
    while !running.is_empty() {
        let mut first = running.remove(0);
        assert!(first.wait().expect("it ends").success());
        running.extend(next.next().map(spawn));
    }
    let bare = start.elapsed().as_secs_f64();
    println!("package of 50: {ours:.1} s, bare typesetter {bare:.1} s, ratio {:.2}", ours / bare);
}
