//! A diagnostic as text: the line itself, underlined.

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

use super::{Diagnostic, Severity};
use crate::source::{SourceMap, Span};

/// The diagnostic as a person reads it in a terminal, ending in a line end.
///
/// The place is `FILE:LINE:COLUMN`, the path as the user gave it, lines and columns from 1.
pub fn render(diagnostic: &Diagnostic, sources: &SourceMap, colour: bool) -> String {
    let level = match diagnostic.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let mut group = Group::with_title(level.primary_title(diagnostic.message.as_str()).id(diagnostic.id));
    // One snippet a file; the main place comes first, so that its position is the one announced.
    let mut places: Vec<(Span, &str, AnnotationKind)> = Vec::new();
    places.extend(diagnostic.span.map(|span| (span, diagnostic.label.as_str(), AnnotationKind::Primary)));
    places
        .extend(diagnostic.labels.iter().map(|(span, word)| (*span, word.as_str(), AnnotationKind::Context)));
    while let Some((first, ..)) = places.first().copied() {
        let text = sources.text(first.file).to_string();
        let mut snippet = Snippet::source(text.clone()).path(sources.name(first.file)).fold(true);
        for (span, word, kind) in places.extract_if(.., |(span, ..)| span.file == first.file) {
            let range = visible_range(&text, span);
            snippet = snippet.annotation(kind.span(range).label((!word.is_empty()).then(|| word.to_owned())));
        }
        group = group.element(snippet);
    }
    for hint in &diagnostic.hints {
        group = group.element(Level::HELP.message(hint.as_str()));
    }
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let mut text = renderer.render(&[group]);
    text.push('\n');
    text
}

/// The part of a span on its first line, widened to one character where it is empty.
fn visible_range(text: &str, span: Span) -> std::ops::Range<usize> {
    let floor = |mut at: usize| {
        at = at.min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = floor(span.start);
    let line_end = text[start..].find(['\n', '\r']).map_or(text.len(), |i| start + i);
    let mut end = floor(span.end).clamp(start, line_end);
    if end == start {
        end += text[start..line_end].chars().next().map_or(0, char::len_utf8);
    }
    start..end
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shows_the_line_underlined_with_its_place() {
        let sources = SourceMap::new();
        let file = sources.add("lo.md", "title: x\nfrequency: 80\n");
        let diagnostic = Diagnostic::error("unit-missing", "`80` has no unit")
            .at(Span::new(file, 20, 22))
            .expected("expected a frequency, e.g. 80 MHz")
            .hint("did you mean `80 MHz`?");
        let text = render(&diagnostic, &sources, false);
        for part in [
            "error[unit-missing]: `80` has no unit",
            "lo.md:2:12",
            "frequency: 80",
            "^^ expected a frequency",
            "did you mean",
        ] {
            assert!(text.contains(part), "{part} is missing in\n{text}");
        }
    }

    #[test]
    fn an_empty_span_at_the_end_of_the_text_is_shown() {
        let sources = SourceMap::new();
        let file = sources.add("lo.md", "x");
        assert!(
            render(&Diagnostic::error("e", "m").at(Span::new(file, 1, 1)), &sources, false)
                .contains("lo.md:1:2")
        );
    }
}
