//! A document made by hand, for the tests of the emitters: a local oscillator with one requirement that is not met.

use std::sync::Arc;

use loopcase::diag::{Diagnostic, Warned};
use loopcase::document::{
    Approval, Basis, Block, BlockInput, Change, Document, Edition, Equation, Front, Inline, Input, assemble,
};
use loopcase::exhibit::{
    Axis, Bars, Cell, Column, Curve, Drawing, Exhibit, Figure, FilterSchematic, LoopDiagram, Mark, Panel,
    Plot, Role, Scale, Table,
};
use loopcase::results::{BlockResult, Group, Metric, Node, Results, Second, State, Store, Verdict, Warning};
use loopcase::source::{FileId, SourceMap, Span, Spanned};
use loopcase::units::{Digits, Unit, print};

/// Text that only the house may read; no file of the customer edition may hold it.
pub(crate) const SECRET: &str = "Zwiebelkuchen";

pub(crate) fn text(words: &str) -> Inline {
    Inline::Text(words.to_owned())
}

pub(crate) fn paragraph(words: &str) -> Block {
    Block::Paragraph(vec![text(words)], 1)
}

pub(crate) fn heading(level: u8, id: &str, words: &str, internal: bool) -> Block {
    let classes = if internal { vec!["internal".to_owned()] } else { Vec::new() };
    Block::Heading { level, id: id.to_owned(), classes, text: vec![text(words)], line: 1 }
}

#[allow(clippy::unnecessary_wraps, reason = "the signature that `Fill` asks for")]
fn fill(words: &str, _span: Span) -> Result<Vec<Block>, Vec<Diagnostic>> {
    Ok(vec![paragraph(words)])
}

/// A document over prose of the caller's choice, with all blocks of the sample.
pub(crate) fn with_prose(edition: Edition, prose: Vec<Block>) -> Result<Warned<Document>, Vec<Diagnostic>> {
    let sources = Arc::new(SourceMap::new());
    let file =
        sources.add("lo.md", "---\ntitle: x\n---\nfirst line\nsecond line $\\foo$ and [x](#nois.figure)\n");
    assemble(Input {
        edition,
        front: front(),
        prose,
        store: store(file),
        blocks: blocks(file),
        what_if: Vec::new(),
        typesetter: "typst 0.15.1".to_owned(),
        tables: Arc::default(),
        fill: &fill,
        sources,
        file,
    })
}

/// The whole sample.
pub(crate) fn document(edition: Edition) -> Document {
    with_prose(edition, prose()).expect("the sample has no fault").value
}

fn front() -> Front {
    Front {
        title: "Local oscillator of the S-band weather radar receiver".to_owned(),
        document: Some("WR-LO-0217".to_owned()),
        revision: Some("C".to_owned()),
        date: Some("2026-11-20".to_owned()),
        prepared_by: Some("A. Example".to_owned()),
        customer: Some("Radar office (invented)".to_owned()),
        project: Some("Invented receiver".to_owned()),
        approvals: [
            ("Prepared", "A. Example", "2026-11-20"),
            ("Checked", "B. Example", "2026-11-23"),
            ("Approved", "C. Example", ""),
        ]
        .map(|(role, name, date)| Approval { role: role.into(), name: name.into(), date: date.into() })
        .to_vec(),
        template: None,
        history: [
            ("A", "2026-08-03", "First issue"),
            ("B", "2026-10-11", "Loop bandwidth raised to 28 kHz"),
            ("C", "2026-11-20", "Oscillator noise from the second bench run; LO-4 restated as a mask"),
        ]
        .map(|(revision, date, text)| Change {
            revision: revision.into(),
            date: date.into(),
            text: text.into(),
        })
        .to_vec(),
    }
}

fn result(
    file: FileId,
    name: &str,
    kind: &'static str,
    metrics: Group,
    fields: Option<Group>,
) -> BlockResult {
    BlockResult {
        name: name.to_owned(),
        kind,
        span: Span::new(file, 0, 3),
        line: 4,
        digest: "5f1c9a7e4b0d2c8896aa31f0c4d7e2b15f1c9a7e4b0d2c8896aa31f0c4d7e2b1".to_owned(),
        internal: name == "bench",
        results: Results::new(fields, metrics, Vec::new(), Group::new()),
    }
}

