//! The first pass over a note: front matter, fences, and what the template pass must not touch.

use std::ops::Range;

use pulldown_cmark::{CodeBlockKind, Event, HeadingLevel, MetadataBlockKind, Options, Parser, Tag, TagEnd};

use super::place::Segment;

/// The one set of Markdown options, for both passes.
pub(super) fn options() -> Options {
    Options::ENABLE_TABLES
        | Options::ENABLE_FOOTNOTES
        | Options::ENABLE_STRIKETHROUGH
        | Options::ENABLE_TASKLISTS
        | Options::ENABLE_HEADING_ATTRIBUTES
        | Options::ENABLE_YAML_STYLE_METADATA_BLOCKS
        | Options::ENABLE_MATH
        | Options::ENABLE_GFM
        | Options::ENABLE_DEFINITION_LIST
}

/// A fenced piece of code. Ranges are bytes of the note.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Fence {
    /// The info string.
    pub info: String,
    /// From the opening to the closing fence.
    pub range: Range<usize>,
    /// The opening line from the fence on.
    pub head: Range<usize>,
    /// The text inside.
    pub text: String,
    /// Where it stands.
    pub segments: Vec<Segment>,
    /// Whether a closing fence was found.
    pub closed: bool,
    /// Whether it stands under a heading that stays in the house.
    pub internal: bool,
}

/// What the template pass leaves alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Guard {
    /// Never expanded.
    Opaque,
    /// TeX: only `{{ ` with a blank opens an expression.
    Math,
}

/// What the first pass found. Ranges are bytes of the note.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Structure {
    /// Fences, in order.
    pub fences: Vec<Fence>,
    /// Ranges that the template pass must leave alone, in order, without overlap.
    pub guarded: Vec<(Range<usize>, Guard)>,
    /// Runs of `---`, `key: value`, `---` in the middle, which Markdown would drop.
    pub strays: Vec<Range<usize>>,
}

impl Structure {
    /// What is guarded, counted from `base`.
    pub(super) fn shifted(&self, base: usize) -> Structure {
        let shift = |range: &Range<usize>| range.start - base..range.end - base;
        Structure {
            guarded: self.guarded.iter().map(|(range, guard)| (shift(range), *guard)).collect(),
            ..Structure::default()
        }
    }
}

/// Front matter at the very start of a text: the range between its `---` lines and the first byte after them.
///
/// `Ok(None)` where there is none, `Err` where it is never closed.
pub(super) fn front_matter(text: &str) -> Result<Option<(Range<usize>, usize)>, ()> {
    let mut at = if text.starts_with('\u{feff}') { 3 } else { 0 };
    let mut start = None;
    for line in text[at..].split_inclusive('\n') {
        let next = at + line.len();
        match start {
            None if line.trim_end() == "---" => start = Some(next),
            None => return Ok(None),
            Some(start) if line.trim_end() == "---" => return Ok(Some((start..at, next))),
            Some(_) => {}
        }
        at = next;
    }
    if start.is_some() { Err(()) } else { Ok(None) }
}

