//! The same numbers in the printed document, on the page, in the tables and in the results.

#![allow(clippy::disallowed_methods, reason = "tests write a PDF and run poppler's tools")]

use std::process::Command;

use loopcase::document::Edition;
use loopcase::emit::OutFile;
use loopcase::units::parse;
use serde_json::Value;

use super::browser::Browser;
use super::press::typeset;
use super::screen::{files, page, written};

fn squeezed(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace() && *c != '\u{200b}').collect()
}

fn file<'a>(files: &'a [OutFile], path: &str) -> &'a [u8] {
    &files.iter().find(|file| file.path == path).unwrap_or_else(|| panic!("{path} is there")).bytes
}

/// A printed number as a value of its unit, and half a step of its last digit. The last nought of three digits fills a
/// place: 910 Hz may be 907.9 Hz to two digits.
fn read(text: &str) -> Option<(f64, f64)> {
    let plain = text.replace(['\u{202f}', '\u{a0}'], " ").replace('\u{2212}', "-").replace('°', " deg");
    let plain = plain.replace("deg C", "degC");
    // A pure number stands without a unit.
    let value = match plain.trim().parse() {
        Ok(value) => value,
        Err(_) => parse(plain.trim()).ok()?.value,
    };
    let digits: String =
        plain.trim().chars().take_while(|c| c.is_ascii_digit() || "-.".contains(*c)).collect();
    let decimals = digits.split_once('.').map_or(0, |(_, rest)| rest.len()) as i32;
    let number: f64 = digits.parse().ok()?;
    let scale = if number == 0.0 { 1.0 } else { (value / number).abs() };
    let filled = decimals == 0 && (100.0..1000.0).contains(&number.abs()) && digits.ends_with('0');
    let decimals = if filled { -1 } else { decimals };
    Some((value, 0.5000001 * 10f64.powi(-decimals) * scale))
}

fn metric<'a>(results: &'a Value, dotted: &str) -> &'a Value {
    let (block, rest) = dotted.split_once('.').expect("a dotted name");
    rest.split('.').fold(&results["blocks"][block]["metrics"], |node, name| &node[name])
}

#[test]
fn pdf_page_tables_and_results_agree() {
    let files = files("designs", "radar_lo.md", Edition::Review);
    let results: Value = serde_json::from_slice(file(&files, "results.json")).expect("JSON");
    let folder = tempfile::tempdir().expect("a folder");
    let pdf = folder.path().join("a.pdf");
    std::fs::write(&pdf, typeset(&files, "").unwrap_or_else(|said| panic!("{said}"))).expect("written");
    let output = Command::new("pdftotext").arg(&pdf).arg("-").output().expect("pdftotext runs");
    let printed = squeezed(&String::from_utf8_lossy(&output.stdout));

    let (_folder, path) = written(&page(&files));
    let browser = Browser::start(1200, 800, false);
    browser.open(&path);
    let tables = browser.ask(
        "return [...document.querySelectorAll('table')].map(table => [table.closest('.wide').id || table.className, \
         ...[...table.querySelectorAll('tr')].map(row => [...row.children].map(cell => cell.textContent))])",
    );
    let tables = tables.as_array().expect("tables");
    let text = |value: &Value| value.as_str().expect("text").to_owned();

    // The key figures of the summary, against the results and the print.
    let key = tables.iter().find(|table| table[0] == "key").expect("key figures");
    let rows = &key.as_array().expect("rows")[2..];
    assert!(rows.len() > 6);
    for row in rows {
        let (value, name) = (text(&row[1]), text(&row[2]));
        let wanted = metric(&results, &name)["value"].as_f64().expect("a number");
        let (found, step) = read(&value).unwrap_or_else(|| panic!("{name}: {value}"));
        assert!((found - wanted).abs() <= step, "{name}: {value} on the page, {wanted} in the results");
        assert!(printed.contains(&squeezed(&value)), "{name}: {value} is not in print");
    }

    // Every number of every table file, against the page and the print.
    let mut numbers = 0;
    for csv in files.iter().filter(|file| file.path.starts_with("tables/")) {
        let name = csv.path.trim_start_matches("tables/").trim_end_matches(".csv");
        let id = |rest: &str| format!("{name}{rest}");
        let table = tables.iter().find(|table| {
            let found = text(&table[0]);
            found == id(".table") || found == name.replacen('.', ".table.", 1) || found == name
        });
        let Some(table) = table else { panic!("{name} is not on the page") };
        let rows = &table.as_array().expect("rows")[2..];
        let lines: Vec<String> =
            String::from_utf8_lossy(&csv.bytes).lines().skip(1).map(str::to_owned).collect();
        assert_eq!(rows.len(), lines.len(), "{name}");
        for (row, line) in rows.iter().zip(&lines) {
            // Tables with text that holds a comma are compared where the cells can be told apart.
            let cells: Vec<&str> = line.split(',').collect();
            if cells.len() != row.as_array().expect("cells").len() {
                continue;
            }
            for (index, cell) in cells.iter().enumerate() {
                let shown = text(&row[index]);
                let (Ok(raw), Some((found, step))) = (cell.parse::<f64>(), read(&shown)) else { continue };
                assert!((found - raw).abs() <= step, "{name}: {shown} on the page, {raw} in the file");
                assert!(printed.contains(&squeezed(&shown)), "{name}: {shown} is not in print");
                numbers += 1;
            }
        }
    }
    assert!(numbers > 40, "{numbers} numbers were compared");

    // The verdicts.
    let matrix = tables.iter().find(|table| table[0] == "page--matrix-table").expect("the matrix");
    let rows = &matrix.as_array().expect("rows")[2..];
    let judged = results["requirements"].as_array().expect("requirements");
    assert_eq!(rows.len(), judged.len());
    for (row, judged) in rows.iter().zip(judged) {
        assert_eq!(text(&row[0]), judged["id"].as_str().expect("an id"));
        let verdict = judged["verdict"].as_str().expect("a verdict");
        assert!(text(&row[6]).trim().starts_with(verdict), "{row}");
    }

    // What the pointer reads off is the curve of the results.
    let chart = browser
        .ask("return JSON.parse(document.getElementById('noise.figure').dataset.chart).panels[0].curves[0]");
    let list = |value: &Value| -> Vec<f64> {
        value.as_array().expect("numbers").iter().map(|v| v.as_f64().expect("a number")).collect()
    };
    let curve = &results["blocks"]["noise"]["metrics"]["curve"];
    let (x, y) = (list(&chart["x"]), list(&chart["y"]));
    let (offsets, total) = (list(&curve["offset"]["values"]), list(&curve["total"]["values"]));
    // The figure begins below the range of the results and has fewer points in a decade.
    let mut compared = 0;
    for (x, y) in x.iter().zip(&y).filter(|(x, _)| **x >= offsets[0] * (1.0 - 1e-6)) {
        let next = offsets.partition_point(|offset| *offset < x * (1.0 - 1e-6));
        assert!((offsets[next] - x).abs() <= 1e-6 * x, "{x} Hz on the page is no offset of the results");
        let level = total[next];
        assert!((y - level).abs() <= 1e-6 * level.abs(), "{y} at {x} Hz on the page, {level} in the results");
        compared += 1;
    }
    assert!(compared > 200, "{compared} points were compared");
}
