use super::*;
use crate::note::schema::{Field, Need, Type};
use crate::source::Memory;
use crate::units::Unit;

const PUMP: &[Field] = &[
    Field { name: "mismatch", kind: Type::Quantity(Unit::One), need: Need::Optional, says: "x" },
    Field { name: "leakage", kind: Type::Quantity(Unit::Ampere), need: Need::Optional, says: "x" },
];
const FIELDS: &[Field] = &[
    Field { name: "frequency", kind: Type::Quantity(Unit::Hertz), need: Need::Optional, says: "x" },
    Field { name: "noise", kind: Type::Table(Unit::Hertz, Unit::Decibel), need: Need::Optional, says: "x" },
    Field { name: "pump", kind: Type::Group(PUMP), need: Need::Optional, says: "x" },
    Field { name: "from", kind: Type::File, need: Need::Optional, says: "x" },
];
const ANY: Schema<'static> = Schema { fields: &[FIELDS], entries: Some(&Type::AnyQuantity) };
const KINDS: &[KindInfo] = &[
    KindInfo { name: "reference", nameless: false, facts: true, values: false, schema: ANY },
    KindInfo { name: "loop", nameless: false, facts: false, values: false, schema: ANY },
    KindInfo { name: "values", nameless: true, facts: false, values: true, schema: ANY },
    KindInfo { name: "requirements", nameless: true, facts: false, values: false, schema: ANY },
];

struct Got {
    note: Option<Note>,
    said: Vec<String>,
}

fn run(bytes: &[u8], files: &Memory, with: &[(&str, &str)]) -> Got {
    let sources = SourceMap::new();
    let mut out = Vec::new();
    let with: Vec<(String, String)> = with.iter().map(|(p, v)| ((*p).to_owned(), (*v).to_owned())).collect();
    let input = Input { bytes, shown: "designs/n.md", folder: "", files, with: &with };
    let note = read(&input, KINDS, &sources, &mut out);
    let said = out.iter().map(|d| {
        let span = d.span.expect("a place");
        let at = sources.position(span.file, span.start);
        format!("{}:{}:{} {} {}", sources.name(span.file), at.line, at.column, d.message, d.hints.join(" "))
            .trim_end()
            .to_owned()
    });
    Got { said: said.collect(), note }
}

fn note(body: &str) -> Got {
    run(format!("---\ntitle: T\n---\n{body}").as_bytes(), &Memory::default(), &[])
}

fn text<'a>(block: &'a RawBlock, name: &str) -> &'a str {
    match block.tree.get(name).map(|tree| &tree.value) {
        Some(Value::Text(text)) => text,
        other => panic!("{name}: {other:?}"),
    }
}

#[test]
fn a_note_comes_apart() {
    let body = "# A\n\n```yaml reference xo\nfrequency: 80 MHz\n```\n\n```yaml\nshown: 1\n```\n\n> ```yaml values\n> f_if: 70 MHz\n> ```\n\n\
                # B {.internal}\n\n- ~~~yaml loop lo\n  reference: xo\n  ~~~\n";
    let got = note(body);
    assert_eq!(got.said, Vec::<String>::new());
    let note = got.note.expect("reads");
    assert_eq!(note.front.title, "T");
    let blocks: Vec<_> = note.blocks.iter().map(|b| (b.kind, b.name.as_str(), b.line, b.internal)).collect();
    assert_eq!(
        blocks,
        [("reference", "xo", 6, false), ("values", "values", 14, false), ("loop", "lo", 20, true)]
    );
    assert_eq!(text(&note.blocks[1], "f_if"), "70 MHz");
}

#[test]
fn crlf_and_a_byte_order_mark_change_nothing() {
    let body = "\u{feff}---\r\ntitle: T\r\nrevision: 1.10\r\n---\r\n\r\n```yaml loop lo\r\na: 1\r\nb: .inf\r\n```\r\n";
    let got = run(body.as_bytes(), &Memory::default(), &[]);
    assert_eq!(got.said, ["designs/n.md:8:4 a number must be finite"]);
    assert_eq!(got.note.expect("reads").front.revision.as_deref(), Some("1.10"));
}

