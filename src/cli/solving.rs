//! Solving one note, for every command that does.

use super::console::Console;
use super::exit::Exit;
use super::given::NoteFile;
use super::progress::Progress;
use crate::diag::{Diagnostic, Severity};
use crate::document::{Edition, Look};
use crate::pipeline::{Job, Kept, Outcome, Solved, solve_again, solve_to_judge};
use crate::source::Files;

/// Faults that the description of a kind helps with.
const DESCRIBED: [&str; 6] =
    ["missing-field", "unknown-field", "unknown-kind", "wrong-value", "wrong-type", "unknown-word"];

/// A block that lacks one that is not solved.
const NOT_SOLVED: &str = "not-solved";

/// What is asked of every note of a run.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Wish<'a> {
    /// Fields set on the command line.
    pub with: &'a [(String, String)],
    /// Whether noise is also put into the loop edge by edge.
    pub thorough: bool,
    /// Edition set on the command line.
    pub edition: Option<Edition>,
    /// Look set on the command line.
    pub look: Option<&'a Look>,
    /// Whether it is judged alone: what typesetting would find is then to be found at once.
    pub judged: bool,
}

/// Solves a note, but for what is kept, and tells its faults and warnings.
pub(super) fn solve_note(
    note: &NoteFile,
    files: &dyn Files,
    wish: Wish<'_>,
    kept: &mut Kept,
    console: &mut Console,
) -> Result<(Outcome, Solved), Exit> {
    let job = Job {
        files,
        note: &note.file,
        shown: &note.shown,
        with: wish.with,
        edition: wish.edition,
        thorough: wish.thorough,
        template: wish.look,
    };
    let progress = Progress::begin(&note.shown, console.looked_at());
    let mut outcome = if wish.judged { solve_to_judge(&job) } else { solve_again(&job, kept) };
    drop(progress);
    let (faults, waiting) = tell(&outcome, console);
    match outcome.solved.take() {
        Some(solved) if faults == 0 => Ok((outcome, solved)),
        _ => {
            let number = if faults == 1 { "1 fault".to_owned() } else { format!("{faults} faults") };
            console.note(&format!("{}: {number}, not solved", note.shown));
            if !waiting.is_empty() {
                let names = waiting.join(", ");
                console.note(&format!("not solved either, since they need what is at fault: {names}"));
            }
            if outcome.diagnostics.iter().any(|d| DESCRIBED.contains(&d.id)) {
                console.note("`loopcase describe KIND` explains what may stand in a block, with an example");
            }
            Err(Exit::Faulty)
        }
    }
}

/// Tells faults and warnings: the number of faults, and the blocks that only lack another one. These are told as faults
/// where nothing else explains them.
fn tell(outcome: &Outcome, console: &mut Console) -> (usize, Vec<String>) {
    let is_error = |d: &&Diagnostic| d.severity == Severity::Error;
    let waits = |d: &&Diagnostic| d.id == NOT_SOLVED;
    let all = &outcome.diagnostics;
    let explained = all.iter().any(|d| is_error(&d) && !waits(&d));
    let told: Vec<&Diagnostic> = all.iter().filter(|d| !(explained && waits(d))).collect();
    for diagnostic in &told {
        console.diagnostic(diagnostic, &outcome.sources);
    }
    let waiting = all.iter().filter(|d| explained && waits(d)).filter_map(|d| d.block.clone()).collect();
    (told.into_iter().filter(is_error).count(), waiting)
}
