//! What stands around the author's prose: cover, summary, contents, appendices.

use std::cmp::Ordering;

use super::escape::{escaped, fragment, id};
use super::prose::{Writer, heading};
use super::tables;
use crate::document::{Block, CAUTIONS, Document, Edition, Fact, LEFT_OUT, plain_text};
use crate::results::TOOL;
use crate::units::ascii;

/// An entry of the contents.
pub(super) struct Entry {
    level: u8,
    id: String,
    number: String,
    words: String,
}

impl Entry {
    pub(super) fn own(id: &str, number: &str, words: &str) -> Self {
        Self { level: 1, id: format!("page--{id}"), number: number.to_owned(), words: words.to_owned() }
    }
}

/// Entries of the author's headings, to the second level.
pub(super) fn entries(document: &Document) -> Vec<Entry> {
    let entry = |block: &Block| match block {
        Block::Heading { level, id: name, text, .. } if *level <= 2 => Some(Entry {
            level: *level,
            id: id(name),
            number: document.anchor(name).map(|anchor| anchor.number.clone()).unwrap_or_default(),
            words: match plain_text(text).trim() {
                "" => "Untitled".to_owned(),
                words => words.to_owned(),
            },
        }),
        _ => None,
    };
    document.body.iter().filter_map(entry).collect()
}

/// The contents: a list in a list.
pub(super) fn contents(entries: &[Entry]) -> String {
    let mut out = String::from(
        "<nav aria-label=\"Contents\"><details open><summary>Contents<span class=\"here\"></span></summary>\n<ol>\n",
    );
    let mut depth = 1;
    for (index, entry) in entries.iter().enumerate() {
        if index > 0 {
            out.push_str(match entry.level.cmp(&depth) {
                Ordering::Greater => "\n<ol>",
                Ordering::Less => "</li></ol></li>\n",
                Ordering::Equal => "</li>\n",
            });
        }
        depth = entry.level.clamp(1, 2);
        let number = if entry.number.is_empty() {
            String::new()
        } else {
            format!("<span class=\"number\">{}</span> ", escaped(&entry.number))
        };
        out.push_str(&format!(
            "<li><a href=\"{}\">{number}{}</a>",
            escaped(&fragment(&entry.id)),
            escaped(&entry.words)
        ));
    }
    out.push_str(if depth == 2 { "</li></ol></li>\n" } else { "</li>\n" });
    out + "</ol></details></nav>\n"
}

/// Words for the head of the page: number or title, revision, edition.
pub(super) fn bar(document: &Document) -> String {
    let front = &document.front;
    let name = front.document.as_deref().unwrap_or(&front.title);
    let revision = front.revision.as_deref().map(|r| format!(" revision {}", escaped(r))).unwrap_or_default();
    format!("<p><b>{}</b>{revision}</p><p>{}</p>", escaped(name), edition(document))
}

fn edition(document: &Document) -> &'static str {
    match document.edition {
        Edition::Review => "Review edition",
        Edition::Customer => "Customer edition",
    }
}

