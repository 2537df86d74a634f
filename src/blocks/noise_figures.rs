//! Figures and tables of a noise budget.

use std::sync::Arc;

use super::prelude::*;
use super::solved_noise::SolvedNoise;
use super::{in_time, spur_figures};
use crate::exhibit::{
    Axis, Bars, Cell, Column, Curve, Drawing, Figure, Mark, Panel, Plot, Role, Scale, Table,
};
use crate::physics::noise::{CONTRIBUTORS, Ladder, dbc_per_hz, density_at};

/// Identifier and corners of a mask: offset (Hz), level (dBc/Hz).
type Mask = (String, Vec<(f64, f64)>);

pub(super) fn exhibits(noise: &SolvedNoise, given: &Given, solved: &Solved, masks: &[Mask]) -> Vec<Exhibit> {
    let mut shown = vec![budget(noise, given, masks)];
    if noise.over.is_some() {
        shown.extend(shares(noise, given));
    }
    if !noise.spots.is_empty() {
        shown.push(spots(noise));
    }
    shown.push(totals(noise, solved, given));
    if let Some(found) = &noise.in_time {
        shown.extend(in_time::exhibits(found, &given.name));
    }
    number_tables(&mut shown);
    shown
}

/// Anchors in the order shown: `table`, `table.2`, ..
fn number_tables(shown: &mut [Exhibit]) {
    let mut count = 0;
    for exhibit in shown {
        if let Exhibit::Table(table) = exhibit {
            count += 1;
            Arc::make_mut(table).anchor =
                if count == 1 { "table".to_owned() } else { format!("table.{count}") };
        }
    }
}

fn role(name: &str) -> Role {
    match name {
        "reference" => Role::Reference,
        "oscillator" => Role::Oscillator,
        "detector" | "flicker" => Role::Detector,
        "modulator" => Role::Modulator,
        "R2" | "R3" | "R4" | "amplifier" => Role::Filter,
        "supply" => Role::Supply,
        "output" => Role::Output,
        _ => Role::Others,
    }
}

/// Name of a group of contributors in legends.
fn legend(role: Role) -> &'static str {
    match role {
        Role::Reference => "reference",
        Role::Oscillator => "oscillator",
        Role::Detector => "detector",
        Role::Modulator => "modulator",
        Role::Filter => "filter",
        Role::Supply => "supply",
        Role::Output => "output floor",
        _ => "others",
    }
}

/// The total and its contributors, those of one role put together.
fn budget(noise: &SolvedNoise, given: &Given, masks: &[Mask]) -> Exhibit {
    let (low, high) = noise.solved.figure_range();
    let (low, high) = noise.over.map_or((low, high), |(a, b)| (a.min(low), b.max(high)));
    let case = &noise.solved.case;
    let ladder = Ladder::new(case);
    let steps = ((high / low).log10() * 60.0).ceil() as usize;
    let mut groups: Vec<(Role, Vec<(f64, f64)>)> = Vec::new();
    let mut total = Vec::with_capacity(steps + 1);
    for k in 0..=steps {
        let f = low * (high / low).powf(k as f64 / steps as f64);
        let spot = density_at(case, &ladder, f);
        total.push((f, dbc_per_hz(spot.total)));
        for (name, density) in &spot.parts {
            let role = role(name);
            let index = groups.iter().position(|(r, _)| *r == role).unwrap_or_else(|| {
                groups.push((role, Vec::new()));
                groups.len() - 1
            });
            let points = &mut groups[index].1;
            match points.last_mut().filter(|last| last.0 >= f) {
                Some(last) => last.1 += density,
                None => points.push((f, *density)),
            }
        }
    }
    let mut curves = vec![Curve { name: "total".to_owned(), role: Role::Total, points: total }];
    curves.extend(groups.into_iter().map(|(role, points)| Curve {
        name: legend(role).to_owned(),
        role,
        points: points.into_iter().map(|(f, d)| (f, dbc_per_hz(d))).collect(),
    }));
    let mut marks = Vec::new();
    if let Some((from, to)) = noise.over {
        marks.push(Mark::Span { from, to, label: "integrated".to_owned() });
    }
    marks.push(Mark::Vertical {
        x: noise.solved.bandwidth,
        label: format!("bandwidth {}", print(noise.solved.bandwidth, Unit::Hertz, Digits::Significant(3))),
    });
    marks.extend(
        noise.lines.iter().filter(|line| line.offset >= low && line.offset <= high).map(spur_figures::aside),
    );
    for (id, corners) in masks {
        marks.push(Mark::Mask { points: corners.clone(), label: format!("mask {id}") });
    }
    let names: Vec<&str> = curves.iter().skip(1).map(|c| c.name.as_str()).collect();
    let levels: Vec<String> = [1e3, 1e4, 1e5, 1e6]
        .into_iter()
        .filter(|f| *f >= low && *f <= high)
        .filter_map(|f| {
            let level = print(noise.total_at(f)?, Unit::DecibelCarrierPerHertz, Digits::Significant(3));
            Some(format!("{level} at {}", print(f, Unit::Hertz, Digits::Written)))
        })
        .collect();
    Exhibit::figure(Figure {
        anchor: "figure".to_owned(),
        caption: format!(
            "Phase noise at the output of the loop \u{201c}{}\u{201d}, by contributor",
            noise.of
        ),
        alt: format!(
            "Phase noise over offset of block {}: total and contributors {}. Total: {}.",
            given.name,
            names.join(", "),
            levels.join(", ")
        ),
        drawing: Drawing::Plot(Plot {
            x: Axis {
                label: "Offset from the carrier".to_owned(),
                unit: Unit::Hertz,
                scale: Scale::Log,
                range: Some((low, high)),
            },
            panels: vec![Panel {
                y: Axis {
                    label: "Phase noise".to_owned(),
                    unit: Unit::DecibelCarrierPerHertz,
                    scale: Scale::Linear,
                    range: None,
                },
                curves,
                marks,
            }],
        }),
    })
}

