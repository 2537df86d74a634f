//! `start`: a new note to edit, that typesets as it is.

use std::f64::consts::PI;
use std::fs::OpenOptions;
use std::io::{self, BufRead, IsTerminal, Write};

use super::args::{Design, Start};
use super::console::Console;
use super::exit::Exit;
use crate::diag::Diagnostic;
use crate::pipeline::{self, Job};
use crate::results::{MetricPath, Store};
use crate::source::Memory;
use crate::units::{Digits, Unit, ascii, parse_as, print};

const STEPPED: &str = include_str!("../../templates/start/stepped.md");
const CLOCK: &str = include_str!("../../templates/start/clock.md");

/// Channels of a loop at most; the planning of a loop refuses more.
const CHANNELS: f64 = 1e5;

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
            let path = if path.contains(' ') { format!("\"{path}\"") } else { path };
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
    if !band && args.step.is_some() {
        return Err(Diagnostic::error("step", "a clock has one frequency and no step")
            .hint("leave --step out, or choose --design stepped"));
    }
    if (high - low) / step > CHANNELS {
        let fault = Diagnostic::error("step", format!("these are more than {CHANNELS} channels"));
        return Err(fault.hint("expected a wider --step, or a narrower --output"));
    }
    Ok(Wish { design, reference, low, high, step })
}

fn hertz(option: &str, text: &str) -> Result<f64, Diagnostic> {
    let read = parse_as(text.trim(), Unit::Hertz).ok().map(|q| q.value).filter(|f| (1.0..1e13).contains(f));
    read.ok_or_else(|| {
        let fault = Diagnostic::error("frequency", format!("`{text}` is not a frequency for --{option}"));
        fault.hint(format!("expected {}", Unit::Hertz.expectation()))
    })
}

/// A value to so many digits, as decimal text has it.
fn to_digits(value: f64, digits: usize) -> f64 {
    format!("{value:.0$e}", digits - 1).parse().unwrap_or(value)
}

/// A title from the name of a file: `my_oscillator` is "My oscillator".
fn heading(name: &str) -> String {
    let words = name.replace(['_', '-'], " ");
    let mut letters = words.trim().chars();
    let title: String =
        letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect());
    let plain = title.starts_with(char::is_alphabetic)
        && title.chars().all(|c| c.is_alphanumeric() || c == ' ' || c == '.');
    // YAML would read other signs.
    if plain { title } else { format!("\"{}\"", title.replace('\\', "\\\\").replace('"', "\\\"")) }
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

/// The least of 1, 2, 5 times a power of ten that is not below a value.
fn round_up(value: f64) -> f64 {
    let decade = 10f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|digit| digit * decade).find(|v| *v >= value).unwrap_or(10.0 * decade)
}

/// Limits of a first note.
#[derive(Clone, Copy, Debug)]
struct Limits {
    /// Phase noise near the carrier and far from it, dBc/Hz.
    mask: (f64, f64),
    /// Time to lock, s.
    lock: f64,
    /// Signal to noise ratio of a clocked converter, dB.
    snr: f64,
}

impl Limits {
    /// Limits that any loop keeps.
    const LOOSE: Self = Self { mask: (0.0, 0.0), lock: 1.0, snr: 10.0 };

    /// Limits near what a loop does; the loose ones for what is not there.
    fn near(store: &Store, near: &str) -> Self {
        let number = |name: &str| store.metric(&MetricPath::parse(name)?).ok()?.number();
        let level =
            |offset: &str| number(&format!("noise.at(\"{offset}\")")).map(|l| ((l + 3.0) / 5.0).ceil() * 5.0);
        let mask = (level(near).unwrap_or(Self::LOOSE.mask.0), level("1 MHz").unwrap_or(Self::LOOSE.mask.1));
        let lock = number("hop.time").or_else(|| number("start.phase_time"));
        let snr = number("noise.jitter").map(|jitter| {
            // Of a converter that would just do with half as much jitter again.
            let all = (1.5 * jitter).hypot(APERTURE);
            (-20.0 * (2.0 * PI * SIGNAL * all).log10()).floor()
        });
        Self {
            mask,
            lock: lock.map_or(Self::LOOSE.lock, |time| round_up(1.3 * time)),
            snr: snr.unwrap_or(Self::LOOSE.snr),
        }
    }
}

