//! The Typst source and the figures it includes.

use super::{Emitter, OutFile, figures, report};
use crate::diag::Diagnostic;
use crate::document::{Document, Look};

/// Typst source with SVG figures; what the typesetter makes the PDF of.
pub(super) struct Typst;

impl Emitter for Typst {
    fn name(&self) -> &'static str {
        "typst"
    }

    fn emit(&self, document: &Document, look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
        let data = report::data(document)?;
        let source = render(look, &data).map_err(|message| {
            vec![Diagnostic::error(
                "template-fault",
                format!("the report template can't be rendered: {message}"),
            )]
        })?;
        let mut files = figures::files(document)?;
        files.insert(0, OutFile::text(format!("{}.typ", document.store.note), source));
        Ok(files)
    }
}

/// Renders `report.typ` of the look over the data.
fn render(look: &Look, data: &serde_json::Value) -> Result<String, String> {
    let mut environment = minijinja::Environment::new();
    environment.set_undefined_behavior(minijinja::UndefinedBehavior::Strict);
    let mut syntax = minijinja::syntax::SyntaxConfig::builder();
    syntax.comment_delimiters("{##", "##}").trim_blocks(true).lstrip_blocks(true);
    environment.set_syntax(syntax.build().map_err(|error| error.to_string())?);
    environment.set_auto_escape_callback(|_| minijinja::AutoEscape::None);
    for (name, text) in look.files() {
        environment.add_template(name, text).map_err(|error| error.to_string())?;
    }
    let template = environment.get_template("report.typ").map_err(|error| error.to_string())?;
    template.render(minijinja::value::Serde(data)).map_err(|error| format!("{error:#}"))
}
