//! `follow`: a turn at every change, the last good document at every fault.

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::mpsc::{self, Receiver};
use std::thread;
use std::time::{Duration, Instant};

use loopcase::disk::{Folder, KeptFolder};
use loopcase::document::Edition;
use loopcase::pipeline::{Job, Kept, Outcome, produce, solve_again};
use loopcase::results::to_json;

use super::place::Place;

/// A "PDF" that is the source itself.
pub const PRESS: &str =
    "for source in \"$@\"; do case $source in *.typ) cat \"$source\";; esac; done > \"$last\"";

/// How long anything may take on a machine that does much else.
const PATIENCE: Duration = Duration::from_secs(90);

fn note(limit: &str) -> String {
    format!(
        "---\ntitle: A loop\n---\n\nIt is {{{{ lo.bandwidth }}}} wide.\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\nphase_noise: {{file: data/ref.csv}}\n```\n\n\
         ```yaml oscillator vco\nfrom: parts/vco.yaml\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 10 MHz}}\npump: {{currents: [1 mA]}}\n\
         feedback_divider: 1 .. 100\n```\n\n\
         ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\n\
         filter: passive 2\nparts: {{C1: 1 nF, R2: 1 kohm, C2: 15 nF}}\n```\n\n\
         ```yaml phase_noise noise\nof: lo\nover: 1 kHz .. 1 MHz\n```\n\n\
         ```yaml requirements\nLO-1: {{text: Quiet., metric: noise.jitter, limit: \"<= {limit}\"}}\n```\n"
    )
}

fn place() -> Place {
    let place = Place::new();
    place
        .file("lo.md", note("1 s"))
        .file("parts/vco.yaml", "tuning: {0 V: 90 MHz, 5 V: 110 MHz}\n")
        .file("data/ref.csv", "100,-120\n1e4,-150\n1e6,-160\n");
    place.program("cat", "exec /bin/cat \"$@\"").typst("0.15.1", PRESS);
    place
}

/// A run of `follow`, and all that it says, line by line.
pub struct Following {
    child: Child,
    lines: Receiver<String>,
    heard: String,
}

impl Following {
    pub fn start(place: &Place) -> Self {
        let mut child = place
            .command(&["follow", "lo.md"])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let (send, lines) = mpsc::channel();
        let listen = |pipe: Box<dyn Read + Send>, send: mpsc::Sender<String>| {
            thread::spawn(move || {
                for line in BufReader::new(pipe).lines().map_while(Result::ok) {
                    if send.send(line).is_err() {
                        return;
                    }
                }
            })
        };
        listen(Box::new(child.stdout.take().expect("piped")), send.clone());
        listen(Box::new(child.stderr.take().expect("piped")), send);
        Self { child, lines, heard: String::new() }
    }

    /// Waits for a line that holds these words; all lines since the last wait.
    #[track_caller]
    pub fn hears(&mut self, words: &str) -> String {
        let start = Instant::now();
        let mut since = String::new();
        while start.elapsed() < PATIENCE {
            let Ok(line) = self.lines.recv_timeout(Duration::from_millis(100)) else { continue };
            self.heard.push_str(&format!("{line}\n"));
            since.push_str(&format!("{line}\n"));
            if line.contains(words) {
                return since;
            }
        }
        panic!("`{words}` was not heard:\n{}", self.heard);
    }

    /// Ends it as Ctrl-C does: its exit code.
    pub fn interrupt(&mut self) -> Option<i32> {
        let kill = format!("kill -INT {}", self.child.id());
        assert!(Command::new("/bin/sh").args(["-c", &kill]).status().expect("sh runs").success());
        self.child.wait().expect("ends").code()
    }
}

