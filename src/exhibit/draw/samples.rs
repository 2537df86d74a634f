//! Figures that are hard to draw, for the tests.

use crate::exhibit::{
    Axis, Bars, Curve, Drawing, Figure, FilterSchematic, LoopDiagram, Mark, Panel, Plot, Role,
};
use crate::units::Unit;

/// A figure with a name.
pub fn figure(anchor: &str, drawing: Drawing) -> Figure {
    Figure { anchor: anchor.to_owned(), caption: String::new(), alt: String::new(), drawing }
}

fn plot(anchor: &str, plot: Plot) -> Figure {
    figure(anchor, Drawing::Plot(plot))
}

fn offsets(from: f64, to: f64, count: usize) -> impl Iterator<Item = f64> {
    (0..count).map(move |i| from * (to / from).powf(i as f64 / (count - 1) as f64))
}

/// Sum of powers `level - 10 slope log10(f / at)`, with a low pass of that order.
fn noise(name: &str, role: Role, level: f64, slope: f64, corner: f64, order: f64, high: bool) -> Curve {
    let points = offsets(100.0, 1e7, 401).map(|f| {
        let r = if high { corner / f } else { f / corner };
        (f, level - 10.0 * slope * (f / 1e4).log10() - 10.0 * (1.0 + r.powf(2.0 * order)).log10())
    });
    Curve::new(name, role, points.collect())
}

fn contributors() -> Vec<Curve> {
    let parts = vec![
        noise("Reference", Role::Reference, -112.0, 1.0, 3e4, 2.0, false),
        noise("Oscillator", Role::Oscillator, -88.0, 2.2, 3e4, 2.0, true),
        noise("Detector floor", Role::Detector, -104.0, 0.0, 3e4, 2.0, false),
        noise("Detector flicker", Role::Detector, -107.0, 1.0, 3e4, 2.0, false),
        noise("Modulator", Role::Modulator, -135.0, -2.0, 9e4, 4.0, false),
        noise("R2 and R3", Role::Filter, -116.0, -0.4, 4e4, 1.5, false),
        noise("Output buffer", Role::Output, -155.0, 0.0, 1e12, 1.0, false),
    ];
    let total = (0..401).map(|i| {
        let f = parts[0].points[i].0;
        (f, 10.0 * parts.iter().map(|c| 10f64.powf(c.points[i].1 / 10.0)).sum::<f64>().log10())
    });
    let mut all = vec![Curve::new("Total", Role::Total, total.collect())];
    all.extend(parts);
    all
}

fn level() -> Axis {
    Axis::linear("Single-sideband phase noise", Unit::DecibelCarrierPerHertz)
}

/// Seven contributors with their total, a mask, integration limits, close verticals, marked spots.
pub fn noise_budget() -> Figure {
    let marks = [
        Mark::span(1e3, 1e7, "jitter integrated 1 kHz to 10 MHz: 142 fs"),
        Mark::vertical(28e3, "bandwidth 28.0 kHz"),
        Mark::vertical(31e3, "optimum 31 kHz"),
        Mark::vertical(33e3, "zero 33 kHz"),
        Mark::mask(vec![(1e4, -92.0), (1e5, -92.0), (1e6, -125.0), (1e7, -140.0)], "Limit LO-2"),
        Mark::point(1e4, -99.3, "\u{2212}99.3 dBc/Hz at 10 kHz"),
    ];
    let panel = Panel::new(level(), contributors()).with_marks(marks);
    plot("noise", Plot::log_x("Offset from the carrier", Unit::Hertz, vec![panel]))
}

/// Discrete lines alone, some close to each other, one below and one beside the panel.
pub fn discrete_lines() -> Figure {
    let line = |x: f64, y: f64, role, label: &str| Mark::line(x, y, role, label, "");
    let marks = [
        line(300e3, -96.2, Role::Supply, "\u{2212}96.2 dBc"),
        line(2.5e6, -71.4, Role::Detector, "\u{2212}71.4 dBc"),
        line(2.6e6, -72.0, Role::Others, "\u{2212}72.0 dBc"),
        line(5e6, -97.9, Role::Detector, "\u{2212}97.9 dBc"),
        Mark::line(4e5, -88.0, Role::Supply, "", "lines of the supply"),
        Mark::line(6e5, -93.0, Role::Supply, "", "lines of the supply"),
        line(7.5e6, -140.0, Role::Detector, "below the panel"),
        line(99e6, -80.0, Role::Modulator, "beside the panel"),
        Mark::mask(vec![(1e5, -60.0), (1e7, -70.0)], "mask LO-9"),
    ];
    let axis = Axis::linear("Level", Unit::DecibelCarrier).from_to(-120.0, -50.0);
    let x = Axis::log("Offset from the carrier", Unit::Hertz).from_to(1e5, 1e7);
    plot("lines", Plot::new(x, vec![Panel::new(axis, Vec::new()).with_marks(marks)]))
}

