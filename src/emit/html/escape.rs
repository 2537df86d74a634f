//! The ways text gets into a page: escaped, or not at all.

use crate::emit::quote::is_bidi_control;

/// Text between tags, or in an attribute between double quotes: one way for both, so that none is forgotten.
pub(in crate::emit) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(c),
            '\r' => {}
            c if c.is_control() || ('\u{e000}'..='\u{f8ff}').contains(&c) => out.push('\u{fffd}'),
            c if is_bidi_control(c) => {}
            c => out.push(c),
        }
    }
    out
}

/// Identifiers of the page itself begin so; those of a note never do.
pub(super) const OWN: &str = "page--";

/// The identifier of a heading, figure or table of the note in the page. It has no blank in it.
pub(super) fn id(name: &str) -> String {
    let name: String = name.split_whitespace().collect::<Vec<_>>().join("_");
    if name.starts_with(OWN) { format!("note-{name}") } else { name }
}

/// The link to an identifier of this page, not yet escaped.
pub(super) fn fragment(id: &str) -> String {
    let mut out = String::from("#");
    for byte in id.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// Base 64 of RFC 4648, with padding.
pub(super) fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let group =
            chunk.iter().enumerate().fold(0u32, |sum, (i, byte)| sum | u32::from(*byte) << (16 - 8 * i));
        for place in 0..4 {
            if place <= chunk.len() {
                out.push(char::from(SIGNS[(group >> (18 - 6 * place)) as usize & 63]));
            } else {
                out.push('=');
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_never_markup() {
        assert_eq!(escaped("<a b='c\"'>&\u{0}\u{202e}\u{61c}"), "&lt;a b=&#39;c&quot;&#39;&gt;&amp;\u{fffd}");
    }

    #[test]
    fn identifiers_of_the_page_are_its_own() {
        assert_eq!(id("page--contents"), "note-page--contents");
        assert_eq!(id("a b\u{a0}c"), "a_b_c");
        assert_eq!(fragment("é.1\"'"), "#%C3%A9.1%22%27");
    }

    /// The examples of RFC 4648, section 10.
    #[test]
    fn base64_of_the_standard() {
        let pairs = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, coded) in pairs {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
