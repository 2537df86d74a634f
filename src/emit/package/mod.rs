//! A package: the documents of several notes bound into one, behind a cover and common lists.

mod index;
mod lists;

use serde_json::{Value, json};

use super::prose::verdict;
use super::quote::{literal, markup};
use super::tables::{Cell, Side, Table};
use super::{OutFile, figures, html, report};
use crate::diag::Diagnostic;
use crate::document::{Document, Edition, Look};
use crate::results::to_texts;
use crate::template::render_report;
use lists::Lists;

/// What is bound.
#[derive(Clone, Debug)]
pub struct Package<'a> {
    /// Name: that of the folder.
    pub name: &'a str,
    /// The notes in their order.
    pub members: Vec<Member<'a>>,
    /// Edition of all of them.
    pub edition: Edition,
    /// What was overridden on the command line.
    pub what_if: Vec<String>,
}

/// A note of a package.
#[derive(Clone, Copy, Debug)]
pub struct Member<'a> {
    /// Name: its file without ending.
    pub name: &'a str,
    /// Its document; `None` where it could not be made.
    pub document: Option<&'a Document>,
}

impl<'a> Package<'a> {
    /// The notes that could be solved.
    fn documents(&self) -> impl Iterator<Item = (&'a str, &'a Document)> + '_ {
        self.members.iter().filter_map(|member| Some((member.name, member.document?)))
    }

    /// One sentence on all of them.
    fn sentence(&self) -> String {
        let count = |number: usize, one: &str, many: &str| {
            if number == 1 { format!("1 {one}") } else { format!("{number} {many}") }
        };
        let met = |document: &Document| document.cover.not_met.is_empty();
        let failing = self.documents().filter(|(_, document)| !met(document)).count();
        let faulty = self.members.iter().filter(|member| member.document.is_none()).count();
        let sound = self.members.len() - failing - faulty;
        let mut out = format!(
            "{}: {} every judged requirement",
            count(self.members.len(), "note", "notes"),
            count(sound, "meets", "meet")
        );
        if failing > 0 {
            out.push_str(&format!(", {}", count(failing, "does not", "do not")));
        }
        if faulty > 0 {
            out.push_str(&format!(", {} could not be solved", count(faulty, "note", "notes")));
        }
        out.push('.');
        out
    }
}

/// What the typesetter works on: the Typst text of the package, and the figures and images of its notes below their names.
///
/// # Errors
/// What Typst can't say.
pub fn to_typeset(package: &Package<'_>, look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    let lists = Lists::of(package);
    let render = |main: &str, data: &Value| {
        render_report(look.files(), main, data).map_err(|fault| {
            vec![Diagnostic::error("template-fault", format!("the package can't be set: {fault}"))]
        })
    };
    let mut files = Vec::new();
    let mut parts = Vec::new();
    for (name, document) in package.documents() {
        let within = format!("{name}/");
        let mut data = report::data_within(document, &within)?;
        data["label_literal"] = json!(literal(&part_label(name)));
        parts.push(render("shared/part.typ", &data)?);
        let pictures = document.pictures.iter();
        files.extend(
            pictures.map(|(path, bytes)| OutFile { path: format!("{within}{path}"), bytes: bytes.clone() }),
        );
        let drawn = figures::files(document)?.into_iter();
        files.extend(drawn.map(|file| OutFile { path: format!("{within}{}", file.path), ..file }));
    }
    let open: usize = package.documents().map(|(_, document)| document.cover.open_items).sum();
    let data = json!({
        "title": markup(package.name),
        "title_literal": literal(package.name),
        "author_literal": literal(""),
        "internal": package.edition == Edition::Review,
        "what_if": package.what_if.iter().map(|change| markup(change)).collect::<Vec<_>>(),
        "sentence": markup(&package.sentence()),
        "open_items": open,
        "notes": notes(package),
        "lists": lists.typst(),
        "parts": parts,
    });
    let text = render("shared/package.typ", &data)?;
    files.insert(0, OutFile::text(format!("{}.typ", package.name), text));
    Ok(files)
}

/// What else there is: the results of its notes, and where pages are wished, `index.html` with a page for each note. It can
/// be made while the typesetter works.
///
/// # Errors
/// What a page can't say.
pub fn beside_it(package: &Package<'_>, pages: bool) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    // As `judge --json` prints them; a folder without results is never replaced.
    let results = to_texts(package.documents().map(|(_, document)| &document.store));
    let mut files = vec![OutFile::text("results.json", results)];
    if pages {
        files.push(OutFile::text("index.html", index::page(package, &Lists::of(package))));
        for (name, document) in package.documents() {
            files.push(OutFile::text(format!("{name}.html"), html::page(document)?));
        }
    }
    Ok(files)
}

fn part_label(note: &str) -> String {
    format!("part:{note}")
}

/// The table of the cover: every note with its verdict.
fn notes(package: &Package<'_>) -> String {
    let row = |member: &Member<'_>| {
        let Some(document) = member.document else {
            let words = "could not be solved; nothing of it is bound here";
            return vec![
                Cell { markup: markup(member.name), text: member.name.to_owned() },
                Cell { markup: format!("#lc-shout[{}];", markup(words)), text: words.to_owned() },
                Cell::default(),
                Cell::default(),
                Cell::default(),
            ];
        };
        let (front, cover) = (&document.front, &document.cover);
        let least = cover.least.as_ref().map(|(id, words)| format!("{id}, {words}")).unwrap_or_default();
        let plain = |text: &str| Cell { markup: markup(text), text: text.to_owned() };
        let named = [front.document.as_deref(), front.revision.as_deref()].into_iter().flatten();
        let named = named.collect::<Vec<_>>().join(", ");
        vec![
            Cell {
                markup: format!(
                    "#link(label({}))[{}]; #linebreak();#lc-small[{}];",
                    literal(&part_label(member.name)),
                    markup(&front.title),
                    markup(&named)
                ),
                text: front.title.clone(),
            },
            Cell {
                markup: format!(
                    "{} #linebreak();#lc-small[{}];",
                    verdict(cover.state, cover.reserve_missing),
                    markup(&cover.sentence)
                ),
                text: cover.sentence.clone(),
            },
            plain(&least),
            plain(&cover.open_items.to_string()),
            Cell {
                markup: format!(
                    "#context counter(page).at(label({})).first()",
                    literal(&part_label(member.name))
                ),
                text: "100".to_owned(),
            },
        ]
    };
    let head = ["Note", "Verdict", "Least margin", "Open items", "Page"];
    let table = Table {
        sides: vec![Side::Left, Side::Left, Side::Left, Side::Right, Side::Right],
        head: head.iter().map(|text| Cell { markup: markup(text), text: (*text).to_owned() }).collect(),
        rows: package.members.iter().map(row).collect(),
    };
    format!("#lc-table(size: 8.6pt, kept: {}, {})", table.kept(), table.call(table.fit()))
}