impl Drop for Following {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What a fresh run makes of the note as it is now.
#[track_caller]
pub fn same_as_fresh(place: &Place) {
    let run = place.run(&["typeset", "lo.md", "--into", "fresh"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    for name in ["lo.typ", "lo.pdf", "results.json"] {
        assert_eq!(place.read(&format!("out/lo/{name}")), place.read(&format!("fresh/lo/{name}")), "{name}");
    }
    assert_eq!(place.names("out/lo/figures"), place.names("fresh/lo/figures"));
    for name in place.names("fresh/lo/figures") {
        let figure = |into: &str| place.read(&format!("{into}/lo/figures/{name}"));
        assert_eq!(figure("out"), figure("fresh"), "{name}");
    }
}

#[test]
fn a_turn_at_every_change_solves_only_what_changed() {
    let place = place();
    let mut following = Following::start(&place);
    let first = following.hears("lo: 1 of 1");
    assert!(first.contains("wrote out/lo/lo.pdf (6 of 6 blocks solved again)"), "{first}");
    assert!(first.contains("requirement  verdict"), "{first}");
    place.file("lo.md", note("1 fs"));
    let turn = following.hears("moved: LO-1 now fails by ");
    assert!(turn.contains("(1 of 6 blocks solved again)"), "only the requirements: {turn}");
    following.hears("       limit of LO-1 <= 1 s -> <= 1 fs");
    same_as_fresh(&place);
    // Prose alone.
    place.file("lo.md", note("1 fs") + "\nMore text.\n");
    let turn = following.hears("no number moved");
    assert!(turn.contains("(1 of 6 blocks"), "{turn}");
    // Data and part files: what rests on them, and nothing else.
    place.file("data/ref.csv", "100,-110\n1e4,-150\n1e6,-160\n");
    let turn = following.hears("moved: noise.jitter");
    assert!(turn.contains("(4 of 6 blocks solved again)"), "{turn}");
    same_as_fresh(&place);
    place.file("parts/vco.yaml", "tuning: {0 V: 80 MHz, 5 V: 120 MHz}\n");
    let turn = following.hears("moved: ");
    assert!(turn.contains("lo.bandwidth") || turn.contains("noise.jitter"), "{turn}");
    same_as_fresh(&place);
    assert_eq!(following.interrupt(), Some(0));
    let mut left = place.names("out");
    left.retain(|name| name != ".kept");
    assert_eq!(left, ["lo"], "nothing else is left behind");
}

#[test]
fn a_fault_keeps_the_last_good_document_and_mending_it_recovers() {
    let place = place();
    let mut following = Following::start(&place);
    following.hears("lo: 1 of 1");
    let good = place.read("out/lo/lo.pdf");
    place.file("lo.md", note("1 pig"));
    let turn = following.hears("out/lo/lo.pdf stays as it was");
    assert!(turn.contains("lo.md:") && turn.contains("1 fault, not solved"), "{turn}");
    assert_eq!(place.read("out/lo/lo.pdf"), good);
    place.file("lo.md", note("1 s"));
    following.hears("nothing moved");
    // A data file that goes, and comes again.
    fs::remove_file(place.path("data/ref.csv")).expect("removed");
    following.hears("stays as it was");
    assert_eq!(place.read("out/lo/lo.pdf"), good);
    place.file("data/ref.csv", "100,-100\n1e4,-150\n1e6,-160\n");
    following.hears("moved: noise.jitter");
    same_as_fresh(&place);
    // The note itself.
    fs::remove_file(place.path("lo.md")).expect("removed");
    following.hears("stays as it was");
    place.file("lo.md", note("2 s"));
    following.hears("moved: limit of LO-1");
    // A typesetter that fails.
    place.typst("0.15.1", "echo 'error: no such thing' >&2; exit 1");
    place.file("lo.md", note("3 s"));
    following.hears("stays as it was");
    assert!(place.read("out/lo/results.json").contains("<= 2 s"));
    place.typst("0.15.1", PRESS).file("lo.md", note("4 s"));
    following.hears("moved: limit of LO-1");
    same_as_fresh(&place);
    assert_eq!(following.interrupt(), Some(0));
}

#[test]
fn saves_of_every_kind_end_in_the_last_text() {
    let place = place();
    let mut following = Following::start(&place);
    following.hears("lo: 1 of 1");
    for round in 2..5 {
        // By a new file that takes the place of the old one.
        place.file("lo.md.new", note(&format!("{round} s")));
        fs::rename(place.path("lo.md.new"), place.path("lo.md")).expect("renamed");
        following.hears(&format!("-> <= {round} s"));
        // By setting the old one aside first, and a pause in between.
        fs::rename(place.path("lo.md"), place.path("lo.md~")).expect("renamed");
        thread::sleep(Duration::from_millis(60));
        place.file("lo.md", note(&format!("{round}0 s")));
        following.hears(&format!("-> <= {round}0 s"));
    }
    for round in 0..30 {
        place.file("lo.md", note(&format!("1{round:02} s")));
        thread::sleep(Duration::from_millis(5));
    }
    following.hears("-> <= 129 s");
    same_as_fresh(&place);
    assert!(!following.heard.contains("error["), "{}", following.heard);
    assert_eq!(following.interrupt(), Some(0));
}

#[test]
fn what_can_not_be_followed_is_told() {
    let place = place();
    place.run(&["follow", "."]).fails(2, &["`.` is a folder, `follow` takes one note", "lo.md"]);
    place.run(&["follow", "la.md"]).fails(2, &["did you mean `lo.md`?"]);
    place.typst("0.14.0", "");
    place.run(&["follow", "lo.md"]).fails(3, &["is version 0.14.0"]);
    assert_eq!(place.names(""), ["data", "lo.md", "parts"]);
}

/// A note that is faulty from the start is followed until it is mended.
#[test]
fn a_faulty_note_is_waited_for() {
    let place = place();
    place.file("lo.md", note("1 pig"));
    let mut following = Following::start(&place);
    following.hears("1 fault, not solved");
    place.file("lo.md", note("1 s"));
    following.hears("lo: 1 of 1");
    assert_eq!(following.interrupt(), Some(0));
}

fn judged(above: &str, limit: &str, wider: &str) -> String {
    format!(
        "---\ntitle: Judged\n---\n\n{above}\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\n```\n\n\
         ```yaml oscillator vco\ntuning: {{0 V: 90 MHz, 5 V: 110 MHz}}\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 1 MHz}}\n\
         pump: {{currents: [1 mA], leakage: 300 uA}}\nreference_divider: 10\nfeedback_divider: 1 .. 1000\n```\n\n\
         ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\n\
         filter: passive 2\nbandwidth: 20 kHz\nphase_margin: 50 deg\n```\n\n\
         ```yaml spurs lines\nof: lo\n```\n\n\
         ```yaml alternatives others\nof: lo\noptions: {{wider: {{bandwidth: {wider}}}}}\n```\n\n\
         ```yaml requirements\n\
         LO-1: {{text: Stable., metric: lo.phase_margin, limit: \">= {limit}\"}}\n\
         LO-2: {{text: Fast., metric: lo.bandwidth, limit: \">= 30 kHz\"}}\n```\n"
    )
}

/// Warnings with their places, verdicts and what they would take come out of what is kept as they would from nothing,
/// and what judges is solved again when a requirement on it is another.
#[test]
fn what_is_kept_says_the_same_as_what_is_solved() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut kept = Kept::default();
    let turns = [
        ("", "40 deg", "30 kHz", None),
        ("A line above moves all places.", "40 deg", "30 kHz", Some(1)),
        ("", "45 deg", "30 kHz", Some(2)),
        ("", "45 deg", "35 kHz", Some(2)),
        ("And back.", "40 deg", "30 kHz", Some(1)),
    ];
    for (above, limit, wider, again) in turns {
        fs::write(folder.path().join("lo.md"), judged(above, limit, wider)).expect("saved");
        let solve = |kept: &mut Kept| {
            let files = Folder::open(folder.path()).expect("a folder");
            let job = Job::plain(&files, "lo.md");
            let Outcome { solved, diagnostics, .. } = solve_again(&job, kept);
            let solved = solved.unwrap_or_else(|| panic!("{diagnostics:?}"));
            assert!(!diagnostics.is_empty(), "the leakage is warned of");
            let missed =
                solved.store.requirements.iter().find(|verdict| verdict.id == "LO-2").expect("there");
            assert!(!missed.would_take.is_empty(), "{missed:?}");
            (to_json(&solved.store), solved.store.requirements, diagnostics)
        };
        let found = solve(&mut kept);
        if let Some(again) = again {
            assert_eq!(kept.counts().0, again, "{above} {limit} {wider}");
        }
        assert_eq!(found, solve(&mut Kept::default()));
    }
}

/// What results.json does not show of a field can matter all the same.
#[test]
fn a_default_that_is_written_and_a_digit_that_no_double_holds_are_changes() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut kept = Kept::default();
    let text = judged("", "40 deg", "30 kHz");
    let turns = [
        (text.clone(), None),
        (text.clone(), Some(1)),
        // The plan is found from all digits: the detector would run beyond its limit.
        (text.replace("frequency: 10 MHz", "frequency: 10.000000000000000001 MHz"), None),
        (text.clone(), Some(1)),
        // The first of the loop's defaults, written last: it stands where it stood. What is of the loop is solved with it.
        (text.replace("phase_margin: 50 deg", "phase_margin: 50 deg\npump_current: auto"), Some(4)),
    ];
    let mut digests = Vec::new();
    for (turn, (text, again)) in turns.into_iter().enumerate() {
        fs::write(folder.path().join("lo.md"), text).expect("saved");
        let files = Folder::open(folder.path()).expect("a folder");
        let Outcome { solved, diagnostics, .. } = solve_again(&Job::plain(&files, "lo.md"), &mut kept);
        if let Some(again) = again {
            assert_eq!(kept.counts().0, again, "turn {turn}");
        }
        assert_eq!(solved.is_none(), turn == 2, "turn {turn}: {diagnostics:?}");
        digests.extend(solved.and_then(|solved| Some(solved.store.block("lo")?.digest.clone())));
    }
    let [first, same, back, written] = digests.as_slice() else { panic!("{digests:?}") };
    assert!(first == same && same == back && back != written, "{digests:?}");
}

#[test]
fn a_warning_is_told_once_as_long_as_it_stands() {
    let place = place();
    place.file("lo.md", note("1 s") + "\nSee [there](elsewhere).\n");
    let mut following = Following::start(&place);
    let first = following.hears("lo: 1 of 1");
    assert!(first.contains("warning[link-dropped]"), "{first}");
    place.file("lo.md", note("1 s") + "\nA line.\n\nSee [there](elsewhere).\n");
    let turn = following.hears("no number moved");
    assert!(!turn.contains("link-dropped") && turn.contains("1 warning as before"), "{turn}");
    place.file("lo.md", note("1 s") + "\nSee.\n");
    let turn = following.hears("no number moved");
    assert!(!turn.contains("as before"), "{turn}");
}

/// Ctrl-C in a terminal reaches the typesetter too; that is no failure of the document.
#[test]
fn an_interrupted_typesetter_is_not_a_failed_one() {
    let place = place();
    assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
    let before = place.read("out/lo/lo.pdf");
    place.file("lo.md", note("2 s")).typst("0.15.1", "kill -TERM $$");
    let run = place.run(&["typeset", "lo.md"]);
    run.fails(3, &["lo.md: interrupted; nothing was replaced"]);
    assert!(!run.stderr.contains("error["), "{}", run.all());
    assert_eq!(place.names("out"), ["lo"]);
    assert_eq!(place.read("out/lo/lo.pdf"), before);
}

/// Choices of an edited note: each edit takes the next of one of them.
const CHOICES: [&[&str]; 11] = [
    &[
        "",
        "A line above moves all places.\n\n",
        "# A heading {.internal}\n\nIt is {{ lo.bandwidth }} wide.\n\n",
    ],
    &["1 s", "20 ps", "1 fs"],
    &["LO-1", "RX-1"],
    &["{1 kHz: -60, 1 MHz: -110}", "{1 kHz: -60, 1 MHz: -120}", "{1 kHz: -60, 1 MHz: -170}"],
    &["", "caption: \"Noise of {{ lo.bandwidth }}.\"\n", "audience: internal\n", "show: [table]\n"],
    &["1 kohm", "1.1 kohm"],
    &["noise", "budget"],
    &["Taken at {{ lo.bandwidth }}.", "Taken *late*, see [it](#lo.schematic)."],
    &["{10 kHz: -60 dBc, 20 MHz: -75 dBc}", "{10 kHz: -60 dBc, 20 MHz: -95 dBc}"],
    &["10 kHz", "1 kHz"],
    &["10 %", "5 %"],
];

fn edited(chosen: &[usize; CHOICES.len()]) -> String {
    let [above, limit, id, mask, more, r2, noise, taken, lines, within, gain] =
        std::array::from_fn(|i| CHOICES[i][chosen[i] % CHOICES[i].len()]);
    format!(
        "---\ntitle: A loop\n---\n\n{above}\
         ```yaml reference ref\nfrequency: 10 MHz\nphase_noise: {{1 kHz: -120, 1 MHz: -160}}\n```\n\n\
         ```yaml oscillator vco\ntuning: {{0 V: 90 MHz, 5 V: 110 MHz}}\nphase_noise: {{1 kHz: -80, 1 MHz: -140}}\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 10 MHz}}\npump: {{currents: [1 mA], leakage: 300 uA}}\n\
         feedback_divider: 1 .. 100\n```\n\n\
         ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\n\
         filter: passive 2\nparts: {{C1: 1 nF, R2: {r2}, C2: 15 nF}}\n```\n\n\
         ```yaml response open\nof: lo\n```\n\n\
         ```yaml phase_noise {noise}\nof: lo\nover: 1 kHz .. 1 MHz\n{more}```\n\n\
         ```yaml spurs lines\nof: lo\n```\n\n\
         ```yaml settling hop\nof: lo\nfrom: 1 V\nto: 100 MHz\nwithin: {within}\n```\n\n\
         ```yaml tolerance spread\nof: lo\ngain: {gain}\nruns: 20\n```\n\n\
         ```yaml parts_list\nof: lo\n```\n\n\
         ```yaml decision\ntaken: {taken}\nbecause: It is quiet.\n```\n\n\
         ```yaml requirements\n\
         {id}: {{text: Quiet., metric: {noise}.jitter, limit: \"<= {limit}\"}}\n\
         LO-2: {{text: Far out., metric: {noise}.total, limit: {mask}}}\n\
         LO-3: {{text: Clean., metric: lines.lines, limit: {lines}}}\n```\n"
    )
}

/// Every file and message of a turn is that of a run from nothing, whatever was edited before; also where another run finds
/// what the turns before left on the disk.
#[test]
fn a_row_of_random_edits_leaves_the_files_of_a_fresh_run() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut kept = Kept::default();
    let mut chosen = [0; CHOICES.len()];
    let mut random: u32 = 8;
    let (mut spared, mut found) = (0, 0);
    for round in 0..60 {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        chosen[(random >> 24) as usize % CHOICES.len()] += 1;
        fs::write(folder.path().join("lo.md"), edited(&chosen)).expect("saved");
        let make = |kept: &mut Kept| {
            let files = Folder::open(folder.path()).expect("a folder");
            let edition = if round % 3 == 2 { Edition::Customer } else { Edition::Review };
            let job = Job { edition: Some(edition), ..Job::plain(&files, "lo.md") };
            let Outcome { solved, diagnostics, .. } = solve_again(&job, kept);
            let solved = solved.unwrap_or_else(|| panic!("{diagnostics:?}"));
            (produce(&solved, &["html"]).expect("it can be said"), diagnostics)
        };
        let (files, told) = make(&mut kept);
        let (again, all) = kept.counts();
        spared += all - again;
        let keeper = KeptFolder::open(&folder.path().join(".kept")).expect("the test can be read");
        let keeper = Arc::new(keeper.with_everything());
        let (another, told_another) = make(&mut Kept::with(keeper.clone()));
        found += keeper.counts().0;
        let (fresh, told_fresh) = make(&mut Kept::default());
        for (files, told, how) in [(&files, &told, "in memory"), (&another, &told_another, "on disk")] {
            assert_eq!(*told, told_fresh, "round {round}, {how}");
            assert_eq!(files.len(), fresh.len(), "round {round}, {how}");
            for (file, fresh) in files.iter().zip(&fresh) {
                assert!(file == fresh, "round {round}, {how}: {} is not {}", file.path, fresh.path);
            }
        }
    }
    assert!(found > 100, "{found} long computations were found");
    assert!(spared > 300, "{spared} blocks were not solved again");
}
