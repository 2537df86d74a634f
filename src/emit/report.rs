//! The document as data for a report template.
//!
//! Every string in the data is finished Typst: a piece of markup, or (keys that end in `_literal`) a string literal.
//! So a template can't forget to escape, and has nothing to compute.

use serde_json::{Value, json};

use super::math::to_typst;
use super::prose::{Writer, plain_cell, verdict, verdict_word};
use super::quote::{breakable, literal, markup, raw, ticked, with_breaks};
use super::tables::{Cell, Side, Table};
use crate::diag::Diagnostic;
use crate::document::{Block, CAUTIONS, Document, Edition, Fact, LEFT_OUT, MatrixRow, plain_text};
use crate::results::{State, TOOL};

/// Characters of a row of the matrix that might not fit on a page.
const LONG_ROW: usize = 1200;
/// Contents of so many headings, with those of ours, stay on one page.
const FEW_HEADINGS: usize = 30;

/// The data, or all that could not be said in Typst.
pub(super) fn data(document: &Document) -> Result<Value, Vec<Diagnostic>> {
    data_within(document, "")
}

/// The same for a part of a package: labels and files stand below `within`, the note and a slash.
pub(super) fn data_within(document: &Document, within: &str) -> Result<Value, Vec<Diagnostic>> {
    let front = &document.front;
    let text = |text: &Option<String>| text.as_deref().map(markup).unwrap_or_default();
    let (prose, (facts, (twice, digests))) = rayon::join(
        || Prose::of(document, within),
        || {
            let facts = || document.facts.iter().map(fact).collect::<Vec<_>>();
            rayon::join(facts, || rayon::join(|| twice(document), || digests(document)))
        },
    );
    let Prose { matrix, not_holding, body, mut faults } = prose;
    let equations = equations(document, &mut faults);
    if !faults.is_empty() {
        return Err(faults);
    }
    let cover = &document.cover;
    Ok(json!({
        "title": markup(&front.title),
        "title_literal": literal(&front.title),
        "author_literal": literal(front.prepared_by.as_deref().unwrap_or_default()),
        "number": text(&front.document),
        "revision": text(&front.revision),
        "date": text(&front.date),
        "prepared_by": text(&front.prepared_by),
        "customer": text(&front.customer),
        "project": text(&front.project),
        "edition": document.edition.word(),
        "internal": document.edition == Edition::Review,
        "what_if": document.what_if.iter().map(|change| breakable(change)).collect::<Vec<_>>(),
        "approvals": front.approvals.iter().map(|a| json!({
            "role": markup(&a.role), "name": markup(&a.name), "date": stated(&a.date)})).collect::<Vec<_>>(),
        "history": front.history.iter().map(|r| json!({
            "revision": markup(&r.revision), "date": markup(&r.date), "text": markup(&r.text)})).collect::<Vec<_>>(),
        "cover": {
            "sentence": markup(&cover.sentence),
            "verdict_literal": literal(verdict_word(cover.state, cover.reserve_missing)),
            "least_id": cover.least.as_ref().map(|(id, _)| markup(id)),
            "least": cover.least.as_ref().map(|(_, words)| markup(words)),
            "reserves": joined(&cover.reserves_not_kept),
            "rests_on": markup(&cover.rests_on),
            "open_items": cover.open_items,
            "disagreements": cover.disagreements,
        },
        "key_figures": document.key_figures.iter().map(|k| json!({
            "name": markup(&k.name), "value": markup(&k.value), "metric": raw(&k.metric)
        })).collect::<Vec<_>>(),
        "not_holding": not_holding,
        "matrix": matrix,
        "matrix_in_body": document.matrix_block.is_some(),
        "body": body,
        "short_contents": headings(&document.body) <= FEW_HEADINGS,
        "facts": facts,
        "equations": equations,
        "left_out": LEFT_OUT.map(markup),
        "cautions": CAUTIONS.map(|(head, text)| json!({"head": markup(head), "text": markup(text)})),
        "twice": twice,
        "warnings": document.store.warnings.iter().map(|w| json!({
            "block": stated(&w.block), "line": w.line, "text": ticked(&w.text)})).collect::<Vec<_>>(),
        "tool": markup(TOOL),
        "typesetter": markup(&document.typesetter),
        "digests": digests,
    }))
}