fn second(value: f64, route: &'static str, within: &'static str) -> Second {
    Second { value, route, agrees: true, within }
}

fn store(file: FileId) -> Store {
    let mut lo = Group::new();
    lo.metric("output_frequency", Metric::exact(2.8e9, Unit::Hertz));
    lo.metric("detector_frequency", Metric::exact(2.5e6, Unit::Hertz));
    lo.metric("feedback_divider", Metric::count(1120));
    lo.metric("pump_current", Metric::exact(2.5e-3, Unit::Ampere));
    lo.metric(
        "bandwidth",
        Metric::real(28.04e3, Unit::Hertz).with_second(second(28.04e3, "poles and zeros", "1e-6 relative")),
    );
    lo.metric(
        "phase_margin",
        Metric::real(52.36, Unit::Degree).with_second(second(52.36, "poles and zeros", "1e-6 relative")),
    );
    lo.metric("gain_margin", Metric::real(17.2, Unit::Decibel));
    lo.metric(
        "sampled_phase_margin",
        Metric::real(50.34, Unit::Degree).with_second(second(
            50.341,
            "sum of shifted open-loop gains",
            "0.01 deg",
        )),
    );
    let mut noise = Group::new();
    noise.metric(
        "jitter",
        Metric::real(142.4e-15, Unit::Second).with_second(second(142.5e-15, "adaptive quadrature", "0.1 %")),
    );
    noise.metric("integrated", Metric::real(-55.4, Unit::DecibelCarrier));
    let mut hop = Group::new();
    hop.metric("total_time", Metric::real(81.2e-6, Unit::Second));
    let mut spurs = Group::new();
    spurs.metric("reference_spur", Metric::real(-71.3, Unit::DecibelCarrier));
    let mut vco = Group::new();
    let mut tuning = Group::new();
    tuning.put("voltage", Node::Series { unit: Unit::Volt, values: vec![0.5, 1.0, 2.0, 3.0, 4.0, 4.5] });
    tuning.put(
        "frequency",
        Node::Series { unit: Unit::Hertz, values: vec![2.64e9, 2.69e9, 2.77e9, 2.845e9, 2.91e9, 2.94e9] },
    );
    vco.put("tuning", Node::Group(tuning));
    let mut levels = Group::new();
    levels.put("offset", Node::Series { unit: Unit::Hertz, values: vec![1e3, 1e4, 1e5, 1e6, 1e7] });
    levels.put(
        "level",
        Node::Series {
            unit: Unit::DecibelCarrierPerHertz,
            values: vec![-62.0, -90.5, -115.0, -136.2, -152.0],
        },
    );
    vco.put("phase_noise", Node::Group(levels));
    vco.metric("input_capacitance", Metric::exact(22e-12, Unit::Farad));
    vco.metric("pushing", Metric::exact(1.2e6, Unit::HertzPerVolt));
    let mut std = Group::new();
    std.metric("frequency", Metric::exact(80e6, Unit::Hertz));
    std.metric("stability", Metric::exact(0.5e-6, Unit::One));
    std.put("waveform", Node::Text("sine".to_owned()));
    let mut secret = Group::new();
    secret.put("note", Node::Text(SECRET.to_owned()));
    Store {
        note: "lo".to_owned(),
        revision: Some("C".to_owned()),
        what_if: Vec::new(),
        blocks: vec![
            result(file, "std", "reference", Group::new(), Some(std)),
            result(file, "vco", "oscillator", Group::new(), Some(vco)),
            result(file, "lo", "loop", lo, None),
            result(file, "noise", "phase_noise", noise, None),
            result(file, "spur", "spurs", spurs, None),
            result(file, "hop", "settling", hop, None),
            result(file, "bench", "measurement", Group::new(), Some(secret)),
        ],
        requirements: requirements(file),
        warnings: vec![
            Warning {
                block: "noise".into(),
                line: 88,
                text:
                    "the phase noise of `vco` is extrapolated below 1 kHz; the jitter from 100 Hz rests on it"
                        .into(),
                internal: false,
            },
            Warning {
                block: "bench".into(),
                line: 120,
                text: format!("{SECRET} in a warning"),
                internal: true,
            },
        ],
    }
}

