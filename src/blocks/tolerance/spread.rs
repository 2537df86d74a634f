//! What varies, and how far.

use super::super::repeat::Repeat;
use super::{Diagnostic, Digits, Faults, Fields, Given, print};
use crate::physics::reel::Reel;
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
    let reels = reels(given, repeat, &vary, faults);
    faults.sound()?;
    let distribution = match fields.word("distribution") {
        Some("normal") => Distribution::Normal,
        _ => Distribution::Uniform,
    };
    let band = solved.facts.usable().find(|band| band.name == solved.band)?;
    let drift = Drift { tuning: band.tuning.clone(), drift: band.drift, at: solved.case.temperature };
    Some((Scatter { vary, distribution, reels, seed: seed as u64, drift }, runs as usize))
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

/// Parts of one kind, value and tolerance, which come from one reel, where the block says how far they go together.
fn reels(given: &Given, repeat: &Repeat, vary: &[Vary], faults: &mut Faults) -> Vec<Reel> {
    let Some(stated) = given.fields.group("same_reel") else { return Vec::new() };
    let mut reels: Vec<Reel> = Vec::new();
    for kind in ["R", "C"] {
        let Some(correlation) = stated.number(kind).filter(|_| stated.written(kind)) else { continue };
        if !(0.0..=1.0).contains(&correlation) {
            let text = "a correlation of parts of one reel lies between 0 and 1";
            faults.place(stated.place(kind), "value-range", text);
            continue;
        }
        // As the parts list prints them: what differs in a digit there is another part.
        let mut found: Vec<((String, f64), Vec<usize>)> = Vec::new();
        for (index, one) in vary.iter().enumerate() {
            let Vary::Part(name, tolerance) = one else { continue };
            let part = repeat.solved.parts.iter().find(|part| part.name == *name);
            let Some(part) = part.filter(|_| name.starts_with(kind)) else { continue };
            let label = (print(part.value, part.unit, Digits::All), *tolerance);
            match found.iter_mut().find(|(known, _)| *known == label) {
                Some((_, members)) => members.push(index),
                None => found.push((label, vec![index])),
            }
        }
        let shared: Vec<Reel> = found
            .into_iter()
            .filter(|(_, members)| members.len() > 1)
            .map(|(_, members)| Reel { members, correlation })
            .collect();
        if shared.is_empty() {
            let what = if kind == "R" { "resistors" } else { "capacitors" };
            let text = format!("no two {what} that vary have one value and one tolerance: none share a reel");
            faults.warn(stated.place(kind), "no-reel", text);
        }
        reels.extend(shared);
    }
    reels
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
