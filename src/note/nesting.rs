//! How deep brackets stand inside one another in a YAML text, told before it is parsed: the parser takes a time that
//! goes with the square of the depth, and only then finds it too deep.
//!
//! Reads as much of YAML as tells a bracket of a list or mapping from one in a text. Where a text misleads it, the
//! parser still refuses what is too deep, later.

/// Most lists and mappings inside one another.
pub(super) const DEEPEST: usize = 100;

/// The bracket that opens one level too many, in bytes.
pub(super) fn too_deep(text: &str) -> Option<usize> {
    let bytes = text.as_bytes();
    let (mut at, mut depth, mut plain) = (0, 0_usize, false);
    while at < bytes.len() {
        let fresh = at == 0 || bytes[at - 1].is_ascii_whitespace();
        let next = at + 1;
        at = match bytes[at] {
            b'\n' => {
                // Outside of brackets a line may start a new key.
                plain &= depth > 0;
                next
            }
            b'#' if fresh => {
                plain = false;
                line_end(bytes, at)
            }
            b'[' | b'{' if !plain || depth > 0 => {
                depth += 1;
                if depth > DEEPEST {
                    return Some(at);
                }
                plain = false;
                next
            }
            b']' | b'}' if depth > 0 => {
                depth -= 1;
                plain = false;
                next
            }
            quote @ (b'"' | b'\'') if !plain => quoted_end(bytes, next, quote),
            b'|' | b'>' if !plain && depth == 0 => block_end(bytes, at),
            b',' if depth > 0 => {
                plain = false;
                next
            }
            b':' if ends_word(bytes.get(next), depth > 0) => {
                plain = false;
                next
            }
            b'-' | b'?' if !plain && ends_word(bytes.get(next), false) => next,
            b' ' | b'\t' | b'\r' => next,
            // An anchor or a tag stands before a value.
            b'&' | b'!' if !plain => word_end(bytes, next),
            _ => {
                plain = true;
                next
            }
        };
    }
    None
}

fn ends_word(next: Option<&u8>, inside: bool) -> bool {
    next.is_none_or(|b| b.is_ascii_whitespace() || (inside && b"[]{},".contains(b)))
}

fn line_end(bytes: &[u8], from: usize) -> usize {
    bytes[from..].iter().position(|b| *b == b'\n').map_or(bytes.len(), |length| from + length)
}

fn word_end(bytes: &[u8], from: usize) -> usize {
    let ends = |b: &u8| b.is_ascii_whitespace() || matches!(b, b'[' | b']' | b'{' | b'}' | b',');
    bytes[from..].iter().position(ends).map_or(bytes.len(), |length| from + length)
}

/// One past the closing quote. A doubled one is read as two texts side by side, which ends at the same place.
fn quoted_end(bytes: &[u8], mut at: usize, quote: u8) -> usize {
    while at < bytes.len() && bytes[at] != quote {
        at += 1 + usize::from(quote == b'"' && bytes[at] == b'\\');
    }
    (at + 1).min(bytes.len())
}

/// The end of a text in lines of its own, which stand deeper than the line that opens it.
fn block_end(bytes: &[u8], open: usize) -> usize {
    let blanks = |from: usize| bytes[from..].iter().take_while(|b| **b == b' ').count();
    let start = bytes[..open].iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
    let indent = blanks(start);
    let mut at = line_end(bytes, open);
    while at < bytes.len() {
        let line = at + 1;
        let end = line_end(bytes, line.min(bytes.len()));
        let empty = bytes[line.min(end)..end].iter().all(u8::is_ascii_whitespace);
        if !empty && blanks(line) <= indent {
            break;
        }
        at = end;
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Brackets that are none: in quotes, comments, plain texts, texts in lines of their own.
    #[test]
    fn brackets_in_texts_are_not_counted() {
        let many = "[".repeat(500);
        for text in [
            format!("a: \"{many}\"\nb: 1\n"),
            format!("a: 'it''s {many}'\n"),
            format!("a: 1 # {many}\n"),
            format!("a: see {many}\n"),
            format!("a: |\n  {many}\n\n  {many}\nb: >-\n  {many}\n"),
            format!("a: [1, \"{many}\", '{many}', x # {many}\n  ]\n"),
            format!("a: \"\\\"{many}\"\n"),
            "a: {b: [1, {c: 2}], d: [3]}\n".repeat(500),
            "- [x, 'y]']\n".repeat(500),
        ] {
            assert_eq!(too_deep(&text), None, "{text:?}");
        }
    }

    #[test]
    fn the_bracket_that_is_too_many_is_found() {
        for (unit, levels) in [
            ("[", 1),
            ("{a: ", 1),
            ("[x, ", 1),
            ("[']', ", 1),
            ("[\"]\", ", 1),
            ("[a'b, ", 1),
            ("[it 'is, ", 1),
            ("[a - 'b, ", 1),
            ("[ #]\n", 1),
            ("[&a ", 1),
            ("{a:[", 2),
        ] {
            let text = format!("a: {}", unit.repeat(101));
            let at = 3 + unit.len() * (100 / levels);
            assert_eq!(too_deep(&text), Some(at), "{unit:?}");
            assert_eq!(too_deep(&text[..at]), None, "{unit:?}");
        }
        assert_eq!(too_deep(&"[".repeat(101)), Some(100));
        assert_eq!(too_deep(&"[".repeat(100)), None);
    }
}
