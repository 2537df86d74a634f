//! How long and how deep the template language of a note may be: engine and parsers go down one level of the stack for each
//! level of what they read, and a stack that overflows ends the program.

use super::tags::{tags, word};

/// Longest expression, and longest formula, in bytes.
pub(super) const LONGEST: usize = 1000;

/// Most blocks (`{% if %}`, `{% for %}`, ..) inside one another.
const DEEPEST: usize = 30;

/// Words that open a block which has an end; what stands in `raw` is no template.
const OPENING: [&str; 7] = ["if", "for", "macro", "call", "filter", "with", "autoescape"];

/// The line, from 1, of the first expression that is too long or the first block that stands too deep, and what is wrong.
pub(super) fn beyond(template: &str) -> Option<(usize, String)> {
    let mut depth = 0_usize;
    let mut line = 1;
    let mut done = 0;
    for range in tags(template) {
        line += template[done..range.start].matches('\n').count();
        done = range.start;
        let tag = &template[range];
        if tag.len() > LONGEST + 4 {
            return Some((line, format!("this expression is longer than {LONGEST} bytes, or never closed")));
        }
        if tag.starts_with("{%") {
            let word = word(tag);
            if OPENING.contains(&word) {
                depth += 1;
            } else if word.starts_with("end") {
                depth = depth.saturating_sub(1);
            }
            if depth > DEEPEST {
                return Some((
                    line,
                    format!("more than {DEEPEST} blocks of the template stand inside one another"),
                ));
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_anyone_writes_is_within() {
        let many =
            "{% if a %}x{% else %}y{% endif %}{{ b | to(\"kHz\", 1) }} {#a} { {% set c = 1 %}\n".repeat(500);
        assert_eq!(beyond(&many), None);
        assert_eq!(beyond(&format!("{{{{ \"{}\" }}}}", "x".repeat(900))), None);
    }

    #[test]
    fn what_overflows_a_stack_is_beyond() {
        let (line, said) = beyond(&format!("a\nb {{{{ {}1 }}}}", "-".repeat(1001))).expect("too long");
        assert!(line == 2 && said.contains("longer"), "{line} {said}");
        // A closing delimiter in quotes or in brackets closes nothing.
        for head in ["\"}}\" ~", "{1: {2: 3}} ~", "'\\'}}' ~"] {
            let hidden = format!("{{{{ {head} {}1 }}}}", "-".repeat(1001));
            assert!(beyond(&hidden).is_some_and(|(line, _)| line == 1), "{head}");
        }
        let nested = format!("{}x{}", "{%- if 1 %}\n".repeat(31), "{% endif %}".repeat(31));
        let (line, said) = beyond(&nested).expect("too deep");
        assert!(line == 31 && said.contains("inside one another"), "{line} {said}");
    }
}
