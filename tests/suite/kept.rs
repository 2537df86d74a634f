//! What `follow` keeps in the folder of results from one run to the next: the same bytes, found again, never in the way.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use loopcase::archive;
use loopcase::diag::Diagnostic;
use loopcase::disk::{Folder, KeptFolder};
use loopcase::emit::OutFile;
use loopcase::pipeline::{Job, Kept, Outcome, produce, solve_again};

use super::follow::{Following, PRESS, same_as_fresh};
use super::place::Place;

/// All files and messages of a note.
fn make(folder: &Path, note: &str, kept: &mut Kept) -> (Vec<OutFile>, Vec<Diagnostic>) {
    let files = Folder::open(folder).expect("a folder");
    let Outcome { solved, diagnostics, .. } = solve_again(&Job::plain(&files, note), kept);
    let solved = solved.unwrap_or_else(|| panic!("{note}: {diagnostics:?}"));
    (produce(&solved, &["html"]).expect("it can be said"), diagnostics)
}

/// What is kept there, as another run of the program finds it: also what took no time.
fn keeper(folder: &Path) -> Arc<KeptFolder> {
    Arc::new(KeptFolder::open(&folder.join(".kept")).expect("the test can be read").with_everything())
}

#[track_caller]
fn same(found: &(Vec<OutFile>, Vec<Diagnostic>), wanted: &(Vec<OutFile>, Vec<Diagnostic>), what: &str) {
    assert_eq!(found.1, wanted.1, "{what}");
    assert_eq!(found.0.len(), wanted.0.len(), "{what}");
    for (found, wanted) in found.0.iter().zip(&wanted.0) {
        assert!(found == wanted, "{what}: {} is not {}", found.path, wanted.path);
    }
}

/// Entries in a folder of what is kept, in order.
fn entries(folder: &Path) -> Vec<PathBuf> {
    let all = fs::read_dir(folder.join(".kept")).into_iter().flatten();
    let mut all: Vec<PathBuf> = all.map(|entry| entry.expect("an entry").path()).collect();
    all.retain(|path| path.extension().is_some_and(|ending| ending == "kept"));
    all.sort();
    all
}

/// Notes with how many parts of each are kept: of hops, runs over parts, maps, alternatives, sequences, searches.
const NOTES: [(&str, &str, usize); 11] = [
    ("designs", "agile_source.md", 11),
    ("designs", "radar_lo.md", 12),
    ("designs", "sampling_clock.md", 8),
    ("tests/notes/good", "alternatives.md", 4),
    ("tests/notes/good", "band_and_tolerance.md", 11),
    ("tests/notes/good", "folded.md", 4),
    ("tests/notes/good", "lines_over_band.md", 5),
    ("tests/notes/good", "measured_hop.md", 3),
    ("tests/notes/good", "optimum.md", 2),
    ("tests/notes/good", "optimum_settling.md", 2),
    ("tests/notes/good", "settling.md", 12),
];

#[test]
fn another_run_finds_what_took_long_and_makes_the_same_files() {
    for (folder, note, parts) in NOTES {
        let folder = &Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
        let out = tempfile::tempdir().expect("a folder");
        let fresh = make(folder, note, &mut Kept::default());
        let first = keeper(out.path());
        same(&make(folder, note, &mut Kept::with(first.clone())), &fresh, note);
        // Nothing is found: no two parts have one name.
        assert_eq!(first.counts(), (0, parts), "{note}");
        assert_eq!(entries(out.path()).len(), parts, "{note}");
        let second = keeper(out.path());
        let mut kept = Kept::with(second.clone());
        same(&make(folder, note, &mut kept), &fresh, note);
        assert_eq!(second.counts(), (parts, 0), "{note}");
        // What stays in memory asks nothing of the disk.
        same(&make(folder, note, &mut kept), &fresh, note);
        assert_eq!(second.counts(), (0, 0), "{note}");
    }
}

