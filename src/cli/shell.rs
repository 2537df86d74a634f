//! What a shell and `man` want to know: completions and the manual page, out of the arguments themselves.

use std::io;

use clap::CommandFactory;
use clap_mangen::Man;

use super::args::{Completions, Line};
use super::console::Console;
use super::exit::Exit;

/// Text of the manual page beyond what the arguments say.
const NOTES: &str = include_str!("../../templates/describe/manual.roff");

pub(super) fn completions(args: &Completions, console: &mut Console) -> Exit {
    let mut bytes = Vec::new();
    clap_complete::generate(args.shell, &mut Line::command(), "loopcase", &mut bytes);
    console.print(&String::from_utf8_lossy(&bytes));
    Exit::Done
}

pub(super) fn manual(console: &mut Console) -> Exit {
    match page() {
        Ok(bytes) => {
            console.print(&String::from_utf8_lossy(&bytes));
            Exit::Done
        }
        Err(error) => {
            console.error("manual", error.to_string());
            Exit::Disk
        }
    }
}

/// The page, one section for each command.
fn page() -> io::Result<Vec<u8>> {
    let mut line = Line::command();
    line.build();
    let mut out = Vec::new();
    let man = Man::new(line.clone());
    man.render_title(&mut out)?;
    man.render_name_section(&mut out)?;
    man.render_synopsis_section(&mut out)?;
    man.render_description_section(&mut out)?;
    man.render_options_section(&mut out)?;
    for command in line.get_subcommands().filter(|command| command.get_name() != "help") {
        out.extend_from_slice(format!(".SH \"LOOPCASE {}\"\n", command.get_name().to_uppercase()).as_bytes());
        let part = Man::new(command.clone().display_name(format!("loopcase {}", command.get_name())));
        let mut text = Vec::new();
        part.render_synopsis_section(&mut text)?;
        part.render_description_section(&mut text)?;
        part.render_options_section(&mut text)?;
        let text = String::from_utf8_lossy(&text).replace(".SH ", ".SS ");
        out.extend_from_slice(text.as_bytes());
    }
    out.extend_from_slice(NOTES.as_bytes());
    Ok(out)
}