#[test]
fn front_matter_is_checked() {
    for (head, said) in [
        ("---\ntitel: T\n---\n", "2:1 there is no field `titel` here did you mean `title`?"),
        ("---\ntitle: T\napprovals: [{name: N}]\n---\n", "3:13 `role` is missing write `role: a few words`"),
        ("---\ntitle: T\n", "1:1 the front matter is never closed end it with a line `---`"),
    ] {
        let got = run(head.as_bytes(), &Memory::default(), &[]);
        assert_eq!(got.said[0], format!("designs/n.md:{said}"));
    }
    let got = run(b"# Hello\n", &Memory::default(), &[]);
    assert!(got.said[0].starts_with("designs/n.md:1:1 the note has no front matter"), "{:?}", got.said);
    assert!(is_note(b"---\ntitle: x") && is_note(b"\xef\xbb\xbf---\r\n") && !is_note(b"# x"));
}

#[test]
fn blocks_with_bad_heads_are_reported() {
    let open = "---\ntitle: T\n---\n";
    for (body, said) in [
        ("```yaml lop lo\n```\n", "4:9 there is no kind of block `lop` did you mean `loop`?"),
        ("```yaml loop\n```\n", "4:1 this `loop` has no name write `yaml loop NAME`"),
        ("```yaml loop Lo\n```\n", "4:14 `Lo` can't be the name of a block"),
        ("```yaml loop lo x\n```\n", "4:17 `x` is one word too many"),
        ("```yaml loop sqrt\n```\n", "4:1 `sqrt` is a word of the formula language"),
        ("```yaml loop a\n```\n```yaml loop a\n```\n", "6:1 the name `a` is taken"),
        ("```yaml values\n```\n```yaml values\n```\n", "6:1 the name `values` is taken"),
        ("```yaml values\na: 1 V\n```\n```yaml loop a\n```\n", "7:1 the name `a` is taken"),
        ("```yaml values\nln: 1 V\n```\n", "5:1 `ln` is a word of the formula language"),
        ("```yaml loop a\nx: 1\n", "4:1 this fence is never closed"),
        ("x\n\n---\na: b\n---\n", "6:1 this run of `---` lines would vanish"),
    ] {
        let got = run(format!("{open}{body}").as_bytes(), &Memory::default(), &[]);
        assert!(got.said.len() == 1, "{body}: {:?}", got.said);
        assert!(got.said[0].starts_with(&format!("designs/n.md:{said}")), "{body}: {:?}", got.said);
    }
}

#[test]
fn files_that_are_not_text_are_refused() {
    for (bytes, said) in [
        (&b"---\ntitle: \xff\n---\n"[..], "2:8 the note is not UTF-8 text"),
        (b"---\ntitle: \0\n---\n", "2:8 the note holds a zero byte: it is not a text file"),
        ("a\u{e001}".as_bytes(), "1:2 this private-use character (U+E000 to U+E005) can't stand in a note"),
        (&vec![b'a'; 5 << 20], "1:1 the note has 5 MiB, at most 4 are read"),
    ] {
        let got = run(bytes, &Memory::default(), &[]);
        assert!(got.note.is_none());
        assert_eq!(got.said, [format!("designs/n.md:{said}")]);
    }
}