fn note(within: &str, gain: &str, title: &str) -> String {
    format!(
        "---\ntitle: {title}\nrevision: A\n---\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\nphase_noise: {{1 kHz: -120, 1 MHz: -160}}\n```\n\n\
         ```yaml oscillator vco\ntuning: {{0 V: 90 MHz, 5 V: 110 MHz}}\nphase_noise: {{1 kHz: -80, 1 MHz: -140}}\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 1 MHz}}\npump: {{currents: [1 mA]}}\n\
         reference_divider: 10\nfeedback_divider: 1 .. 1000\n```\n\n\
         ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutputs: 95 MHz .. 105 MHz\nstep: 1 MHz\n\
         filter: passive 2\npump_current: 1 mA\nbandwidth: 20 kHz\nphase_margin: 50 deg\n```\n\n\
         ```yaml phase_noise noise\nof: lo\nover: 1 kHz .. 1 MHz\n```\n\n\
         ```yaml band served\nof: lo\n```\n\n\
         ```yaml tolerance spread\nof: lo\ngain: {gain}\nruns: 2000\nband: served\n```\n\n\
         ```yaml settling hop\nof: lo\nfrom: 95 MHz\nto: 105 MHz\nwithin: {within}\n```\n\n\
         ```yaml alternatives others\nof: lo\noptions: {{wider: {{bandwidth: 30 kHz}}}}\n```\n\n\
         ```yaml requirements\n\
         LO-1: {{text: Stable., metric: lo.phase_margin, limit: \">= 40 deg\"}}\n\
         LO-2: {{text: Fast., metric: lo.bandwidth, limit: \">= 25 kHz\"}}\n```\n"
    )
}

/// Parts of the note above that take long: the board, three of the runs over parts (numbers, slopes, yields), the hop,
/// alternatives, and what it would take.
const PARTS: usize = 7;

#[test]
fn a_changed_note_computes_again_what_changed() {
    let folder = tempfile::tempdir().expect("a folder");
    let turns = [
        (note("1 kHz", "10 %", "A"), PARTS),
        // Prose alone.
        (note("1 kHz", "10 %", "B"), 0),
        // The hop, then the runs over parts.
        (note("2 kHz", "10 %", "B"), 1),
        (note("2 kHz", "5 %", "B"), 3),
        // And back: everything is still there.
        (note("1 kHz", "10 %", "C"), 0),
        // A name that every block may look at.
        (note("1 kHz", "10 %", "C").replace("band served", "band all").replace(": served", ": all"), PARTS),
    ];
    for (turn, (text, missed)) in turns.into_iter().enumerate() {
        fs::write(folder.path().join("lo.md"), text).expect("saved");
        let keeper = keeper(folder.path());
        let found = make(folder.path(), "lo.md", &mut Kept::with(keeper.clone()));
        assert_eq!(keeper.counts(), (PARTS - missed, missed), "turn {turn}");
        same(&found, &make(folder.path(), "lo.md", &mut Kept::default()), &format!("turn {turn}"));
    }
}

/// Every entry damaged at the same place, from the first byte to the last.
#[test]
fn a_damaged_entry_is_computed_again() {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("lo.md"), note("1 kHz", "10 %", "A").replace("2000", "20")).expect("saved");
    let fresh = make(folder.path(), "lo.md", &mut Kept::default());
    make(folder.path(), "lo.md", &mut Kept::with(keeper(folder.path())));
    let places = [0.0, 0.001, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 0.999, 1.0];
    for (round, place) in places.into_iter().enumerate() {
        for path in entries(folder.path()) {
            let mut bytes = fs::read(&path).expect("there");
            let at = (place * (bytes.len() - 1) as f64) as usize;
            match round % 3 {
                0 => bytes[at] ^= 1 << (round % 8),
                1 => bytes.truncate(at),
                _ => bytes.insert(at, 7),
            }
            fs::write(path, bytes).expect("damaged");
        }
        let damaged = keeper(folder.path());
        same(&make(folder.path(), "lo.md", &mut Kept::with(damaged.clone())), &fresh, "damaged");
        assert_eq!(damaged.counts(), (0, PARTS), "at {place}");
        let mended = keeper(folder.path());
        same(&make(folder.path(), "lo.md", &mut Kept::with(mended.clone())), &fresh, "mended");
        assert_eq!(mended.counts(), (PARTS, 0), "at {place}");
    }
}

