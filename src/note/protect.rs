//! What stands between the source of prose and its template: opaque marks in place of what is never expanded, and
//! marks that carry the lines of the source through loops and conditions.

use std::ops::Range;

use super::structure::{Guard, Structure};
use crate::diag::{Diagnostic, Misplaced};

/// Around the number of a guarded text.
const GUARD: char = '\u{e000}';
/// Around the number of a live value; the template pass writes it.
pub(super) const VALUE: char = '\u{e001}';
/// Around the number of a line.
const LINE: char = '\u{e002}';

/// Source made ready for the template pass, with as many lines as before.
pub(super) struct Protected<'a> {
    pub template: String,
    guarded: Vec<(&'a str, usize)>,
}

/// Rendered text with everything put back, and the source line of each of its lines.
pub(super) struct Restored {
    pub text: String,
    /// The source line of each line.
    lines: Vec<usize>,
    /// The first byte of each line.
    starts: Vec<usize>,
}

/// Block tags and what ends them.
const PAIRS: [(&str, &str); 7] = [
    ("if", "endif"),
    ("for", "endfor"),
    ("macro", "endmacro"),
    ("filter", "endfilter"),
    ("with", "endwith"),
    ("call", "endcall"),
    ("set", "endset"),
];

/// Puts marks in place of what the template pass must not see. `structure` has been found in the same `text`.
///
/// # Errors
/// A tag that is never closed, at the line that opens it.
pub(super) fn protect<'a>(text: &'a str, structure: &Structure) -> Result<Protected<'a>, Misplaced> {
    let ranges = guards(text, structure);
    let mut out = Protected { template: String::with_capacity(text.len() * 2), guarded: Vec::new() };
    let mut open: Vec<(&str, usize)> = Vec::new();
    let mut ranges = ranges.into_iter().peekable();
    let (mut at, mut line, mut fresh) = (0, 1, true);
    while at < text.len() {
        if let Some(range) = ranges.next_if(|range| range.start <= at) {
            if range.end <= at {
                continue;
            }
            let piece = &text[at..range.end];
            out.line_mark(line, &mut fresh);
            out.template.push_str(&mark(GUARD, out.guarded.len()));
            out.guarded.push((piece, line));
            let breaks = piece.matches('\n').count();
            out.template.extend(std::iter::repeat_n('\n', breaks));
            line += breaks;
            fresh = piece.ends_with('\n');
            at = range.end;
            continue;
        }
        let rest = &text[at..];
        if rest.starts_with("{{") || rest.starts_with("{%") {
            let len = tag_len(rest).ok_or_else(|| unclosed(line, &rest[..2]))?;
            let tag = &rest[..len];
            pair(tag, line, &mut open)?;
            // A line that starts with a tag that prints has something to show; one with a statement may vanish.
            if tag.starts_with("{{") {
                out.line_mark(line, &mut fresh);
            }
            out.template.push_str(tag);
            line += tag.matches('\n').count();
            at += len;
            continue;
        }
        let c = rest.chars().next().unwrap_or(' ');
        if c == '\n' {
            (line, fresh) = (line + 1, true);
        } else if !c.is_whitespace() {
            out.line_mark(line, &mut fresh);
        }
        out.template.push(c);
        at += c.len_utf8();
    }
    match open.pop() {
        Some((name, line)) => Err(unclosed(line, name)),
        None => Ok(out),
    }
}

impl Protected<'_> {
    fn line_mark(&mut self, line: usize, fresh: &mut bool) {
        if std::mem::take(fresh) {
            self.template.push_str(&mark(LINE, line));
        }
    }

    /// Takes the marks out of the rendered text and puts back what they stand for.
    pub(super) fn restore(&self, rendered: &str) -> Restored {
        let mut out =
            Restored { text: String::with_capacity(rendered.len()), lines: vec![1], starts: vec![0] };
        let mut rest = rendered;
        while let Some(c) = rest.chars().next() {
            if let (GUARD | LINE, Some((number, after))) = (c, read_mark(rest, c)) {
                rest = after;
                if c == LINE {
                    out.set_line(number);
                } else if let Some((piece, line)) = self.guarded.get(number) {
                    out.set_line(*line);
                    for (index, part) in piece.split_inclusive('\n').enumerate() {
                        out.set_line(line + index);
                        out.text.push_str(part);
                        if part.ends_with('\n') {
                            out.next_line(line + index + 1);
                            rest = rest.strip_prefix('\n').unwrap_or(rest);
                        }
                    }
                }
                continue;
            }
            out.text.push(c);
            if c == '\n' {
                let line = out.lines.last().copied().unwrap_or(0);
                out.next_line(line + 1);
            }
            rest = &rest[c.len_utf8()..];
        }
        out
    }
}

