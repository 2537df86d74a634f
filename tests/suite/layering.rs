//! The table of layers in DEVELOPERS.md, held against the code.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use super::rust_text::{code_only, paths};

/// Files over 500 lines, with the reason. The list may only shrink.
const LONG: [(&str, &str); 0] = [];

/// Folders and files that may touch the world outside.
const OUTER: [&str; 4] = ["disk", "typeset", "cli", "main"];

/// One row of the table.
struct Row {
    level: u32,
    imports: BTreeSet<String>,
}

/// One file of `src`.
struct Source {
    /// Path below `src`, without `.rs` and `mod`, names separated by `/`.
    module: String,
    shown: String,
    code: String,
    lines: usize,
}

/// A path of the project.
fn project(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// The cells of the table under a heading of DEVELOPERS.md, without its head.
fn table(heading: &str) -> Vec<Vec<String>> {
    let text = fs::read_to_string(project("DEVELOPERS.md")).expect("DEVELOPERS.md is there");
    let section = text.split("\n## ").find(|part| part.starts_with(heading)).expect("the heading is there");
    let rows = section.lines().filter(|line| line.starts_with('|')).skip(2);
    rows.map(|row| row.trim_matches('|').split('|').map(|cell| cell.trim().to_owned()).collect()).collect()
}

fn names(cell: &str) -> BTreeSet<String> {
    cell.split(',').map(|name| name.trim().to_owned()).filter(|name| name != "-").collect()
}

fn layers() -> BTreeMap<String, Row> {
    let row = |cells: Vec<String>| {
        let level = cells[0].parse().expect("a level");
        let folder = cells[1].trim_matches(['`', '/']).to_owned();
        (folder, Row { level, imports: names(&cells[3]) })
    };
    table("Layers").into_iter().map(row).collect()
}

fn sources() -> Vec<Source> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                found.push(path);
            }
        }
    }
    let root = project("src");
    let mut found = Vec::new();
    walk(&root, &mut found);
    found.sort();
    let source = |path: PathBuf| {
        let below = path.strip_prefix(&root).expect("below src").with_extension("");
        let text = fs::read_to_string(&path).expect("a file");
        let names: Vec<&str> =
            below.iter().filter_map(|name| name.to_str()).filter(|name| *name != "mod").collect();
        Source {
            module: names.join("/"),
            shown: format!("src/{}", path.strip_prefix(&root).expect("below src").display()),
            code: code_only(&text),
            lines: text.lines().count(),
        }
    };
    found.into_iter().map(source).collect()
}

/// The row of a path: the longest folder that it lies in.
fn row_of<'a>(layers: &'a BTreeMap<String, Row>, path: &str) -> Option<(&'a str, &'a Row)> {
    layers
        .iter()
        .filter(|(folder, _)| {
            path == *folder || path.strip_prefix(*folder).is_some_and(|rest| rest.starts_with('/'))
        })
        .max_by_key(|(folder, _)| folder.len())
        .map(|(folder, row)| (&**folder, row))
}

/// Names of crate-level paths that a file uses, `super` resolved; with the line.
fn imports(source: &Source) -> Vec<(usize, String)> {
    let tests_from =
        source.code.find("#[cfg(test)]").map_or(usize::MAX, |at| source.code[..at].lines().count());
    let resolve = |(line, path): (usize, Vec<String>)| {
        let mut place: Vec<&str> = Vec::new();
        if path[0] == "super" {
            place = source.module.split('/').collect();
            if line > tests_from {
                place.push("tests");
            }
        }
        for name in &path {
            match name.as_str() {
                "crate" | "self" => {}
                "super" => drop(place.pop()),
                name => place.push(name),
            }
        }
        (line, place.join("/"))
    };
    // Unit tests of a second route may hold it against the first.
    let second_route = source.module.contains("/twice/");
    let found = paths(&source.code, &["crate", "super"]).into_iter();
    found.filter(|(line, _)| !(second_route && *line > tests_from)).map(resolve).collect()
}

/// Whether a row allows a path. Of a folder's own constants and errors, which carry no route of a result, the
/// folders inside it may use all.
fn allowed(own: &str, row: &Row, path: &str, target: &str) -> bool {
    let below = |folder: &str| path == folder || path.starts_with(&format!("{folder}/"));
    if own == target
        || row.imports.contains(target)
        || row.imports.iter().any(|import| below(import) && import.contains('/'))
    {
        return true;
    }
    let plain = path.strip_prefix(target).and_then(|rest| rest.strip_prefix('/')).is_some_and(|name| {
        name.ends_with("Error") || name.chars().all(|c| c.is_ascii_uppercase() || c == '_')
    });
    own.starts_with(&format!("{target}/")) && plain
}

