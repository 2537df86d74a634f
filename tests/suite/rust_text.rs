//! As much of the Rust language as the layering test needs: code without comments and strings, and the paths in it.

/// The text with every comment, string and character literal blanked out; line ends stay.
pub fn code_only(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    while at < chars.len() {
        let rest = &chars[at..];
        let length = skipped(rest, at.checked_sub(1).map(|before| chars[before]));
        if length == 0 {
            out.push(chars[at]);
            at += 1;
        } else {
            out.extend(rest[..length].iter().map(|&c| if c == '\n' { '\n' } else { ' ' }));
            at += length;
        }
    }
    out
}

/// How many characters a comment or literal takes that starts here; 0 where none does.
fn skipped(rest: &[char], before: Option<char>) -> usize {
    let starts = |word: &str| rest.iter().copied().take(word.len()).eq(word.chars());
    let upto = |found: Option<usize>| found.unwrap_or(rest.len());
    let in_word = before.is_some_and(|c| c.is_alphanumeric() || c == '_');
    if starts("//") {
        return upto(rest.iter().position(|&c| c == '\n'));
    }
    if starts("/*") {
        return upto(rest.windows(2).position(|pair| pair == ['*', '/']).map(|end| end + 2));
    }
    if starts("\"") {
        return quoted(rest, '"');
    }
    if starts("r\"") || (starts("r#") && rest.get(2).is_some_and(|c| matches!(c, '"' | '#'))) {
        if in_word && before != Some('b') {
            return 0;
        }
        let hashes = rest[1..].iter().take_while(|&&c| c == '#').count();
        let close: Vec<char> = std::iter::once('"').chain(std::iter::repeat_n('#', hashes)).collect();
        let body = 2 + hashes;
        return upto(
            rest[body..].windows(close.len()).position(|w| w == close).map(|end| body + end + close.len()),
        );
    }
    if starts("'") {
        // A lifetime has no closing quote after one character.
        let literal = rest.get(1) == Some(&'\\') || rest.get(2) == Some(&'\'');
        return if literal { quoted(rest, '\'') } else { 0 };
    }
    0
}

fn quoted(rest: &[char], quote: char) -> usize {
    let mut at = 1;
    while at < rest.len() {
        match rest[at] {
            '\\' => at += 2,
            c if c == quote => return at + 1,
            _ => at += 1,
        }
    }
    rest.len()
}

/// Every path in the code that starts with one of `roots`, use trees spread out, with its line from 1.
pub fn paths(code: &str, roots: &[&str]) -> Vec<(usize, Vec<String>)> {
    let mut tokens = Vec::new();
    for (number, line) in code.lines().enumerate() {
        let mut rest = line;
        while let Some(first) = rest.chars().next() {
            let word = rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len());
            let length = if word > 0 {
                word
            } else if rest.starts_with("::") {
                2
            } else {
                first.len_utf8()
            };
            if !first.is_whitespace() {
                tokens.push((number + 1, &rest[..length]));
            }
            rest = &rest[length..];
        }
    }
    let mut found = Vec::new();
    for at in 0..tokens.len() {
        let (line, word) = tokens[at];
        let goes_on = tokens.get(at + 1).is_some_and(|(_, next)| *next == "::");
        let inside = at > 0 && tokens[at - 1].1 == "::";
        if roots.contains(&word) && goes_on && !inside {
            let mut ends = Vec::new();
            tree(&tokens, at, &[], &mut ends);
            found.extend(ends.into_iter().map(|path| (line, path)));
        }
    }
    found
}

/// Reads a path or use tree at `at`; returns where it ends.
fn tree(tokens: &[(usize, &str)], mut at: usize, before: &[String], ends: &mut Vec<Vec<String>>) -> usize {
    let token = |at: usize| tokens.get(at).map_or("", |(_, token)| *token);
    let mut path = before.to_vec();
    loop {
        if token(at) == "{" {
            at += 1;
            while !matches!(token(at), "}" | "") {
                at = tree(tokens, at, &path, ends);
                if token(at) == "as" {
                    at += 2;
                }
                if token(at) == "," {
                    at += 1;
                }
            }
            return at + 1;
        }
        path.push(token(at).to_owned());
        at += 1;
        // `::<` is a type argument, not a part of the path.
        if token(at) != "::" || token(at + 1) == "<" {
            ends.push(path);
            return at;
        }
        at += 1;
    }
}

#[test]
fn comments_and_literals_are_not_code() {
    let text = "a /* b */ \"c\\\"d\" 'e' &'f x r#\"g\"h\"# i // j\n'\\'' k";
    let left: Vec<String> = code_only(text).split_whitespace().map(str::to_owned).collect();
    assert_eq!(left, ["a", "&'f", "x", "i", "k"]);
}

#[test]
fn use_trees_are_spread_out() {
    let code = "use crate::{a::{B, self}, c::D as E};\nlet x = crate::f::g::<u8>(super::h, not::crate::i);";
    let found: Vec<String> = paths(code, &["crate", "super"])
        .into_iter()
        .map(|(line, path)| format!("{line} {}", path.join(".")))
        .collect();
    assert_eq!(found, ["1 crate.a.B", "1 crate.a.self", "1 crate.c.D", "2 crate.f.g", "2 super.h"]);
}