impl Restored {
    fn next_line(&mut self, line: usize) {
        self.lines.push(line);
        self.starts.push(self.text.len());
    }

    /// The first mark of a line decides: what follows may have been joined to it by a tag.
    fn set_line(&mut self, line: usize) {
        let start = self.starts.last().copied().unwrap_or(0);
        if self.text[start..].trim().is_empty()
            && let Some(last) = self.lines.last_mut()
        {
            *last = line;
        }
    }

    /// The source line of a byte of the text.
    pub(super) fn line_at(&self, offset: usize) -> usize {
        let index = self.starts.partition_point(|&start| start <= offset).saturating_sub(1);
        self.lines.get(index).copied().unwrap_or(1)
    }
}

fn mark(sign: char, number: usize) -> String {
    format!("{sign}{number}{sign}")
}

/// The number in a mark at the start of a text, and what follows it.
pub(super) fn read_mark(text: &str, sign: char) -> Option<(usize, &str)> {
    let (number, after) = text.strip_prefix(sign)?.split_once(sign)?;
    Some((number.parse().ok()?, after))
}

/// All that is guarded, in order: what the parser found, and code spans it can't see (in a table cell with a pipe).
fn guards(text: &str, structure: &Structure) -> Vec<Range<usize>> {
    let mut ranges: Vec<Range<usize>> = Vec::new();
    for (range, guard) in &structure.guarded {
        match guard {
            Guard::Opaque => ranges.push(range.clone()),
            Guard::Math => {
                // In TeX only `{{ ` opens an expression; `\frac{{a}}{b}` does not.
                let mut at = range.start;
                while let Some(open) = text[at..range.end].find("{{ ").map(|i| at + i) {
                    let Some(len) = tag_len(&text[open..range.end]) else { break };
                    ranges.push(at..open);
                    at = open + len;
                }
                ranges.push(at..range.end);
            }
        }
    }
    let mut seen = ranges.into_iter().filter(|range| !range.is_empty()).peekable();
    let mut kept: Vec<Range<usize>> = Vec::new();
    let mut at = 0;
    while let Some(found) = text[at..].find(['`', '{']).map(|i| at + i) {
        while let Some(range) = seen.next_if(|range| range.end <= found) {
            kept.push(range);
        }
        if let Some(range) = seen.next_if(|range| range.contains(&found)) {
            at = range.end;
            kept.push(range);
            continue;
        }
        let rest = &text[found..];
        if rest.starts_with('`') {
            let ticks = rest.len() - rest.trim_start_matches('`').len();
            let line = rest.find('\n').map_or(rest, |end| &rest[..end]);
            let close = closing_ticks(&line[ticks..], ticks);
            at = found + close.map_or(ticks, |close| ticks + close + ticks);
            if close.is_some() {
                kept.push(found..at);
            }
        } else if rest.starts_with("{{") || rest.starts_with("{%") {
            at = found + tag_len(rest).unwrap_or(2);
            // A tag reaches to its own end: what the parser saw begin inside it (code, from a backtick in quotes) is none.
            while seen.next_if(|range| range.start < at).is_some() {}
        } else {
            at = found + 1;
        }
    }
    kept.extend(seen);
    kept.sort_by_key(|range| range.start);
    kept
}

/// Where a run of exactly `ticks` backticks begins.
fn closing_ticks(text: &str, ticks: usize) -> Option<usize> {
    let mut at = 0;
    while let Some(start) = text[at..].find('`').map(|i| at + i) {
        let run = text[start..].len() - text[start..].trim_start_matches('`').len();
        if run == ticks {
            return Some(start);
        }
        at = start + run;
    }
    None
}

/// Length of the tag at the start of a text, texts in quotes passed over.
fn tag_len(text: &str) -> Option<usize> {
    let close = if text.starts_with("{{") { "}}" } else { "%}" };
    let mut quote: Option<char> = None;
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(2) {
        match quote {
            Some(_) if escaped => escaped = false,
            Some(_) if c == '\\' => escaped = true,
            Some(open) if c == open => quote = None,
            Some(_) => {}
            None if text[at..].starts_with(close) => return Some(at + 2),
            None if matches!(c, '"' | '\'') => quote = Some(c),
            None if text[at..].starts_with("{{") || text[at..].starts_with("{%") => return None,
            None => {}
        }
    }
    None
}

