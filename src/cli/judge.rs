//! `judge`: solves, prints the requirement matrix, writes nothing.

use serde_json::Value;

use super::args::Judge;
use super::console::Console;
use super::exit::Exit;
use super::given::notes_of;
use super::matrix::{disagreements, matrix, remedies, summary};
use super::solving::{Wish, solve_note};
use crate::pipeline::Kept;
use crate::results::{State, Store, to_json};

pub(super) fn run(args: &Judge, console: &mut Console) -> Exit {
    let (notes, mut exit) = notes_of(&args.notes.paths, console);
    let wish =
        Wish { with: &args.notes.with, thorough: args.notes.thorough, judged: true, ..Wish::default() };
    let several = notes.len() > 1;
    let mut values = Vec::new();
    for note in &notes {
        let solved = note
            .open(console)
            .and_then(|files| solve_note(note, &files, wish, &mut Kept::default(), console));
        match solved {
            Ok((_, solved)) => {
                if args.json {
                    values.push(to_json(&solved.store));
                } else {
                    console.print(&report(&solved.store, several.then_some(&*note.shown)));
                }
                exit = exit.max(verdict(&solved.store));
            }
            Err(fault) => exit = exit.max(fault),
        }
    }
    // With a fault there is no value that a reader could rely on.
    if args.json && exit < Exit::Faulty {
        let value =
            if several { Value::Array(values) } else { values.into_iter().next().unwrap_or_default() };
        console.line(&format!("{value:#}"));
    }
    exit
}

fn verdict(store: &Store) -> Exit {
    let missed = store.requirements.iter().any(|verdict| verdict.state == State::NotMet);
    if missed || !store.routes_agree() { Exit::NotMet } else { Exit::Done }
}

fn report(store: &Store, heading: Option<&str>) -> String {
    let mut text = heading.map(|note| format!("{note}\n")).unwrap_or_default();
    if !store.what_if.is_empty() {
        text.push_str(&format!("what if: {}\n", store.what_if.join(", ")));
    }
    text.push_str(&matrix(store));
    text.push_str(&summary(store));
    text.push('\n');
    text.push_str(&remedies(store));
    let apart = disagreements(store);
    if !apart.is_empty() {
        text.push_str("routes that disagree:\n");
        for line in apart {
            text.push_str(&format!("  {line}\n"));
        }
    }
    if heading.is_some() {
        text.push('\n');
    }
    text
}
