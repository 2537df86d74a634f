//! What is fed with broken input: by the seeded runs of `tests/suite/broken_input.rs`, and by cargo-fuzz for as long as one likes.
//!
//! A target takes any bytes and panics where the program would not hold what it promises.

use loopcase::archive;
use loopcase::diag::{Severity, render};
use loopcase::pipeline::{Job, Solved, produce, solve};
use loopcase::results::to_json;
use loopcase::source::Memory;
use loopcase::units::{Digits, Unit, parse, parse_as, parse_range, parse_with_tolerance, print};

/// A target by its name.
pub struct Target {
    /// Name, as of the cargo-fuzz binary.
    pub name: &'static str,
    /// What it does with any bytes.
    pub run: fn(&[u8]),
    /// Inputs to start from.
    pub seeds: &'static [&'static [u8]],
}

/// All of them.
pub const TARGETS: &[Target] = &[
    Target { name: "note", run: note, seeds: &[NOTE, FACTS] },
    Target { name: "quantity", run: quantity, seeds: QUANTITIES },
    Target { name: "csv", run: csv, seeds: TRACES },
    Target { name: "prose", run: prose, seeds: &[PROSE, TEMPLATE] },
    Target { name: "math", run: math, seeds: FORMULAS },
    Target { name: "sealed", run: sealed, seeds: &[include_bytes!("../sealed/smallest-A.zip")] },
];

const NOTE: &[u8] = b"---\ntitle: T\nrevision: A\n---\n\n# A {#a .internal}\n\nIt is {{ lo.bandwidth }} wide, [so](#lo.table).\n\n\
```yaml reference ref\nfrequency: 10 MHz\nphase_noise: {10 Hz: -120, 1 kHz: -150}\nrecord: {mass: 1 V}\n```\n\n\
```yaml oscillator vco\ntuning: {0 V: 90 MHz, 5 V: 110 MHz}\nphase_noise: {1 kHz: -80, 1 MHz: -140}\n```\n\n\
```yaml synthesizer core\ndetector: {max_frequency: 10 MHz, floor: -220 dBc/Hz}\npump: {currents: [1 mA]}\nfeedback_divider: 1 .. 100\n```\n\n\
```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\nfilter: passive 2\nparts: {C1: 1 nF, R2: 1 kohm, C2: 15 nF +- 5 %}\n```\n\n\
```yaml phase_noise noise\nof: lo\nover: 1 kHz .. 1 MHz\nspots: [10 kHz]\n```\n\n\
```yaml requirements\nLO-1: {text: Quiet., metric: noise.jitter, limit: \"<= 1 ps\", reserve: 10 %}\n```\n";

const FACTS: &[u8] = b"---\ntitle: T\nhistory: [{revision: A, date: 2026-01-02, text: first}]\n---\n\n\
```yaml values\na: 3 MHz\nb: {formula: \"sqrt(a ** 2) / 2\", unit: Hz}\n```\n\n\
```yaml reference ref\nfrequency: b\nphase_noise: [{at: 1 MHz, table: {1 kHz: -100}}, {at: 2 MHz, table: {1 kHz: -90}}]\nsource: &s x\nrecord: {n: *s}\n```\n\n\
```yaml open_items\nO-1: {text: \"**now**\", owner: x, closed: true}\n```\n\n```yaml decision\ntaken: a\nbecause: b\nrejected: [{option: c, because: d}]\n```\n";

const QUANTITIES: &[&[u8]] = &[
    b"80 MHz",
    b"-228 dBc/Hz",
    b"4.7 nF +- 5 %",
    "1.5e-9 \u{b5}A".as_bytes(),
    b"100 Hz .. 10 MHz",
    "4 nV/\u{221a}Hz".as_bytes(),
    "\u{2212}3.3 V \u{b1} 10 mV".as_bytes(),
    b"0.1ppm",
    b"50 V/us",
];

const TRACES: &[&[u8]] = &[
    b"# a trace\noffset kHz; level dBc/Hz\n1;-80,5\n10;-90\n",
    b"100,-80\n1e3,-90\n1e4,-100\n",
    b"time us\tfrequency MHz\n0\t100\n1\t101\n",
];

