//! `start`: a new note to edit, that typesets as it is.

use std::fs::OpenOptions;
use std::io::{self, BufRead, IsTerminal, Write};

use super::args::{Design, Start};
use super::console::Console;
use super::exit::Exit;
use crate::diag::Diagnostic;
use crate::units::{Digits, Unit, ascii, parse_as, print};

const STEPPED: &str = include_str!("../../templates/start/stepped.md");
const CLOCK: &str = include_str!("../../templates/start/clock.md");

/// What the note is about, Hz.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Wish {
    design: Design,
    reference: f64,
    low: f64,
    high: f64,
    step: f64,
}

pub(super) fn run(args: &Start, console: &mut Console) -> Exit {
    let name = args.name.strip_suffix(".md").unwrap_or(&args.name);
    if name.is_empty() || name.contains(['/', '\\']) || name.starts_with('.') {
        console.error(
            "note-name",
            format!("`{}` is not the name of a note; expected e.g. my_oscillator", args.name),
        );
        return Exit::Faulty;
    }
    let wish = match wish(args, console) {
        Ok(wish) => wish,
        Err(fault) => {
            console.fault(&fault);
            return Exit::Faulty;
        }
    };
    let path = format!("{name}.md");
    let written = OpenOptions::new().write(true).create_new(true).open(&path);
    match written.and_then(|mut file| file.write_all(note(name, wish).as_bytes())) {
        Ok(()) => {
            console.line(&format!("wrote {path}"));
            console.note(&format!("next: loopcase judge {path}; loopcase typeset {path}"));
            Exit::Done
        }
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            console.error("note-exists", format!("`{path}` is there already; it is left as it is"));
            Exit::Disk
        }
        Err(error) => {
            console.error("file-write", format!("`{path}` can't be written: {error}"));
            Exit::Disk
        }
    }
}

/// From options; what is missing is asked for on a terminal, elsewhere it has its default.
fn wish(args: &Start, console: &mut Console) -> Result<Wish, Diagnostic> {
    let ask = io::stdin().is_terminal() && io::stderr().is_terminal() && args.asks();
    let mut answer = |given: &Option<String>, question: &str, usual: &str| -> String {
        if let Some(given) = given {
            return given.clone();
        }
        if ask {
            console.tell(&format!("{question} [{usual}]: "));
            let mut line = String::new();
            if io::stdin().lock().read_line(&mut line).is_ok() && !line.trim().is_empty() {
                return line.trim().to_owned();
            }
        }
        usual.to_owned()
    };
    let design = args.design.unwrap_or(Design::Stepped);
    let (outputs, step) = match design {
        Design::Stepped => ("2.4 GHz .. 2.5 GHz", "1 MHz"),
        Design::Clock => ("500 MHz", "500 MHz"),
        Design::Fractional => ("5.2 GHz .. 5.4 GHz", "100 kHz"),
    };
    let reference = hertz("reference", &answer(&args.reference, "frequency of the standard", "10 MHz"))?;
    let outputs = answer(&args.output, "output: one frequency, or a band", outputs);
    let (low, high) = match outputs.split_once("..") {
        Some((low, high)) => (hertz("output", low)?, hertz("output", high)?),
        None => (hertz("output", &outputs)?, hertz("output", &outputs)?),
    };
    let band = design != Design::Clock;
    if (band && low >= high) || (!band && low < high) {
        let wanted = if band { "a band, e.g. \"2.4 GHz .. 2.5 GHz\"" } else { "one frequency, e.g. 500 MHz" };
        let fault = Diagnostic::error("output", format!("`{outputs}` can't be the output of this design"));
        return Err(fault.hint(format!("expected {wanted}")));
    }
    let step = if band { hertz("step", &answer(&args.step, "step between channels", step))? } else { high };
    Ok(Wish { design, reference, low, high, step })
}

fn hertz(option: &str, text: &str) -> Result<f64, Diagnostic> {
    let read = parse_as(text.trim(), Unit::Hertz).ok().map(|q| q.value).filter(|f| (1.0..1e13).contains(f));
    read.ok_or_else(|| {
        let fault = Diagnostic::error("frequency", format!("`{text}` is not a frequency for --{option}"));
        fault.hint(format!("expected {}", Unit::Hertz.expectation()))
    })
}

/// The greatest rate of which all are whole multiples, Hz.
fn common(values: &[f64]) -> f64 {
    let whole = values.iter().map(|v| v.round() as u64);
    whole
        .reduce(|mut a, mut b| {
            while b != 0 {
                (a, b) = (b, a % b);
            }
            a
        })
        .unwrap_or(1) as f64
}

/// The note; its loop is chosen so that it can be built.
fn note(name: &str, wish: Wish) -> String {
    let Wish { design, reference, low, high, step } = wish;
    let detector = match design {
        Design::Fractional => reference,
        _ => common(&[reference, low, step]),
    };
    let (share, most) = if design == Design::Clock { (60.0, 30e3) } else { (30.0, 100e3) };
    let bandwidth = (detector / share).min(most);
    let wide = if design == Design::Clock { 0.02 } else { 0.04 };
    let (from, to) = (low * (1.0 - wide), high * (1.0 + wide));
    let exact = |value: f64, unit| ascii(&print(value, unit, Digits::All));
    let short = |value: f64, unit| ascii(&print(value, unit, Digits::Significant(3)));
    let fraction = "fraction: {modulus: 2 .. 65535, order: 3, floor: -218 dBc/Hz}\n";
    let fractional = design == Design::Fractional;
    let fields = [
        ("title", name.replace('_', " ")),
        ("date", "to be stated".to_owned()),
        ("reference", exact(reference, Unit::Hertz)),
        ("low", exact(low, Unit::Hertz)),
        ("high", exact(high, Unit::Hertz)),
        ("step", exact(step, Unit::Hertz)),
        ("range", format!("{} .. {}", short(from, Unit::Hertz), short(to, Unit::Hertz))),
        ("gain", short((to - from) / 3.0, Unit::HertzPerVolt)),
        ("detector_limit", exact(reference.max(100e6), Unit::Hertz)),
        ("bandwidth", short(bandwidth, Unit::Hertz)),
        ("mask_near", short((bandwidth * 3.0).clamp(10e3, 500e3), Unit::Hertz)),
        ("lock", short(60.0 / bandwidth, Unit::Second)),
        ("until", short(120.0 / bandwidth, Unit::Second)),
        ("clock_input", exact(high, Unit::Hertz)),
        ("fraction", if fractional { fraction.to_owned() } else { String::new() }),
        ("divider", if fractional { "divider: fractional\n".to_owned() } else { String::new() }),
    ];
    let template = if design == Design::Clock { CLOCK } else { STEPPED };
    fields
        .iter()
        .fold(template.to_owned(), |text, (field, value)| text.replace(&format!("<<{field}>>"), value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_placeholder_is_filled() {
        for (design, low, high) in
            [(Design::Stepped, 2.4e9, 2.5e9), (Design::Clock, 5e8, 5e8), (Design::Fractional, 5.2e9, 5.4e9)]
        {
            let text = note("a_note", Wish { design, reference: 1e7, low, high, step: 1e6 });
            assert!(!text.contains("<<") && text.contains("title: a note"), "{text}");
        }
        assert!((common(&[80e6, 2.7e9, 2.5e6]) - 2.5e6).abs() < 1.0);
    }
}
