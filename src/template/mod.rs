//! The one wrapper of the template engine: formulas, live prose, report templates.

mod bounds;
mod dimension;
mod formula;
mod guards;
mod operands;
mod prose;
mod report;
mod tags;
mod tex;
mod token;
mod view;

pub use dimension::keeps_dimension;
pub use formula::{FormulaFault, Scope, Unknown, formula, names_in};
pub use prose::Prose;
pub use report::{REPORT, ReportFault, render_report};
pub use tex::formula_tex;

/// Steps after which a template of a note is stopped; a nested loop over a range takes more.
const FUEL: u64 = 200_000;