/// Keeps account of tags that open and end a block.
fn pair<'a>(tag: &'a str, line: usize, open: &mut Vec<(&'a str, usize)>) -> Result<(), Misplaced> {
    let Some(inner) = tag.strip_prefix("{%") else { return Ok(()) };
    let inner = inner.trim_start_matches(['-', '+']).trim_start();
    let word = inner.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').next().unwrap_or("");
    if PAIRS.iter().any(|(name, _)| *name == word) && !(word == "set" && inner.contains('=')) {
        open.push((word, line));
    } else if let Some((name, end)) = PAIRS.iter().find(|(_, end)| *end == word) {
        if open.last().is_none_or(|(last, _)| last != name) {
            let message = format!("`{end}` ends nothing that is open here");
            let diagnostic = Diagnostic::error("template-pairs", message);
            return Err(Misplaced { line, word: word.to_owned(), diagnostic });
        }
        open.pop();
    }
    Ok(())
}

fn unclosed(line: usize, what: &str) -> Misplaced {
    let end = match what {
        "{{" => "}}",
        "{%" => "%}",
        name => PAIRS.iter().find(|(open, _)| *open == name).map_or("", |(_, end)| end),
    };
    let diagnostic = Diagnostic::error("template-pairs", format!("`{what}` is never closed"));
    let diagnostic = diagnostic.hint(if what.starts_with('{') {
        format!("close it with `{end}`; to show it as it is, write it between backticks")
    } else {
        format!("close it with `{{% {end} %}}`")
    });
    Misplaced { line, word: what.to_owned(), diagnostic }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::note::structure::scan;

    /// The text the template pass sees, guarded parts as `<..>`, line marks left out.
    fn seen(text: &str) -> String {
        let protected = protect(text, &scan(text, 0)).expect("is closed");
        assert_eq!(protected.template.matches('\n').count(), text.matches('\n').count());
        assert_eq!(protected.restore(&protected.template).text, text, "put back as it was");
        let mut out = String::new();
        let mut rest = protected.template.as_str();
        while let Some(c) = rest.chars().next() {
            match read_mark(rest, c) {
                Some((number, after)) if c == GUARD => {
                    out.push_str(&format!("<{}>", protected.guarded[number].0));
                    rest = after;
                }
                Some((_, after)) if c == LINE => rest = after,
                _ => {
                    out.push(c);
                    rest = &rest[c.len_utf8()..];
                }
            }
        }
        out
    }

    #[test]
    fn code_and_math_are_guarded() {
        for (text, expected) in [
            ("a `{{ x }}` b", "a <`{{ x }}`> b"),
            ("| `a|{{ x }}` |\n|--|\n", "| <`a|{{ x }}`> |\n|--|\n"),
            ("$\\frac{{a}}{b}$", "<$\\frac{{a}}{b}$>"),
            ("$f = {{ x }}$", "<$f = >{{ x }}<$>"),
            ("# Head {#id .c}", "# Head {#id .c}"),
            ("{{ '`' }} and `c`", "{{ '`' }} and <`c`>"),
        ] {
            assert_eq!(seen(text), expected);
        }
    }

    #[test]
    fn lines_survive_loops_and_conditions() {
        let text = "a\n{% for x in y %}\nb\n{% endfor %}\nc\n";
        let protected = protect(text, &scan(text, 0)).expect("is closed");
        let lines: Vec<&str> = protected.template.split('\n').collect();
        // As the template pass would: the tag lines vanish, the body comes twice.
        let rendered = format!("{}\n{}\n{}\n{}\n", lines[0], lines[2], lines[2], lines[4]);
        let restored = protected.restore(&rendered);
        assert_eq!(restored.text, "a\nb\nb\nc\n");
        assert_eq!(restored.lines[..4], [1, 3, 3, 5]);
        assert_eq!(restored.line_at(6), 5);
    }

    #[test]
    fn what_is_never_closed_is_reported_where_it_opens() {
        for (text, line, word) in [
            ("a\nb {{ x\nc\n", 2, "{{"),
            ("a\n{% if x %}\nb\n", 2, "if"),
            ("a\n{% if x %}\n{% endfor %}\n", 3, "endfor"),
            ("{% if x\n{{ y }}", 1, "{%"),
        ] {
            let fault = protect(text, &scan(text, 0)).err().expect("is not closed");
            assert_eq!((fault.line, fault.word.as_str()), (line, word), "{text}");
        }
    }
}