/// Who owns the jitter.
fn shares(noise: &SolvedNoise, given: &Given) -> Option<Exhibit> {
    let mut rows: Vec<(String, Role, f64, String)> = noise
        .spectrum
        .shares()
        .into_iter()
        .map(|(name, share)| {
            let percent = print(share * 100.0, Unit::One, Digits::Significant(2));
            (name.to_owned(), role(name), share, format!("{percent}\u{202f}%"))
        })
        .collect();
    rows.sort_by(|a, b| b.2.total_cmp(&a.2));
    let first = rows.first()?;
    Some(Exhibit::figure(Figure {
        anchor: "figure.2".to_owned(),
        caption: "Share of each contributor in the integrated noise power".to_owned(),
        alt: format!(
            "Bars of block {}: {} owns {} of the integrated noise power.",
            given.name, first.0, first.3
        ),
        drawing: Drawing::Bars(Bars { label: "Share of the integrated noise power".to_owned(), rows }),
    }))
}

/// Levels at the spots asked for, by contributor.
fn spots(noise: &SolvedNoise) -> Exhibit {
    let case = &noise.solved.case;
    let ladder = Ladder::new(case);
    let found: Vec<_> = noise.spots.iter().map(|f| density_at(case, &ladder, *f)).collect();
    let cell = |density: f64| {
        let level = dbc_per_hz(density);
        if level.is_finite() && level > -300.0 {
            let text = format!("{level:.1}").replace('-', "\u{2212}");
            Cell::Number { value: level, unit: Unit::DecibelCarrierPerHertz, text }
        } else {
            Cell::Text("below \u{2212}300".to_owned())
        }
    };
    let mut columns =
        vec![Column::number("Offset", "offset_Hz"), Column::number("Total", "total_dBc_per_Hz")];
    if let Some(first) = found.first() {
        columns.extend(first.parts.iter().map(|(name, _)| {
            let head = name[..1].to_uppercase() + &name[1..];
            Column::number(&head, &format!("{name}_dBc_per_Hz"))
        }));
    }
    let rows = found.iter().map(|spot| {
        let offset = print(spot.offset, Unit::Hertz, Digits::Written);
        let mut row =
            vec![Cell::Number { value: spot.offset, unit: Unit::Hertz, text: offset }, cell(spot.total)];
        row.extend(spot.parts.iter().map(|(_, density)| cell(*density)));
        row
    });
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: "Phase noise at chosen offsets, dBc/Hz".to_owned(),
        rows: rows.collect(),
        columns,
        note: String::new(),
    })
}

/// Contributors that no fact states.
fn absent(noise: &SolvedNoise) -> String {
    let there = |name: &str| noise.spectrum.curves.iter().any(|curve| curve.name == name);
    let parts = &noise.solved.parts;
    let applies = |name: &str| match name {
        "R2" | "R3" | "R4" => parts.iter().any(|part| part.name == name),
        "amplifier" => noise.solved.case.filter.topology.is_active(),
        "modulator" => false,
        _ => true,
    };
    let names: Vec<&str> =
        CONTRIBUTORS.iter().map(|c| c.name()).filter(|name| applies(name) && !there(name)).collect();
    let mut said = if names.is_empty() {
        String::new()
    } else {
        format!("Not in it, since no fact states them: {}.", names.join(", "))
    };
    if noise.solved.channel.fraction.is_some() && !there("modulator") {
        if !said.is_empty() {
            said.push(' ');
        }
        let how = noise.solved.modulator_words();
        said.push_str(&format!("Not in it as noise: the modulator ({how})."));
    }
    said
}

/// What the spectrum integrates to.
fn totals(noise: &SolvedNoise, solved: &Solved, given: &Given) -> Exhibit {
    let over = given.fields.range("over").map(|(low, high)| {
        format!(
            "{} .. {}",
            print(low, Unit::Hertz, Digits::Written),
            print(high, Unit::Hertz, Digits::Written)
        )
    });
    let names = [
        ("jitter", "rms jitter"),
        ("jitter_with_spurs", "rms jitter with the discrete lines"),
        ("rms_phase_degrees", "rms phase"),
        ("integrated", "Integrated, both sidebands"),
        ("residual_fm", "Residual FM, rms"),
        ("evm", "Error vector magnitude"),
        ("delayed_rms_phase", "rms phase against the delayed signal"),
        ("sampling_snr", "SNR of the sampled sine, clock alone"),
        ("total_snr", "SNR with aperture and converter"),
    ];
    let rows = names.iter().filter_map(|(name, words)| match solved.metrics.get(name) {
        Some(Node::Metric(metric)) => Some(vec![Cell::Text((*words).to_owned()), number_cell(metric)]),
        _ => None,
    });
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: over.map_or("Integrated noise".to_owned(), |range| format!("Integrated over {range}")),
        columns: vec![Column::text("Quantity", "quantity"), Column::number("Value", "value")],
        rows: rows.collect(),
        note: absent(noise),
    })
}
