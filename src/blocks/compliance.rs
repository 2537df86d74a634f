//! `compliance`: where the requirement matrix stands in the document.

use super::fields::COMMON;
use super::prelude::*;

/// The kind.
pub struct ComplianceKind;

static LISTS: &[&[Field]] = &[COMMON];

impl Kind for ComplianceKind {
    fn name(&self) -> &'static str {
        "compliance"
    }
    fn about(&self) -> &'static str {
        "where the requirement matrix stands, in place of after the summary"
    }
    fn nameless(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn solve(&self, _given: &Given, _inputs: &Inputs<'_>) -> Answer {
        Ok(Solved::new(()))
    }
}
