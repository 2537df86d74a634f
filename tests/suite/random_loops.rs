//! Random but physical loops: every metric finite or null with its reason, or a refusal that says what is possible; second
//! routes agree; nothing panics.
//!
//! `LOOPS=100000 cargo test --release --test suite random_loops -- --nocapture` for a long run; it prints what it found.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Instant;

use loopcase::diag::{Diagnostic, Severity};
use loopcase::pipeline::{Job, produce, solve};
use loopcase::results::to_json;
use loopcase::source::Memory;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use serde_json::Value;

/// Loops of a run of the suite.
const USUAL: u64 = 100;

/// Draws, each loop from a stream of its own.
struct Dice(ChaCha8Rng);

impl Dice {
    fn new(number: u64) -> Self {
        let mut dice = ChaCha8Rng::seed_from_u64(20_261_125);
        dice.set_stream(number);
        Self(dice)
    }

    /// Uniform in 0 .. 1.
    fn share(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// Uniform in its logarithm.
    fn decades(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.share())
    }

    fn chance(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    fn one<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[(self.share() * all.len() as f64) as usize]
    }
}

/// Rounded to that many significant digits, as anyone would write it.
fn short(value: f64, digits: usize) -> f64 {
    format!("{value:.*e}", digits - 1).parse().expect("a number")
}

fn table(dice: &mut Dice, near: f64, slope: f64) -> String {
    let points: &[f64] = if dice.chance(0.15) { &[1e4] } else { &[1e2, 1e3, 1e4, 1e5, 1e6, 1e7] };
    let rows: Vec<String> = points
        .iter()
        .map(|offset| {
            format!("{offset:e} Hz: {:.1}", (near - slope * (offset / 1e4).log10()).clamp(-175.0, -20.0))
        })
        .collect();
    format!("{{{}}}", rows.join(", "))
}