/// What the author wrote, with the matrix that stands in it.
struct Prose {
    matrix: String,
    not_holding: Vec<Value>,
    body: String,
    faults: Vec<Diagnostic>,
}

impl Prose {
    fn of(document: &Document, within: &str) -> Self {
        let mut writer = Writer::new(document, "").within(within);
        let matrix = if document.matrix.is_empty() { String::new() } else { matrix(&mut writer, document) };
        let not_holding: Vec<Value> = document
            .matrix
            .iter()
            .filter(|row| row.state == State::NotMet || row.reserve_missing)
            .map(|row| {
                json!({
                    "id": markup(&row.id),
                    "text": writer.inlines(&row.text),
                    "verdict": verdict(row.state, row.reserve_missing),
                    "limit": stated(&row.limit),
                    "value": stated(&row.value),
                    "margin": stated(&row.margin),
                    "reserve": stated(&row.reserve),
                })
            })
            .collect();
        let mut faults = writer.faults();
        let mut writer = Writer::new(document, &matrix).within(within);
        let body = writer.blocks(&document.body);
        faults.extend(writer.faults());
        Self { matrix, not_holding, body, faults }
    }
}

/// Headings of the body that the contents name.
fn headings(body: &[Block]) -> usize {
    body.iter().filter(|block| matches!(block, Block::Heading { level: 1 | 2, .. })).count()
}

/// Markup, or nothing for an empty text.
fn stated(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| markup(text))
}

fn joined(ids: &[String]) -> Option<String> {
    (!ids.is_empty()).then(|| markup(&ids.join(", ")))
}

/// The compliance matrix as a call of the templates' own table.
fn matrix<'a>(writer: &mut Writer<'a>, document: &'a Document) -> String {
    // A row is not broken over pages, unless it might not fit on one.
    let long = |row: &MatrixRow| plain_text(&row.text).len() + plain_text(&row.evidence).len() > LONG_ROW;
    let mut out = format!("#lc-matrix(broken: {},\n", document.matrix.iter().any(long));
    for row in &document.matrix {
        out.push_str(&matrix_row(writer, row));
    }
    out.push_str(")\n");
    out.push_str(&remedies(document));
    out
}

/// What it would take, as a call of the templates' own table; nothing where every requirement holds.
fn remedies(document: &Document) -> String {
    let mut rows = String::new();
    for verdict in document.store.requirements.iter().filter(|verdict| !verdict.would_take.is_empty()) {
        let mut changes = String::new();
        for remedy in &verdict.would_take {
            let Some(words) = remedy.words() else { continue };
            let costs =
                stated(&remedy.costs.join(", ")).map_or("none".to_owned(), |costs| format!("[{costs}]"));
            let (name, words) = (markup(&remedy.name()), markup(&words));
            changes.push_str(&format!("(name: [{name}], to: [{words}], costs: {costs}),"));
        }
        let never = stated(&verdict.would_not_do().join(", "));
        let never = never.map_or("none".to_owned(), |never| format!("[{never}]"));
        rows.push_str(&format!("(id: [{}], changes: ({changes}), never: {never}),\n", markup(&verdict.id)));
    }
    if rows.is_empty() { rows } else { format!("#lc-remedies(\n{rows})\n") }
}

fn matrix_row<'a>(writer: &mut Writer<'a>, row: &'a MatrixRow) -> String {
    let field = |name: &str, text: &str| {
        let content = if text.is_empty() { "none".to_owned() } else { format!("[{}]", breakable(text)) };
        format!("{name}: {content}, ")
    };
    let metric = match row.metric.as_str() {
        "" => "none".to_owned(),
        metric => format!("[{}]", raw(&with_breaks(metric, 12))),
    };
    let evidence = match writer.inlines(&row.evidence) {
        text if text.is_empty() => "none".to_owned(),
        text => format!("[{text}]"),
    };
    let case = match &row.shown_by {
        Some(anchor) if !row.case.is_empty() => {
            format!("case: [#link({})[{}];], ", writer.label(anchor), breakable(&row.case))
        }
        _ => field("case", &row.case),
    };
    format!(
        "(id: [{}], text: [{}], {}metric: {metric}, {}{}{}{}{case}{}evidence: {evidence}, verdict: {}),\n",
        markup(&row.id),
        writer.inlines(&row.text),
        field("source", &row.source),
        field("limit", &row.limit),
        field("value", &row.value),
        field("margin", &row.margin),
        field("reserve", &row.reserve),
        field("method", &row.method),
        literal(verdict_word(row.state, row.reserve_missing)),
    )
}

