//! How long a package takes beside the bare typesetter on the same .typ files, two at a time, in one run: the worked notes,
//! which simulate, and fifty small ones. Run it with a typesetter installed.
//!
//! What bounds it: small notes, the typesetter. The worked notes, processor time: both cores are busy all the while, with
//! solving (a fifth of what typesetting takes), then with the package beside its notes. Each typesetter has one thread,
//! which takes 7 % less than two beside each other.

#![allow(clippy::disallowed_methods, reason = "benches write files and run programs")]
#![allow(missing_docs, reason = "criterion's macros make items without docs")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use criterion::{Criterion, criterion_group, criterion_main};
use loopcase::typeset::{Surroundings, find};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn typesetter() -> PathBuf {
    match find(None, &Surroundings::of_process()) {
        Ok(found) => found.path,
        Err(missing) => panic!("{missing}"),
    }
}

fn bind(folder: &Path, into: &Path) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_loopcase"));
    command.args(["typeset", "--bind", "--quiet", "--into"]).arg(into).arg(folder);
    let status = command.stderr(Stdio::null()).status().expect("it runs");
    assert!(status.success());
}

/// The .typ files below a folder.
fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "typ") {
            found.push(path);
        }
    }
}

/// Typesets files, two at a time, the longest first as anyone would.
fn bare(typst: &Path, sources: &[PathBuf]) {
    let spawn = |source: &PathBuf| {
        let folder = source.parent().expect("a folder");
        let mut command = Command::new(typst);
        command.args(["compile", "--ignore-system-fonts", "--root"]).arg(folder).arg(source);
        command.arg(source.with_extension("bare.pdf")).stderr(Stdio::null()).spawn().expect("it runs")
    };
    let mut rest = sources.iter();
    let mut running: Vec<_> = rest.by_ref().take(2).map(spawn).collect();
    while !running.is_empty() {
        let Some(at) = running.iter_mut().position(|one| !matches!(one.try_wait(), Ok(None))) else {
            std::thread::sleep(std::time::Duration::from_millis(1));
            continue;
        };
        assert!(running.remove(at).wait().expect("it ends").success());
        running.extend(rest.next().map(spawn));
    }
}

fn compare(criterion: &mut Criterion, name: &str, folder: &Path) {
    let (into, typst) = (tempfile::tempdir().expect("a folder"), typesetter());
    bind(folder, into.path());
    let mut found = Vec::new();
    sources(into.path(), &mut found);
    let size = |path: &PathBuf| fs::metadata(path).map_or(0, |data| data.len());
    found.sort_by_key(|path| std::cmp::Reverse(size(path)));
    let mut group = criterion.benchmark_group(name);
    group.sample_size(10);
    group.bench_function("bare typesetter", |b| b.iter(|| bare(&typst, &found)));
    group.bench_function("package", |b| b.iter(|| bind(folder, into.path())));
    group.finish();
}

fn packages(criterion: &mut Criterion) {
    compare(criterion, "worked notes", &root().join("designs"));
    let fifty = tempfile::tempdir().expect("a folder");
    let smallest = fs::read_to_string(root().join("tests/notes/good/smallest.md")).expect("a note");
    for number in 0..50 {
        let text = smallest
            .replace("The smallest loop", &format!("Loop number {number}"))
            .replace("output: 500 MHz", &format!("output: {} MHz", 480 + 10 * (number % 5)))
            .replace("1.5 kohm", &format!("1.{} kohm", 3 + number % 5));
        let text = format!("{text}\n```yaml parts_list\n```\n");
        fs::write(fifty.path().join(format!("loop_{number:02}.md")), text).expect("written");
    }
    compare(criterion, "fifty small notes", fifty.path());
}

criterion_group!(benches, packages);
criterion_main!(benches);