/// The cover: what it is, the verdict, who stands for it.
pub(super) fn cover(document: &Document) -> String {
    let (front, cover) = (&document.front, &document.cover);
    let over = match (&front.project, &front.customer) {
        (Some(project), Some(customer)) => {
            format!("{} · Design justification for {}", escaped(project), escaped(customer))
        }
        (Some(project), None) => format!("{} · Design justification", escaped(project)),
        (None, Some(customer)) => format!("Design justification for {}", escaped(customer)),
        (None, None) => "Design justification".to_owned(),
    };
    let mut out = format!(
        "<section class=\"cover\">\n<p class=\"over\">{over}</p>\n<h1>{}</h1>\n",
        escaped(&front.title)
    );
    let named = [
        ("Document", &front.document),
        ("Revision", &front.revision),
        ("Date", &front.date),
        ("Prepared by", &front.prepared_by),
    ];
    let named: Vec<String> = named
        .iter()
        .filter_map(|(name, value)| Some((name, value.as_deref()?)))
        .map(|(name, value)| format!("<div><dt>{name}</dt><dd>{}</dd></div>\n", escaped(value)))
        .collect();
    if !named.is_empty() {
        out.push_str(&format!("<dl class=\"named\">\n{}</dl>\n", named.concat()));
    }
    let verdict = tables::verdict(cover.state, cover.reserve_missing);
    let shape = verdict.split("</svg>").next().unwrap_or_default();
    out.push_str(&format!(
        "<div class=\"judged\"><p class=\"small\">Verdict</p>\n<p class=\"sentence\">{shape}</svg></span> {}</p>\n",
        escaped(&cover.sentence)
    ));
    if cover.disagreements > 0 {
        let plural = if cover.disagreements == 1 { "" } else { "s" };
        out.push_str(&format!(
            "<p class=\"shout\">{} result{plural} computed twice with different outcome: see the appendix of numbers \
             computed twice.</p>\n",
            cover.disagreements
        ));
    }
    out.push_str("</div>\n<dl class=\"rests\">\n");
    if let Some((id, words)) = &cover.least {
        out.push_str(&format!(
            "<div><dt>Least margin</dt><dd><strong>{}</strong>, {} <span class=\"small\">(margins are compared as shares \
             of their limits; decibels as ratios of amplitudes)</span></dd></div>\n",
            escaped(id),
            escaped(words)
        ));
    }
    let reserves = match cover.reserves_not_kept.as_slice() {
        [] => "none".to_owned(),
        ids => escaped(&ids.join(", ")),
    };
    out.push_str(&format!(
        "<div><dt>Reserves not kept</dt><dd>{reserves}</dd></div>\n<div><dt>Verdict rests on</dt><dd>{}</dd></div>\n\
         <div><dt>Open items</dt><dd>{}</dd></div>\n</dl>\n",
        escaped(&cover.rests_on),
        cover.open_items
    ));
    let list = |name, head: [&str; 3], rows: Vec<Vec<String>>| {
        let head = head.map(str::to_owned);
        let table = tables::Table {
            class: "plain",
            id: "",
            name,
            caption: "",
            head: &head,
            sides: &[],
            rows: &rows,
            named_rows: true,
            labels: &[],
        };
        if rows.is_empty() { String::new() } else { table.html() }
    };
    let open = |text: &str| {
        if text.is_empty() { "<span class=\"small\">open</span>".to_owned() } else { escaped(text) }
    };
    let approvals = front.approvals.iter().map(|a| vec![escaped(&a.role), escaped(&a.name), open(&a.date)]);
    out.push_str(&list("Approvals", ["Approval", "Name", "Date"], approvals.collect()));
    let history =
        front.history.iter().map(|r| vec![escaped(&r.revision), escaped(&r.date), escaped(&r.text)]);
    out.push_str(&list("History of revisions", ["Revision", "Date", "Change"], history.collect()));
    out + "</section>\n"
}

/// The summary, and the matrix where no block holds its place.
pub(super) fn summary<'a>(
    writer: &mut Writer<'a>,
    document: &'a Document,
    matrix: &str,
    entries: &mut Vec<Entry>,
) -> String {
    let cover = &document.cover;
    entries.push(Entry::own("summary", "", "Summary"));
    let mut out = heading(1, "page--summary", "", "Summary");
    out.push_str(&format!("<p>{}", escaped(&cover.sentence)));
    if let Some((id, words)) = &cover.least {
        out.push_str(&format!(" The least margin is that of {}: {}.", escaped(id), escaped(words)));
    }
    out.push_str("</p>\n");
    if !document.key_figures.is_empty() {
        let head = ["Quantity", "Value", "Result"].map(str::to_owned);
        let rows: Vec<Vec<String>> = document
            .key_figures
            .iter()
            .map(|key| {
                vec![
                    escaped(&key.name),
                    escaped(&key.value),
                    format!("<code>{}</code>", escaped(&key.metric)),
                ]
            })
            .collect();
        let table = tables::Table {
            class: "key",
            id: "",
            name: "Key figures",
            caption: "",
            head: &head,
            sides: &["", "right", ""],
            rows: &rows,
            named_rows: true,
            labels: &[],
        };
        out.push_str(&table.html());
    }
    let wanting = document
        .matrix
        .iter()
        .filter(|row| row.state == crate::results::State::NotMet || row.reserve_missing);
    let wanting: Vec<String> = wanting
        .map(|row| {
            let mut said = format!("Limit {}, value {}", escaped(&row.limit), escaped(&row.value));
            if !row.margin.is_empty() {
                said.push_str(&format!(", margin {}", escaped(&row.margin)));
            }
            if !row.reserve.is_empty() {
                said.push_str(&format!(", reserve wanted {}", escaped(&row.reserve)));
            }
            format!(
                "<li><strong>{}</strong> {}: {} <span class=\"small\">{said}.</span></li>\n",
                escaped(&row.id),
                tables::verdict(row.state, row.reserve_missing),
                writer.inlines(&row.text)
            )
        })
        .collect();
    if !wanting.is_empty() {
        out.push_str(&format!(
            "<p>What does not hold, or not with the reserve wanted:</p>\n<ul>\n{}</ul>\n",
            wanting.concat()
        ));
    }
    if !matrix.is_empty() && document.matrix_block.is_none() {
        entries.push(Entry::own("matrix", "", "Compliance matrix"));
        out.push_str(&heading(1, "page--matrix", "", "Compliance matrix"));
        out.push_str(matrix);
    }
    out
}

