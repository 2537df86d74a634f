//! The one way user text gets into Typst: as a string literal.
//!
//! In markup nearly every sign can act; in a string literal only `\` and `"` do. A literal that stands in markup
//! ends in `;`, or a `(` behind it would make it a call.

use std::borrow::Cow;

/// The text as a Typst string literal, quotes included.
pub fn literal(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    write_literal(&mut out, text);
    out
}

fn write_literal(out: &mut String, text: &str) {
    out.push('"');
    if text.bytes().all(|byte| matches!(byte, b' '..=b'~') && byte != b'"' && byte != b'\\') {
        // Most texts: nothing in them has to be looked at one by one.
        out.push_str(text);
    } else {
        text.chars().for_each(|c| write_char(out, c));
    }
    out.push('"');
}

fn write_char(out: &mut String, c: char) {
    match c {
        '"' | '\\' => {
            out.push('\\');
            out.push(c);
        }
        '\n' => out.push_str("\\n"),
        '\r' => {}
        '\t' => out.push_str("\\t"),
        // Other controls have no glyph; PDF/A forbids some of them in text.
        c if c.is_control() || ('\u{e000}'..='\u{f8ff}').contains(&c) => out.push('\u{fffd}'),
        c if is_bidi_control(c) => {}
        c => out.push(c),
    }
}

/// The text as a piece of Typst markup.
pub fn markup(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 4);
    out.push('#');
    write_literal(&mut out, text);
    out.push(';');
    out
}

/// The text as a piece of Typst markup in the type of code.
pub(super) fn raw(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 9);
    out.push_str("#raw(");
    write_literal(&mut out, text);
    out.push_str(");");
    out
}

/// The same as [`markup`] with places to break a line inside words too long for a column.
pub fn breakable(text: &str) -> String {
    markup(&with_breaks(text, 24))
}

/// Signs behind which a long word may be broken without a hyphen.
const BREAK_BEHIND: [char; 10] = ['/', '.', '_', '-', '&', '?', '=', ',', ':', ';'];

/// Puts U+200B into words longer than `longest`, behind punctuation or, without any, every `longest` characters.
pub fn with_breaks(text: &str, longest: usize) -> Cow<'_, str> {
    let fits = |word: &str| word.len() <= longest || word.chars().count() <= longest;
    if text.len() <= longest || text.split_whitespace().all(fits) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() * 2);
    for word in text.split_inclusive(char::is_whitespace) {
        let long = word.trim_end().chars().count() > longest;
        let mut since = 0;
        for c in word.chars() {
            out.push(c);
            since += 1;
            if long && (since >= longest || (since > 2 && BREAK_BEHIND.contains(&c))) {
                out.push('\u{200b}');
                since = 0;
            }
        }
    }
    Cow::Owned(out)
}

/// Signs that turn the direction of text around: left out, since they would act on what stands beside them too.
pub(super) fn is_bidi_control(c: char) -> bool {
    matches!(c, '\u{061c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A sentence of ours: names between backticks are code.
pub(super) fn ticked(text: &str) -> String {
    let part = |(index, part): (usize, &str)| match index % 2 {
        1 => raw(&with_breaks(part, 24)),
        _ => breakable(part),
    };
    text.split('`').enumerate().map(part).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_leaves_the_literal() {
        assert_eq!(literal("a\"b\\c\nd\te\u{1}"), "\"a\\\"b\\\\c\\nd\\te\u{fffd}\"");
        assert_eq!(markup("#panic()"), "#\"#panic()\";");
        assert_eq!(literal("\u{202e}\u{61c}x"), "\"x\"");
    }

    #[test]
    fn only_long_words_are_opened() {
        assert_eq!(with_breaks("a short line", 8), "a short line");
        assert_eq!(with_breaks("x abc/defghijkl", 8), "x abc/\u{200b}defghijk\u{200b}l");
    }
}