/// Signal (Hz) and aperture jitter (s) of the converter in the clock's template.
const SIGNAL: f64 = 70e6;
const APERTURE: f64 = 60e-15;

/// The note; its loop is chosen so that it can be built, and its limits so that they are neither idle nor missed: the loop
/// is solved once to see what it does.
fn note(name: &str, wish: Wish) -> String {
    let near = near(wish);
    let loose = filled(name, wish, Limits::LOOSE);
    let solved = pipeline::solve(&Job::plain(&Memory::new([("note.md", &loose)]), "note.md")).solved;
    let limits =
        solved.map_or(Limits::LOOSE, |solved| Limits::near(&solved.store, &exact(near, Unit::Hertz)));
    filled(name, wish, limits)
}

fn exact(value: f64, unit: Unit) -> String {
    ascii(&print(value, unit, Digits::All))
}

/// Rate of the detector and bandwidth of the loop, Hz.
fn rates(wish: Wish) -> (f64, f64) {
    let detector = match wish.design {
        Design::Fractional => wish.reference,
        _ => common(&[wish.reference, wish.low, wish.step]),
    };
    // A modulator wants a loop that is slow against its detector.
    let (share, most) = match wish.design {
        Design::Clock => (60.0, 30e3),
        Design::Stepped => (30.0, 100e3),
        Design::Fractional => (250.0, 100e3),
    };
    (detector, to_digits((detector / share).min(most), 2))
}

/// Offset near the carrier at which the mask begins, Hz.
fn near(wish: Wish) -> f64 {
    round_up(rates(wish).1 * 2.0).clamp(10e3, 500e3)
}

fn filled(name: &str, wish: Wish, limits: Limits) -> String {
    let Wish { design, reference, low, high, step } = wish;
    let clock = design == Design::Clock;
    let (_, bandwidth) = rates(wish);
    let wide = if clock { 0.02 } else { 0.04 };
    let (from, to) = (to_digits(low * (1.0 - wide), 3), to_digits(high * (1.0 + wide), 3));
    let fractional = design == Design::Fractional;
    let fraction = "fraction: {modulus: 16777216, order: 3, start: 1, floor: -218 dBc/Hz}\n";
    let fields = [
        ("title", heading(name)),
        ("date", "to be stated".to_owned()),
        ("reference", exact(reference, Unit::Hertz)),
        ("low", exact(low, Unit::Hertz)),
        ("high", exact(high, Unit::Hertz)),
        ("step", exact(step, Unit::Hertz)),
        ("range", format!("{} .. {}", exact(from, Unit::Hertz), exact(to, Unit::Hertz))),
        ("gain", exact(to_digits((to - from) / 3.0, 2), Unit::HertzPerVolt)),
        ("detector_limit", exact(reference.max(100e6), Unit::Hertz)),
        ("bandwidth", exact(bandwidth, Unit::Hertz)),
        ("mask_near", exact(near(wish), Unit::Hertz)),
        ("level_near", exact(limits.mask.0, Unit::One)),
        ("level_far", exact(limits.mask.1, Unit::One)),
        ("snr", exact(limits.snr, Unit::One)),
        ("lock", exact(limits.lock, Unit::Second)),
        // Long enough to see it come to rest.
        ("until", exact(round_up(300.0 / bandwidth), Unit::Second)),
        ("clock_input", exact(high, Unit::Hertz)),
        ("fraction", if fractional { fraction.to_owned() } else { String::new() }),
        ("divider", if fractional { "divider: fractional\n".to_owned() } else { String::new() }),
    ];
    let template = if clock { CLOCK } else { STEPPED };
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
            assert!(!text.contains("<<") && text.contains("title: A note"), "{text}");
        }
        for (value, wanted) in [(1.0, 1.0), (1.1, 2.0), (4.5e-4, 5e-4), (6.0, 10.0)] {
            assert!((round_up(value) / wanted - 1.0).abs() < 1e-9, "{value}");
        }
        assert!((common(&[80e6, 2.7e9, 2.5e6]) - 2.5e6).abs() < 1.0);
    }
}