/// The text of one note.
fn note(number: u64) -> String {
    let mut dice = Dice::new(number);
    let dice = &mut dice;
    let divider = if dice.chance(0.1) { 1.0 } else { dice.decades(1.0, 3e4).round() };
    let detector = short(dice.decades(1e3, (100e9 / divider).min(400e6)), 4);
    let oscillator = detector * divider;
    let reference_divider = if dice.chance(0.5) { 1.0 } else { dice.decades(2.0, 200.0).round() };
    let output_divider = *dice.one(&["1/2", "1", "1", "2", "8"]);
    let output = match output_divider {
        "1/2" => oscillator * 2.0,
        "1" => oscillator,
        other => oscillator / other.parse::<f64>().expect("a number"),
    };
    let fractional = divider > 40.0 && dice.chance(0.2);
    let span = dice.uniform(0.02, 0.4);
    let (low, high) = (oscillator * (1.0 - span), oscillator * (1.0 + dice.uniform(0.02, 0.4)));
    let active = dice.chance(0.3);
    let (v_low, v_high) = if active { (1.0, dice.uniform(8.0, 24.0)) } else { (0.5, 4.5) };
    let (first, last) = if dice.chance(0.4) { (high, low) } else { (low, high) };
    let wanted = detector / dice.decades(4.0, 3e4);
    let margin = short(dice.uniform(10.0, 85.0), 3);
    let filter = match (active, dice.chance(0.5)) {
        (true, true) => "active 3",
        (true, false) => "active 4",
        (false, true) => *dice.one(&["passive 2", "passive 4"]),
        (false, false) => "passive 3",
    };
    // Mostly a pump that makes parts of a board: capacitance is about I K / (N (2 pi f)^2).
    let gain = (high - low) / (v_high - v_low);
    let capacitance = dice.decades(50e-12, 2e-6);
    let per_ampere = |f: f64| gain / (divider * (std::f64::consts::TAU * f).powi(2));
    let any = dice.decades(1e-6, 100e-3);
    let currents =
        if dice.chance(0.15) { any } else { (capacitance / per_ampere(wanted)).clamp(1e-6, 50e-3) };
    let currents = short(currents, 3);
    let fitting = (currents * gain / (divider * capacitance)).sqrt() / std::f64::consts::TAU;
    let bandwidth = short(if dice.chance(0.1) { wanted } else { fitting.min(detector / 4.0) }, 3);
    let port = short(capacitance * dice.decades(1e-5, 0.1), 3);
    let level = dice.uniform(-95.0, -40.0);
    let reference_noise = table(dice, dice_level(number, -160.0, -110.0), 10.0);
    let oscillator_noise = table(dice, level, 20.0);
    let fraction = if fractional { "fraction: {modulus: 2 .. 65535, order: 3}\n" } else { "" };
    let divided = if fractional { "divider: fractional\n" } else { "" };
    let exact = if dice.chance(0.3) { "series: ideal\n" } else { "" };
    let over = dice.decades(0.001, 1.0) * bandwidth;
    let to = over * dice.decades(3.0, 1e6);
    let channel = if fractional { output + detector * 0.37 * output / oscillator } else { output };
    let mismatch = dice.uniform(0.0, 0.2);
    let hop = short(bandwidth * dice.decades(1e-3, 1.0), 3);
    let amplifier = if active {
        "```yaml amplifier op\nvoltage_noise: 4 nV/rtHz\ngain_bandwidth: 50 MHz\nreference_voltage: 2.5 V\n```\n\n"
    } else {
        ""
    };
    // To the next whole multiple, where the tuning range is sure to hold it.
    let next = channel + detector * output / oscillator;
    let settling = if divider > 80.0 {
        format!(
            "```yaml settling hop\nof: lo\nfrom: {channel} Hz\nto: {next} Hz\nwithin: {hop} Hz\nmodel: linear\n```\n\n"
        )
    } else {
        String::new()
    };
    let of_amplifier = if active { "amplifier: op\n" } else { "" };
    format!(
        "---\ntitle: Loop {number}\n---\n
```yaml reference ref
frequency: {reference} Hz
phase_noise: {reference_noise}
stability: 1 ppm
```

```yaml oscillator vco
tuning: {{{v_low} V: {first} Hz, {middle} V: {between} Hz, {v_high} V: {last} Hz}}
input_capacitance: {port} F
phase_noise: {oscillator_noise}
```

```yaml synthesizer core
detector: {{max_frequency: {detector} Hz, floor: -220 dBc/Hz, flicker: {{level: -115 dBc/Hz, offset: 10 kHz, carrier: 1 GHz}}}}
pump: {{currents: [{currents} A, {twice} A], compliance: 0.5 V .. 4.5 V, mismatch: {mismatch:.3}, leakage: 1 nA, pulse: {pulse} s}}
reference_divider: 1 .. 1023
feedback_divider: 1 .. 131071
output_divider: {output_divider}
{fraction}```

{amplifier}```yaml loop lo
reference: ref
oscillator: vco
synthesizer: core
{of_amplifier}output: {channel} Hz
detector_frequency: {detector} Hz
bandwidth: {bandwidth} Hz
phase_margin: {margin} deg
filter: {filter}
max_capacitance: 10 uF
{divided}{exact}```

```yaml response response
of: lo
```

```yaml phase_noise noise
of: lo
over: {over} Hz .. {to} Hz
spots: [{over} Hz]
spurs: lines
```

```yaml spurs lines
of: lo
```

{settling}```yaml requirements
R-1: {{text: a mask beside the range, metric: noise.total, limit: {{1 mHz: -10, 10 mHz: -20}}}}
R-2: {{text: margin, metric: lo.phase_margin, limit: \">= 1 deg\"}}
R-3: {{text: jitter, metric: noise.jitter, limit: \"<= 1 s\"}}
```
",
        reference = detector * reference_divider,
        middle = f64::midpoint(v_low, v_high),
        between = oscillator * (1.0 + dice.uniform(-0.01, 0.01)),
        twice = currents * 2.0,
        pulse = short(0.01 / detector, 3),
    )
}

/// A level from a stream of its own, so that the tables do not hang together.
fn dice_level(number: u64, low: f64, high: f64) -> f64 {
    Dice::new(number + (1 << 40)).uniform(low, high)
}

