//! Words of an expression, as far as names and operands must be told apart.

use std::ops::Range;

/// What a token is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Name,
    Number,
    Text,
    Open,
    Close,
    Dot,
    Pipe,
    /// Arithmetic and comparison.
    Operator,
    /// `,`, `:`, `~`, `=` and anything else.
    Other,
}

/// A token and its bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Token {
    pub kind: Kind,
    pub range: Range<usize>,
}

/// Words that are neither names nor values of names.
pub(super) const KEYWORDS: [&str; 13] =
    ["and", "or", "not", "in", "is", "if", "else", "elif", "true", "false", "none", "recursive", "loop"];

/// Splits an expression. Never fails: what it does not know is [`Kind::Other`].
pub(super) fn tokens(text: &str) -> Vec<Token> {
    let bytes = text.as_bytes();
    let mut found = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let run = |from: usize, keep: &dyn Fn(u8) -> bool| {
            bytes[from..].iter().position(|b| !keep(*b)).map_or(bytes.len(), |n| from + n)
        };
        let start = at;
        let kind = match bytes[at] {
            b' ' | b'\t' | b'\r' | b'\n' => {
                at += 1;
                continue;
            }
            b'0'..=b'9' => {
                at = number_end(bytes, at);
                Kind::Number
            }
            b'a'..=b'z' | b'A'..=b'Z' | b'_' => {
                at = run(at, &|b| b.is_ascii_alphanumeric() || b == b'_');
                Kind::Name
            }
            b'"' | b'\'' => {
                at = quoted_end(bytes, at);
                Kind::Text
            }
            b'(' | b'[' | b'{' => {
                at += 1;
                Kind::Open
            }
            b')' | b']' | b'}' => {
                at += 1;
                Kind::Close
            }
            b'.' => {
                at += 1;
                Kind::Dot
            }
            b'|' => {
                at += 1;
                Kind::Pipe
            }
            b'+' | b'-' | b'*' | b'/' | b'%' | b'<' | b'>' | b'=' | b'!' => {
                let two = bytes.get(at..at + 2).unwrap_or_default();
                let double = matches!(two, b"**" | b"//" | b"<=" | b">=" | b"==" | b"!=");
                at += 1 + usize::from(double);
                if matches!(&bytes[start..at], b"=" | b"!") { Kind::Other } else { Kind::Operator }
            }
            _ => {
                at += text[at..].chars().next().map_or(1, char::len_utf8);
                Kind::Other
            }
        };
        found.push(Token { kind, range: start..at });
    }
    found
}

/// One past the quoted text that begins at `start`, or the end where it is not closed.
pub(super) fn quoted_end(bytes: &[u8], start: usize) -> usize {
    let mut at = start + 1;
    while at < bytes.len() && bytes[at] != bytes[start] {
        at += 1 + usize::from(bytes[at] == b'\\');
    }
    (at + 1).min(bytes.len())
}

fn number_end(bytes: &[u8], start: usize) -> usize {
    let mut at = start;
    while let Some(byte) = bytes.get(at) {
        let exponent = matches!(byte, b'+' | b'-') && matches!(bytes[at - 1], b'e' | b'E');
        // `noise.spot.0` and `1..2` have no decimals.
        let point = *byte == b'.' && bytes.get(at + 1).is_some_and(u8::is_ascii_digit);
        if !(byte.is_ascii_alphanumeric() || *byte == b'_' || (exponent && at > start) || point) {
            break;
        }
        at += 1;
    }
    at
}
