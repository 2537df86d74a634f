//! Whole documents, page by page: every construct, very long, very short, and the worked designs.

#![allow(clippy::disallowed_methods, reason = "tests read notes and run poppler's tools")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use loopcase::disk::Folder;
use loopcase::document::Edition;
use loopcase::emit::OutFile;
use loopcase::pipeline::{Job, produce, solve};
use loopcase::source::Memory;

use super::press::typeset;

/// Levels of PDF/A and PDF/UA that every document holds; the typesetter checks them itself.
const STANDARDS: &str = "a-2a,ua-1";

fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The files of a note of the project, for an edition.
fn files(folder: &str, note: &str, edition: Edition) -> Vec<OutFile> {
    let files = Folder::open(&project(folder)).expect("a folder");
    let job = Job { edition: Some(edition), ..Job::plain(&files, note) };
    let outcome = solve(&job);
    let solved = outcome.solved.unwrap_or_else(|| panic!("{note}: {:?}", outcome.diagnostics));
    produce(&solved, &[]).expect("it can be said")
}

/// The text of each page, by poppler.
pub(crate) fn pages(pdf: &[u8]) -> Vec<String> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.pdf");
    fs::write(&path, pdf).expect("written");
    let output = Command::new("pdftotext").arg("-layout").arg(&path).arg("-").output();
    let output = output.unwrap_or_else(|e| panic!("pdftotext: {e}; Debian: apt-get install poppler-utils"));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let mut pages: Vec<String> = text.split('\u{c}').map(str::to_owned).collect();
    assert_eq!(pages.pop().as_deref(), Some(""), "pdftotext ends each page");
    pages
}

/// A document has no page without substance: beside head and foot there is something on each.
fn sound(name: &str, pdf: &[u8], least: usize) -> Vec<String> {
    let pages = pages(pdf);
    assert!(pages.len() >= least, "{name}: {} pages", pages.len());
    let count = pages.len();
    for (index, page) in pages.iter().enumerate().skip(1) {
        let head = format!("page {} of {count}", index + 1);
        assert!(page.contains(&head), "{name}: page {} has no running head `{head}`", index + 1);
        let lines = page.lines().filter(|line| !line.trim().is_empty()).count();
        assert!(lines > 2, "{name}: page {} is empty:\n{page}", index + 1);
    }
    pages
}

#[test]
fn every_construct_is_typeset_to_the_standards() {
    for edition in [Edition::Review, Edition::Customer] {
        let pdf = typeset(&files("tests/notes/pages", "torture.md", edition), STANDARDS);
        let pages = sound("torture", &pdf.unwrap_or_else(|said| panic!("{said}")), 5);
        let text = pages.concat();
        for words in
            ["{{ not expanded }}", "<b>bold?</b>", "a remark on channel 69", "#not a heading, $not math$"]
        {
            assert!(text.contains(words), "`{words}` is missing");
        }
        // The head of the long table comes again on each of its pages.
        let heads = pages.iter().filter(|page| page.contains("remark") && page.contains("frequency")).count();
        assert!(heads >= 2, "{heads}");
    }
}

#[test]
fn the_smallest_note_and_the_designs_are_typeset_to_the_standards() {
    let mut notes = vec![("tests/notes/pages".to_owned(), "smallest.md".to_owned())];
    for entry in fs::read_dir(project("designs")).expect("designs") {
        let name = entry.expect("an entry").file_name().to_string_lossy().into_owned();
        if Path::new(&name).extension().is_some_and(|ending| ending == "md") {
            notes.push(("designs".to_owned(), name));
        }
    }
    assert!(notes.len() >= 2);
    for (folder, note) in notes {
        let least = if folder == "designs" { 10 } else { 3 };
        let pdf = typeset(&files(&folder, &note, Edition::Review), STANDARDS);
        sound(&note, &pdf.unwrap_or_else(|said| panic!("{note}: {said}")), least);
    }
}

#[test]
fn forty_pages_have_a_head_on_each() {
    let paragraph = "The loop settles over the divider while the pump holds its current. ".repeat(18);
    let mut note = String::from("---\ntitle: A long note\n---\n\n");
    for section in 1..=34 {
        note.push_str(&format!("# Section {section}\n\n{paragraph}\n\n{paragraph}\n\n## Detail\n\n"));
        note.push_str(&format!("{paragraph}\n\n- a point\n- another\n\n> {paragraph}\n\n{paragraph}\n\n"));
    }
    let files = Memory::new([("long.md", note)]);
    let job = Job::plain(&files, "long.md");
    let outcome = solve(&job);
    let solved = outcome.solved.unwrap_or_else(|| panic!("{:?}", outcome.diagnostics));
    let pdf = typeset(&produce(&solved, &[]).expect("it can be said"), STANDARDS);
    sound("long", &pdf.unwrap_or_else(|said| panic!("{said}")), 40);
}

#[test]
fn two_runs_write_the_same_bytes() {
    let run = || files("designs", "radar_lo.md", Edition::Review);
    let (first, second) = (run(), run());
    assert!(first == second);
    let pdf = |files: &[OutFile]| typeset(files, "").unwrap_or_else(|said| panic!("{said}"));
    assert!(pdf(&first) == pdf(&second), "the PDFs differ");
}
