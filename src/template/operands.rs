//! Makes plain numbers of solved ones where an expression calculates or compares.
//!
//! A solved number prints with its unit, so it reaches the template as an object, and the engine calculates with plain
//! numbers only. Each operand of an operator is therefore passed through a filter: `lo.phase_margin >= 50` becomes
//! `(lo.phase_margin|si) >= 50`. What is only printed stays as it is.

use super::guards::guards;
use super::tags::tags;
use super::token::{KEYWORDS, Kind, Token, tokens};

/// Name of the filter.
pub(super) const FILTER: &str = "si";

/// Rewrites every tag of a template, and counts what tags name. Line ends stay where they are.
pub(super) fn plain_operands(template: &str) -> String {
    let mut out = String::with_capacity(template.len());
    let mut done = 0;
    for range in tags(template) {
        let tag = &template[range.clone()];
        // The `-` of `{{-` and `-}}` belongs to the delimiter; a tag that is never closed has none at its end.
        let head = 2 + usize::from(tag[2..].starts_with(['-', '+']));
        let body = tag[head..].strip_suffix(["}}", "%}"][usize::from(tag.starts_with("{%"))]);
        let Some(body) = body.map(|body| body.strip_suffix(['-', '+']).unwrap_or(body)) else { break };
        out.push_str(&template[done..range.start + head]);
        out.push_str(&expression(body));
        out.push_str(&template[range.start + head + body.len()..range.end]);
        out.push_str(&guards(tag));
        done = range.end;
    }
    out.push_str(&template[done..]);
    out
}

fn expression(text: &str) -> String {
    let tokens = tokens(text);
    let mut wraps: Vec<(usize, usize)> = Vec::new();
    level(text, &tokens, 0, tokens.len(), &mut wraps);
    let mut out = String::with_capacity(text.len() + wraps.len() * 6);
    for (at, c) in text.char_indices() {
        close_at(at, &wraps, &mut out);
        out.extend(wraps.iter().filter(|(start, _)| *start == at).map(|_| '('));
        out.push(c);
    }
    close_at(text.len(), &wraps, &mut out);
    out
}

fn close_at(at: usize, wraps: &[(usize, usize)], out: &mut String) {
    for _ in wraps.iter().filter(|(_, end)| *end == at) {
        out.push_str(&format!("|{FILTER})"));
    }
}

/// Finds the operands beside operators between two tokens, and inside all brackets there.
fn level(text: &str, tokens: &[Token], from: usize, to: usize, wraps: &mut Vec<(usize, usize)>) {
    let word = |index: usize| &text[tokens[index].range.clone()];
    let is_operator = |index: usize| (from..to).contains(&index) && tokens[index].kind == Kind::Operator;
    let mut at = from;
    while at < to {
        let starts = match tokens[at].kind {
            Kind::Name => !KEYWORDS.contains(&word(at)) || word(at) == "loop",
            Kind::Open => true,
            _ => false,
        };
        if !starts {
            at += 1;
            continue;
        }
        let end = operand_end(tokens, at, to);
        for open in (at..end).filter(|&index| tokens[index].kind == Kind::Open) {
            // Brackets inside these are found when their own level is walked.
            if depth_is_zero(tokens, at, open) {
                level(text, tokens, open + 1, closing(tokens, open, to), wraps);
            }
        }
        if is_operator(end) || (at > from && is_operator(at - 1)) {
            wraps.push((tokens[at].range.start, tokens[end - 1].range.end));
        }
        at = end.max(at + 1);
    }
}

fn depth_is_zero(tokens: &[Token], from: usize, to: usize) -> bool {
    let count = |kind: Kind| tokens[from..to].iter().filter(|token| token.kind == kind).count();
    count(Kind::Open) == count(Kind::Close)
}

/// The closing bracket of the one at `open`, or the end.
fn closing(tokens: &[Token], open: usize, to: usize) -> usize {
    (open + 1..to)
        .find(|&index| tokens[index].kind == Kind::Close && depth_is_zero(tokens, open, index + 1))
        .unwrap_or(to)
}

/// One past the operand that begins at `at`: a name or bracket, what is selected from it, and its filters.
fn operand_end(tokens: &[Token], at: usize, to: usize) -> usize {
    let kind = |index: usize| if index < to { Some(tokens[index].kind) } else { None };
    let mut end = match tokens[at].kind {
        Kind::Open => (closing(tokens, at, to) + 1).min(to),
        _ => at + 1,
    };
    loop {
        end = match (kind(end), kind(end + 1)) {
            (Some(Kind::Dot | Kind::Pipe), Some(Kind::Name | Kind::Number)) => end + 2,
            (Some(Kind::Open), _) => (closing(tokens, end, to) + 1).min(to),
            _ => return end,
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_operands_are_wrapped() {
        for (text, expected) in [
            ("{{ lo.bandwidth }}", "{{ lo.bandwidth }}"),
            ("{{ lo.bandwidth | to(\"kHz\", 1) }}", "{{ lo.bandwidth | to(\"kHz\", 1) }}"),
            ("{% if lo.pm >= 50 %}a - b{% endif %}", "{% if (lo.pm|si) >= 50 %}a - b{% endif %}"),
            ("{{ (lo.b / 2) }}", "{{ ((lo.b|si) / 2) }}"),
            ("{{ -lo.b }}", "{{ -(lo.b|si) }}"),
            ("{{- lo.b -}}", "{{- lo.b -}}"),
            ("{{ (a + b) * c.at('x') }}", "{{ (((a|si) + (b|si))|si) * (c.at('x')|si) }}"),
            ("{{ a if r['L-1'].v == 'met' else b }}", "{{ a if (r['L-1'].v|si) == 'met' else b }}"),
            ("{{ '%}' ~ a }}", "{{ '%}' ~ a }}"),
            ("{% set x = a %}", "{% set x = a %}{% set x = x|held %}"),
            ("{{ f(a - 1, b) }}", "{{ f((a|si) - 1, b) }}"),
        ] {
            assert_eq!(plain_operands(text), expected);
        }
    }
}
