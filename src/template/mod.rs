//! The one wrapper of the template language.

mod report;

pub use report::{ReportFault, render_report};
