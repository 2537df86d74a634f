//! `seal` and `reopen`: one file with everything, any changed byte found, the same results again.

use std::fs;
use std::path::{Path, PathBuf};

use loopcase::archive::{self, Damage, MANIFEST, RESULTS, open};

use super::place::Place;
use super::typst::real_typst;

/// What stands in for a typesetter: the PDF holds the arguments and the source, so that it follows from them.
const PRESS: &str =
    "for source in \"$@\"; do case $source in *.typ) cat \"$source\";; esac; done > \"$last\"";

/// The smallest loop, with a revision, a requirement and a data file.
fn note(revision: &str, c2: &str, limit: &str) -> String {
    format!(
        "---\ntitle: A loop\n{revision}date: 2026-03-14\n---\n\nIt is {{{{ lo.bandwidth }}}} wide.\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\nphase_noise: {{file: data/ref.csv}}\n```\n\n\
         ```yaml oscillator vco\nfrom: parts/vco.yaml\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 10 MHz}}\npump: {{currents: [1 mA]}}\n\
         feedback_divider: 1 .. 100\n```\n\n\
         ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\n\
         filter: passive 2\nparts: {{C1: 1 nF, R2: 1 kohm, C2: {c2}}}\n```\n\n\
         ```yaml requirements\nLO-1: {{text: Wide enough., metric: lo.bandwidth, limit: \"{limit}\"}}\n```\n"
    )
}

/// A place with that note, its parts and a typesetter.
fn place(revision: &str) -> Place {
    let place = Place::new();
    place
        .file("lo.md", note(revision, "15 nF", ">= 1 kHz"))
        .file("parts/vco.yaml", "tuning: {0 V: 90 MHz, 5 V: 110 MHz}\n")
        .file("data/ref.csv", "100,-120\n1e4,-150\n");
    place.program("cat", "exec /bin/cat \"$@\"").typst("0.15.1", PRESS);
    place
}

fn stored() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sealed");
    let mut found: Vec<PathBuf> =
        fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path()).collect();
    found.sort();
    found
}

#[test]
fn one_file_holds_everything_and_reopens_to_the_byte() {
    let place = place("revision: A\n");
    let run = place.run(&["seal", "lo.md"]);
    assert_eq!((run.status, run.stderr.as_str()), (Some(0), ""), "{}", run.all());
    assert!(run.stdout.starts_with("sealed sealed/lo-A.zip ("), "{}", run.stdout);
    assert_eq!(place.names("sealed"), ["lo-A.zip"], "exactly one file");
    assert_eq!(place.names(""), ["data", "lo.md", "parts", "sealed"], "and nothing else");
    let sealed = open(&place.bytes("sealed/lo-A.zip")).expect("whole");
    for path in ["note/lo.md", "note/parts/vco.yaml", "note/data/ref.csv", "template/report.typ"] {
        assert!(sealed.file(path).is_some(), "{path}");
    }
    for path in ["results.json", "lo.pdf", "lo.typ", "filter.cir"] {
        assert!(sealed.file(&format!("{RESULTS}{path}")).is_some(), "{path}");
    }
    assert!(sealed.below(RESULTS).any(|(path, _)| path.starts_with("tables/")));
    let manifest = &sealed.manifest;
    assert_eq!((manifest.revision.as_str(), manifest.note.as_str()), ("A", "lo.md"));
    assert_eq!(manifest.typesetter, "typst 0.15.1");
    assert_eq!(manifest.files.len(), sealed.files.len());
    place.run(&["seal", "lo.md", "--into", "other"]);
    assert!(place.bytes("sealed/lo-A.zip") == place.bytes("other/lo-A.zip"), "twice gives the same bytes");
    // In a folder of its own: nothing but the file is needed.
    let elsewhere = Place::new();
    elsewhere.program("cat", "exec /bin/cat \"$@\"").typst("0.15.1", PRESS);
    elsewhere.file("lo-A.zip", place.bytes("sealed/lo-A.zip"));
    let run = elsewhere.run(&["reopen", "lo-A.zip"]);
    assert_eq!((run.status, run.stderr.as_str()), (Some(0), ""), "{}", run.all());
    for said in ["lo-A.zip is intact", "revision A", ": the same results", "and the same PDF"] {
        assert!(run.stdout.contains(said), "{said}: {}", run.stdout);
    }
    assert_eq!(elsewhere.names(""), ["lo-A.zip"], "reopening writes nothing");
    elsewhere.typst("0.14.0", "");
    let without = elsewhere.run(&["reopen", "lo-A.zip"]);
    assert_eq!(without.status, Some(0), "{}", without.all());
    assert!(without.stdout.contains("PDF not made again, for want of typst 0.15.1"), "{}", without.stdout);
}

