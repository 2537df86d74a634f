//! Runs killed at any time: never a half-written file, never a lost earlier one.

use std::collections::BTreeMap;
use std::fs;
use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

use loopcase::archive::open;

use super::place::Place;

/// A "PDF" that is the source itself, written in two halves.
const PRESS: &str = "for source in \"$@\"; do case $source in *.typ) \
    head -c 3000 \"$source\"; tail -c +3001 \"$source\";; esac; done > \"$last\"";

fn note(version: usize) -> String {
    let version = version % 2;
    format!(
        "---\ntitle: A loop\nrevision: A\n---\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\n```\n\n\
         ```yaml oscillator vco\ntuning: {{0 V: 90 MHz, 5 V: 110 MHz}}\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 10 MHz}}\npump: {{currents: [1 mA]}}\n\
         feedback_divider: 1 .. 100\n```\n\n\
         ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\n\
         filter: passive 2\nparts: {{C1: 1.{version} nF, R2: 1 kohm, C2: 15 nF}}\n```\n"
    )
}

/// Every file below a folder, by path.
fn files(place: &Place, folder: &str) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![String::new()];
    while let Some(inner) = open.pop() {
        for name in place.names(&format!("{folder}/{inner}")) {
            let path = format!("{inner}{name}");
            if place.path(&format!("{folder}/{path}")).is_dir() {
                open.push(format!("{path}/"));
            } else {
                found.insert(path.clone(), place.bytes(&format!("{folder}/{path}")));
            }
        }
    }
    found
}

struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % limit
    }
}

/// Kills that many runs, each at a time of its own; then everything is whole, and the next run ends as if nothing had
/// been.
fn kill(times: usize, seed: u64) {
    let place = Place::new();
    for tool in ["head", "tail"] {
        place.program(tool, &format!("exec /usr/bin/{tool} \"$@\""));
    }
    place.typst("0.15.1", PRESS);
    let wholes: Vec<_> = (0..2)
        .map(|version| {
            place.file("lo.md", note(version));
            let into = format!("whole{version}");
            let run = place.run(&["typeset", "lo.md", "--into", &into]);
            assert_eq!(run.status, Some(0), "{}", run.all());
            files(&place, &format!("{into}/lo"))
        })
        .collect();
    assert!(wholes[0] != wholes[1] && wholes[0].len() > 5);
    let start = Instant::now();
    assert_eq!(place.run(&["typeset", "lo.md"]).status, Some(0));
    assert_eq!(place.run(&["seal", "lo.md"]).status, Some(0));
    // Of one run, about; runs that end before their kill count for nothing.
    let span = start.elapsed().as_micros() as u64 / 2;
    let sealed = place.bytes("sealed/lo-A.zip");
    let mut dice = Dice(seed);
    let (mut killed, mut round) = (0, 0);
    while killed < times {
        assert!(round < 10 * times, "only {killed} of {round} were still running");
        place.file("lo.md", note(round));
        let words = match round % 3 {
            0 => &["typeset", "lo.md"][..],
            1 => &["follow", "lo.md"],
            _ => &["seal", "lo.md", "--into", "other"],
        };
        let mut child =
            place.command(words).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("runs");
        thread::sleep(Duration::from_micros(dice.below(span)));
        killed += usize::from(child.try_wait().expect("asked").is_none());
        child.kill().expect("killed, or ended already");
        child.wait().expect("ends");
        let now = files(&place, "out/lo");
        assert!(wholes.contains(&now), "round {round}, {words:?}: {:?}", now.keys());
        assert!(place.bytes("sealed/lo-A.zip") == sealed, "round {round}");
        for name in place.names("other").iter().filter(|name| !name.starts_with('.')) {
            let bytes = place.bytes(&format!("other/{name}"));
            assert!(open(&bytes).is_ok(), "round {round}: {name}");
            fs::remove_file(place.path(&format!("other/{name}"))).expect("removed");
        }
        round += 1;
    }
    // A typesetter that outlived its run may still hold its folder for a moment.
    thread::sleep(Duration::from_millis(300));
    place.file("lo.md", note(0));
    let run = place.run(&["typeset", "lo.md"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    assert!(files(&place, "out/lo") == wholes[0]);
    assert_eq!(place.names("out"), ["lo"], "leftovers go with the next run");
    let run = place.run(&["seal", "lo.md", "--into", "other"]);
    assert_eq!(run.status, Some(0), "{}", run.all());
    assert_eq!(place.names("other"), ["lo-A.zip"]);
}

#[test]
fn ten_kills_lose_nothing() {
    kill(10, 1);
}

#[test]
#[ignore = "takes minutes; .ci/run runs it"]
fn two_hundred_kills_lose_nothing() {
    kill(200, 20_260_314);
}