/// What became of one loop.
enum End {
    Solved,
    Refused(&'static str),
}

/// Every value below a place in the results is a finite number, or null with its reason.
fn finite(path: &str, value: &Value, faults: &mut Vec<String>) {
    match value {
        Value::Object(map) => {
            if map.get("value").is_some_and(Value::is_null) && !map.contains_key("why") {
                faults.push(format!("{path} is null without a reason"));
            }
            if let Some(second) = map.get("second")
                && second["agrees"] != Value::Bool(true)
            {
                faults.push(format!("{path}: {} but {}", map["value"], second));
            }
            map.iter().for_each(|(name, value)| finite(&format!("{path}.{name}"), value, faults));
        }
        Value::Array(list) => list.iter().for_each(|value| finite(path, value, faults)),
        Value::Number(number) if !number.as_f64().is_some_and(f64::is_finite) => {
            faults.push(format!("{path} is {number}"));
        }
        _ => {}
    }
}

/// A refusal has a place, and says what was expected or what to do.
fn says_what_is_possible(fault: &Diagnostic) -> bool {
    fault.span.is_some() && (!fault.hints.is_empty() || !fault.label.is_empty())
}

fn try_one(number: u64) -> Result<End, Vec<String>> {
    let text = note(number);
    let files = Memory::new([("note.md", &text)]);
    let job = Job::plain(&files, "note.md");
    let outcome = solve(&job);
    let errors: Vec<&Diagnostic> =
        outcome.diagnostics.iter().filter(|d| d.severity == Severity::Error).collect();
    if let Some(first) = errors.first() {
        let bare: Vec<String> = errors
            .iter()
            .filter(|fault| fault.id != "not-solved" && !says_what_is_possible(fault))
            .map(|fault| format!("{} says not what is possible: {}", fault.id, fault.message))
            .collect();
        return if bare.is_empty() { Ok(End::Refused(first.id)) } else { Err(bare) };
    }
    let Some(solved) = outcome.solved else { return Err(vec!["neither solved nor refused".to_owned()]) };
    let mut faults = Vec::new();
    finite("", &to_json(&solved.store)["blocks"], &mut faults);
    // Every fiftieth is drawn too: axes and labels of odd numbers.
    if number.is_multiple_of(50)
        && let Err(found) = produce(&solved, &[])
    {
        faults.extend(found.iter().map(|fault| fault.message.clone()));
    }
    if faults.is_empty() { Ok(End::Solved) } else { Err(faults) }
}

#[test]
fn loops_of_all_sizes_are_solved_or_refused_with_reason() {
    let count = std::env::var("LOOPS").ok().and_then(|text| text.parse().ok()).unwrap_or(USUAL);
    let first = std::env::var("LOOPS_FROM").ok().and_then(|text| text.parse().ok()).unwrap_or(0);
    let mut solved = 0;
    let mut refused: BTreeMap<&str, u64> = BTreeMap::new();
    let mut faults: Vec<String> = Vec::new();
    let mut slowest = (0.0, 0);
    for number in first..first + count {
        let start = Instant::now();
        let end = catch_unwind(AssertUnwindSafe(|| try_one(number)));
        let took = start.elapsed().as_secs_f64();
        if took > slowest.0 {
            slowest = (took, number);
        }
        match end {
            Ok(Ok(End::Solved)) => solved += 1,
            Ok(Ok(End::Refused(id))) => *refused.entry(id).or_default() += 1,
            Ok(Err(found)) => faults.extend(found.into_iter().map(|fault| format!("loop {number}: {fault}"))),
            Err(_) => faults.push(format!("loop {number}: panic")),
        }
    }
    println!(
        "{count} loops: {solved} solved, refused {refused:?}, {} faults; the slowest, loop {}, took {:.1} s",
        faults.len(),
        slowest.1,
        slowest.0
    );
    faults.truncate(40);
    assert!(faults.is_empty(), "{faults:#?}");
    // Were nearly all refused, this would show nothing.
    assert!(solved * 3 >= count, "{solved} of {count} solved");
}

/// The text of a loop, to look at it: `LOOP=17 cargo test --test suite a_random_loop_as_text -- --ignored --nocapture`.
#[test]
#[ignore = "prints a note"]
fn a_random_loop_as_text() {
    let number = std::env::var("LOOP").ok().and_then(|text| text.parse().ok()).unwrap_or(0);
    println!("{}", note(number));
}
