//! Diagnostics: what is wrong, where, what was expected.

mod excerpt;

pub use excerpt::render;

use crate::source::Span;

/// How bad it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Nothing is written.
    Error,
    /// The document is written and says it too.
    Warning,
}

/// One fault or warning: one sentence, lower case, what was found and what was expected; then hints.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnostic {
    /// A word for the kind of fault, e.g. `unit-missing`.
    pub id: &'static str,
    /// Error or warning.
    pub severity: Severity,
    /// One sentence, lower case, without a full stop.
    pub message: String,
    /// Where; `None` only where there is no text (the command line, the file system).
    pub span: Option<Span>,
    /// What to write under the marked place (may be empty).
    pub label: String,
    /// Other places that matter, with a word each.
    pub labels: Vec<(Span, String)>,
    /// What to do about it; nearest valid names.
    pub hints: Vec<String>,
    /// Block it belongs to, for results.json and the document.
    pub block: Option<String>,
}

impl Diagnostic {
    /// An error without a place yet.
    pub fn error(id: &'static str, message: impl Into<String>) -> Self {
        Self {
            id,
            severity: Severity::Error,
            message: message.into(),
            span: None,
            label: String::new(),
            labels: Vec::new(),
            hints: Vec::new(),
            block: None,
        }
    }

    /// A warning without a place yet.
    pub fn warning(id: &'static str, message: impl Into<String>) -> Self {
        Self { severity: Severity::Warning, ..Self::error(id, message) }
    }

    /// Sets the place.
    #[must_use]
    pub fn at(mut self, span: Span) -> Self {
        self.span = Some(span);
        self
    }

    /// Sets what stands under the marked place: what was expected.
    #[must_use]
    pub fn expected(mut self, label: impl Into<String>) -> Self {
        self.label = label.into();
        self
    }

    /// Adds another place.
    #[must_use]
    pub fn also(mut self, span: Span, word: impl Into<String>) -> Self {
        self.labels.push((span, word.into()));
        self
    }

    /// Adds a hint.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hints.push(hint.into());
        self
    }

    /// Adds the hint "did you mean `x`?" where one of the names is near.
    #[must_use]
    pub fn nearest<'a>(self, wrong: &str, names: impl IntoIterator<Item = &'a str>) -> Self {
        match nearest(wrong, names) {
            Some(name) => self.hint(format!("did you mean `{name}`?")),
            None => self,
        }
    }

    /// Says which block it belongs to.
    #[must_use]
    pub fn of_block(mut self, block: &str) -> Self {
        self.block.get_or_insert_with(|| block.to_owned());
        self
    }
}

/// The name nearest to `wrong` by edit distance, where it is near enough to be meant.
pub fn nearest<'a>(wrong: &str, names: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let limit = (wrong.chars().count() / 3).max(2);
    names
        .into_iter()
        .filter(|name| *name != wrong)
        .map(|name| (strsim::damerau_levenshtein(&wrong.to_lowercase(), &name.to_lowercase()), name))
        .filter(|(distance, name)| *distance <= limit && *distance < name.chars().count())
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}

/// A fault in a text that is no file, for whoever knows where that text stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Misplaced {
    /// Line in the text, from 1.
    pub line: usize,
    /// The word of that line that is wrong; empty: the whole line.
    pub word: String,
    /// The fault, without a place.
    pub diagnostic: Diagnostic,
}

/// A result with the warnings that came with it.
#[derive(Clone, Debug)]
pub struct Warned<T> {
    /// The result.
    pub value: T,
    /// Warnings, in order.
    pub warnings: Vec<Diagnostic>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_near_name_is_suggested_and_a_far_one_is_not() {
        let names = ["bandwidth", "phase_margin", "filter"];
        assert_eq!(nearest("bandwith", names), Some("bandwidth"));
        assert_eq!(nearest("Filter", names), Some("filter"));
        assert_eq!(nearest("colour", names), None);
    }
}