#[test]
fn part_files_lie_under_the_block_and_options_over_it() {
    let files = Memory::new([
        ("parts/a.yaml", "kind: reference\nfrom: sub/b.yaml\nfrequency: 10 MHz\npump: {mismatch: 2 %}\n"),
        (
            "parts/sub/b.yaml",
            "frequency: 1 MHz\nlevel: 7 dBm\nnoise: {1 Hz: 1 dB}\npump: {mismatch: 1 %, leakage: 1 nA}\n",
        ),
    ]);
    let body = "---\ntitle: T\n---\n```yaml reference xo\nfrom: parts/a.yaml\nnoise: {2 Hz: 2 dB}\n```\n\
                ```yaml values\nf_if: 70 MHz\n```\n";
    let got = run(body.as_bytes(), &files, &[("xo.pump.leakage", "5 nA"), ("f_if", "80 MHz")]);
    assert_eq!(got.said, Vec::<String>::new());
    let note = got.note.expect("reads");
    let xo = &note.blocks[0];
    assert_eq!((text(xo, "frequency"), text(xo, "level")), ("10 MHz", "7 dBm"));
    assert_eq!(text(xo, "from"), "parts/a.yaml");
    let pump = xo.tree.get("pump").expect("is there");
    let value = |name: &str| match &pump.get(name).expect("is there").value {
        Value::Text(text) => text.clone(),
        other => panic!("{other:?}"),
    };
    assert_eq!((value("mismatch"), value("leakage")), ("2 %".to_owned(), "5 nA".to_owned()));
    assert!(xo.tree.get("noise").is_some_and(|noise| noise.get("1 Hz").is_none()));
    assert_eq!(text(&note.blocks[1], "f_if"), "80 MHz");
}

#[test]
fn faults_of_parts_and_options_stand_in_their_own_texts() {
    let files = Memory::new([
        ("parts/kind.yaml", "kind: loop\n"),
        ("parts/bad.yaml", "a: 1\nb: {c: 1, c: 2}\n"),
        ("parts/x.yaml", "from: y.yaml\n"),
        ("parts/y.yaml", "from: x.yaml\n"),
        ("parts/list.yaml", "[1]\n"),
    ]);
    for (from, said) in [
        ("parts/kind.yaml", "designs/parts/kind.yaml:1:7 this part is not of kind `reference`"),
        ("parts/bad.yaml", "designs/parts/bad.yaml:2:11 `c` stands here twice"),
        (
            "parts/x.yaml",
            "designs/parts/y.yaml:1:7 part files lead in a circle: `parts/x.yaml` to `parts/y.yaml` to `parts/x.yaml`",
        ),
        (
            "parts/list.yaml",
            "designs/parts/list.yaml:1:1 `parts/list.yaml` does not hold the fields of a block",
        ),
        (
            "parts/knd.yaml",
            "designs/n.md:5:7 there is no file `parts/knd.yaml` did you mean `parts/kind.yaml`?",
        ),
    ] {
        let body = format!("---\ntitle: T\n---\n```yaml reference xo\nfrom: {from}\n```\n");
        assert_eq!(run(body.as_bytes(), &files, &[]).said, [said]);
    }
    let body = b"---\ntitle: T\n---\n```yaml loop lo\nx: 1\n```\n";
    for (path, value, said) in [
        ("lp.step", "5 MHz", "--with:1:1 there is no block `lp` did you mean `lo`?"),
        ("lo", "5 MHz", "--with:1:1 `lo` is a block; its field is missing"),
        ("lo.step", "[", "--with:1:10 a value is missing here"),
    ] {
        let got = run(body, &files, &[(path, value)]);
        assert!(got.said[0].starts_with(said), "{:?}", got.said);
    }
}

/// A plain number that stands for a text, or lacks its unit, is told and kept as it was written.
#[test]
fn what_an_option_gives_is_had_as_written() {
    let body = b"---\ntitle: T\n---\n```yaml loop lo\na: 1 V\n```\n";
    for (given, written) in [("80", "80"), (" 1.10 ", "1.10"), ("80 MHz", "80 MHz")] {
        let got = run(body, &Memory::default(), &[("lo.a", given)]);
        assert_eq!(got.said, Vec::<String>::new());
        let note = got.note.expect("reads");
        let tree = note.blocks[0].tree.get("a").expect("is there");
        assert_eq!(tree.place.written(), Some(written), "{given:?}");
    }
}