fn requirements(file: FileId) -> Vec<Verdict> {
    let one =
        |id: &str, text: &str, metric: &str, value: f64, unit: Unit, limit: &str, margin: f64| Verdict {
            id: id.to_owned(),
            text: text.to_owned(),
            source: "Invented receiver specification, 4.2".to_owned(),
            metric: Some(metric.to_owned()),
            value: Some(value),
            why: None,
            unit,
            limit: limit.to_owned(),
            limit_stands_for: String::new(),
            margin: Some(margin),
            at: None,
            reserve: None,
            reserve_kept: None,
            state: if margin >= 0.0 { State::Met } else { State::NotMet },
            judged: "nominal".to_owned(),
            decided_by: None,
            shown_by: None,
            method: None,
            evidence: None,
            internal: false,
            span: Span::new(file, 0, 1),
            would_take: Vec::new(),
        };
    let mut all = vec![
        one(
            "LO-1",
            "The RMS jitter of the output between 1 kHz and 10 MHz from the carrier does not exceed 150 fs.",
            "noise.jitter",
            142.4e-15,
            Unit::Second,
            "<= 150 fs",
            7.6e-15,
        ),
        one(
            "LO-2",
            "The phase margin is large enough for parts as bought.",
            "lo.phase_margin",
            52.36,
            Unit::Degree,
            "45 deg .. 70 deg",
            7.36,
        ),
        one(
            "LO-3",
            "The phase margin of the sampled loop.",
            "lo.sampled_phase_margin",
            50.34,
            Unit::Degree,
            ">= 45 deg",
            5.34,
        ),
        one(
            "LO-4",
            "Phase noise stays below the mask of the receiver at all offsets.",
            "noise.total",
            -96.2,
            Unit::DecibelCarrierPerHertz,
            "1 kHz: -80, 10 kHz: -95, 1 MHz: -125",
            1.2,
        ),
        one(
            "LO-5",
            "A hop over the whole band is settled to within 1 kHz in less than 75 µs, programming included.",
            "hop.total_time",
            81.2e-6,
            Unit::Second,
            "<= 75 us",
            -6.2e-6,
        ),
        one(
            "LO-6",
            "Reference spurs at the output.",
            "spur.reference_spur",
            -71.3,
            Unit::DecibelCarrier,
            "<= -70 dBc",
            1.3,
        ),
        one("LO-7", "Gain margin.", "lo.gain_margin", 17.2, Unit::Decibel, ">= 10 dB", 7.2),
    ];
    all[3].at = Some(1e4);
    all[3].reserve = Some(2.0);
    all[3].reserve_kept = Some(false);
    "band channels".clone_into(&mut all[1].judged);
    all[1].decided_by = Some("2.9 GHz".to_owned());
    all[5].reserve = Some(1.0);
    all[5].reserve_kept = Some(true);
    let mut test = one(
        "LO-8",
        "The oscillator does not unlock under the vibration profile of the mast.",
        "",
        0.0,
        Unit::One,
        "",
        0.0,
    );
    test.metric = None;
    test.value = None;
    test.margin = None;
    test.state = State::NotJudged;
    test.method = Some("test".to_owned());
    test.evidence = Some(
        "Planned as part of the qualification of the receiver; report WR-Q-0031 is not yet written."
            .to_owned(),
    );
    all.push(test);
    let mut hidden = one("HOUSE-1", SECRET, "bench.agreement", 1.0, Unit::Decibel, "<= 2 dB", 1.0);
    hidden.internal = true;
    all.push(hidden);
    all
}

fn block(name: &str, kind: &'static str, exhibits: Vec<Exhibit>) -> BlockInput {
    BlockInput {
        name: name.to_owned(),
        kind,
        line: 4,
        internal: name == "bench",
        caption: None,
        exhibits,
        fact: None,
        equations: Vec::new(),
        netlist: None,
        open_items: 0,
    }
}

