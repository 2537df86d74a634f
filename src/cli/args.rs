//! What may stand on the command line.

use std::path::PathBuf;

use clap::builder::styling::{AnsiColor, Styles};
use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::document::Edition;

/// Cyan for what is typed, bold for headings.
const STYLES: Styles = Styles::styled()
    .header(AnsiColor::White.on_default().bold())
    .usage(AnsiColor::White.on_default().bold())
    .literal(AnsiColor::Cyan.on_default());

/// What the exit codes mean, below every help.
const EXIT_CODES: &str = "\
Exit codes:
  0  done
  1  judge: a requirement is not met, or two routes to a number disagree;
     reopen and compare: something differs
  2  a fault in a note, its data, a sealed file (damaged) or the command line
  3  typesetter missing or failing
  4  file system
Of several notes the highest counts.";

/// Makes the case for a loop: solves a design note and typesets the justification.
#[derive(Debug, Parser)]
#[command(name = "loopcase", version, styles = STYLES, after_help = EXIT_CODES, max_term_width = 100)]
pub(super) struct Line {
    #[command(subcommand)]
    pub command: Command,
    /// Say nothing but products, faults and warnings
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// Colour of messages; NO_COLOR in the environment means never
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    pub color: Colour,
}

/// When messages have colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Colour {
    /// On a terminal, and where NO_COLOR is not set
    Auto,
    /// Into pipes and files too
    Always,
    /// Not at all
    Never,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Solve notes and typeset their documents
    Typeset(Typeset),
    /// Solve notes and print their requirement matrix; writes nothing, needs no typesetter
    Judge(Judge),
    /// Write a new note to edit, that typesets as it is; asks for what no option says
    Start(Start),
    /// Typeset a note again at every change of it, its data or its parts
    Follow(Follow),
    /// Put a note, everything that produced its document, and the document into one file
    Seal(Seal),
    /// Check a sealed file to the last byte, solve it again and say what differs
    Reopen(Reopen),
    /// Say what differs between two revisions, the most important first
    Compare(Compare),
    /// Explain the kinds of block, their fields and metrics
    Describe(Describe),
    /// Say which typst would be used
    Typesetter(Typesetter),
    /// Print what a shell needs to complete this command line
    Completions(Completions),
    /// Print the manual page, for man: loopcase manual | man -l -
    Manual,
}

#[derive(Debug, Args)]
pub(super) struct Typeset {
    #[command(flatten)]
    pub notes: Notes,
    /// Who the document is for; absent: as the note says, else review
    #[arg(long, value_name = "EDITION")]
    pub edition: Option<EditionWord>,
    /// Your own look: a folder with a report.typ. It is code, so it can't be named in a note
    #[arg(long, value_name = "FOLDER")]
    pub template: Option<PathBuf>,
    /// More files beside the document, e.g. --also html for a page, --also spice for the netlist filter.cir
    #[arg(long, value_name = "FORMATS", value_delimiter = ',')]
    pub also: Vec<Also>,
    /// Where results go, one folder for each note
    #[arg(long, value_name = "FOLDER", default_value = "out")]
    pub into: PathBuf,
    /// Bind the notes into one package as well: a cover with every verdict, common lists, one page numbering
    #[arg(long)]
    pub bind: bool,
    /// The typst to use; absent: LOOPCASE_TYPESETTER, the one built before, or one on PATH
    #[arg(long, value_name = "PATH")]
    pub typesetter: Option<PathBuf>,
    /// Build the pinned typst first, where none is found (see `loopcase typesetter --install`)
    #[arg(long)]
    pub install_typesetter: bool,
}

#[derive(Debug, Args)]
pub(super) struct Judge {
    #[command(flatten)]
    pub notes: Notes,
    /// Print what results.json would hold, and nothing else
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct Start {
    /// Name of the note; NAME.md is written here, and never over another
    #[arg(value_name = "NAME")]
    pub name: String,
    /// What kind of source it is about
    #[arg(long, value_name = "DESIGN")]
    pub design: Option<Design>,
    /// Frequency of the standard, e.g. "10 MHz"
    #[arg(long, value_name = "FREQUENCY")]
    pub reference: Option<String>,
    /// Output: "2.4 GHz .. 2.5 GHz", of a clock one frequency
    #[arg(long, value_name = "FREQUENCIES")]
    pub output: Option<String>,
    /// Step between channels, e.g. "1 MHz"
    #[arg(long, value_name = "FREQUENCY")]
    pub step: Option<String>,
}

impl Start {
    /// Whether anything is left to ask: with one option given, the others have their defaults.
    pub(super) fn asks(&self) -> bool {
        self.design.is_none() && self.reference.is_none() && self.output.is_none() && self.step.is_none()
    }
}

/// A kind of source that a new note can be about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Design {
    /// A local oscillator in steps, whole-number divider
    Stepped,
    /// A sampling clock at one frequency
    Clock,
    /// A source in fine steps, fractional divider
    Fractional,
}

