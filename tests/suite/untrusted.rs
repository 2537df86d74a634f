//! Notes of clumsy and hostile hands: each is refused or made harmless, and told so, and none of them reads outside its folder.

use std::fs;
use std::os::unix::fs::symlink;

use super::place::Place;

/// What stands in files outside the note's folder; nothing that is written or said may hold it.
const SECRET: &str = "7c1e5f-outside";

const LOOP: &str = "```yaml reference ref\nfrequency: 10 MHz\n```\n\n\
    ```yaml oscillator vco\ntuning: {0 V: 90 MHz, 5 V: 110 MHz}\n```\n\n\
    ```yaml synthesizer core\ndetector: {max_frequency: 10 MHz}\npump: {currents: [1 mA]}\nfeedback_divider: 1 .. 100\n```\n\n\
    ```yaml loop lo\nreference: ref\noscillator: vco\nsynthesizer: core\noutput: 100 MHz\nfilter: passive 2\n\
    parts: {C1: 1 nF, R2: 1 kohm, C2: 15 nF}\n```\n";

fn note(body: &str) -> Vec<u8> {
    format!("---\ntitle: T\n---\n\n{body}\n").into_bytes()
}

fn block(body: &str) -> Vec<u8> {
    note(&format!("```yaml reference ref\n{body}\n```"))
}