fn blocks(file: FileId) -> Vec<BlockInput> {
    let span = Span::new(file, 0, 1);
    let mut std = block("std", "reference", Vec::new());
    std.fact = Some((Some(Basis::Guaranteed), Some("Data sheet of the standard, issue 4".into())));
    let mut vco = block("vco", "oscillator", vec![Exhibit::table(tuning_table())]);
    vco.fact = Some((Some(Basis::Measured), Some("Bench run 2 of 2026-11-12, https://bench.example/runs/2026-11-12/oscillator/second-run-with-a-very-long-address.csv".into())));
    let mut lo = block("lo", "loop", vec![diagram(), schematic(), Exhibit::table(parts_table())]);
    lo.equations = vec![
        Equation { name: "Open-loop gain".into(), tex: r"G(s) = \frac{I_p}{2\pi} \, Z(s) \, \frac{2\pi K_v}{s} \, \frac{1}{N}".into(), says: "I_p pump current, Z transimpedance of the filter, K_v oscillator gain in Hz/V, N feedback divider.".into() },
        Equation { name: "Phase noise of the output".into(), tex: r"S_\phi(f) = \sum_i \left|H_i(\mathrm{j}2\pi f)\right|^2 S_i(f), \qquad \mathcal{L}(f) = \tfrac{1}{2} S_\phi(f)".into(), says: "IEEE Std 1139; valid while the RMS phase stays below 0.1 rad.".into() },
    ];
    let mut noise = block("noise", "phase_noise", vec![noise_plot(), shares(), Exhibit::table(long_table())]);
    noise.caption =
        Some(Spanned { value: "Phase noise at 2.8 GHz by contributor, with the mask of LO-4".into(), span });
    let mut decision = block("decision", "decision", vec![Exhibit::Prose { lead: "Decision taken".into(), text: "The loop is built with 28 kHz of bandwidth and a passive filter of third order.".into(), span }, Exhibit::Prose { lead: "Because".into(), text: "A wider loop would meet LO-5 but not the mask of LO-4 at 100 kHz; the hop is asked for less often than the noise.".into(), span }]);
    decision.caption = None;
    let mut items = block("open_items", "open_items", Vec::new());
    items.open_items = 3;
    let mut bench = block(
        "bench",
        "measurement",
        vec![Exhibit::table(Table {
            anchor: "table".into(),
            caption: format!("{SECRET} caption"),
            ..tuning_table()
        })],
    );
    bench.fact = Some((Some(Basis::Typical), Some(SECRET.to_owned())));
    vec![
        std,
        vco,
        lo,
        noise,
        block("band", "band", vec![Exhibit::table(wide_table(14, 30)), Exhibit::table(wide_table(20, 8))]),
        block("spur", "spurs", Vec::new()),
        block("hop", "settling", Vec::new()),
        decision,
        items,
        bench,
    ]
}

fn number(value: f64, unit: Unit) -> Cell {
    Cell::Number { value, unit, text: print(value, unit, Digits::Significant(4)) }
}

fn tuning_table() -> Table {
    let rows = [(0.5, 2.64e9), (1.0, 2.69e9), (2.0, 2.77e9), (3.0, 2.845e9), (4.0, 2.91e9), (4.5, 2.94e9)];
    Table {
        anchor: "table".into(),
        caption: "Tuning curve of the oscillator as measured".into(),
        columns: vec![
            Column::number("Tuning voltage", "voltage_V"),
            Column::number("Frequency", "frequency_Hz"),
            Column::text("Remark", "remark"),
        ],
        rows: rows
            .map(|(v, f)| {
                vec![
                    number(v, Unit::Volt),
                    number(f, Unit::Hertz),
                    Cell::Text(if v < 1.0 { "=below the compliance of the pump" } else { "" }.into()),
                ]
            })
            .to_vec(),
        note: "At 25 °C, supply 5.00 V.".into(),
    }
}

