//! `compare`: what differs between two revisions, each a note or a sealed file.

use std::path::Path;

use super::args;
use super::console::Console;
use super::exit::Exit;
use super::given::one_note;
use super::sealed::{data_files, is_zip, load, open_sealed, side};
use super::solving::{Wish, solve_note};
use crate::archive::sha256;
use crate::compare::{Differences, Side, compare};
use crate::document::Edition;
use crate::pipeline::Kept;
use crate::results::to_json;
use crate::source::Files;

pub(super) fn run(args: &args::Compare, console: &mut Console) -> Exit {
    let (old, new) = match (read(&args.old, console), read(&args.new, console)) {
        (Ok(old), Ok(new)) => (old, new),
        (Err(one), Err(other)) => return one.max(other),
        (Err(exit), _) | (_, Err(exit)) => return exit,
    };
    let label = |path: &Path, side: &Side| {
        let word = |name: &str| side.results.get(name).and_then(serde_json::Value::as_str).map(str::to_owned);
        let revision = word("revision").map(|r| format!("revision {r}, ")).unwrap_or_default();
        format!("{} ({revision}{})", path.display(), word("tool").unwrap_or_default())
    };
    let differences = compare(&old, &new);
    console.line(&format!("was {}\nis  {}", label(&args.old, &old), label(&args.new, &new)));
    console.line(&differences.sentence());
    console.print(&report(&differences));
    if differences.none() { Exit::Done } else { Exit::NotMet }
}

fn read(path: &Path, console: &mut Console) -> Result<Side, Exit> {
    if path.is_file() {
        let bytes = load(path, console)?;
        if is_zip(&bytes) {
            let sealed = open_sealed(path, &bytes, console)?;
            return side(path, &sealed, console);
        }
    }
    let note = one_note(path, "compare", console)?;
    let files = note.open(console)?;
    let wish = Wish { edition: Some(Edition::Review), ..Wish::default() };
    let (_, solved) = solve_note(&note, &files, wish, &mut Kept::default(), console)?;
    let served = files.served();
    let text = served.get(&note.file).map(|bytes| String::from_utf8_lossy(bytes).into_owned());
    let digests = served.iter().map(|(path, bytes)| (path.clone(), sha256(bytes))).collect();
    Ok(Side {
        results: to_json(&solved.store),
        text: text.unwrap_or_default(),
        files: data_files(digests, &note.file),
    })
}

/// The sections as text, each a table under its heading.
pub(super) fn report(differences: &Differences) -> String {
    let mut text = String::new();
    for section in differences.sections() {
        text.push_str(&format!("\n{}\n", section.title));
        let heads: Vec<String> = section.heads.iter().map(|head| (*head).to_owned()).collect();
        let rows: Vec<&Vec<String>> = [&heads].into_iter().chain(&section.rows).collect();
        let widths: Vec<usize> = (0..heads.len())
            .map(|column| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0))
            .collect();
        for row in rows {
            let cells = row.iter().zip(&widths).map(|(cell, &width)| format!("{cell:width$}"));
            let line = cells.collect::<Vec<_>>().join("  ");
            text.push_str(&format!("  {}\n", line.trim_end()));
        }
    }
    text
}