/// Gain and phase over one abscissa.
pub fn bode() -> Figure {
    let response = |f: f64, extra: f64| {
        let (zero, pole, third) = (f / 8e3, f / 9e4, f / 2.5e5);
        let gain = 63.0 - 40.0 * (f / 1e3).log10() + 10.0 * (1.0 + zero * zero).log10()
            - 10.0 * (1.0 + pole * pole).log10()
            - 10.0 * (1.0 + third * third).log10();
        let phase = -180.0 + (zero.atan() - pole.atan() - third.atan()).to_degrees() - extra * f / 1e4;
        (gain, phase)
    };
    let curve = |name, role, extra, pick: fn((f64, f64)) -> f64| {
        Curve::new(name, role, offsets(100.0, 2e6, 301).map(|f| (f, pick(response(f, extra)))).collect())
    };
    let gain = Panel::new(
        Axis::linear("Open-loop gain", Unit::Decibel),
        vec![
            curve("Continuous", Role::Total, 0.0, |r| r.0),
            curve("Sampled", Role::Second, 0.0, |r| r.0 + 0.4),
        ],
    )
    .with_marks([
        Mark::horizontal(0.0, "unity"),
        Mark::vertical(1.2e5, "28.0 kHz"),
        Mark::vertical(2.6e5, "phase crossover 260 kHz"),
    ]);
    let phase = Panel::new(
        Axis::linear("Phase", Unit::Degree),
        vec![curve("Continuous", Role::Total, 0.0, |r| r.1), curve("Sampled", Role::Second, 1.2, |r| r.1)],
    )
    .with_marks([Mark::point(1.2e5, -180.0 + 8.0, "margin 52.4°"), Mark::horizontal(-180.0, "")]);
    plot("lo.figure", Plot::log_x("Frequency", Unit::Hertz, vec![gain, phase]))
}

/// A hop: linear time, frequency error and tuning voltage, one curve each.
pub fn settling() -> Figure {
    let ring = |t: f64| (-t / 9e-6).exp() * (t / 4e-6).cos();
    let times = || (0..600).map(|i| f64::from(i) * 0.25e-6);
    let error = Curve::new("2.7 to 2.9 GHz", Role::Total, times().map(|t| (t, 60e3 * ring(t))).collect());
    let back =
        Curve::new("2.9 to 2.7 GHz", Role::Second, times().map(|t| (t, -55e3 * ring(t * 0.9))).collect());
    let tuning =
        Curve::new("Tuning voltage", Role::Total, times().map(|t| (t, 2.4 - 1.2 * ring(t))).collect());
    let upper = Panel::new(Axis::linear("Frequency error", Unit::Hertz), vec![error, back]).with_marks([
        Mark::horizontal(1e3, "+1 kHz"),
        Mark::horizontal(-1e3, "\u{2212}1 kHz"),
        Mark::vertical(42.7e-6, "settled after 42.7 µs"),
    ]);
    let lower = Panel::new(Axis::linear("Tuning voltage", Unit::Volt), vec![tuning]);
    plot("hop", Plot::linear_x("Time from the divider's change", Unit::Second, vec![upper, lower]))
}

