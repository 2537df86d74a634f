//! The stages in their order, from the files of a note to output files in memory.
//!
//! The only place that knows them all. Writing and typesetting come after it, in `cli`.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::blocks::{self, Changes, Inputs, Keep, Kind, OpenItems, Solution, SolvedLoop};
use crate::diag::{Diagnostic, Severity, Warned};
use crate::document::{self, Basis, BlockInput, Document, Edition, Equation, Look, Tables};
use crate::emit::{
    self, OutFile,
    package::{Member, Package},
};
use crate::exhibit::{Drawings, Exhibit};
use crate::note::place::Place;
use crate::note::{self, Note, RawBlock};
use crate::results::{BlockResult, Results, Store};
use crate::solve::{self, Done};
use crate::source::{FileFault, Files, Keeper, SourceMap, Span, Spanned};
use crate::template;

/// The typesetter that documents name: the one this version is tested with, whatever the machine has.
const TYPESETTER: &str = "typst 0.15.1";

/// What to solve.
pub struct Job<'a> {
    /// The note's folder.
    pub files: &'a dyn Files,
    /// Path of the note below that folder.
    pub note: &'a str,
    /// The path as the user gave it, for messages.
    pub shown: &'a str,
    /// What-if overrides: `lo.step` and a YAML text.
    pub with: &'a [(String, String)],
    /// Edition; `None`: as the note's `template` says, else review.
    pub edition: Option<Edition>,
    /// Whether noise is also put into the loop edge by edge.
    pub thorough: bool,
    /// The user's own look; `None`: ours for the edition.
    pub template: Option<&'a Look>,
}

impl<'a> Job<'a> {
    /// A note as it stands, with nothing more wished.
    pub fn plain(files: &'a dyn Files, note: &'a str) -> Self {
        Self { files, note, shown: note, with: &[], edition: None, template: None, thorough: false }
    }
}

/// What came of it.
pub struct Outcome {
    /// All texts, for messages.
    pub sources: Arc<SourceMap>,
    /// Errors and warnings, by place.
    pub diagnostics: Vec<Diagnostic>,
    /// The results; `None` where there are errors.
    pub solved: Option<Solved>,
}

/// A solved note.
pub struct Solved {
    /// Results, as far as the edition shows them.
    pub store: Store,
    /// Edition.
    pub edition: Edition,
    /// Title of the front matter.
    pub title: String,
    /// Date of the front matter, as written.
    pub date: Option<String>,
    document: Document,
    look: Look,
}

impl Solved {
    /// Names and texts of the templates that make the document.
    pub fn templates(&self) -> impl Iterator<Item = (&str, &str)> {
        self.look.files()
    }
}

/// What whoever solves a note again and again keeps from one turn to the next: solved blocks, drawn figures and set tables.
///
/// In memory, since what a solved block leaves for others is code as well as numbers. Of a block that took long the numbers
/// that did can outlive the program too, as plain bytes: see [`Kept::with`].
#[derive(Default)]
pub struct Kept {
    blocks: solve::Kept,
    shown: Shown,
    drawings: Arc<Drawings>,
    tables: Arc<Tables>,
}

/// What each block of the last turn showed.
type Shown = BTreeMap<String, ShownBefore>;

struct ShownBefore {
    /// Of the block then: they are the same ones as long as it is not solved again.
    results: Arc<Results>,
    looked_at: String,
    exhibits: Vec<Exhibit>,
}

impl Kept {
    /// Nothing yet but what is found at a keeper: numbers that took long in an earlier run of the program, each under a
    /// digest of all that it was computed from.
    pub fn with(keeper: Arc<dyn Keeper>) -> Self {
        let mut kept = Self::default();
        kept.blocks.keeper = Some(keeper);
        kept
    }

    /// Blocks that the last turn had to solve, and all of them.
    pub fn counts(&self) -> (usize, usize) {
        (self.blocks.again, self.blocks.all)
    }
}

/// Reads and solves a note. Every fault is found in one run.
pub fn solve(job: &Job<'_>) -> Outcome {
    solve_again(job, &mut Kept::default())
}

/// The same, where only what is not kept is solved.
pub fn solve_again(job: &Job<'_>, kept: &mut Kept) -> Outcome {
    let sources = Arc::new(SourceMap::new());
    let mut diagnostics = Vec::new();
    let solved = run(job, kept, &sources, &mut diagnostics);
    ended(sources, diagnostics, solved)
}

/// The same for a note that is not typeset now: what could not be set is told too.
pub fn solve_to_judge(job: &Job<'_>) -> Outcome {
    let Outcome { sources, mut diagnostics, solved } = solve(job);
    diagnostics.extend(solved.iter().flat_map(|solved| emit::faults(&solved.document)));
    ended(sources, diagnostics, solved)
}

