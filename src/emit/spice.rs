//! `filter.cir`: the loop filter as a netlist that ngspice runs unchanged, in batch mode or by hand.

use std::fmt::Write;

use super::{Emitter, OutFile};
use crate::diag::Diagnostic;
use crate::document::{Document, Look};

/// Netlists. The first loop of a note is `filter.cir`, each further one `filter.NAME.cir`.
pub(super) struct Spice;

impl Emitter for Spice {
    fn name(&self) -> &'static str {
        "spice"
    }

    fn emit(&self, document: &Document, _look: &Look) -> Result<Vec<OutFile>, Vec<Diagnostic>> {
        let file = |(index, (block, cards)): (usize, &(String, String))| {
            let path = if index == 0 { "filter.cir".to_owned() } else { format!("filter.{block}.cir") };
            let mut text = format!("* {}\n", comment(&document.front.title));
            if let Some(revision) = &document.front.revision {
                let _ = writeln!(text, "* Revision {}", comment(revision));
            }
            let _ = writeln!(
                text,
                "* Filter of the loop {block}, made by loopcase {}.",
                env!("CARGO_PKG_VERSION")
            );
            text.push_str(
                "* v(output) at 1 A is the transimpedance in V/A; onoise_spectrum is the noise of resistors and op-amp.\n",
            );
            text.push_str("* The temperature makes 4 k T exact with ngspice's constant k.\n");
            OutFile::text(path, format!("{text}{cards}.end\n"))
        };
        Ok(document.netlists.iter().enumerate().map(file).collect())
    }
}

/// A text of the note on one line of a comment, with nothing that a simulator could read as a card.
fn comment(text: &str) -> String {
    let plain = |c: char| if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}') { ' ' } else { c };
    text.chars().map(plain).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_stays_on_its_line() {
        assert_eq!(comment("Clock\n.control\r\nshell\u{2028}x"), "Clock .control  shell x");
    }
}