#[derive(Debug, Args)]
pub(super) struct Follow {
    /// The note
    #[arg(value_name = "NOTE")]
    pub note: PathBuf,
    /// What if: set a field of a block, see `typeset`
    #[arg(long, value_name = "NAME=VALUE", value_parser = assignment)]
    pub with: Vec<(String, String)>,
    /// Who the document is for, see `typeset`
    #[arg(long, value_name = "EDITION")]
    pub edition: Option<EditionWord>,
    /// Your own look, see `typeset`
    #[arg(long, value_name = "FOLDER")]
    pub template: Option<PathBuf>,
    /// Where results go
    #[arg(long, value_name = "FOLDER", default_value = "out")]
    pub into: PathBuf,
    /// The typst to use, see `typeset`
    #[arg(long, value_name = "PATH")]
    pub typesetter: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Seal {
    /// The note; its front matter has to name the revision
    #[arg(value_name = "NOTE")]
    pub note: PathBuf,
    /// Your own look, see `typeset`
    #[arg(long, value_name = "FOLDER")]
    pub template: Option<PathBuf>,
    /// Where NOTE-REVISION.zip goes; absent: the folder `sealed` beside the note
    #[arg(long, value_name = "FOLDER")]
    pub into: Option<PathBuf>,
    /// The typst to use, see `typeset`
    #[arg(long, value_name = "PATH")]
    pub typesetter: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Reopen {
    /// A file that `seal` made
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The typst to typeset it again with, see `typeset`
    #[arg(long, value_name = "PATH")]
    pub typesetter: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Compare {
    /// A note, or a file that `seal` made
    #[arg(value_name = "OLD")]
    pub old: PathBuf,
    /// A note, or a file that `seal` made
    #[arg(value_name = "NEW")]
    pub new: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct Describe {
    /// A kind, or a field of one, e.g. `oscillator` or `synthesizer.pump.compliance`; absent: all kinds
    #[arg(value_name = "KIND[.FIELD]")]
    pub name: Option<String>,
    /// Print the JSON schema of a part file of that kind, for editors
    #[arg(long, requires = "name")]
    pub schema: bool,
}

#[derive(Debug, Args)]
pub(super) struct Completions {
    /// The shell
    #[arg(value_name = "SHELL")]
    pub shell: clap_complete::Shell,
}

#[derive(Debug, Args)]
pub(super) struct Typesetter {
    /// Build the pinned typst where none is found: 11 minutes on two cores, 1.1 GB meanwhile, from crates.io
    #[arg(long)]
    pub install: bool,
}

/// The notes of a run and what is varied in them.
#[derive(Debug, Args)]
pub(super) struct Notes {
    /// Notes, or folders: of a folder, every *.md directly in it that opens with front matter
    #[arg(required = true, value_name = "NOTE or FOLDER")]
    pub paths: Vec<PathBuf>,
    /// What if: set a field of a block for this run, e.g. --with lo.step="5 MHz"; may be repeated
    #[arg(long, value_name = "NAME=VALUE", value_parser = assignment)]
    pub with: Vec<(String, String)>,
    /// Check the noise in the time domain too: that of every source put into the loop edge by edge. Takes seconds
    #[arg(long)]
    pub thorough: bool,
}

/// Who reads the document.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum EditionWord {
    /// Everything
    Review,
    /// Without what is marked internal
    Customer,
}

impl EditionWord {
    /// What it stands for.
    pub(super) fn edition(self) -> Edition {
        match self {
            EditionWord::Review => Edition::Review,
            EditionWord::Customer => Edition::Customer,
        }
    }
}

/// A format made on demand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Also {
    /// One page for the screen, complete in itself
    Html,
    /// The loop filter for ngspice
    Spice,
}

impl Also {
    /// The name of its emitter.
    pub(super) fn format(self) -> &'static str {
        match self {
            Also::Html => "html",
            Also::Spice => "spice",
        }
    }
}

fn assignment(text: &str) -> Result<(String, String), String> {
    let (name, value) = text.split_once('=').ok_or("expected NAME=VALUE, e.g. lo.step=\"5 MHz\"")?;
    let (name, value) = (name.trim(), value.trim());
    if name.split('.').any(str::is_empty) || !name.contains('.') {
        return Err(format!("`{name}` is not the name of a field, e.g. lo.step"));
    }
    Ok((name.to_owned(), value.to_owned()))
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_command_line_is_well_formed() {
        Line::command().debug_assert();
    }

    #[test]
    fn an_assignment_names_a_field_of_a_block() {
        assert_eq!(assignment("lo.step = 5 MHz"), Ok(("lo.step".to_owned(), "5 MHz".to_owned())));
        assert_eq!(assignment("a.b=x=y"), Ok(("a.b".to_owned(), "x=y".to_owned())));
        for bad in ["lo.step", "lo=1", "lo.=1", ".step=1", "=1"] {
            assert!(assignment(bad).is_err(), "{bad}");
        }
    }
}