#[test]
fn a_sealed_file_is_never_replaced() {
    let place = place("revision: A\n");
    assert_eq!(place.run(&["seal", "lo.md"]).status, Some(0));
    let first = place.bytes("sealed/lo-A.zip");
    place.file("lo.md", note("revision: A\n", "18 nF", ">= 1 kHz"));
    place.run(&["seal", "lo.md"]).fails(2, &["sealed/lo-A.zip", "never replaced", "raise the revision"]);
    assert!(first == place.bytes("sealed/lo-A.zip"));
    place.file("lo.md", note("revision: B\n", "18 nF", ">= 1 kHz"));
    assert_eq!(place.run(&["seal", "lo.md"]).status, Some(0));
    assert_eq!(place.names("sealed"), ["lo-A.zip", "lo-B.zip"]);
}

#[test]
fn what_can_not_be_sealed_is_told_and_leaves_nothing() {
    let place = place("");
    place.run(&["seal", "lo.md"]).fails(2, &["lo.md", "revision: A"]);
    place.file("lo.md", note("revision: a/b\n", "15 nF", ">= 1 kHz"));
    place.run(&["seal", "lo.md"]).fails(2, &["`a/b`", "file name"]);
    place.run(&["seal", "."]).fails(2, &["`.` is a folder, `seal` takes one note", "lo.md"]);
    place.run(&["seal", "la.md"]).fails(2, &["did you mean `lo.md`?"]);
    place.file("lo.md", note("revision: A\n", "15 nH", ">= 1 kHz"));
    place.run(&["seal", "lo.md"]).fails(2, &["lo.md:30:38", "not solved"]);
    place.file("lo.md", note("revision: A\n", "15 nF", ">= 1 kHz")).typst("0.14.0", "");
    place.run(&["seal", "lo.md"]).fails(3, &["is version 0.14.0"]);
    place.typst("0.15.1", "echo 'error: no such thing' >&2; exit 1");
    place.run(&["seal", "lo.md"]).fails(3, &["no such thing", "nothing was sealed"]);
    assert_eq!(place.names(""), ["data", "lo.md", "parts"]);
    place.file("sealed", "no folder").program("cat", "exec /bin/cat \"$@\"").typst("0.15.1", PRESS);
    place.run(&["seal", "lo.md"]).fails(4, &["sealed"]);
    assert_eq!(place.read("sealed"), "no folder");
}