/// Appendices: what the numbers rest on.
pub(super) fn appendices(writer: &mut Writer<'_>, document: &Document, entries: &mut Vec<Entry>) -> String {
    let mut letters = 'A'..='Z';
    let mut out = String::new();
    let mut head = |id: &str, words: &str, out: &mut String| {
        let letter = letters.next().unwrap_or('Z');
        entries.push(Entry::own(id, &letter.to_string(), words));
        out.push_str(&heading(1, &format!("page--{id}"), &format!("Appendix {letter}"), &escaped(words)));
    };
    head("inputs", "Inputs as used", &mut out);
    if document.facts.is_empty() {
        out.push_str("<p>No block of this document states facts.</p>\n");
    }
    out.extend(document.facts.iter().map(fact));
    if !document.equations.is_empty() {
        head("equations", "Equations used", &mut out);
        for equation in &document.equations {
            out.push_str(&format!(
                "<div class=\"equation\"><p class=\"lead\">{}</p>\n<div class=\"formula\" tabindex=\"0\">{}</div>\n\
                 <p class=\"small\">{}</p></div>\n",
                escaped(&equation.name),
                writer.math(&equation.tex, 1, true),
                escaped(&equation.says)
            ));
        }
    }
    head("limits", "What the model leaves out, and cautions", &mut out);
    out.push_str("<p>The model does not hold:</p>\n<ul>\n");
    out.extend(LEFT_OUT.iter().map(|item| format!("<li>{}</li>\n", escaped(item))));
    out.push_str("</ul>\n");
    for (lead, text) in CAUTIONS {
        out.push_str(&format!("<p><b class=\"lead\">{}.</b> {}</p>\n", escaped(lead), escaped(text)));
    }
    head("twice", "Every number twice", &mut out);
    match tables::twice(document) {
        table if table.is_empty() => out.push_str("<p>No result of this document has a second route.</p>\n"),
        table => {
            out.push_str(
                "<p>Each result below was computed in this run by two routes that share no more than the facts.</p>\n",
            );
            if document.cover.disagreements > 0 {
                out.push_str(&format!(
                    "<p class=\"shout\">{} of them disagree. No number that depends on them may be used before the \
                     cause is found.</p>\n",
                    document.cover.disagreements
                ));
            }
            out.push_str(&table);
        }
    }
    head("warnings", "Warnings", &mut out);
    if document.store.warnings.is_empty() {
        out.push_str("<p>None.</p>\n");
    } else {
        out.push_str("<ul>\n");
        for warning in &document.store.warnings {
            let block = if warning.block.is_empty() {
                String::new()
            } else {
                format!("{}, ", escaped(&warning.block))
            };
            out.push_str(&format!(
                "<li>{} <span class=\"small\">({block}line {} of the note)</span></li>\n",
                ticked(&warning.text),
                warning.line
            ));
        }
        out.push_str("</ul>\n");
    }
    head("versions", "Versions and digests", &mut out);
    out.push_str(&format!("<p>Solved with {}. {}", escaped(TOOL), edition(document)));
    if !document.what_if.is_empty() {
        out.push_str(&format!(", what-if: {}", escaped(&document.what_if.join(", "))));
    }
    out.push_str(".</p>\n");
    out + &tables::digests(document)
}

fn fact(fact: &Fact) -> String {
    let not_stated = "not stated";
    let mut out = format!(
        "<p class=\"fact\"><code>{}</code> {} <span class=\"small\">basis: {}</span><br><span class=\"small\">Source: {}</span></p>\n",
        escaped(&fact.block),
        escaped(&fact.kind.replace('_', " ")),
        fact.basis.map_or(not_stated, |basis| basis.word()),
        escaped(fact.source.as_deref().unwrap_or(not_stated))
    );
    if !fact.fields.is_empty() {
        let head = ["Field", "Value"].map(str::to_owned);
        let row = |(name, value): &(String, String)| {
            vec![format!("<code>{}</code>", escaped(name)), escaped(value)]
        };
        let rows: Vec<Vec<String>> = fact.fields.iter().map(row).collect();
        let name = format!("Fields of {}", ascii(&fact.block));
        let table = tables::Table {
            class: "fields",
            id: "",
            name: &name,
            caption: "",
            head: &head,
            sides: &[],
            rows: &rows,
            named_rows: true,
            labels: &[],
        };
        out.push_str(&table.html());
    }
    out
}

/// A sentence of ours: names between backticks are code.
pub(super) fn ticked(text: &str) -> String {
    let part = |(index, part): (usize, &str)| match index % 2 {
        1 => format!("<code>{}</code>", escaped(part)),
        _ => escaped(part),
    };
    text.split('`').enumerate().map(part).collect()
}