fn ended(sources: Arc<SourceMap>, mut diagnostics: Vec<Diagnostic>, solved: Option<Solved>) -> Outcome {
    let failed = diagnostics.iter().any(|d| d.severity == Severity::Error);
    diagnostics.sort_by_key(|d| d.span);
    diagnostics.dedup();
    Outcome { sources, diagnostics, solved: solved.filter(|_| !failed) }
}

/// The files of the result folder: those of [`to_typeset`], then those of [`beside_it`].
///
/// # Errors
/// What a format can't say, at its line of the note.
pub fn produce(solved: &Solved, formats: &[&str]) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    match rayon::join(|| to_typeset(solved), || beside_it(solved, formats)) {
        (Ok(mut files), Ok(others)) => {
            files.extend(others);
            Ok(files)
        }
        (Err(mut faults), Err(others)) => {
            // What two formats can't say is told once.
            let new: Vec<Diagnostic> = others.into_iter().filter(|fault| !faults.contains(fault)).collect();
            faults.extend(new);
            Err(faults)
        }
        (Err(faults), Ok(_)) | (Ok(_), Err(faults)) => Err(faults),
    }
}

/// What the typesetter works on: the Typst text, figures and pictures.
///
/// # Errors
/// As [`produce`].
pub fn to_typeset(solved: &Solved) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    let pictures = solved.document.pictures.iter();
    let pictures = pictures.map(|(path, bytes)| OutFile { path: path.clone(), bytes: Arc::clone(bytes) });
    let mut files: Vec<OutFile> = pictures.collect();
    files.extend(emitted(solved, &["typst"])?);
    Ok(files)
}

/// What else there is: tables, results, and what `formats` adds. It can be made while the typesetter works.
///
/// # Errors
/// As [`produce`].
pub fn beside_it(solved: &Solved, formats: &[&str]) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    emitted(solved, &[&["csv", "json"], formats].concat())
}

fn emitted(solved: &Solved, formats: &[&str]) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    let (mut files, mut faults) = (Vec::new(), Vec::new());
    for name in formats {
        match emit::emitter(name).map(|emitter| emitter.emit(&solved.document, &solved.look)) {
            Some(Ok(found)) => files.extend(found),
            Some(Err(found)) => {
                let new: Vec<Diagnostic> =
                    found.into_iter().filter(|fault| !faults.contains(fault)).collect();
                faults.extend(new);
            }
            None => {}
        }
    }
    if faults.is_empty() { Ok(files) } else { Err(faults) }
}

/// A package of notes in their order, by name, those that could not be solved without results.
pub fn package<'a>(
    name: &'a str,
    notes: &[(&'a str, Option<&'a Solved>)],
    what_if: &[(String, String)],
) -> Package<'a> {
    let solved = notes.iter().find_map(|(_, solved)| *solved);
    let member = |(name, solved): &(&'a str, Option<&'a Solved>)| Member {
        name,
        document: solved.map(|solved| &solved.document),
    };
    Package {
        name,
        members: notes.iter().map(member).collect(),
        edition: solved.map_or(Edition::Review, |solved| solved.edition),
        what_if: what_if.iter().map(|(path, value)| format!("{path} = {value}")).collect(),
    }
}

/// What the typesetter works on for a package. The look is that of `template`, else ours.
///
/// # Errors
/// What Typst can't say.
pub fn bind(package: &Package<'_>, template: Option<&Look>) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    match template.cloned().or_else(|| Look::named("review")) {
        Some(look) => emit::package::to_typeset(package, &look),
        None => Ok(Vec::new()),
    }
}

/// What else there is of a package, with pages for the screen where wished. It can be made while the typesetter works.
///
/// # Errors
/// What a page can't say.
pub fn bind_beside(package: &Package<'_>, pages: bool) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
    emit::package::beside_it(package, pages)
}

