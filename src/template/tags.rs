//! Where the tags of a template begin and end, as the engine takes them: what bounds or rewrites them must not see
//! another end than the engine does.

use std::ops::Range;

use super::token::quoted_end;

/// `{{ .. }}` and `{% .. %}` with their delimiters, in order; none in comments and raw text. One that is never closed
/// reaches to the end.
pub(super) fn tags(template: &str) -> Vec<Range<usize>> {
    let mut found = Vec::new();
    let mut at = 0;
    while let Some(start) = template[at..].find('{').map(|brace| at + brace) {
        let rest = &template[start..];
        let close = match rest.as_bytes().get(1) {
            Some(b'{') => "}}",
            Some(b'%') => "%}",
            Some(b'#') if rest.starts_with("{##") => {
                at = rest[3..].find("##}").map_or(template.len(), |end| start + 3 + end + 3);
                continue;
            }
            _ => {
                at = start + 1;
                continue;
            }
        };
        at = tag_len(rest, close).map_or(template.len(), |len| start + len);
        if close == "%}" && word(&template[start..at]) == "raw" {
            at = raw_end(&template[at..]).map_or(template.len(), |end| at + end);
        } else {
            found.push(start..at);
        }
    }
    found
}

/// The first word of a tag: `if` of `{%- if a %}`.
pub(super) fn word(tag: &str) -> &str {
    let inner = tag[2..].trim_start_matches(['-', '+']).trim_start();
    inner.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').next().unwrap_or("")
}

/// Length of the tag at the start of a text. What closes it counts outside of quotes and brackets only; a bracket that
/// fits none stops the engine, so that the tag ends behind it.
fn tag_len(text: &str, close: &str) -> Option<usize> {
    let bytes = text.as_bytes();
    let mut open = Vec::new();
    let mut at = 2;
    while at < bytes.len() {
        match bytes[at] {
            b'"' | b'\'' => {
                at = quoted_end(bytes, at);
                continue;
            }
            _ if open.is_empty() && bytes[at..].starts_with(close.as_bytes()) => return Some(at + 2),
            b'(' => open.push(b')'),
            b'[' => open.push(b']'),
            b'{' => open.push(b'}'),
            closing @ (b')' | b']' | b'}') if open.pop() != Some(closing) => {
                return text[at..].find(close).map(|end| at + end + 2);
            }
            _ => {}
        }
        at += 1;
    }
    None
}

/// One past the `{% endraw %}` of a raw text.
fn raw_end(text: &str) -> Option<usize> {
    let mut at = 0;
    loop {
        at += text[at..].find("{%")? + 2;
        let rest = &text[at..];
        let rest = rest.strip_prefix(['-', '+']).unwrap_or(rest).trim_start();
        let rest = rest.strip_prefix("endraw").map(str::trim_start);
        let rest = rest.map(|rest| rest.strip_prefix(['-', '+']).unwrap_or(rest));
        if let Some(rest) = rest.and_then(|rest| rest.strip_prefix("%}")) {
            return Some(text.len() - rest.len());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags_end_where_the_engine_ends_them() {
        for (text, expected) in [
            ("a {{ b }} {%- if c %}d{% endif %}", vec!["{{ b }}", "{%- if c %}", "{% endif %}"]),
            (r#"{{ "}}" ~ '\'%}' }} x"#, vec![r#"{{ "}}" ~ '\'%}' }}"#]),
            ("{{ {1: {2: 3}} }}{{ a }}", vec!["{{ {1: {2: 3}} }}", "{{ a }}"]),
            ("{## {{ a ##}{{ b }}{#id} {", vec!["{{ b }}"]),
            ("{%- raw -%}{{ it's }}{% if a %}{%+ endraw %}{{ b }}", vec!["{{ b }}"]),
            ("{{ (a }} {{ b) }} c", vec!["{{ (a }}", "{{ b) }}"]),
            ("é {{ 'ü' }} {{ \"ö", vec!["{{ 'ü' }}", "{{ \"ö"]),
        ] {
            let found: Vec<&str> = tags(text).into_iter().map(|range| &text[range]).collect();
            assert_eq!(found, expected, "{text}");
        }
    }
}