/// Takes the body of a note apart; `base` is its first byte in the note.
pub(super) fn scan(text: &str, base: usize) -> Structure {
    let body = &text[base..];
    let mut found = Structure::default();
    let mut fence: Option<Fence> = None;
    let mut internal: Option<HeadingLevel> = None;
    let mut depth = 0usize;
    for (event, range) in Parser::new_ext(body, options()).into_offset_iter() {
        let range = range.start + base..range.end + base;
        match event {
            Event::Start(Tag::CodeBlock(CodeBlockKind::Fenced(info))) => {
                let line = text[range.start..range.end].find(['\n', '\r']).unwrap_or(range.len());
                fence = Some(Fence {
                    info: info.to_string(),
                    head: range.start..range.start + line,
                    closed: is_closed(&text[range.clone()]),
                    range,
                    text: String::new(),
                    segments: Vec::new(),
                    internal: internal.is_some(),
                });
            }
            Event::Text(piece) if fence.is_some() => {
                if let Some(fence) = &mut fence {
                    fence.segments.push(Segment {
                        block: fence.text.len(),
                        file: range.start,
                        len: piece.len(),
                    });
                    fence.text.push_str(&piece);
                }
            }
            Event::End(TagEnd::CodeBlock) => {
                if let Some(fence) = fence.take() {
                    found.guarded.push((fence.range.clone(), Guard::Opaque));
                    found.fences.push(fence);
                }
            }
            Event::Start(Tag::CodeBlock(CodeBlockKind::Indented) | Tag::HtmlBlock)
            | Event::Code(_)
            | Event::InlineHtml(_) => found.guarded.push((range, Guard::Opaque)),
            Event::InlineMath(_) | Event::DisplayMath(_) => found.guarded.push((range, Guard::Math)),
            Event::Start(Tag::MetadataBlock(MetadataBlockKind::YamlStyle)) => {
                found.strays.push(range.clone());
                found.guarded.push((range, Guard::Opaque));
            }
            Event::Start(Tag::Heading { level, classes, .. })
                if depth == 0 && internal.is_none_or(|open| level <= open) =>
            {
                internal = classes.iter().any(|class| &**class == "internal").then_some(level);
            }
            Event::Start(
                Tag::List(_) | Tag::BlockQuote(_) | Tag::FootnoteDefinition(_) | Tag::DefinitionList,
            ) => {
                depth += 1;
            }
            Event::End(
                TagEnd::List(_) | TagEnd::BlockQuote(_) | TagEnd::FootnoteDefinition | TagEnd::DefinitionList,
            ) => depth = depth.saturating_sub(1),
            _ => {}
        }
    }
    found.guarded.sort_by_key(|(range, _)| range.start);
    found
}

/// Whether the last line of a fenced block is its closing fence.
fn is_closed(block: &str) -> bool {
    let mark = block.chars().next().unwrap_or('`');
    let length = block.chars().take_while(|c| *c == mark).count();
    let mut lines = block.trim_end().lines();
    let last = lines.next_back().unwrap_or("");
    let last = last.trim_start_matches([' ', '\t', '>']).trim_end();
    lines.next().is_some() && last.chars().count() >= length && last.chars().all(|c| c == mark)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn front_matter_is_found_at_the_start_only() {
        assert_eq!(front_matter("---\na: 1\n---\nx"), Ok(Some((4..9, 13))));
        assert_eq!(front_matter("\u{feff}---\r\na: 1\r\n---\r\n"), Ok(Some((8..14, 19))));
        assert_eq!(front_matter("x\n---\na: 1\n---\n"), Ok(None));
        assert_eq!(front_matter("---\na: 1\n"), Err(()));
    }

    #[test]
    fn fences_keep_their_places_and_their_end() {
        let text = "- x\n\n  ```yaml loop lo\n  a: 1\n  ```\n\n> ~~~\n> b\n\n```c\nint x;\n";
        let found = scan(text, 0);
        let said: Vec<_> =
            found.fences.iter().map(|f| (f.info.as_str(), f.text.as_str(), f.closed)).collect();
        assert_eq!(said, [("yaml loop lo", "a: 1\n", true), ("", "b\n", false), ("c", "int x;\n", false)]);
        let segment = found.fences[0].segments[0];
        assert_eq!(&text[segment.file..segment.file + 4], "a: 1");
    }

    #[test]
    fn what_stands_under_an_internal_heading_is_internal() {
        let text = "# A {.internal}\n```x\n```\n## B\n```x\n```\n# C\n```x\n```\n";
        let internal: Vec<bool> = scan(text, 0).fences.iter().map(|f| f.internal).collect();
        assert_eq!(internal, [true, true, false]);
    }

    #[test]
    fn a_stray_run_is_found() {
        let text = "a\n\n---\nkey: v\n---\n\nb `{{ x }}` $y$\n";
        let found = scan(text, 0);
        assert_eq!(found.strays.len(), 1);
        assert_eq!(
            found.guarded.iter().map(|(_, guard)| *guard).collect::<Vec<_>>()[1..],
            [Guard::Opaque, Guard::Math]
        );
    }
}
