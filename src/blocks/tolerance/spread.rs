//! What varies, and how far.

use super::super::repeat::Repeat;
use super::{Diagnostic, Faults, Fields, Given};
use crate::physics::scatter::{Distribution, Drift, Level, Scatter, Vary};

/// Most runs of one block.
const MOST_RUNS: i64 = 1_000_000;

/// The scatter and the number of runs.
pub(super) fn read(given: &Given, repeat: &Repeat, faults: &mut Faults) -> Option<(Scatter, usize)> {
    let fields = &given.fields;
    let solved = &repeat.solved;
    let mut vary = parts(given, repeat, faults);
    for (name, make) in [("gain", Vary::Gain as fn(f64) -> Vary), ("pump", Vary::Pump)] {
        vary.extend(share(fields, name, faults).map(make));
    }
    if let Some(level) = fields.quantity("level") {
        if level < 0.0 {
            faults.place(fields.place("level"), "value-range", "a tolerance is not below zero");
        }
        let present = Level::ALL.into_iter().filter(|one| one.present(&solved.case));
        vary.extend(present.map(|one| Vary::Level(one, level)));
    }
    if let Some((low, high)) = fields.range("temperature") {
        if low <= 0.0 {
            faults.place(fields.place("temperature"), "value-range", "temperatures are above absolute zero");
        }
        vary.push(Vary::Temperature(low, high));
    }
    if vary.is_empty() {
        let text = "nothing varies: `parts`, `gain`, `pump`, `level` or `temperature` says what does";
        faults.block("field-missing", text);
    }
    let runs = fields.integer("runs").unwrap_or(2000);
    if !(2..=MOST_RUNS).contains(&runs) {
        faults.place(fields.place("runs"), "value-range", format!("`runs` lies between 2 and {MOST_RUNS}"));
    }
    let seed = fields.integer("seed").unwrap_or(1);
    if seed < 0 {
        faults.place(fields.place("seed"), "value-range", "`seed` is not below zero");
    }
    faults.sound()?;
    let distribution = match fields.word("distribution") {
        Some("normal") => Distribution::Normal,
        _ => Distribution::Uniform,
    };
    let band = solved.facts.usable().find(|band| band.name == solved.band)?;
    let drift = Drift { tuning: band.tuning.clone(), drift: band.drift, at: solved.case.temperature };
    Some((Scatter { vary, distribution, seed: seed as u64, drift }, runs as usize))
}

/// A relative tolerance, 0 .. 1.
fn share(fields: &Fields, name: &str, faults: &mut Faults) -> Option<f64> {
    let share = fields.quantity(name)?;
    if !(0.0..1.0).contains(&share) {
        let text = format!("the tolerance of `{name}` lies between 0 % and 100 %");
        faults.place(fields.place(name), "value-range", text);
        return None;
    }
    Some(share)
}

/// Parts with their tolerances: stated for the part, for its kind, or the part's own.
fn parts(given: &Given, repeat: &Repeat, faults: &mut Faults) -> Vec<Vary> {
    let stated = given.fields.group("parts");
    let mut vary = Vec::new();
    for part in &repeat.solved.parts {
        let kind = &part.name[..1];
        let of = |name: &str, faults: &mut Faults| stated.and_then(|fields| share(fields, name, faults));
        let tolerance = match stated {
            Some(fields) if fields.written(part.name) => of(part.name, faults),
            Some(fields) if fields.written(kind) => of(kind, faults),
            _ => part.tolerance,
        };
        vary.extend(tolerance.filter(|t| *t > 0.0).map(|t| Vary::Part(part.name, t)));
    }
    for (field, ..) in stated.into_iter().flat_map(Fields::iter) {
        let known = field.name.len() == 1 || repeat.solved.parts.iter().any(|part| part.name == field.name);
        if !known {
            let names: Vec<&str> = repeat.solved.parts.iter().map(|part| part.name).collect();
            let text = format!("the filter of `{}` has no {}", repeat.of, field.name);
            let place = stated.map_or(given.span, |fields| fields.span(field.name));
            let diagnostic = Diagnostic::error("part-unused", text).at(place);
            faults.push(diagnostic.hint(format!("it has {}", names.join(", "))));
        }
    }
    vary
}
