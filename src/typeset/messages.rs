//! What typst says when it fails.

/// One message of typst.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Whether it is an error; else a warning.
    pub error: bool,
    /// Line in the source, from 1; `None` where the message names none or speaks of another file.
    pub line: Option<usize>,
    /// Column in characters, from 0 as typst counts.
    pub column: Option<usize>,
    /// The sentence, continued over several lines where it was.
    pub text: String,
}

/// Reads messages of the form `path:line:col: error: text`; `source` is the path of the text that was compiled.
///
/// The path may hold colons, and a message without a place starts at `error:`. A line that is neither belongs to the
/// message before it.
pub(super) fn parse(output: &str, source: &str) -> Vec<Message> {
    let mut messages: Vec<Message> = Vec::new();
    for line in output.lines() {
        if let Some(message) = head(line, source) {
            messages.push(message);
        } else if let Some(last) = messages.last_mut() {
            last.text.push('\n');
            last.text.push_str(line);
        } else if !line.trim().is_empty() {
            messages.push(Message { error: true, line: None, column: None, text: line.to_owned() });
        }
    }
    messages
}

fn head(line: &str, source: &str) -> Option<Message> {
    let first = |word: &str| {
        let at = if line.starts_with(word) { 0 } else { line.find(&format!(": {word}"))? + 2 };
        Some((at, at + word.len()))
    };
    // The earlier of the two words is the message's own; the later one is part of its text.
    let (error, (start, end)) = match (first("error: "), first("warning: ")) {
        (Some(error), Some(warning)) if warning.0 < error.0 => (false, warning),
        (Some(error), _) => (true, error),
        (None, Some(warning)) => (false, warning),
        (None, None) => return None,
    };
    let text = line[end..].to_owned();
    let Some(place) = line[..start].strip_suffix(": ") else {
        return Some(Message { error, line: None, column: None, text });
    };
    let mut parts = place.rsplitn(3, ':');
    let column = parts.next()?.parse().ok()?;
    let row = parts.next()?.parse().ok()?;
    let path = parts.next()?;
    if path.trim_start_matches("./") != source.trim_start_matches("./") {
        return Some(Message { error, line: None, column: None, text: format!("{path}:{row}: {text}") });
    }
    Some(Message { error, line: Some(row), column: Some(column), text })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_places_and_continuations() {
        let output = "lo:x.typ:4:1: error: unknown variable: y\nlook.typ:2:0: error: panicked with: \"a\n\
                      b\"\nerror: input file not found\nlo:x.typ:1:16: warning: error: of a font\n";
        let message =
            |error, line, column, text: &str| Message { error, line, column, text: text.to_owned() };
        assert_eq!(
            parse(output, "lo:x.typ"),
            [
                message(true, Some(4), Some(1), "unknown variable: y"),
                message(true, None, None, "look.typ:2: panicked with: \"a\nb\""),
                message(true, None, None, "input file not found"),
                message(false, Some(1), Some(16), "error: of a font"),
            ]
        );
        assert_eq!(parse("thread panicked\n", "x"), [message(true, None, None, "thread panicked")]);
        assert_eq!(parse("\n", "x"), []);
    }
}
