//! How long notes take without the typesetter, and the steps of it that repeat most, in one run.

#![allow(clippy::disallowed_methods, reason = "benches read the worked notes")]
#![allow(missing_docs, reason = "criterion's macros make items without docs")]

use std::fs;
use std::hint::black_box;
use std::path::Path;

use criterion::{Criterion, criterion_group, criterion_main};
use loopcase::pipeline::{Job, produce, solve};
use loopcase::source::Memory;

/// The worked notes with their parts, in memory.
fn designs() -> Memory {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("designs");
    let mut files = Vec::new();
    for folder in ["", "parts/", "data/"] {
        for entry in fs::read_dir(root.join(folder)).expect("a folder").flatten() {
            if entry.path().is_file() {
                let name = format!("{folder}{}", entry.file_name().to_string_lossy());
                files.push((name, fs::read(entry.path()).expect("a file")));
            }
        }
    }
    Memory::new(files)
}

fn job<'a>(files: &'a Memory, with: &'a [(String, String)]) -> Job<'a> {
    Job { with, ..Job::plain(files, "radar_lo.md") }
}

fn note(criterion: &mut Criterion) {
    let files = designs();
    let solved = solve(&job(&files, &[])).solved.expect("the note is sound");
    let mut group = criterion.benchmark_group("radar_lo");
    group.bench_function("solve", |b| b.iter(|| black_box(solve(&job(&files, &[])))));
    group.bench_function("produce", |b| b.iter(|| black_box(produce(&solved, &[]))));
    let empty = Memory::new([("radar_lo.md", "---\ntitle: Only prose\n---\n\nNothing is solved here.\n")]);
    group.bench_function("solve prose only", |b| b.iter(|| black_box(solve(&job(&empty, &[])))));
    group.finish();
}

/// The sampling clock with its map of 60 x 40 trials, and without: the difference is the map.
fn region(criterion: &mut Criterion) {
    let files = designs();
    let with = Job { note: "sampling_clock.md", shown: "sampling_clock.md", ..job(&files, &[]) };
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("designs/sampling_clock.md"));
    let text = text.expect("the note");
    let start = text.find("How much room there is").expect("the paragraph on the region");
    let end = text[start..].find("The share of the output buffer").expect("the next paragraph") + start;
    let mut entries = Vec::new();
    for folder in ["parts", "data"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("designs").join(folder);
        for entry in fs::read_dir(path).expect("a folder").flatten() {
            let name = format!("{folder}/{}", entry.file_name().to_string_lossy());
            entries.push((name, fs::read(entry.path()).expect("a file")));
        }
    }
    entries.push(("clock.md".to_owned(), format!("{}{}", &text[..start], &text[end..]).into_bytes()));
    let files = Memory::new(entries);
    let without = Job { note: "clock.md", shown: "clock.md", ..job(&files, &[]) };
    assert!(solve(&without).solved.is_some() && solve(&with).solved.is_some(), "both are sound");
    let mut group = criterion.benchmark_group("region of 60 x 40 points");
    group.sample_size(10);
    group.bench_function("with", |b| b.iter(|| black_box(solve(&with))));
    group.bench_function("without", |b| b.iter(|| black_box(solve(&without))));
    group.finish();
}

/// A block of `settling` that follows a million detector cycles of an integer loop, most of them in lock, on a straight
/// tuning line and on a curve that bends; and the same note without it.
fn million(criterion: &mut Criterion) {
    let straight = "gain: 40 MHz/V\ncontrol: 0.5 V .. 4.5 V\nrange: 830 MHz .. 990 MHz";
    let bent = "tuning: {0.5 V: 820 MHz, 1.5 V: 870 MHz, 2.5 V: 912 MHz, 3.5 V: 946 MHz, 4.5 V: 975 MHz}";
    let block =
        "\n```yaml settling hop\nof: lo\nfrom: 850 MHz\nto: 900 MHz\nwithin: 1 kHz\nuntil: 1 s\n```\n";
    let mut group = criterion.benchmark_group("a note with a hop of a million detector cycles");
    group.sample_size(10);
    for (name, tuning, block) in [
        ("without the hop", straight, ""),
        ("straight tuning line", straight, block),
        ("bent tuning curve", bent, block),
    ] {
        let text = format!(
            "---\ntitle: A million cycles\n---\n\n```yaml reference ref\nfrequency: 10 MHz\n```\n\n\
             ```yaml oscillator vco\n{tuning}\nphase_noise: {{10 kHz: -88, 1 MHz: -131}}\n```\n\n\
             ```yaml synthesizer core\ndetector: {{max_frequency: 10 MHz, floor: -218 dBc/Hz}}\n\
             pump: {{currents: [1 mA], compliance: 0.4 V .. 4.6 V}}\n\
             reference_divider: 1 .. 1023\nfeedback_divider: 24 .. 65535\n```\n\n\
             ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 900 MHz\nstep: 1 MHz\n\
             bandwidth: 12 kHz\nphase_margin: 50 deg\nfilter: passive 2\n```\n{block}"
        );
        let files = Memory::new([("hop.md", text)]);
        let job = Job::plain(&files, "hop.md");
        let solved = solve(&job);
        assert!(solved.solved.is_some(), "{:?}", solved.diagnostics);
        group.bench_function(name, |b| b.iter(|| black_box(solve(&job))));
    }
    group.finish();
}

criterion_group!(benches, note, region, million);
criterion_main!(benches);