fn parts_table() -> Table {
    let parts = [
        ("C1", "1.0 nF", "E24, C0G"),
        (
            "C2",
            "22 nF",
            "E24, C0G, or film where the board allows it, since its dielectric absorption is what a slow tail of settling would come from",
        ),
        ("C3", "220 pF", "E24, C0G"),
        ("R2", "604 Ω", "E96, thin film"),
        ("R3", "1.5 kΩ", "E96, thin film"),
    ];
    Table {
        anchor: "table".into(),
        caption: "Parts of the filter".into(),
        columns: vec![
            Column::text("Part", "part"),
            Column::text("Value", "value"),
            Column::text("Series and kind", "kind"),
            Column::text("Verdict", "verdict"),
        ],
        rows: parts
            .map(|(a, b, c)| {
                vec![
                    Cell::Text(a.into()),
                    Cell::Text(b.into()),
                    Cell::Text(c.into()),
                    Cell::Verdict(State::Met, a == "C2"),
                ]
            })
            .to_vec(),
        note: String::new(),
    }
}

fn long_table() -> Table {
    Table {
        anchor: "table".into(),
        caption: "Phase noise by offset and contributor".into(),
        columns: ["Offset", "Reference", "Oscillator", "Detector", "Filter", "Total", "Mask"]
            .iter()
            .map(|h| Column::number(h, &h.to_lowercase()))
            .collect(),
        rows: (0..61)
            .map(|i| {
                let f = 10f64.powf(2.0 + f64::from(i) / 12.0);
                let mut row = vec![number(f, Unit::Hertz)];
                row.extend(
                    [-100.0, -95.0, -104.5, -118.25, -93.6, -90.0]
                        .map(|l| number(l - f64::from(i), Unit::DecibelCarrierPerHertz)),
                );
                row
            })
            .collect(),
        note: "Levels include the divider after the oscillator.".into(),
    }
}

fn wide_table(columns: usize, rows: usize) -> Table {
    Table {
        anchor: if columns > 14 { "table.2" } else { "table" }.into(),
        caption: format!("Channels of the band, {columns} columns"),
        columns: (0..columns).map(|c| Column::number(&format!("Column {c}"), &format!("c{c}"))).collect(),
        rows: (0..rows)
            .map(|r| (0..columns).map(|c| number(2.7e9 + (r * 2_500_000 + c) as f64, Unit::Hertz)).collect())
            .collect(),
        note: String::new(),
    }
}

fn figure(anchor: &str, caption: &str, drawing: Drawing) -> Exhibit {
    Exhibit::figure(Figure {
        anchor: anchor.into(),
        caption: caption.into(),
        alt: format!("{caption}, with its main numbers."),
        drawing,
    })
}

fn diagram() -> Exhibit {
    figure(
        "figure",
        "The loop as planned",
        Drawing::Loop(LoopDiagram {
            reference: "80 MHz".into(),
            doubler: false,
            reference_divider: "32".into(),
            detector: "2.5 MHz".into(),
            pump: "2.5 mA".into(),
            filter: ("passive, 3rd order".into(), "28.0 kHz".into()),
            oscillator: ("2.8 GHz".into(), "72 MHz/V".into()),
            feedback_divider: "1120".into(),
            prescaler: None,
            output_divider: None,
            output: "2.8 GHz".into(),
        }),
    )
}

fn schematic() -> Exhibit {
    let parts = [("C1", "1.0 nF"), ("C2", "22 nF"), ("R2", "604 Ω"), ("R3", "1.5 kΩ"), ("C3", "220 pF")];
    figure(
        "schematic",
        "Loop filter",
        Drawing::Filter(FilterSchematic {
            active: false,
            order: 3,
            parts: parts.map(|(a, b)| (a.into(), b.into())).to_vec(),
            pump: "2.5 mA".into(),
            port: Some("22 pF".into()),
            rest: None,
        }),
    )
}

