//! Report templates: the look of a document, over finished pieces of its format.

use std::fmt;

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, Error, UndefinedBehavior, syntax::SyntaxConfig};

use super::bounds::beyond;

/// Work a report template may do; ours need some thousandth of it.
const FUEL: u64 = 50_000_000;

/// What is wrong with a report template.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReportFault {
    /// Name of the template file.
    pub file: String,
    /// Line in it, from 1, where known.
    pub line: Option<usize>,
    /// A sentence.
    pub message: String,
}

impl fmt::Display for ReportFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "{}:{line}: {}", self.file, self.message),
            None => write!(f, "{}: {}", self.file, self.message),
        }
    }
}

impl std::error::Error for ReportFault {}

impl From<Error> for ReportFault {
    fn from(error: Error) -> Self {
        Self {
            file: error.name().unwrap_or(REPORT).to_owned(),
            line: error.line(),
            message: error.detail().map_or_else(|| error.kind().to_string(), str::to_owned),
        }
    }
}

/// The file that is rendered for a document; it may include the others.
pub const REPORT: &str = "report.typ";

/// Renders the file `main` of these files (name, text) over the data. A name that is not in the data is an error, and
/// so is a template that does not come to an end. Nothing is escaped: every string in the data is finished output.
///
/// Comments are `{## .. ##}`, since `{#` is common in Typst.
///
/// # Errors
/// [`ReportFault`] with file and line.
pub fn render_report<'a>(
    files: impl IntoIterator<Item = (&'a str, &'a str)>,
    main: &str,
    data: &impl serde::Serialize,
) -> Result<String, ReportFault> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.set_auto_escape_callback(|_| AutoEscape::None);
    environment.set_fuel(Some(FUEL));
    let mut syntax = SyntaxConfig::builder();
    syntax.comment_delimiters("{##", "##}").trim_blocks(true).lstrip_blocks(true);
    environment.set_syntax(syntax.build()?);
    for (name, text) in files {
        if let Some((line, message)) = beyond(text) {
            return Err(ReportFault { file: name.to_owned(), line: Some(line), message });
        }
        environment.add_template(name, text)?;
    }
    Ok(environment.get_template(main)?.render(Serde(data))?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    fn render(text: &str) -> Result<String, ReportFault> {
        let data = BTreeMap::from([("title", "#\"A & B\";")]);
        render_report([(REPORT, text), ("part.typ", "= {{ title }}")], REPORT, &data)
    }

    #[test]
    fn parts_are_included_and_nothing_is_escaped() {
        assert_eq!(render("#{#x} {% include \"part.typ\" %}").as_deref(), Ok("#{#x} = #\"A & B\";"));
    }

    #[test]
    fn a_fault_has_its_file_and_line() {
        let fault = render("a\n{{ titel }}").expect_err("there is no such name");
        assert_eq!((fault.file.as_str(), fault.line), (REPORT, Some(2)));
        assert!(
            render("{% for i in range(9999) %}{% for i in range(9999) %}x{% endfor %}{% endfor %}").is_err()
        );
        assert!(render("{% include \"/etc/passwd\" %}").is_err());
        // Deep enough to overflow the stack of the engine.
        let fault = render(&format!("a\n{{{{ {}1 }}}}", "-".repeat(200_000))).expect_err("too long");
        assert_eq!((fault.file.as_str(), fault.line), (REPORT, Some(2)));
    }
}