#[test]
fn the_table_is_in_order() {
    let layers = layers();
    assert!(layers.len() > 10, "the table was not read");
    for (folder, row) in &layers {
        for import in &row.imports {
            let (target, below) = row_of(&layers, import)
                .unwrap_or_else(|| panic!("{folder} imports {import}, which has no row"));
            assert!(below.level <= row.level, "{folder} imports {import} of a higher level");
            assert_ne!(target, folder, "{folder} need not name itself");
            let back = below.imports.contains(folder);
            assert!(!back, "{folder} and {import} import each other");
        }
    }
}

#[test]
fn imports_keep_to_the_table() {
    let layers = layers();
    let mut faults = Vec::new();
    for source in sources().iter().filter(|source| !["lib", "main"].contains(&&*source.module)) {
        let Some((own, row)) = row_of(&layers, &source.module) else {
            faults.push(format!("{}: its folder has no row in DEVELOPERS.md", source.shown));
            continue;
        };
        for (line, path) in imports(source) {
            match row_of(&layers, &path) {
                Some((target, _)) if allowed(own, row, &path, target) => {}
                Some((target, _)) => {
                    faults.push(format!("{}:{line}: {own} may not import {target} ({path})", source.shown));
                }
                None => faults.push(format!("{}:{line}: {path} is in no folder of the table", source.shown)),
            }
        }
    }
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

#[test]
fn every_folder_of_the_table_is_there() {
    let sources = sources();
    for (folder, _) in layers() {
        let there = project(&format!("src/{folder}")).is_dir()
            || sources.iter().any(|source| source.module == folder);
        assert!(there, "{folder} has a row in DEVELOPERS.md but is not in src");
    }
}

#[test]
fn only_the_outer_folders_touch_the_world() {
    let mut faults = Vec::new();
    for source in sources() {
        let folder = source.module.split('/').next().unwrap_or_default();
        if OUTER.contains(&folder) {
            continue;
        }
        for (line, path) in paths(&source.code, &["std"]) {
            if matches!(path.get(1).map(String::as_str), Some("fs" | "process" | "time" | "env" | "net")) {
                faults.push(format!("{}:{line}: {}", source.shown, path.join("::")));
            }
        }
        for (number, line) in source.code.lines().enumerate() {
            if ["println!", "eprintln!", "print!(", "eprint!("].iter().any(|word| line.contains(word)) {
                faults.push(format!("{}:{}: prints", source.shown, number + 1));
            }
        }
    }
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

#[test]
fn an_outside_crate_is_used_where_the_table_says() {
    let manifest = fs::read_to_string(project("Cargo.toml")).expect("Cargo.toml is there");
    let section = manifest.split("\n[dependencies]\n").nth(1).expect("dependencies").split("\n[").next();
    let listed: BTreeSet<String> = section
        .expect("a section")
        .lines()
        .filter_map(|line| Some(line.split_once('=')?.0.trim().to_owned()))
        .collect();
    let homes: BTreeMap<String, BTreeSet<String>> = table("Dependencies")
        .into_iter()
        .map(|row| (row[0].trim_matches('`').to_owned(), names(&row[1])))
        .collect();
    assert_eq!(listed, homes.keys().cloned().collect(), "Cargo.toml and the table in DEVELOPERS.md differ");
    let idents: BTreeMap<String, &String> =
        listed.iter().map(|name| (name.replace('-', "_"), name)).collect();
    let roots: Vec<&str> = idents.keys().map(String::as_str).collect();
    let mut faults = Vec::new();
    for source in sources() {
        let folder = source.module.split('/').next().unwrap_or_default();
        for (line, path) in paths(&source.code, &roots) {
            let name = idents[&path[0]];
            if !homes[name].contains(folder) {
                faults.push(format!("{}:{line}: {name} is not for {folder}", source.shown));
            }
        }
    }
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}

#[test]
fn there_are_no_hash_maps() {
    for source in sources() {
        for (number, line) in source.code.lines().enumerate() {
            let found = ["HashMap", "HashSet"].into_iter().find(|word| line.contains(word));
            assert_eq!(found, None, "{}:{}", source.shown, number + 1);
        }
    }
}

#[test]
fn long_files_are_listed_with_a_reason() {
    let long: BTreeMap<String, usize> = sources()
        .into_iter()
        .filter(|source| source.lines > 500)
        .map(|source| (source.shown, source.lines))
        .collect();
    for (file, lines) in &long {
        assert!(LONG.iter().any(|(listed, _)| listed == file), "{file} has {lines} lines: split it");
    }
    for (listed, reason) in LONG {
        assert!(long.contains_key(listed), "{listed} is short again: take it off the list");
        assert!(!reason.is_empty());
    }
}
