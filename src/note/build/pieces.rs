//! Pieces of a line, and the blocks that a line comes apart into.

use pulldown_cmark::{Event, Tag, TagEnd};

use crate::note::ast::{Block, Inline};

/// Before the TeX of display math while it is still among the pieces of a line.
pub(super) const DISPLAY: char = '\u{e003}';

pub(super) fn is_block(tag: &Tag<'_>) -> bool {
    !matches!(
        tag,
        Tag::Emphasis
            | Tag::Strong
            | Tag::Strikethrough
            | Tag::Link { .. }
            | Tag::Image { .. }
            | Tag::Superscript
            | Tag::Subscript
    )
}

pub(super) fn is_inline(event: &Event<'_>) -> bool {
    match event {
        Event::Start(tag) => !is_block(tag),
        Event::End(end) => matches!(
            end,
            TagEnd::Emphasis | TagEnd::Strong | TagEnd::Strikethrough | TagEnd::Link | TagEnd::Image
        ),
        Event::Rule | Event::Html(_) => false,
        _ => true,
    }
}

/// A paragraph; display math in it stands between the parts as a block of its own.
pub(super) fn paragraphs(text: Vec<Inline>, line: usize, blocks: &mut Vec<Block>) {
    let mut part = Vec::new();
    let mut part_line = line;
    let close = |part: &mut Vec<Inline>, line: usize, blocks: &mut Vec<Block>| {
        while matches!(part.first(), Some(Inline::SoftBreak | Inline::HardBreak)) {
            part.remove(0);
        }
        while matches!(part.last(), Some(Inline::SoftBreak | Inline::HardBreak)) {
            part.pop();
        }
        if !part.is_empty() {
            blocks.push(Block::Paragraph(std::mem::take(part), line));
        }
    };
    for piece in text {
        match piece {
            Inline::Math(tex, at) if tex.starts_with(DISPLAY) => {
                close(&mut part, part_line, blocks);
                blocks.push(Block::Math(tex[DISPLAY.len_utf8()..].to_owned(), at));
                part_line = at;
            }
            piece => part.push(piece),
        }
    }
    close(&mut part, part_line, blocks);
}

pub(super) fn push_text(text: &str, into: &mut Vec<Inline>) {
    if text.is_empty() {
        return;
    }
    match into.last_mut() {
        Some(Inline::Text(last)) => last.push_str(text),
        _ => into.push(Inline::Text(text.to_owned())),
    }
}