fn run(
    job: &Job<'_>,
    kept: &mut Kept,
    sources: &Arc<SourceMap>,
    out: &mut Vec<Diagnostic>,
) -> Option<Solved> {
    let bytes = match job.files.read(job.note) {
        Ok(bytes) => bytes,
        Err(fault) => {
            out.push(Diagnostic::error(
                "note-missing",
                format!("`{}` can't be read: {}", job.shown, words(&fault)),
            ));
            return None;
        }
    };
    let folder = job.note.rsplit_once('/').map_or("", |(folder, _)| folder);
    let input = note::Input { bytes: &bytes, shown: job.shown, folder, files: job.files, with: job.with };
    let note = note::read(&input, &blocks::kind_infos(), sources, out)?;
    let root = note::shown_root(job.shown, folder);
    let mut done = solve::solve(&note.blocks, job.files, sources, &root, job.thorough, &mut kept.blocks, out);
    done.store.note = note_name(job.note).to_owned();
    done.store.revision.clone_from(&note.front.revision);
    done.store.what_if = job.with.iter().map(|(path, value)| format!("{path} = {value}")).collect();
    done.store.warnings = solve::warnings(out, &done.store, sources);
    if out.iter().any(|d| d.severity == Severity::Error) {
        prose_faults(&note, &done, sources, out);
        return None;
    }
    let edition = job.edition.unwrap_or(Edition::Review);
    let mut document = document(job, &note, &done, edition, sources, kept, out)?;
    document.drawings = Arc::clone(&kept.drawings);
    document.pictures = pictures(job, &note, &document, out);
    let named = match edition {
        Edition::Customer => "customer",
        Edition::Review => note.front.template.unwrap_or("review"),
    };
    Some(Solved {
        store: document.store.clone(),
        edition,
        title: note.front.title.clone(),
        date: note.front.date.clone(),
        look: job.template.cloned().or_else(|| Look::named(named))?,
        document,
    })
}

/// Faults of the prose of a note that is not solved. Prose that cites what is there, but was not solved, would only
/// repeat the first fault.
fn prose_faults(note: &Note, done: &Done, sources: &Arc<SourceMap>, out: &mut Vec<Diagnostic>) {
    let template = template::Prose::new(&done.store);
    let pass = |text: &str, mark: char| {
        template.fill(text, mark).map(|(text, values)| note::Filled { text, values })
    };
    let reader = note::Prose { sources, fill: &pass };
    let mut found = Vec::new();
    reader.note(note, &mut found);
    for (text, place) in done.solved.values().flat_map(|s| blocks::prose_fields(&s.given.fields)) {
        reader.fragment(&note::Fragment { text: &text, place: &place }, &mut found);
    }
    // A name taken twice, and so a block shown twice, is told already.
    let told: Vec<Option<Span>> = out.iter().map(|fault| fault.span).collect();
    found.retain(|fault| !told.contains(&fault.span));
    out.extend(found.into_iter().filter(|fault| {
        let word = fault.span.map(|span| sources.text(span.file)[span.start..span.end].to_owned());
        fault.id != "unknown-name" || word.is_none_or(|word| !note.declares(&word))
    }));
}

fn document(
    job: &Job<'_>,
    note: &Note,
    done: &Done,
    edition: Edition,
    sources: &Arc<SourceMap>,
    kept: &mut Kept,
    out: &mut Vec<Diagnostic>,
) -> Option<Document> {
    let template = template::Prose::new(&done.store);
    let pass = |text: &str, mark: char| {
        template.fill(text, mark).map(|(text, values)| note::Filled { text, values })
    };
    let reader = note::Prose { sources, fill: &pass };
    let prose = reader.note(note, out);
    // The document knows texts and spans; the place of a field also knows the lines of a folded text.
    let texts: Vec<(String, Place)> =
        done.solved.values().flat_map(|s| blocks::prose_fields(&s.given.fields)).collect();
    let fill = |text: &str, span: Span| {
        let same = || texts.iter().filter(|(known, _)| known == text);
        let exact = if same().count() > 1 { same().find(|(_, place)| place.span() == span) } else { None };
        let Some((_, place)) = exact.or_else(|| same().next()) else { return Ok(Vec::new()) };
        let mut faults = Vec::new();
        let blocks = reader.fragment(&note::Fragment { text, place }, &mut faults);
        if faults.is_empty() { Ok(blocks) } else { Err(faults) }
    };
    let root = note::shown_root(job.shown, job.note.rsplit_once('/').map_or("", |(folder, _)| folder));
    let inputs = Inputs {
        solved: &done.solved,
        catalog: &done.catalog,
        files: job.files,
        sources,
        shown: &root,
        again: None,
        thorough: job.thorough,
        trial: None,
        keep: Keep::default(),
    };
    let Kept { shown, tables, .. } = kept;
    shown.retain(|name, _| done.solved.contains_key(name.as_str()));
    let block_input = |raw: &RawBlock| {
        let (solution, stored) = (done.solved.get(raw.name.as_str())?, done.store.block(&raw.name)?);
        block_input(solution, stored, edition, &inputs, shown)
    };
    let input = document::Input {
        edition,
        front: note.front.clone(),
        prose,
        store: done.store.clone(),
        blocks: note.blocks.iter().filter_map(block_input).collect(),
        what_if: done.store.what_if.clone(),
        typesetter: TYPESETTER.to_owned(),
        tables: Arc::clone(tables),
        fill: &fill,
        sources: Arc::clone(sources),
        file: note.file,
    };
    match document::assemble(input) {
        Ok(Warned { value, warnings }) => {
            out.extend(warnings);
            Some(value)
        }
        Err(faults) => {
            out.extend(faults);
            None
        }
    }
}

