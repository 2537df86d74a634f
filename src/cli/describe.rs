//! `describe`: kinds, fields and metrics, out of the registry that also checks notes.

use super::args::Describe;
use super::console::Console;
use super::exit::Exit;
use super::shape::{inner, need, words};
use super::{example, part_schema};
use crate::blocks::{self, KINDS, Kind, MetricDoc, Route};
use crate::diag::Diagnostic;
use crate::note::schema::Field;

/// Columns of a line at most, and of what stands before its words.
const COLUMNS: usize = 100;
const DEEPEST: usize = 36;

pub(super) fn run(args: &Describe, console: &mut Console) -> Exit {
    let text = match &args.name {
        None => Ok(overview()),
        Some(name) if args.schema => schema(name),
        Some(name) => describe(name),
    };
    match text {
        Ok(text) => {
            console.print(&if args.schema { text } else { folded(&text) });
            Exit::Done
        }
        Err(fault) => {
            console.fault(&fault);
            Exit::Faulty
        }
    }
}

/// Long lines folded, what follows standing below where the words began; examples stay as they are written.
fn folded(text: &str) -> String {
    let mut out = String::new();
    let mut example = false;
    for line in text.lines() {
        example |= line.starts_with("Example");
        let indent = line.len() - line.trim_start().len();
        let words = line[indent..].find("  ").map_or(0, |gap| {
            let rest = &line[indent + gap..];
            indent + gap + rest.len() - rest.trim_start().len()
        });
        let hang = if (1..=DEEPEST).contains(&words) { words } else { indent + 4 };
        let mut column = 0;
        for (number, word) in line.split(' ').enumerate() {
            let wide = word.chars().count();
            if number > 0 && !example && column > hang && column + 1 + wide > COLUMNS {
                out.push('\n');
                out.push_str(&" ".repeat(hang));
                column = hang;
            } else if number > 0 {
                out.push(' ');
                column += 1;
            }
            out.push_str(word);
            column += wide;
        }
        out.push('\n');
    }
    out
}

fn schema(name: &str) -> Result<String, Diagnostic> {
    let kind = blocks::kind(name).ok_or_else(|| unknown(name))?;
    Ok(format!("{:#}\n", part_schema::schema(kind)))
}

fn unknown(wanted: &str) -> Diagnostic {
    let names = || KINDS.iter().map(|kind| kind.name());
    let fault = Diagnostic::error("unknown-kind", format!("there is no kind `{wanted}`"));
    let fault = match names().find(|name| !wanted.is_empty() && name.starts_with(wanted)) {
        Some(name) => fault.hint(format!("did you mean `{name}`?")),
        None => fault.nearest(wanted, names()),
    };
    fault.hint("`loopcase describe` lists all kinds")
}

fn overview() -> String {
    let width = KINDS.iter().map(|kind| kind.name().len()).max().unwrap_or(0);
    let mut text =
        "Kinds of block, opened in a note by ```yaml KIND NAME (*: NAME may be left out)\n\n".to_owned();
    for kind in KINDS {
        let star = if kind.nameless() { "*" } else { " " };
        text.push_str(&format!("  {:width$}{star}  {}\n", kind.name(), kind.about()));
    }
    text.push_str(
        "\n`loopcase describe KIND` lists fields and metrics, `loopcase describe KIND.FIELD` one field.\n",
    );
    text
}

fn describe(name: &str) -> Result<String, Diagnostic> {
    let mut names = name.split('.');
    let wanted = names.next().unwrap_or_default();
    let kind = blocks::kind(wanted).ok_or_else(|| unknown(wanted))?;
    let mut path = wanted.to_owned();
    let mut fields = fields_of(kind);
    let mut found: Option<&Field> = None;
    for name in names {
        let Some(field) = fields.iter().find(|field| field.name == name) else {
            let metrics = if found.is_none() { kind.metrics() } else { &[] };
            // `parts.C1` stands for every part, `p01.jitter` for every metric of a run.
            let same =
                |metric: &&MetricDoc| metric.name == name || metric.name.split('.').next() == Some(name);
            if let Some(metric) = metrics.iter().find(same) {
                return Ok(format!(
                    "{path}.{}: {}\n  a metric, in {}\n",
                    metric.name,
                    metric.says,
                    metric.unit.symbol()
                ));
            }
            let fault = Diagnostic::error("unknown-field", format!("there is no field `{name}` in `{path}`"));
            let known = fields.iter().map(|field| field.name).chain(metrics.iter().map(|metric| metric.name));
            return Err(fault
                .nearest(name, known)
                .hint(format!("`loopcase describe {path}` lists what is there")));
        };
        path = format!("{path}.{name}");
        found = Some(field);
        fields = inner(&field.kind);
    }
    Ok(match found {
        None => kind_text(kind),
        Some(field) => field_text(&path, field),
    })
}

/// Every field of a kind; where its entries have names of the author's choice, the fields of an entry.
fn fields_of(kind: &dyn Kind) -> Vec<&'static Field> {
    let mut fields: Vec<&Field> = kind.entries().map(inner).unwrap_or_default();
    for field in kind.fields().iter().copied().flatten() {
        if fields.iter().all(|known| known.name != field.name) {
            fields.push(field);
        }
    }
    fields
}