/// The note above with so many runs, and a mask in each, that more than one part takes long on any machine.
fn long_note(gain: &str) -> String {
    let mask = "metric: noise.total, limit: {1 kHz: -10, 1 MHz: -20}";
    let note = note("1 kHz", gain, "A").replace("runs: 2000", "runs: 8000");
    note.replace("metric: lo.phase_margin, limit: \">= 40 deg\"", mask)
}

fn place() -> Place {
    let place = Place::new();
    place.file("lo.md", long_note("10 %"));
    place.program("cat", "exec /bin/cat \"$@\"").typst("0.15.1", PRESS);
    place
}

#[test]
fn a_note_that_is_followed_again_finds_its_long_computations() {
    let place = place();
    let mut first = Following::start(&place);
    let heard = first.hears("lo: 1 of 2");
    assert!(heard.contains("(10 of 10 blocks solved again)"), "{heard}");
    assert_eq!(first.interrupt(), Some(0));
    assert_eq!(place.names("out"), [".kept", "lo"]);
    let kept = place.names("out/.kept");
    assert!(kept.len() > 2 && kept[0] == ".gitignore", "{kept:?}");
    same_as_fresh(&place);
    let before = (place.read("out/lo/results.json"), place.read("out/lo/lo.typ"));
    let mut second = Following::start(&place);
    let heard = second.hears("lo: 1 of 2");
    assert!(heard.contains("(10 of 10 blocks solved again, "), "{heard}");
    assert!(heard.contains(" found in .kept)"), "{heard}");
    assert_eq!((place.read("out/lo/results.json"), place.read("out/lo/lo.typ")), before);
    // Deleted while it is followed: made anew.
    fs::remove_dir_all(place.path("out/.kept")).expect("removed");
    place.file("lo.md", long_note("20 %"));
    let heard = second.hears("moved: ");
    assert!(!heard.contains("could not"), "{heard}");
    same_as_fresh(&place);
    assert!(place.names("out/.kept").len() > 2);
    assert_eq!(second.interrupt(), Some(0));
    // It is in no sealed file.
    assert_eq!(place.run(&["seal", "lo.md"]).status, Some(0));
    let sealed = archive::open(&place.bytes("sealed/lo-A.zip")).expect("sealed");
    assert!(sealed.files.keys().any(|name| name.ends_with("lo.md")));
    assert!(!sealed.files.keys().any(|name| name.contains(".kept")), "{:?}", sealed.files.keys());
}

/// As where nothing can be written: told once, and the document is made all the same.
#[test]
fn where_nothing_can_be_kept_it_is_told_once() {
    let place = place();
    place.file("out/.kept", "in the way");
    let mut following = Following::start(&place);
    let heard = following.hears("lo: 1 of 2");
    assert!(heard.contains("could not keep anything in `out/.kept`: "), "{heard}");
    place.file("lo.md", long_note("20 %"));
    let heard = following.hears("moved: ");
    assert!(!heard.contains("could not"), "{heard}");
    same_as_fresh(&place);
    assert_eq!(place.read("out/.kept"), "in the way");
}

#[test]
fn two_that_follow_at_once_do_not_hurt_each_other() {
    let place = place();
    let (mut one, mut other) = (Following::start(&place), Following::start(&place));
    for gain in ["10 %", "15 %", "20 %", "15 %"] {
        if gain != "10 %" {
            place.file("lo.md", note("1 kHz", gain, "A"));
        }
        for following in [&mut one, &mut other] {
            let heard = following.hears("lo: 1 of 2");
            assert!(!heard.contains("could not") && !heard.contains("error"), "{heard}");
        }
    }
    same_as_fresh(&place);
}
