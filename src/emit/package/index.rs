//! The page that leads to the pages of a package.

use super::super::html::{escaped, shell, verdict};
use super::lists::{Lists, PARTS_HEAD};
use super::{Member, Package};
use crate::document::Edition;
use crate::emit::html::{PlainTable, ShellPart};

/// `index.html`.
pub(super) fn page(package: &Package<'_>, lists: &Lists) -> String {
    let mut parts = vec![ShellPart { id: "notes", words: "Notes", html: notes(package) }];
    let requirements: Vec<Vec<String>> = lists
        .requirements
        .iter()
        .map(|row| {
            let mut cells = vec![link(&row.note, &row.note), unbroken(&row.id), escaped(&row.text)];
            cells.extend([&row.limit, &row.value, &row.margin].map(|text| escaped(text)));
            cells.push(verdict(row.state, row.reserve_missing));
            cells
        })
        .collect();
    let head = ["Note", "Id", "Requirement", "Limit", "Value", "Margin", "Verdict"];
    parts.push(part("requirements", "Requirements", &head, &requirements));
    let open = lists.open_items.iter().map(|row| {
        let mut cells: Vec<String> = row.iter().map(|text| escaped(text)).collect();
        cells[0] = link(&row[0], &row[0]);
        cells[1] = unbroken(&row[1]);
        cells
    });
    let head = ["Note", "Item", "What is to be done", "Owner", "Due", "State"];
    parts.push(part("open-items", "Open items", &head, &open.collect::<Vec<_>>()));
    let list = lists.parts.iter().map(|part| {
        let count = part.count.to_string();
        [&part.value, &part.series, &part.tolerance, &part.rating, &part.kind, &count, &part.used]
            .map(|text| escaped(text))
            .to_vec()
    });
    parts.push(part("parts", "Parts", &PARTS_HEAD, &list.collect::<Vec<_>>()));
    let edition = match package.edition {
        Edition::Review => "Review edition",
        Edition::Customer => "Customer edition",
    };
    shell(package.name, &package.sentence(), edition, &package.what_if, &parts)
}

fn link(note: &str, words: &str) -> String {
    let address: String = note
        .bytes()
        .map(|b| {
            if b.is_ascii_alphanumeric() || b"-._~".contains(&b) {
                char::from(b).to_string()
            } else {
                format!("%{b:02X}")
            }
        })
        .collect();
    format!("<a href=\"./{address}.html\">{}</a>", escaped(words))
}

/// A name that is not broken at its hyphen.
fn unbroken(name: &str) -> String {
    format!("<span class=\"short\">{}</span>", escaped(name))
}

fn part<'a>(id: &'a str, words: &'a str, head: &[&str], rows: &[Vec<String>]) -> ShellPart<'a> {
    let html = if rows.is_empty() {
        "<p>None.</p>\n".to_owned()
    } else {
        PlainTable { name: words, head, rows }.html()
    };
    ShellPart { id, words, html }
}

fn notes(package: &Package<'_>) -> String {
    let row = |member: &Member<'_>| {
        let Some(document) = member.document else {
            let words = "<strong class=\"shout\">could not be solved; there is no page of it</strong>";
            return vec![escaped(member.name), words.to_owned(), String::new(), String::new()];
        };
        let (front, cover) = (&document.front, &document.cover);
        let named = [front.document.as_deref(), front.revision.as_deref()].into_iter().flatten();
        let named = escaped(&named.collect::<Vec<_>>().join(", "));
        let least = cover.least.as_ref().map(|(id, words)| format!("{id}, {words}")).unwrap_or_default();
        vec![
            format!("{}<br><span class=\"small\">{named}</span>", link(member.name, &front.title)),
            format!(
                "{}<br><span class=\"small\">{}</span>",
                verdict(cover.state, cover.reserve_missing),
                escaped(&cover.sentence)
            ),
            escaped(&least),
            cover.open_items.to_string(),
        ]
    };
    let rows: Vec<Vec<String>> = package.members.iter().map(row).collect();
    PlainTable { name: "Notes", head: &["Note", "Verdict", "Least margin", "Open items"], rows: &rows }.html()
}