fn noise_plot() -> Exhibit {
    let curve = |name: &str, role, level: f64, slope: f64| Curve {
        name: name.into(),
        role,
        points: (0..61)
            .map(|i| {
                let x = 2.0 + f64::from(i) / 12.0;
                (10f64.powf(x), level - slope * (x - 2.0))
            })
            .collect(),
    };
    figure(
        "figure",
        "Phase noise by contributor",
        Drawing::Plot(Plot {
            x: Axis {
                label: "Offset from the carrier".into(),
                unit: Unit::Hertz,
                scale: Scale::Log,
                range: Some((1e2, 1e7)),
            },
            panels: vec![Panel {
                y: Axis {
                    label: "Phase noise".into(),
                    unit: Unit::DecibelCarrierPerHertz,
                    scale: Scale::Linear,
                    range: Some((-160.0, -60.0)),
                },
                curves: vec![
                    curve("total", Role::Total, -80.0, 12.0),
                    curve("reference", Role::Reference, -84.0, 20.0),
                    curve("oscillator", Role::Oscillator, -95.0, 10.0),
                    curve("detector", Role::Detector, -90.0, 14.0),
                ],
                marks: vec![Mark::Mask {
                    points: vec![(1e3, -80.0), (1e4, -95.0), (1e6, -125.0)],
                    label: "LO-4".into(),
                }],
            }],
        }),
    )
}

fn shares() -> Exhibit {
    let rows = [
        ("oscillator", Role::Oscillator, 0.48),
        ("detector", Role::Detector, 0.31),
        ("reference", Role::Reference, 0.15),
        ("filter", Role::Filter, 0.06),
    ];
    figure(
        "figure.2",
        "Who owns the jitter",
        Drawing::Bars(Bars {
            label: "Share of the integrated power".into(),
            rows: rows.map(|(n, r, s)| (n.into(), r, s, format!("{:.0} %", s * 100.0))).to_vec(),
        }),
    )
}

const LONG: &str = "The oscillator is bought with its tuning port open, so the filter drives the port's own capacitance, which \
    the synthesis takes into account as part of the last pole; at the upper end of the band the gain falls to two thirds of that at the lower end, \
    and with it the bandwidth, so that the margin is least where the gain is highest and the noise is worst where it is lowest. The design channel \
    stands near the geometric mean of the band, which spreads the error evenly over both ends.";

fn prose() -> Vec<Block> {
    let link = |to: &str, words: &str| Inline::Link { to: to.into(), text: vec![text(words)], line: 5 };
    let mut out = vec![
        heading(2, "purpose", "Purpose and scope", false),
        paragraph(LONG),
        Block::Paragraph(vec![text("The noise is shown in "), link("#noise.figure", "the noise budget"), text(", the parts in "), link("#lo.table", ""), text(", the reasons in "), link("#decision-and-reasons", "the last section"), text("; the address of the archive is "), link("https://archive.example/radar", "archive.example"), text(".")], 2),
        Block::Solved("std".into(), 4),
        Block::Solved("vco".into(), 4),
        heading(2, "plan", "Frequency plan", false),
        paragraph(LONG),
        paragraph(LONG),
        Block::Math(r"N = \frac{f_{\mathrm{out}}}{f_{\mathrm{pd}}} = \frac{2.8\,\mathrm{GHz}}{2.5\,\mathrm{MHz}} = 1120".into(), 5),
        Block::Solved("lo".into(), 4),
        paragraph(LONG),
        heading(3, "derivation", "Derivation of the jitter allowed", false),
        paragraph(LONG),
        heading(2, "noise-section", "Noise", false),
        paragraph(LONG),
        Block::Solved("noise".into(), 4),
        paragraph(LONG),
        paragraph(LONG),
        heading(2, "house", "Bench notes for the house", true),
        paragraph(&format!("{SECRET} was measured.")),
        Block::Solved("bench".into(), 4),
        heading(2, "band-section", "Over the band", false),
        Block::Paragraph(vec![text("The bench trace is in "), link("#bench.table", "the house's table"), text(".")], 5),
        Block::Solved("band".into(), 4),
    ];
    for n in 1..5 {
        out.push(heading(3, "step", &format!("Consideration {n}"), false));
        out.push(paragraph(LONG));
        out.push(paragraph(LONG));
    }
    out.push(heading(2, "decision-and-reasons", "Decision and reasons", false));
    out.push(Block::Solved("decision".into(), 4));
    out.push(Block::Solved("open_items".into(), 4));
    out
}