fn kind_text(kind: &dyn Kind) -> String {
    let mut text = format!("{}: {}\n", kind.name(), kind.about());
    if kind.nameless() {
        text.push_str("Its name may be left out.\n");
    }
    if let Some(entry) = kind.entries() {
        text.push_str(&format!("\nEntries: names of your choice, each with: {}\n", words(entry)));
        list(&inner(entry), 1, &mut text);
    }
    text.push_str("\nFields\n");
    list(&kind.fields().iter().copied().flatten().collect::<Vec<_>>(), 1, &mut text);
    let contributors = kind.contributors();
    if !contributors.is_empty() {
        text.push_str("\nContributors\n");
        let width = contributors.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
        for (name, says) in contributors {
            text.push_str(&format!("  {name:width$}  {says}\n"));
        }
    }
    if !kind.metrics().is_empty() {
        text.push_str("\nMetrics\n");
        let width = kind.metrics().iter().map(|metric| metric.name.len()).max().unwrap_or(0);
        for metric in kind.metrics() {
            let route = match metric.route {
                Route::Second(name) => format!("second route: {name}"),
                Route::SecondWhere(name, applies) => format!("second route: {name}, where {applies}"),
                Route::None(why) => format!("no second route: {why}"),
            };
            text.push_str(&format!(
                "  {:width$}  {} ({}; {route})\n",
                metric.name,
                metric.says,
                metric.unit.symbol()
            ));
        }
    }
    for (number, block) in example::blocks(kind.name()).iter().enumerate() {
        text.push_str(if number == 0 { "\nExample, invented\n" } else { "\n" });
        text.push_str(&indented(block));
    }
    text
}

fn indented(text: &str) -> String {
    text.lines().flat_map(|line| ["  ", line, "\n"]).collect()
}

fn field_text(path: &str, field: &Field) -> String {
    let mut text = format!("{path}: {}\n  {}\n  {}\n", field.says, words(&field.kind), need(field.need));
    let inside = inner(&field.kind);
    if !inside.is_empty() {
        text.push_str("\nInside\n");
        list(&inside, 1, &mut text);
    }
    let mut names = path.split('.');
    let kind = names.next().unwrap_or_default();
    if let Some(lines) = example::field(kind, &names.collect::<Vec<_>>()) {
        text.push_str("\nExample, invented\n");
        text.push_str(&indented(&lines));
    }
    text
}

fn list(fields: &[&Field], depth: usize, text: &mut String) {
    let width = fields.iter().map(|field| field.name.len()).max().unwrap_or(0);
    let indent = "  ".repeat(depth);
    for field in fields {
        text.push_str(&format!(
            "{indent}{:width$}  {} ({}; {})\n",
            field.name,
            field.says,
            words(&field.kind),
            need(field.need)
        ));
        list(&inner(&field.kind), depth + 1, text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fields of fields that the examples show once, elsewhere: those of a band are those of the oscillator, those of an option
    /// and of a map are those of the loop, every part of a filter is like the next.
    const SHOWN_ELSEWHERE: &[&str] = &[
        "oscillator.bands.",
        "alternatives.options.",
        "region.across.",
        "region.along.",
        "tolerance.parts.",
        ".phase_noise.table.file",
        ".phase_noise.of",
        "reference.phase_noise.",
    ];

    fn unshown(kind: &str, path: &[&str], fields: &[&Field], found: &mut Vec<String>) {
        for field in fields {
            let path: Vec<&str> = path.iter().copied().chain([field.name]).collect();
            let name = format!("{kind}.{}", path.join("."));
            if !SHOWN_ELSEWHERE.iter().any(|part| name.contains(part))
                && example::field(kind, &path).is_none()
            {
                found.push(name);
            }
            unshown(kind, &path, &inner(&field.kind), found);
        }
    }

    #[test]
    fn the_examples_show_every_field() {
        let shared: Vec<&str> = blocks::COMMON.iter().chain(blocks::FACTS).map(|field| field.name).collect();
        let mut found = Vec::new();
        for kind in KINDS {
            let own: Vec<&Field> =
                fields_of(*kind).into_iter().filter(|field| !shared.contains(&field.name)).collect();
            unshown(kind.name(), &[], &own, &mut found);
            assert!(!example::blocks(kind.name()).is_empty(), "no example of `{}`", kind.name());
        }
        for name in shared {
            let shown = KINDS.iter().any(|kind| example::field(kind.name(), &[name]).is_some());
            assert!(shown, "no example of `{name}`");
        }
        assert!(found.is_empty(), "no example of: {found:#?}");
    }

    #[test]
    fn every_kind_and_field_is_described() {
        let overview = overview();
        for kind in KINDS {
            assert!(overview.contains(kind.name()));
            let text = describe(kind.name()).expect("a kind");
            for field in fields_of(*kind) {
                assert!(
                    text.contains(field.name) && text.contains(field.says),
                    "{}.{}",
                    kind.name(),
                    field.name
                );
                assert!(describe(&format!("{}.{}", kind.name(), field.name)).is_ok());
            }
        }
    }

    #[test]
    fn long_lines_fold_below_their_words_and_examples_stay() {
        let text = format!("  name  {}\n\nExample, invented\n  {}\n", "word ".repeat(30), "word ".repeat(30));
        let folded = folded(&text);
        let lines: Vec<&str> = folded.lines().collect();
        assert!(lines[0].chars().count() <= COLUMNS && lines[1].starts_with("        word"), "{folded}");
        assert_eq!(lines[lines.len() - 1].trim_end(), text.lines().last().expect("a line").trim_end());
        assert_eq!(folded.split_whitespace().count(), text.split_whitespace().count());
    }

    #[test]
    fn a_wrong_name_brings_the_nearest() {
        let kind = KINDS[0].name();
        let fault = describe(&format!("{kind}x")).expect_err("not a kind");
        assert!(fault.hints.iter().any(|hint| hint.contains(&format!("did you mean `{kind}`"))), "{fault:?}");
        let field = fields_of(KINDS[0])[0].name;
        let fault = describe(&format!("{kind}.{field}x")).expect_err("not a field");
        assert!(
            fault.hints.iter().any(|hint| hint.contains(&format!("did you mean `{field}`"))),
            "{fault:?}"
        );
    }
}