/// A single decade, long names, close points.
pub fn one_decade() -> Figure {
    let curve = |name: &str, role, k: f64| {
        Curve::new(
            name,
            role,
            offsets(2e4, 1.5e5, 50).map(|f| (f, k * (f / 5e4).ln().powi(2) + 120e-15)).collect(),
        )
    };
    let curves = vec![
        curve(
            "Jitter with the loop filter's own resistors at 85 °C and the supply's ripple",
            Role::Total,
            30e-15,
        ),
        curve("Withoutanyblankinsidethisverylongnameofacurve", Role::Filter, 25e-15),
        curve("A & B <b>bold</b> \"quoted\"", Role::Others, 20e-15),
        curve("Fourth", Role::Supply, 10e-15),
        curve("Fifth", Role::Measured, 5e-15),
    ];
    let points = (0..9).map(|n| Mark::point(5e4 + 400.0 * f64::from(n), 120e-15, "120 fs at the optimum"));
    let panel = Panel::new(Axis::linear("Jitter", Unit::Second), curves).with_marks(points);
    plot("region", Plot::log_x("Loop bandwidth", Unit::Hertz, vec![panel]))
}

/// Values that hardly differ, far from zero.
pub fn tiny_range() -> Figure {
    let curve = Curve::new(
        "Frequency",
        Role::Total,
        (0..50).map(|i| (f64::from(i), 5.8e9 + f64::from(i % 7))).collect(),
    );
    let panel = Panel::new(Axis::linear("Output frequency", Unit::Hertz), vec![curve]);
    plot("drift", Plot::linear_x("Channel", Unit::One, vec![panel]))
}

/// Thirty decades, and not-finite values.
pub fn wide_range() -> Figure {
    let curve = |name: &str, role, k: f64| {
        let value = move |x: f64| if (3.0..3.5).contains(&x) { f64::NAN } else { 10f64.powf(k * x) };
        Curve::new(name, role, (0..100).map(|i| (f64::from(i) * 0.1, value(f64::from(i) * 0.1))).collect())
    };
    let curves = vec![
        curve("up", Role::Total, 2.0),
        curve("down", Role::Second, -1.5),
        curve("far", Role::Others, 60.0),
    ];
    let panel = Panel::new(Axis::log("Ratio", Unit::One).from_to(1e-15, 1e15), curves);
    let below = Panel::new(
        Axis::linear("Temperature", Unit::Kelvin),
        vec![Curve::new("", Role::Total, vec![(0.0, 233.15), (9.9, 358.15)])],
    );
    let bottom = Panel::new(
        Axis::linear("A very long title of an ordinate that has to be broken", Unit::HertzPerVolt),
        vec![Curve::new("Gain", Role::Oscillator, vec![(0.0, -6e7), (9.9, -5.2e7)])],
    );
    plot("wide", Plot::linear_x("Tuning voltage", Unit::Volt, vec![panel, below, bottom]))
}

/// Seven noisy curves of twenty thousand points, dashed.
pub fn noisy() -> Figure {
    let roles = [
        Role::Total,
        Role::Reference,
        Role::Oscillator,
        Role::Detector,
        Role::Modulator,
        Role::Filter,
        Role::Output,
    ];
    let mut seed = 7u64;
    let mut random = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f64 / (1u64 << 53) as f64
    };
    let curves = roles.iter().enumerate().map(|(n, role)| {
        let points =
            offsets(100.0, 1e7, 20_000).map(|f| (f, -90.0 - 8.0 * n as f64 - 10.0 * random() * random()));
        Curve::new(&format!("{role:?}"), *role, points.collect())
    });
    plot(
        "trace",
        Plot::log_x("Offset from the carrier", Unit::Hertz, vec![Panel::new(level(), curves.collect())]),
    )
}

/// A bench trace over the prediction.
pub fn measured() -> Figure {
    let mut seed = 3u64;
    let total = contributors().swap_remove(0);
    let points = offsets(1e3, 1e7, 4000).map(|f| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let near = total.points.partition_point(|p| p.0 < f).min(400);
        (f, total.points[near].1 + 3.0 * ((seed >> 11) as f64 / (1u64 << 53) as f64 - 0.4))
    });
    let trace = Curve::new("Measured", Role::Measured, points.collect());
    let floor =
        Curve::new("Instrument floor", Role::Others, vec![(1e3, -140.0), (1e5, -158.0), (1e7, -165.0)]);
    let panel = Panel::new(level(), vec![total, trace, floor]).with_marks([Mark::span(1e4, 1e6, "compared")]);
    plot("bench", Plot::log_x("Offset from the carrier", Unit::Hertz, vec![panel]))
}

