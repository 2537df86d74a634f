//! The targets of `tests/fuzz` on seeded broken input: bytes changed, cut, doubled, words of the languages put in.
//!
//! `BROKEN=100000 cargo test --release --test suite broken_input -- --nocapture` for a long run.

use std::panic::{AssertUnwindSafe, catch_unwind};

use loopcase::pipeline::produce;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

#[path = "../fuzz/targets.rs"]
mod targets;

use super::press::typeset;
use targets::TARGETS;

/// Inputs for each target in a run of the suite.
const USUAL: usize = 250;

/// Words that the languages of a note know, and numbers at their ends.
const WORDS: &[&str] = &[
    "---\n",
    "```",
    "```yaml loop lo\n",
    "{{",
    "}}",
    "{%",
    "%}",
    "{#",
    "..",
    "+-",
    "dBc/Hz",
    "MHz",
    "1e308",
    "-0",
    "9007199254740993",
    "1e-400",
    "%",
    "\u{0}",
    "\u{feff}",
    "\u{202e}",
    "\u{e000}",
    "\r\n",
    "&a",
    "*a",
    "<<",
    "!!",
    "[",
    "{",
    "|",
    ">",
    "# ",
    "$$",
    "\\frac",
    "\\begin{",
    "\\left",
    "}",
    "^",
    "_",
    "[^1]",
    "![",
    "](",
    "<!--",
    "</",
    "#\"",
    "\\u{",
    "@",
    "#import",
    "=",
    ";",
    "\t",
    ": ",
    "inf",
    "nan",
];

fn below(random: &mut ChaCha8Rng, most: usize) -> usize {
    (random.next_u64() % most.max(1) as u64) as usize
}

/// One input made worse in one to six places.
fn broken(seed: &[u8], random: &mut ChaCha8Rng) -> Vec<u8> {
    let mut bytes = seed.to_vec();
    for _ in 0..=below(random, 6) {
        let at = below(random, bytes.len() + 1);
        let end = (at + below(random, 12)).min(bytes.len());
        match below(random, 7) {
            0 if at < bytes.len() => bytes[at] = random.next_u32() as u8,
            1 => drop(bytes.drain(at..end)),
            2 => {
                let part = bytes[at..end].to_vec();
                drop(bytes.splice(at..at, part));
            }
            3 => {
                let word = WORDS[below(random, WORDS.len())];
                drop(bytes.splice(at..at, word.bytes()));
            }
            4 => {
                let word = WORDS[below(random, WORDS.len())];
                drop(bytes.splice(at..end, word.bytes()));
            }
            5 if at < bytes.len() => bytes[at] ^= 1 << below(random, 8),
            6 => bytes.truncate(at.max(bytes.len() / 2)),
            _ => {}
        }
    }
    bytes
}

#[test]
fn broken_input_never_panics() {
    let count = std::env::var("BROKEN").ok().and_then(|text| text.parse().ok()).unwrap_or(USUAL);
    let mut faults = Vec::new();
    for (stream, target) in TARGETS.iter().enumerate() {
        let mut random = ChaCha8Rng::seed_from_u64(20_261_125);
        random.set_stream(stream as u64);
        for turn in 0..count {
            let bytes = broken(target.seeds[turn % target.seeds.len()], &mut random);
            if catch_unwind(AssertUnwindSafe(|| (target.run)(&bytes))).is_err() {
                faults.push(format!("{} {turn}: {:?}", target.name, String::from_utf8_lossy(&bytes)));
            }
        }
        println!("{}: {count} inputs", target.name);
    }
    faults.truncate(10);
    assert!(faults.is_empty(), "{faults:#?}");
}

/// A run over inputs that are whole would show nothing if the seeds themselves were refused.
#[test]
fn the_inputs_to_start_from_are_whole() {
    for target in TARGETS {
        for seed in target.seeds {
            (target.run)(seed);
        }
    }
    let manifest = include_str!("../fuzz/Cargo.toml");
    for target in TARGETS {
        assert!(manifest.contains(&format!("name = \"{}\"", target.name)), "{} has no binary", target.name);
    }
}

/// What is solved can be typeset, whatever stands in it. Prose, formulas and whole notes by turns.
#[test]
fn broken_notes_that_are_solved_compile_in_typst() {
    let wanted = std::env::var("BROKEN")
        .ok()
        .and_then(|text| text.parse().ok())
        .map_or(12, |count: usize| count / 100);
    let seeds: Vec<Vec<u8>> = TARGETS
        .iter()
        .flat_map(|target| target.seeds.iter().map(move |seed| (target.name, *seed)))
        .filter_map(|(name, seed)| match name {
            "note" => Some(seed.to_vec()),
            "prose" => Some(targets::note_of(seed)),
            "math" => Some(targets::note_of(&[b"So $", seed, b"$ it is.\n"].concat())),
            _ => None,
        })
        .collect();
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let (mut compiled, mut tried) = (0, 0);
    while compiled < wanted && tried < wanted * 40 {
        let text = broken(&seeds[tried % seeds.len()], &mut random);
        tried += 1;
        let Some(solved) = targets::solved(&text, &[]) else { continue };
        let Ok(files) = produce(&solved, &[]) else { continue };
        if let Err(said) = typeset(&files, "") {
            // A character that no font of the document has is no fault of the source.
            assert!(!said.contains("error"), "{said}\n{:?}", String::from_utf8_lossy(&text));
        }
        compiled += 1;
    }
    println!("{compiled} of {tried} broken notes compiled");
    assert_eq!(compiled, wanted);
}
