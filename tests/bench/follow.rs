//! How long `follow` takes from a save noticed to the .typ written, after an edit of one requirement in a note of 100
//! blocks; beside it the same note solved and produced from nothing.

#![allow(clippy::disallowed_methods, reason = "benches write files")]
#![allow(missing_docs, reason = "criterion's macros make items without docs")]

use std::fs;
use std::hint::black_box;
use std::time::{Duration, Instant};

use criterion::{Criterion, criterion_group, criterion_main};
use loopcase::disk::Folder;
use loopcase::pipeline::{Job, Kept, Outcome, solve_again, to_typeset};

/// Loops of the note; each has four blocks of its own.
const LOOPS: usize = 24;

/// A note of 100 blocks: one reference, oscillator and synthesizer, a requirements block, and for each loop the loop,
/// its phase noise, its response and its values.
fn note(limit: usize) -> String {
    let mut text = String::from(
        "---\ntitle: A hundred blocks\n---\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\nphase_noise: {10 Hz: -120, 1 kHz: -150, 100 kHz: -160}\n```\n\n\
         ```yaml oscillator vco\ngain: 40 MHz/V\ncontrol: 0.5 V .. 4.5 V\nrange: 2.35 GHz .. 2.5 GHz\n\
         phase_noise: {10 kHz: -88, 100 kHz: -110, 1 MHz: -131, 10 MHz: -150}\n```\n\n\
         ```yaml synthesizer core\ndetector: {max_frequency: 30 MHz, floor: -222 dBc/Hz}\n\
         pump: {currents: [0.5 mA, 1 mA, 2 mA, 4 mA], compliance: 0.5 V .. 4.5 V}\n\
         reference_divider: 1 .. 1023\nfeedback_divider: 24 .. 65535\n```\n\n",
    );
    for i in 0..LOOPS {
        text.push_str(&format!(
            "# Loop {i}\n\nIt is {{{{ lo{i}.bandwidth }}}} wide, with {{{{ noise{i}.jitter }}}} of jitter.\n\n\
             ```yaml loop lo{i}\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 2.{} GHz\n\
             bandwidth: {} kHz\nphase_margin: 52 deg\nfilter: passive 3\n```\n\n\
             ```yaml phase_noise noise{i}\nof: lo{i}\nover: 1 kHz .. 10 MHz\n```\n\n\
             ```yaml response plot{i}\nof: lo{i}\n```\n\n\
             ```yaml values given{i}\nlimit{i}: {} fs\n```\n\n",
            40 + i % 10,
            50 + i,
            400 + i
        ));
    }
    text.push_str("```yaml requirements\n");
    for i in 0..LOOPS {
        text.push_str(&format!(
            "LO-{i}: {{text: Quiet., metric: noise{i}.jitter, limit: \"<= {} fs\"}}\n",
            limit + i
        ));
    }
    text.push_str("```\n");
    text
}

/// From the note on the disk to the .typ on the disk.
fn turn(folder: &std::path::Path, kept: &mut Kept) -> Duration {
    let start = Instant::now();
    let files = Folder::open(folder).expect("a folder");
    let job = Job::plain(&files, "lo.md");
    let Outcome { solved, diagnostics, .. } = solve_again(&job, kept);
    let solved = solved.unwrap_or_else(|| panic!("{diagnostics:?}"));
    // The rest of the result folder is made while the typesetter works.
    let products = to_typeset(&solved).expect("it can be said");
    let typst = products.iter().find(|file| file.path == "lo.typ").expect("its text");
    fs::write(folder.join("lo.typ"), &typst.bytes).expect("written");
    let taken = start.elapsed();
    black_box(products);
    taken
}

fn follow(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder");
    let save = |limit: usize| fs::write(folder.path().join("lo.md"), note(limit)).expect("saved");
    let mut group = criterion.benchmark_group("a note of 100 blocks");
    group.sample_size(20);
    let mut kept = Kept::default();
    save(400);
    turn(folder.path(), &mut kept);
    assert_eq!(kept.counts().1, 100);
    let mut limit = 400;
    group.bench_function("edit of one requirement to .typ", |b| {
        b.iter_custom(|times| {
            (0..times)
                .map(|_| {
                    limit += 1;
                    save(limit);
                    turn(folder.path(), &mut kept)
                })
                .sum()
        });
    });
    assert_eq!(kept.counts().0, 1, "only the requirements were solved again");
    group.bench_function("from nothing to .typ", |b| {
        b.iter_custom(|times| (0..times).map(|_| turn(folder.path(), &mut Kept::default())).sum());
    });
    group.finish();
}

criterion_group!(benches, follow);
criterion_main!(benches);