fn fact(fact: &Fact) -> Value {
    json!({
        "name": raw(&fact.block),
        "kind": markup(&fact.kind.replace('_', " ")),
        // Longer ones break over pages.
        "kept": fact.fields.iter().map(|(_, value)| 1 + value.chars().count() / 80).sum::<usize>() <= 14,
        "basis": fact.basis.map(|basis| markup(basis.word())),
        "source": fact.source.as_deref().map(breakable),
        "fields": fact.fields.iter().map(|(name, value)| json!({
            "name": raw(name), "value": breakable(value)})).collect::<Vec<_>>(),
    })
}

fn equations(document: &Document, faults: &mut Vec<Diagnostic>) -> Vec<Value> {
    let mut out = Vec::new();
    for equation in &document.equations {
        match to_typst(&equation.tex) {
            Ok(math) => out.push(json!({
                "name": markup(&equation.name),
                "math": format!("#math.equation(block: true, alt: {}, $ {math} $.body);", literal(&equation.tex)),
                "says": markup(&equation.says),
            })),
            Err(message) => {
                faults.push(Diagnostic::error(
                    "formula-fault",
                    format!("the formula of `{}` can't be set: {message}", equation.name),
                ));
            }
        }
    }
    out
}

fn twice(document: &Document) -> Option<String> {
    let cells = |texts: [&str; 5]| texts.map(plain_cell).to_vec();
    let head = {
        let mut head = cells(["Result", "First route", "Second route", "By", "Must agree within"]);
        head.push(plain_cell("Agree"));
        head
    };
    let rows: Vec<Vec<Cell>> = document
        .twice
        .iter()
        .map(|row| {
            let mut line = cells([&row.metric, &row.first, &row.second, row.route, row.within]);
            line.push(if row.agrees {
                plain_cell("yes")
            } else {
                Cell { markup: "#lc-shout[DISAGREE];".to_owned(), text: "DISAGREE".to_owned() }
            });
            line
        })
        .collect();
    let sides = vec![Side::Left, Side::Right, Side::Right, Side::Left, Side::Left, Side::Left];
    set(&Table { sides, head, rows })
}

/// Side by side where there are many, so that they stay on the last page.
fn digests(document: &Document) -> Option<String> {
    const MANY: usize = 10;
    let blocks = &document.store.blocks;
    let abreast = if blocks.len() > MANY { 2 } else { 1 };
    let row = |block: &crate::results::BlockResult| {
        let code = |text: &str| Cell { markup: raw(text), text: text.to_owned() };
        // Enough to tell two blocks apart; results.json has all of it.
        let digest: String = block.digest.chars().take(24 / abreast).collect();
        let kind = plain_cell(&block.kind.replace('_', " "));
        vec![code(&block.name), kind, plain_cell(&block.line.to_string()), code(&digest)]
    };
    let height = blocks.len().div_ceil(abreast);
    let rows = (0..height).map(|at| {
        let mut cells: Vec<Cell> = blocks.iter().skip(at).step_by(height.max(1)).flat_map(row).collect();
        cells.resize_with(4 * abreast, || plain_cell(""));
        cells
    });
    let head = if abreast == 1 { "Digest of all it was solved from" } else { "Digest" };
    set(&Table {
        sides: [Side::Left, Side::Left, Side::Right, Side::Left].repeat(abreast),
        head: ["Block", "Kind", "Line", head].repeat(abreast).into_iter().map(plain_cell).collect(),
        rows: rows.collect(),
    })
}

fn set(table: &Table) -> Option<String> {
    if table.rows.is_empty() {
        return None;
    }
    let fit = table.fit();
    let kept = table.kept();
    Some(format!("#lc-table(size: {}pt, kept: {kept}, {})", fit.size.min(8.5), table.call(fit)))
}
