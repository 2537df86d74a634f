//! The differences as short tables, for a terminal and for a document alike.

use super::{Change, Differences};

/// One table of a change report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    /// Its name in files: a word.
    pub name: &'static str,
    /// Its heading, lower case.
    pub title: &'static str,
    /// Heads of its columns, lower case.
    pub heads: &'static [&'static str],
    /// Its rows, each as long as `heads`.
    pub rows: Vec<Vec<String>>,
}

fn dash(text: Option<&String>) -> String {
    text.cloned().unwrap_or_else(|| "-".to_owned())
}

/// Relative change in per cent or, where it is large, as a factor.
fn by(change: &Change) -> String {
    match change.relative {
        None => "-".to_owned(),
        Some(by) if by.abs() >= 10.0 => format!("x {:.3e}", by + 1.0),
        Some(by) if by.abs() < 5e-5 => format!("{:+.1e} %", by * 100.0),
        Some(by) => format!("{:+.2} %", by * 100.0),
    }
}

fn changes(changes: &[Change]) -> Vec<Vec<String>> {
    let row = |change: &Change| {
        vec![change.name.clone(), dash(change.old.as_ref()), dash(change.new.as_ref()), by(change)]
    };
    changes.iter().map(row).collect()
}

impl Differences {
    /// All that differs, the most important first; empty sections are left out.
    pub fn sections(&self) -> Vec<Section> {
        let turned = |t: &super::Turned| {
            vec![t.id.clone(), dash(t.old.as_ref()), dash(t.new.as_ref()), t.rests_on.clone()]
        };
        let line = |l: &super::LineChange| {
            vec![if l.came { "came" } else { "went" }.to_owned(), l.line.to_string(), l.text.clone()]
        };
        let all = [
            Section {
                name: "verdicts",
                title: "verdicts that turned",
                heads: &["requirement", "was", "is", "rests on"],
                rows: self.turned.iter().map(turned).collect(),
            },
            Section {
                name: "limits",
                title: "limits that moved",
                heads: &["requirement", "was", "is"],
                rows: self.limits.iter().map(|l| vec![l.id.clone(), l.old.clone(), l.new.clone()]).collect(),
            },
            Section {
                name: "margins",
                title: "margins that lost more than half",
                heads: &["requirement", "was", "is"],
                rows: self.lost.iter().map(|l| vec![l.id.clone(), l.old.clone(), l.new.clone()]).collect(),
            },
            Section {
                name: "parts",
                title: "parts that change on the board",
                heads: &["part", "was", "is", "change"],
                rows: changes(&self.parts),
            },
            Section {
                name: "metrics",
                title: "numbers, by relative change",
                heads: &["name", "was", "is", "change"],
                rows: changes(&self.metrics),
            },
            Section {
                name: "files",
                title: "files that the note uses",
                heads: &["file", "what happened"],
                rows: self.files.iter().map(|(path, what)| vec![path.clone(), (*what).to_owned()]).collect(),
            },
            Section {
                name: "text",
                title: "text of the note, by line",
                heads: &["what happened", "line", "text"],
                rows: self.lines.iter().map(line).collect(),
            },
        ];
        all.into_iter().filter(|section| !section.rows.is_empty()).collect()
    }

    /// The whole in one sentence, without a full stop.
    pub fn sentence(&self) -> String {
        if self.none() {
            return "nothing differs".to_owned();
        }
        if !self.results_differ() {
            let what = match (self.lines.is_empty(), self.files.is_empty()) {
                (false, true) => "the text of the note",
                (true, _) => "files that it uses",
                (false, false) => "the text of the note and files that it uses",
            };
            return format!("no number moved: only {what} changed");
        }
        let count = |count: usize, one: &str, several: &str| match count {
            0 => None,
            1 => Some(format!("1 {one}")),
            _ => Some(format!("{count} {several}")),
        };
        let parts = [
            count(self.turned.len(), "verdict turned", "verdicts turned"),
            count(self.limits.len(), "limit moved", "limits moved"),
            count(self.lost.len(), "margin lost more than half", "margins lost more than half"),
            count(self.parts.len(), "part changes on the board", "parts change on the board"),
            count(self.metrics.len(), "other number moved", "other numbers moved"),
        ];
        parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}