/// Verticals and spans at the edges, with words that hardly fit.
pub fn edges() -> Figure {
    let long = "a vertical with many words about what happens at this one place and why it matters there";
    let curve = Curve::new("", Role::Total, vec![(1.0, 1.0), (10.0, 2.0)]);
    let marks = [
        Mark::vertical(1.0, long),
        Mark::vertical(9.9, long),
        Mark::vertical(10.0, "end"),
        Mark::vertical(11.0, "outside"),
        Mark::span(9.0, 20.0, long),
        Mark::span(0.1, 1.05, "left of all"),
        Mark::span(f64::NAN, 3.0, "from nowhere"),
        Mark::mask(vec![(5.0, 1.9)], "Spot limit"),
    ];
    let panel = Panel::new(Axis::linear("Level", Unit::DecibelCarrier), vec![curve]).with_marks(marks);
    plot("edges", Plot::log_x("Frequency", Unit::Hertz, vec![panel]))
}

/// Who owns the jitter.
pub fn bars() -> Figure {
    let row = |name: &str, role, share, value: &str| (name.to_owned(), role, share, value.to_owned());
    let rows = vec![
        row("Oscillator", Role::Oscillator, 0.43, "43.1 %  (93.2 fs)"),
        row("Detector floor", Role::Detector, 0.31, "31.0 %  (79.0 fs)"),
        row("Reference", Role::Reference, 0.142, "14.2 %  (53.5 fs)"),
        row("R2", Role::Filter, 0.08, "8.0 %  (40.1 fs)"),
        row("Everything else, each below one percent of the sum", Role::Others, 0.0371, "3.7 %  (27.3 fs)"),
        row("Modulator", Role::Modulator, 0.0002, "0.02 %  (2.0 fs)"),
    ];
    figure("noise.figure.2", Drawing::Bars(Bars { label: "Share of the integrated power".to_owned(), rows }))
}

/// Loop filters of every order, with values of five characters.
pub fn filters() -> Vec<Figure> {
    let parts = [
        ("C1", "2.12 nF"),
        ("C2", "39.3 nF"),
        ("R2", "1.27 kΩ"),
        ("R3", "2.67 kΩ"),
        ("C3", "150.5 pF"),
        ("R4", "10.25 kΩ"),
        ("C4", "102.5 pF"),
    ];
    [(false, 2u8), (false, 3), (false, 4), (true, 3), (true, 4)]
        .into_iter()
        .map(|(active, order)| {
            let count = [3, 5, 7][usize::from(order) - 2];
            let parts = parts[..count].iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect();
            let port = (order != 2).then(|| "47.5 pF".to_owned());
            let rest = (order == 4).then(|| "2.5 V".to_owned());
            let filter = FilterSchematic { active, order, parts, pump: "4.375 mA".to_owned(), port, rest };
            figure(&format!("filter{}{order}", if active { "a" } else { "p" }), Drawing::Filter(filter))
        })
        .collect()
}

/// Loops with few and with many blocks.
pub fn loops() -> Vec<Figure> {
    let full = LoopDiagram {
        reference: "100.125 MHz".to_owned(),
        doubler: true,
        reference_divider: "1023".to_owned(),
        detector: "33.375 MHz".to_owned(),
        pump: "4.375 mA".to_owned(),
        filter: ("passive, 4th order".to_owned(), "128 kHz".to_owned()),
        oscillator: ("11.6525 GHz".to_owned(), "162.5 MHz/V".to_owned()),
        feedback_divider: "57 + 13/16".to_owned(),
        prescaler: Some("4".to_owned()),
        output_divider: Some("2".to_owned()),
        output: "5.826 25 GHz".to_owned(),
    };
    let few = LoopDiagram {
        reference: "10 MHz".to_owned(),
        doubler: false,
        reference_divider: "1".to_owned(),
        prescaler: None,
        output_divider: None,
        feedback_divider: "580".to_owned(),
        output: "5.8 GHz".to_owned(),
        ..full.clone()
    };
    vec![figure("loop1", Drawing::Loop(full)), figure("loop2", Drawing::Loop(few))]
}

/// All of them.
pub fn all() -> Vec<Figure> {
    let mut all = vec![
        noise_budget(),
        discrete_lines(),
        bode(),
        settling(),
        one_decade(),
        tiny_range(),
        wide_range(),
        noisy(),
        edges(),
        measured(),
        bars(),
    ];
    all.extend(filters());
    all.extend(loops());
    all
}
