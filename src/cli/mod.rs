//! The command line: arguments, one file per command, printing, exit codes.

#![allow(clippy::disallowed_methods, reason = "this is the folder that talks to the user's terminal")]

mod args;
mod compare;
mod console;
mod describe;
mod example;
mod exit;
mod follow;
mod given;
mod judge;
mod matrix;
mod moved;
mod package;
mod part_schema;
mod pdf;
mod progress;
mod reopen;
mod seal;
mod sealed;
mod shape;
mod shell;
mod solving;
mod start;
mod typeset;
mod typesetter;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::Parser;

use args::{Command, Line};
use console::Console;
use exit::Exit;

/// Reads the command line, does what it says, prints, and gives the exit code of the contract.
pub fn run(words: impl IntoIterator<Item = OsString>) -> ExitCode {
    let mut console = Console::of_process();
    let exit = match Line::try_parse_from(words) {
        Ok(line) => {
            console.set(line.quiet, line.color);
            dispatch(line.command, &mut console)
        }
        Err(error) => usage(&error, &mut console),
    };
    console.finish(exit).into()
}

fn dispatch(command: Command, console: &mut Console) -> Exit {
    match command {
        Command::Typeset(args) => typeset::run(&args, console),
        Command::Judge(args) => judge::run(&args, console),
        Command::Start(args) => start::run(&args, console),
        Command::Follow(args) => follow::run(&args, console),
        Command::Seal(args) => seal::run(&args, console),
        Command::Reopen(args) => reopen::run(&args, console),
        Command::Compare(args) => compare::run(&args, console),
        Command::Describe(args) => describe::run(&args, console),
        Command::Typesetter(args) => typesetter::run(&args, console),
        Command::Completions(args) => shell::completions(&args, console),
        Command::Manual => shell::manual(console),
    }
}

/// Help and version are products; anything else is a fault of the command line.
fn usage(error: &clap::Error, console: &mut Console) -> Exit {
    let text = error.render();
    if error.use_stderr() {
        console.tell(&if console.colour() { text.ansi().to_string() } else { text.to_string() });
        Exit::Faulty
    } else {
        console.print(&text.to_string());
        Exit::Done
    }
}