const PROSE: &[u8] = "# A *b* `c`\n\n1. x\n   - [x] y\n\n> q[^1] ~~s~~ <b>h</b> ![i](j.svg) [l](#a)\n\n[^1]: f\n\n| a | b |\n|:-|-:|\n| 1 | \u{202e}2 |\n\n$a^2$ \\\\* &amp; ---\n\nterm\n: text\n".as_bytes();
const TEMPLATE: &[u8] =
    b"{% for i in range(3) %}{{ i * 2 }}{% endfor %}{% if a is defined %}{{ a | to(\"kHz\", 1) }}{% endif %}{{ \"x\" ~ 1 }}{# c #}";

const FORMULAS: &[&[u8]] = &[
    br"\frac{1}{2\pi f} \sqrt[3]{x_i^{2n}}",
    br"\sum_{k=0}^{N-1} \left| H(j\omega) \right|^2 \cdot \mathrm{d}f",
    br"\begin{cases} a & b \\ c & d \end{cases} \text{if } \overline{x} \ne \hat y",
    br"\begin{pmatrix} 1 & 0 \\ 0 & 1 \end{pmatrix} \mathbb{R} \operatorname{sinc}",
];

/// The outcome of a note that stands alone; every message can be shown.
pub fn solved(text: &[u8], more: &[(&str, &[u8])]) -> Option<Solved> {
    let files = Memory::new([("note.md", text)].into_iter().chain(more.iter().copied()));
    let job = Job::plain(&files, "note.md");
    let outcome = solve(&job);
    for diagnostic in &outcome.diagnostics {
        let shown = render(diagnostic, &outcome.sources, false);
        assert!(!shown.trim().is_empty());
    }
    let failed = outcome.diagnostics.iter().any(|d| d.severity == Severity::Error);
    assert_eq!(outcome.solved.is_none(), failed, "solved and faulty at once, or neither");
    outcome.solved
}

/// The text of a note of that prose.
pub fn note_of(prose: &[u8]) -> Vec<u8> {
    [b"---\ntitle: T\n---\n\n", prose].concat()
}

/// A note of any bytes is solved or refused; what is solved can be written.
pub fn note(bytes: &[u8]) {
    if let Some(solved) = solved(bytes, &[]) {
        let json = to_json(&solved.store).to_string();
        assert!(!json.contains("NaN") && !json.contains("inf,"));
        // A format may refuse what it can't say; it says where.
        let _ = produce(&solved, &["html", "spice"]);
    }
}

/// A quantity that is read can be printed and read again as nearly the same.
pub fn quantity(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let _ = (parse_range(&text), parse_with_tolerance(&text, Unit::Farad), parse_as(&text, Unit::Hertz));
    if let Ok(quantity) = parse(&text) {
        assert!(quantity.value.is_finite(), "{text:?}");
        let printed = print(quantity.value, quantity.unit, Digits::All);
        if let Ok(again) = parse(&printed) {
            // Temperatures are printed in degrees Celsius: near absolute zero few digits are left.
            let zero = if quantity.unit == Unit::Kelvin { 273.15 } else { 0.0 };
            let near = (again.value - quantity.value).abs() <= 1e-9 * quantity.value.abs().max(zero);
            assert!(
                near || quantity.value.abs() < 1e-30,
                "{text:?}: {} became {}",
                quantity.value,
                again.value
            );
        }
    }
}

/// A data file of any bytes is read or refused.
pub fn csv(bytes: &[u8]) {
    let note =
        b"---\ntitle: T\n---\n\n```yaml reference ref\nfrequency: 10 MHz\nphase_noise: {file: a.csv}\n```\n";
    solved(note, &[("a.csv", bytes)]);
}

/// Any prose ends, as text of a document or as a fault.
pub fn prose(bytes: &[u8]) {
    note(&note_of(bytes));
}

/// Any formula is written or refused.
pub fn math(bytes: &[u8]) {
    let tex = String::from_utf8_lossy(bytes).replace(['$', '\n', '\r', '`'], " ");
    let mut text = b"---\ntitle: T\n---\n\nSo $".to_vec();
    text.extend_from_slice(tex.trim().as_bytes());
    text.extend_from_slice(b"$ it is.\n");
    note(&text);
}

/// A sealed file of any bytes is opened or found damaged.
pub fn sealed(bytes: &[u8]) {
    if let Ok(sealed) = archive::open(bytes) {
        let again = archive::seal(sealed).expect("it was not too large");
        assert!(again == bytes, "a changed byte was not found");
    }
}
