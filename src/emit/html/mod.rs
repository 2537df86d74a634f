//! One page for the screen, complete in itself: figures inline, formulas as MathML, no address that it would fetch.

mod alphabet;
mod escape;
mod figure;
mod look;
mod mathml;
mod prose;
mod remedies;
mod sections;
mod tables;

use super::{Emitter, OutFile};
use crate::diag::Diagnostic;
use crate::document::{Document, Edition, Look};
pub(super) use escape::escaped;
use prose::{Writer, heading};
pub(super) use tables::verdict;

/// The document as a page.
pub(super) struct Html;

impl Emitter for Html {
    fn name(&self) -> &'static str {
        "html"
    }

    fn emit(&self, document: &Document, _look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
        Ok(vec![OutFile::text(format!("{}.html", document.store.note), page(document)?)])
    }
}

pub(super) fn page(document: &Document) -> Result<String, Vec<Diagnostic>> {
    let mut writer = Writer::new(document, "");
    let matrix =
        if document.matrix.is_empty() { String::new() } else { tables::matrix(&mut writer, document) };
    let mut entries = Vec::new();
    let summary = sections::summary(&mut writer, document, &matrix, &mut entries);
    // A formula in a requirement is told of once, though the matrix and the summary both show it.
    let (_, mut faults) = writer.finish();
    let mut writer = Writer::new(document, &matrix);
    let body = writer.blocks(&document.body);
    let notes = writer.notes();
    entries.extend(sections::entries(document));
    let appendices = sections::appendices(&mut writer, document, &mut entries);
    let (colours, more) = writer.finish();
    faults.extend(more);
    if !faults.is_empty() {
        return Err(faults);
    }
    let main = format!("{}{summary}{body}{notes}{appendices}", sections::cover(document));
    Ok(whole(&Page {
        title: &document.front.title,
        stamp: &stamp(&document.what_if),
        bar: &sections::bar(document),
        contents: &sections::contents(&entries),
        main: &main,
        foot: match document.edition {
            Edition::Review => {
                "Computed from the inputs in appendix A; review edition, not for issue outside the house. To be \
                 confirmed on the bench before release."
            }
            Edition::Customer => {
                "Computed from the inputs in appendix A. To be confirmed on the bench before release."
            }
        },
        style: &colours.style(),
    }))
}

fn stamp(what_if: &[String]) -> String {
    if what_if.is_empty() {
        return String::new();
    }
    format!(
        "<p class=\"stamp\" role=\"note\">What-if, not the design of record: {}</p>\n",
        escaped(&what_if.join(", "))
    )
}

/// A part of a page that is not a document: its identifier, heading, finished HTML.
pub(super) struct ShellPart<'a> {
    pub id: &'a str,
    pub words: &'a str,
    pub html: String,
}

/// A page that is not a document, in the same look.
pub(super) fn shell(
    title: &str,
    sentence: &str,
    edition: &str,
    what_if: &[String],
    parts: &[ShellPart<'_>],
) -> String {
    let entries: Vec<_> = parts.iter().map(|part| sections::Entry::own(part.id, "", part.words)).collect();
    let mut main = format!(
        "<section class=\"cover\">\n<p class=\"over\">Package of design justifications</p>\n<h1>{}</h1>\n\
         <div class=\"judged\"><p class=\"small\">Verdict</p>\n<p class=\"sentence\">{}</p></div>\n</section>\n",
        escaped(title),
        escaped(sentence)
    );
    for part in parts {
        main.push_str(&heading(1, &format!("page--{}", part.id), "", &escaped(part.words)));
        main.push_str(&part.html);
    }
    whole(&Page {
        title,
        stamp: &stamp(what_if),
        bar: &format!("<p><b>{}</b></p><p>{}</p>", escaped(title), escaped(edition)),
        contents: &sections::contents(&entries),
        main: &main,
        foot: "Computed from the inputs of each note. To be confirmed on the bench before release.",
        style: &look::Colours::default().style(),
    })
}

/// A table of finished cells; the first of each row names it.
pub(super) struct PlainTable<'a> {
    pub name: &'a str,
    pub head: &'a [&'a str],
    pub rows: &'a [Vec<String>],
}

impl PlainTable<'_> {
    pub(super) fn html(&self) -> String {
        let head: Vec<String> = self.head.iter().map(|text| escaped(text)).collect();
        let table = tables::Table {
            class: "listed",
            id: "",
            name: self.name,
            caption: "",
            head: &head,
            sides: &[],
            rows: self.rows,
            named_rows: true,
            labels: self.head,
        };
        table.html()
    }
}

/// The parts of a page; all but title and foot are finished HTML.
struct Page<'a> {
    title: &'a str,
    stamp: &'a str,
    bar: &'a str,
    contents: &'a str,
    main: &'a str,
    foot: &'a str,
    style: &'a str,
}

fn whole(page: &Page<'_>) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{}\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n<meta name=\"referrer\" content=\"no-referrer\">\n\
         <title>{}</title>\n<style>{}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#page--text\">Skip to the text</a>\n{}<header class=\"bar\">{}</header>\n\
         <div class=\"frame\">\n{}<main id=\"page--text\" tabindex=\"-1\">\n{}</main>\n</div>\n\
         <footer><p>{}</p></footer>\n<script>{}</script>\n</body>\n</html>\n",
        escaped(&look::policy(page.style, look::SCRIPT)),
        escaped(page.title),
        page.style,
        page.stamp,
        page.bar,
        page.contents,
        page.main,
        escaped(page.foot),
        look::SCRIPT,
    )
}