/// A name, the note, and words of its message, the place first.
fn refused() -> Vec<(&'static str, Vec<u8>, &'static [&'static str])> {
    let bomb = (1..12).fold("record:\n  a0: &a0 x\n".to_owned(), |text, n| {
        let one = format!("*a{}", n - 1);
        format!("{text}  a{n}: &a{n} [{}]\n", [one.as_str(); 9].join(","))
    });
    let deep = format!("record: {}1{}", "[".repeat(3000), "]".repeat(3000));
    let quotes = format!("{} deep", "> ".repeat(3000));
    let lists = (0..400).fold(String::new(), |text, n| format!("{text}{}- x\n", "  ".repeat(n)));
    let huge = "9".repeat(400);
    let emphasis = "*a_".repeat(60_000);
    let mut long = note("");
    long.resize(5 << 20, b'x');
    vec![
        ("part outside", block("from: ../outside.yaml"), &["note.md:6:7", "leaves the folder"][..]),
        ("absolute part", block("from: /etc/passwd"), &["note.md:6:7", "leaves the folder"]),
        ("part through a link", block("from: link.yaml"), &["note.md:6:7", "leaves the folder"]),
        (
            "part through a linked folder",
            block("from: up/outside.yaml"),
            &["note.md:6:7", "leaves the folder"],
        ),
        (
            "data outside",
            block("frequency: 1 MHz\nphase_noise: {file: ../outside.csv}"),
            &["note.md:7:21", "leaves the folder"],
        ),
        (
            "data by another scheme",
            block("frequency: 1 MHz\nphase_noise: {file: \"file:///etc/passwd\"}"),
            &["note.md:7:21"],
        ),
        (
            "data that is a device",
            block("frequency: 1 MHz\nphase_noise: {file: /dev/zero}"),
            &["note.md:7:21"],
        ),
        ("data that is a pipe", block("frequency: 1 MHz\nphase_noise: {file: pipe.csv}"), &["note.md:7:21"]),
        ("data that is a folder", block("frequency: 1 MHz\nphase_noise: {file: sub}"), &["note.md:7:21"]),
        ("image through a link", note("![x](link.svg)"), &["note.md:5:6", "outside the folder"]),
        (
            "sealed file outside",
            note("```yaml changes\nsince: ../outside.zip\n```"),
            &["note.md:6:8", "leaves the folder"],
        ),
        (
            "part that names a part outside",
            block("from: chain.yaml"),
            &["chain.yaml:1:", "leaves the folder"],
        ),
        ("parts in a circle", block("from: a.yaml"), &["b.yaml:1:7", "in a circle"]),
        ("template include", note("{% include '../outside.txt' %}"), &["note.md:5:4", "include other files"]),
        ("template import", note("{% import '/etc/passwd' as x %}"), &["note.md:5:4", "include other files"]),
        ("template extends", note("{% extends 'x' %}"), &["note.md:5:4", "include other files"]),
        (
            "endless template",
            note("{% for a in range(99999) %}{% for b in range(99999) %}x{% endfor %}{% endfor %}"),
            &["note.md:5:1"],
        ),
        (
            "list that holds itself twice, forty times over",
            note(&format!(
                "{{% set x = [1] %}}{}{{{{ (x ~ '')|length }}}}",
                "{% set x = [x, x] %}".repeat(40)
            )),
            &["note.md:5:", "more than 10000 entries"],
        ),
        (
            "the same in a namespace",
            note(
                "{% set ns = namespace(x=1) %}{% for i in range(40) %}{% set ns.x = [ns.x, ns.x] %}{% endfor %}{{ ns.x|join }}",
            ),
            &["note.md:5:", "more than 10000 entries"],
        ),
        (
            "the same through a macro",
            note(
                "{% macro m(x, n) %}{% if n %}{{ m([x, x], n - 1) }}{% else %}{{ x|join }}{% endif %}{% endmacro %}{{ m(1, 40) }}",
            ),
            &["note.md:5:", "more than 10000 entries"],
        ),
        (
            "the same in loops",
            note(&format!(
                "{{% set x = 1 %}}{}{{{{ x|join }}}}{}",
                "{% for x in [[x, x]] %}".repeat(28),
                "{% endfor %}".repeat(28)
            )),
            &["note.md:5:", "more than 10000 entries"],
        ),
        ("macro that calls itself", note("{% macro m() %}{{ m() }}{% endmacro %}{{ m() }}"), &["note.md:5:"]),
        (
            "template that grows",
            note(
                "{% set ns = namespace(t='xxxxxxxx') %}{% for i in range(64) %}{% set ns.t = ns.t ~ ns.t %}{% endfor %}",
            ),
            &["note.md:5:"],
        ),
        (
            "expression of many signs",
            note(&format!("{{{{ {}1 }}}}", "-".repeat(50_000))),
            &["note.md:5:", "longer than"],
        ),
        (
            "expression of many words",
            note(&format!("{{{{ {}1 }}}}", "not ".repeat(50_000))),
            &["note.md:5:", "longer than"],
        ),
        (
            "expression of many filters",
            note(&format!("{{{{ 1{} }}}}", "|abs".repeat(50_000))),
            &["note.md:5:", "longer than"],
        ),
        (
            "expression never closed",
            note(&format!("{{{{ {}", "(".repeat(50_000))),
            &["note.md:5:", "never closed"],
        ),
        (
            "blocks in blocks",
            note(&format!("{}x{}", "{% if 1 %}".repeat(20_000), "{% endif %}".repeat(20_000))),
            &["note.md:5:", "inside one another"],
        ),
        (
            "formula of many powers",
            note(&format!("```yaml values\na: {{formula: \"{}1\", unit: 1}}\n```", "2**".repeat(50_000))),
            &["note.md:6:", "longer than"],
        ),
        ("alias bomb", block(&bomb), &["note.md:", "repeat too much"]),
        ("deep yaml", block(&deep), &["note.md:6:109", "more than 100 deep"]),
        (
            "deep yaml of dashes",
            block(&format!("record:\n  {}x", "- ".repeat(3000))),
            &["note.md:", "more than 128 levels"],
        ),
        ("tags without number", note(&"<b>x</b>".repeat(50_000)), &["note.md:5:1", "more than 2000 pieces"]),
        ("deep quotes", note(&quotes), &["note.md:5:"]),
        ("deep lists", note(&lists), &["note.md:", "deep"]),
        ("gigantic number", block(&format!("frequency: {huge} MHz")), &["note.md:6:12"]),
        (
            "gigantic whole number",
            note(&format!("{LOOP}\n```yaml tolerance t\nof: lo\nruns: {huge}\n```")),
            &["runs"],
        ),
        ("gigantic exponent", block("frequency: 1e999999999 Hz"), &["note.md:6:12"]),
        ("infinite number", block("frequency: .inf"), &["note.md:6:12"]),
        ("no number", block("frequency: .nan"), &["note.md:6:12"]),
        (
            "billions of runs",
            note(&format!("{LOOP}\n```yaml tolerance t\nof: lo\nparts: {{R: 1 %}}\nruns: 999999999999\n```")),
            &["runs"],
        ),
        ("too long", long, &["note.md:1:1", "at most 4"]),
        ("invalid UTF-8", [note("a "), vec![0xff, 0xfe]].concat(), &["note.md:6:1", "not UTF-8"]),
        ("zero byte", note("a\0b"), &["note.md:5:2", "zero byte"]),
        ("UTF-16", "---\ntitle: T\n---\n".encode_utf16().flat_map(u16::to_le_bytes).collect(), &["note.md:"]),
        ("yaml merge", block("<<: {frequency: 1 MHz}"), &["note.md:6:"]),
        ("emphasis without end", note(&format!("{emphasis} {{{{ nothing }}}}")), &["note.md:5:", "nothing"]),
    ]
}

fn place() -> Place {
    let place = Place::new();
    let outside = place.path("..");
    for name in ["outside.yaml", "outside.csv", "outside.svg", "outside.zip", "outside.txt"] {
        fs::write(outside.join(name), format!("{SECRET}: 1\n")).expect("a file");
    }
    symlink("../outside.yaml", place.path("link.yaml")).expect("a link");
    symlink("../outside.svg", place.path("link.svg")).expect("a link");
    symlink("..", place.path("up")).expect("a link");
    place
        .file("chain.yaml", "from: ../outside.yaml\n")
        .file("a.yaml", "from: b.yaml\n")
        .file("b.yaml", "from: a.yaml\n")
        .file("sub/x.csv", "1,2\n");
    let pipe = std::process::Command::new("mkfifo").arg(place.path("pipe.csv")).status();
    assert!(pipe.expect("mkfifo").success());
    place
}

#[test]
fn hostile_notes_are_refused_each_with_its_message() {
    let place = place();
    let mut wrong = Vec::new();
    for (name, text, words) in refused() {
        place.file("note.md", text);
        let run = place.run(&["judge", "note.md"]);
        let said = words.iter().all(|word| run.stderr.contains(word));
        if run.status != Some(2) || !said || run.all().contains(SECRET) || run.stderr.contains("panicked") {
            let start: String = run.all().chars().take(700).collect();
            wrong.push(format!("{name}, wanted {words:?}:\n{start}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n----\n"));
    assert!(!place.path("out").exists());
}

/// A formula of the text is read when the document is made: commands that wait for commands, groups in groups.
#[test]
fn endless_formulas_are_refused() {
    let place = place();
    place.program("cat", "exec /bin/cat \"$@\"").typst("0.15.1", "cat /dev/null > \"$last\"");
    for (open, close) in
        [("\\hat ", ""), ("\\frac1", "1"), ("\\sqrt{", "}"), ("\\left(", "\\right)"), ("x^{", "}")]
    {
        for (count, word) in [(200, "nested deeper"), (50_000, "longer than 3000 bytes")] {
            place.file(
                "note.md",
                note(&format!("So ${}x{}$ it is.", open.repeat(count), close.repeat(count))),
            );
            let run = place.run(&["typeset", "note.md", "--also", "html"]);
            run.fails(2, &["note.md:5:", word]);
        }
    }
    assert!(!place.path("out").exists());
}

/// What does no harm is written, told where something is left out, and brings nothing from outside.
#[test]
fn harmless_but_strange_notes_are_told() {
    let place = place();
    let brackets = format!("{}x{}", "[".repeat(40_000), "](a)".repeat(40_000));
    for (name, text, words) in [
        ("image outside", note("![x](../outside.svg)"), &["note.md:5:6", "outside the folder"][..]),
        ("absolute image", note("![x](/etc/logo.svg)"), &["note.md:5:6", "outside the folder"]),
        ("image from the net", note("![x](https://a.example/x.svg)"), &["note.md:5:6", "not shown"]),
        ("link that runs", note("[x](javascript:alert(1))"), &["note.md:5:5", "plain text"]),
        ("link to a file", note("[x](file:///etc/passwd)"), &["note.md:5:5", "plain text"]),
        ("deep brackets", note(&brackets), &[]),
        ("a tag of another language", block("frequency: !!python/object 1 MHz"), &[]),
    ] {
        place.file("note.md", text);
        let run = place.run(&["judge", "note.md"]);
        assert_eq!(run.status, Some(0), "{name}: {}", run.all());
        for word in words {
            assert!(run.stderr.contains(word), "{name}: {}", run.all());
        }
        assert!(!run.all().contains(SECRET), "{name}");
    }
}

/// Line ends of another system, a mark of byte order, odd characters: solved, and the same numbers.
#[test]
fn odd_but_honest_texts_are_read() {
    let place = Place::new();
    let text = String::from_utf8(note(LOOP)).expect("text");
    place.file("plain.md", &text);
    let plain = place.run(&["judge", "--json", "plain.md"]).stdout;
    for (name, bytes) in [
        ("crlf", text.replace('\n', "\r\n")),
        ("mark", format!("\u{feff}{text}")),
        ("both", format!("\u{feff}{}", text.replace('\n', "\r\n"))),
        ("no_last_line_end", text.trim_end().to_owned()),
        ("non_breaking", text.replace("10 MHz", "10\u{a0}MHz").replace("1 mA", "1\u{202f}mA")),
    ] {
        place.file("plain.md", bytes);
        let run = place.run(&["judge", "--json", "plain.md"]);
        assert_eq!((run.status, run.stdout == plain), (Some(0), true), "{name}: {}", run.all());
    }
}

/// Characters that turn the direction of what follows could show other words than the file holds.
#[test]
fn controls_of_direction_are_told() {
    let place = Place::new();
    for (name, hidden) in [("embedding", '\u{202e}'), ("isolate", '\u{2066}'), ("mark", '\u{200f}')] {
        place.file("note.md", note(&format!("limit {hidden}sf 051 is met")));
        let run = place.run(&["judge", "note.md"]);
        assert_eq!(run.status, Some(0), "{name}: {}", run.all());
        let code = format!("U+{:04X}", u32::from(hidden));
        assert!(run.stderr.contains("note.md:5:7") && run.stderr.contains(&code), "{name}: {}", run.all());
    }
}