#[test]
fn a_look_of_ones_own_is_sealed_and_used_again() {
    let place = place("revision: A\n");
    place.file("look/report.typ", "#let own = {{ title }}\n");
    assert_eq!(place.run(&["seal", "lo.md", "--template", "look"]).status, Some(0));
    let sealed = open(&place.bytes("sealed/lo-A.zip")).expect("whole");
    assert_eq!(sealed.file("template/report.typ"), Some(&b"#let own = {{ title }}\n"[..]));
    fs::remove_dir_all(place.path("look")).expect("removed");
    let run = place.run(&["reopen", "sealed/lo-A.zip"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    assert!(run.stdout.contains("and the same PDF"), "{}", run.stdout);
}

/// A sealed file whose results are not those of its note: whole, but not what comes out of it.
#[test]
fn results_that_the_note_does_not_give_are_told() {
    let place = place("revision: A\n");
    assert_eq!(place.run(&["seal", "lo.md"]).status, Some(0));
    let mut sealed = open(&place.bytes("sealed/lo-A.zip")).expect("whole");
    let path = format!("{RESULTS}results.json");
    let mut results: serde_json::Value =
        serde_json::from_slice(sealed.file(&path).expect("there")).expect("JSON");
    results["blocks"]["lo"]["metrics"]["phase_margin"]["value"] = 12.5.into();
    sealed.files.insert(path, format!("{results:#}\n").into_bytes());
    place.file("other.zip", archive::seal(sealed).expect("small"));
    let run = place.run(&["reopen", "other.zip"]);
    assert_eq!(run.status, Some(1), "{}", run.all());
    for said in
        ["is intact", "1 other number moved", "lo.phase_margin  12.5 deg", "made differently: results.json"]
    {
        assert!(run.stdout.contains(said), "{said}: {}", run.stdout);
    }
}

#[test]
fn damage_is_told_and_nothing_is_printed() {
    let place = place("revision: A\n");
    assert_eq!(place.run(&["seal", "lo.md"]).status, Some(0));
    let mut bytes = place.bytes("sealed/lo-A.zip");
    let at = bytes.len() / 3;
    bytes[at] ^= 1;
    place.file("changed.zip", &bytes).file("text.zip", "no zip").file("empty.zip", "");
    for name in ["changed.zip", "text.zip", "empty.zip"] {
        let run = place.run(&["reopen", name]);
        run.fails(2, &[name, "damaged"]);
        assert_eq!(run.stdout, "");
    }
    place.run(&["reopen", "none.zip"]).fails(2, &["there is no file `none.zip`"]);
    place.run(&["reopen", "sealed"]).fails(2, &["`sealed` is not a file"]);
}

/// Numbers that look random, from a seed.
struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % limit as u64) as usize
    }
}

#[test]
fn two_thousand_changed_bytes_are_all_found() {
    let whole = fs::read(&stored()[0]).expect("a file");
    assert!(open(&whole).is_ok());
    let mut dice = Dice(20_260_314);
    for _ in 0..2000 {
        let (at, to) = (dice.below(whole.len()), dice.below(255) as u8 + 1);
        let mut changed = whole.clone();
        changed[at] = changed[at].wrapping_add(to);
        assert!(open(&changed).is_err(), "byte {at} plus {to}");
    }
}

/// Files sealed by earlier versions are whole for this one, whatever it solves them to.
#[test]
fn files_sealed_by_earlier_versions_reopen() {
    let files = stored();
    assert!(files.len() >= 2);
    for file in files {
        let place = Place::new();
        let bytes = fs::read(&file).expect("a file");
        place.file("old.zip", &bytes);
        let run = place.run(&["reopen", "old.zip"]);
        assert!(matches!(run.status, Some(0 | 1)), "{}: {}", file.display(), run.all());
        assert!(run.stdout.contains("old.zip is intact"), "{}: {}", file.display(), run.all());
        let sealed = open(&bytes).expect("whole");
        let pdf = sealed
            .below(RESULTS)
            .find(|(path, _)| Path::new(path).extension().is_some_and(|ending| ending == "pdf"))
            .expect("a PDF");
        assert!(pdf.1.starts_with(b"%PDF-"), "{}", file.display());
        assert!(!sealed.files.contains_key(MANIFEST));
    }
}

/// A zip of the common kind is none of ours, however well it can be read.
#[test]
fn a_zip_that_another_program_packed_is_damaged() {
    // The smallest zip: the end of an empty directory.
    let empty = [&b"PK\x05\x06"[..], &[0; 18]].concat();
    assert_eq!(open(&empty), Err(Damage::NoManifest));
    let place = Place::new();
    place.file("empty.zip", &empty);
    place.run(&["reopen", "empty.zip"]).fails(2, &["`manifest.json` can't be read"]);
}

#[test]
fn with_the_real_typesetter_the_pdf_comes_again() {
    let place = place("revision: A\n");
    for words in [&["seal", "lo.md"][..], &["reopen", "sealed/lo-A.zip"]] {
        let run = place.end(place.command(words).env("LOOPCASE_TYPESETTER", real_typst()));
        assert_eq!(run.status, Some(0), "{}", run.all());
        assert!(words[0] == "seal" || run.stdout.contains("and the same PDF"), "{}", run.all());
    }
}