/// The images that the edition shows, copied into the result folder: never linked, never read by the typesetter from
/// where they are.
fn pictures(
    job: &Job<'_>,
    note: &Note,
    document: &Document,
    out: &mut Vec<Diagnostic>,
) -> BTreeMap<String, Arc<[u8]>> {
    let folder = job.note.rsplit_once('/').map_or(String::new(), |(folder, _)| format!("{folder}/"));
    let mut files = BTreeMap::new();
    for path in document.images() {
        match job.files.read(&format!("{folder}{path}")) {
            Ok(bytes) => {
                files.insert(document::image_file(&path), bytes);
            }
            Err(fault) => {
                let at = note
                    .text
                    .find(&path)
                    .map_or(note.front_span, |start| Span::new(note.file, start, start + path.len()));
                out.push(
                    Diagnostic::error(
                        "image",
                        format!("the image `{path}` can't be read: {}", words(&fault)),
                    )
                    .at(at),
                );
            }
        }
    }
    files
}

fn block_input(
    solution: &Solution,
    stored: &BlockResult,
    edition: Edition,
    inputs: &Inputs<'_>,
    shown_before: &mut Shown,
) -> Option<BlockInput> {
    let Solution { given, solved } = solution;
    let kind = blocks::kind(given.kind)?;
    let fields = &given.fields;
    let shown = |word: &str| {
        !fields.written("show") || fields.list("show").iter().any(|item| item.text() == Some(word))
    };
    let all = match (edition, solved.model.downcast_ref::<Changes>()) {
        // What was internal in an earlier revision is not told apart by the audience of this one.
        (Edition::Customer, Some(changes)) => changes.public(inputs),
        _ => exhibits(kind, solution, stored, inputs, shown_before),
    };
    let exhibits = all.into_iter().filter(|exhibit| match exhibit {
        Exhibit::Figure(_) => shown("figure"),
        Exhibit::Table(_) => shown("table"),
        Exhibit::Prose { .. } => true,
    });
    let basis = match fields.word("basis") {
        Some("measured") => Some(Basis::Measured),
        Some("guaranteed") => Some(Basis::Guaranteed),
        Some("typical") => Some(Basis::Typical),
        Some("assumed") => Some(Basis::Assumed),
        _ => None,
    };
    let equation =
        |e: &blocks::Equation| Equation { name: e.name.into(), tex: e.tex.into(), says: e.source.into() };
    Some(BlockInput {
        name: given.name.clone(),
        kind: given.kind,
        line: stored.line,
        internal: given.internal,
        caption: fields
            .text("caption")
            .map(|text| Spanned { value: text.to_owned(), span: fields.span("caption") }),
        exhibits: exhibits.collect(),
        fact: kind.facts().then(|| (basis, fields.text("source").map(str::to_owned))),
        equations: solved.equations.iter().map(equation).collect(),
        netlist: solved.model.downcast_ref::<SolvedLoop>().map(SolvedLoop::netlist),
        open_items: solved.model.downcast_ref::<OpenItems>().map_or(0, |items| items.open),
    })
}

/// What a block shows; made again only where something of it may be other than in the turn before.
fn exhibits(
    kind: &dyn Kind,
    solution: &Solution,
    stored: &BlockResult,
    inputs: &Inputs<'_>,
    before: &mut Shown,
) -> Vec<Exhibit> {
    let Solution { given, solved } = solution;
    let looked_at = kind.looks_at(given, inputs);
    let same =
        |known: &&ShownBefore| Arc::ptr_eq(&known.results, &stored.results) && known.looked_at == looked_at;
    if let Some(known) = before.get(&given.name).filter(same) {
        return known.exhibits.clone();
    }
    let exhibits = kind.show(given, solved, inputs);
    if exhibits.iter().all(Exhibit::is_placeless) {
        let results = Arc::clone(&stored.results);
        before.insert(given.name.clone(), ShownBefore { results, looked_at, exhibits: exhibits.clone() });
    } else {
        before.remove(&given.name);
    }
    exhibits
}

fn words(fault: &FileFault) -> String {
    match fault {
        FileFault::Missing { .. } => "there is no such file".to_owned(),
        FileFault::Outside => "it lies outside the folder of the note".to_owned(),
        FileFault::TooLarge { limit } => format!("it is larger than {} MiB", limit >> 20),
        FileFault::Refused(why) => why.clone(),
    }
}

/// The name of a note: its file without folder and ending.
pub fn note_name(path: &str) -> &str {
    let file = path.rsplit(['/', '\\']).next().unwrap_or(path);
    file.strip_suffix(".md").unwrap_or(file)
}
