use super::pieces::DISPLAY;
use crate::diag::{Diagnostic, Misplaced};
use crate::note::ast::{Block, Inline};
use crate::note::place::{Place, Text};
use crate::note::schema::{Schema, Type};
use crate::note::{Filled, Fragment, Input, KindInfo, Prose, read};
use crate::source::{Memory, SourceMap};

const ANY: Schema<'static> = Schema { fields: &[], entries: Some(&Type::Text) };
const KINDS: &[KindInfo] =
    &[KindInfo { name: "loop", nameless: false, facts: false, values: false, schema: ANY }];

/// A template pass that knows one value, `{{ x }}`, and repeats what stands in `{% for %}` twice.
fn fill(template: &str, mark: char) -> Result<Filled, Misplaced> {
    if let Some(at) = template.find("{{ y }}") {
        let line = template[..at].matches('\n').count() + 1;
        return Err(Misplaced {
            line,
            word: "y".into(),
            diagnostic: Diagnostic::error("unknown-name", "no y"),
        });
    }
    let mut text = template.to_owned();
    if let (Some(start), Some(end)) = (text.find("{% for %}\n"), text.find("{% endfor %}\n")) {
        let body = text[start + 10..end].repeat(2);
        text.replace_range(start..end + 13, &body);
    }
    Ok(Filled { text: text.replace("{{ x }}", &format!("{mark}0{mark}")), values: vec!["5|* kHz".into()] })
}

fn body(text: &str) -> (Vec<Block>, Vec<String>) {
    let sources = SourceMap::new();
    let bytes = format!("---\ntitle: T\n---\n{text}");
    let files = Memory::default();
    let mut out = Vec::new();
    let input = Input { bytes: bytes.as_bytes(), shown: "n.md", folder: "", files: &files, with: &[] };
    let note = read(&input, KINDS, &sources, &mut out).expect("reads");
    let blocks = Prose { sources: &sources, fill: &fill }.note(&note, &mut out);
    let said = out.iter().map(|d| {
        let span = d.span.expect("a place");
        let at = sources.position(span.file, span.start);
        format!("{}:{} {}", at.line, at.column, d.message)
    });
    (blocks, said.collect())
}

fn good(text: &str) -> Vec<Block> {
    let (blocks, said) = body(text);
    assert_eq!(said, Vec::<String>::new(), "{text}");
    blocks
}

fn text(text: &str) -> Inline {
    Inline::Text(text.to_owned())
}

#[test]
fn every_construct_comes_out_with_its_line() {
    let blocks = good(
        "# One {#one .internal}\n\nA *b* **c** ~~d~~ `{{ x }}` <i>\\\n[l](#lo.figure) ![a](p.png \"t\")[^1]\n\n\
         [^1]: note\n\n> [!WARNING]\n> hot\n\n***\n\n$$a^2$$\n\nterm\n: meaning\n",
    );
    assert_eq!(
        blocks[0],
        Block::Heading {
            level: 1,
            id: "one".into(),
            classes: vec!["internal".into()],
            text: vec![text("One")],
            line: 4
        }
    );
    let Block::Paragraph(inner, 6) = &blocks[1] else { panic!("{:?}", blocks[1]) };
    assert_eq!(inner[1], Inline::Emphasis(vec![text("b")]));
    assert!(inner.contains(&Inline::Code("{{ x }}".into())) && inner.contains(&Inline::Html("<i>".into())));
    assert!(inner.contains(&Inline::Link { to: "#lo.figure".into(), text: vec![text("l")], line: 7 }));
    let image = Inline::Image { path: "p.png".into(), alt: "a".into(), title: "t".into(), line: 7 };
    assert!(inner.contains(&image) && inner.contains(&Inline::FootnoteRef("1".into())));
    let note = Block::Footnote("1".into(), vec![Block::Paragraph(vec![text("note")], 9)]);
    let hot = Block::Quote(Some("warning"), vec![Block::Paragraph(vec![text("hot")], 12)]);
    assert_eq!(blocks[2..5], [note, hot, Block::Rule]);
    assert_eq!(blocks[5], Block::Math("a^2".into(), 16));
    let meaning = vec![vec![Block::Paragraph(vec![text("meaning")], 19)]];
    assert_eq!(blocks[6], Block::Definitions(vec![(vec![text("term")], meaning)]));
}

#[test]
fn lists_know_their_tasks() {
    let blocks = good("3. a\n4. b\n\n- [x] c\n  - d\n- [ ] e\n");
    let item = |done, words: &str, line| (done, vec![Block::Paragraph(vec![text(words)], line)]);
    let numbered =
        Block::List { start: Some(3), tight: true, items: vec![item(None, "a", 4), item(None, "b", 5)] };
    assert_eq!(blocks[0], numbered);
    let Block::List { items, .. } = &blocks[1] else { panic!("a list") };
    assert_eq!((items[0].0, items[1].0), (Some(true), Some(false)));
    assert!(matches!(&items[0].1[1], Block::List { items, .. } if items[0].0.is_none()));
    let Block::List { tight: false, items, .. } = &good("- [x] a\n\n- b\n")[0] else {
        panic!("a loose list")
    };
    assert_eq!((items[0].0, items[1].0), (Some(true), None));
}

#[test]
fn live_values_never_become_markdown() {
    let live = || Inline::Live("5|* kHz".into());
    let blocks = good(
        "a {{ x }} b *{{ x }}* [{{ x }}](#{{ x }})\n\n| h |\n|---|\n| {{ x }} |\n\n$f = {{ x }}$ $\\frac{{a}}{b}$\n",
    );
    let link = Inline::Link { to: "#5|* kHz".into(), text: vec![live()], line: 4 };
    let words = vec![text("a "), live(), text(" b "), Inline::Emphasis(vec![live()]), text(" "), link];
    assert_eq!(blocks[0], Block::Paragraph(words, 4));
    assert!(matches!(&blocks[1], Block::Table { rows, .. } if rows == &[vec![vec![live()]]]));
    let math = |tex: &str| Inline::Math(tex.into(), 10);
    let paragraph = vec![math("f = \\text{5|* kHz}"), text(" "), math("\\frac{{a}}{b}")];
    assert_eq!(blocks[2], Block::Paragraph(paragraph, 10));
}

#[test]
fn rows_of_a_loop_stay_in_their_table_and_keep_their_line() {
    let blocks = good("| a |\n|---|\n{% for %}\n| b |\n{% endfor %}\n\nend\n");
    assert!(matches!(&blocks[0], Block::Table { rows, .. } if rows.len() == 2));
    assert_eq!(blocks[1], Block::Paragraph(vec![text("end")], 10));
}

#[test]
fn solved_blocks_stand_where_their_fence_does() {
    let blocks = good("a\n\n```yaml loop lo\nx: '{{ y }}'\n```\n\n```yaml\nx: {{ y }}\n```\n");
    assert_eq!(blocks[1], Block::Solved("lo".into(), 6));
    assert_eq!(blocks[2], Block::Code { language: "yaml".into(), text: "x: {{ y }}\n".into() });
    let (_, said) = body("{% for %}\n```yaml loop lo\nx: 1\n```\n{% endfor %}\n");
    assert_eq!(said, ["5:1 the block `lo` is shown twice"]);
}

/// Where no block can stand, display math is a formula like any other; its mark is in no text.
#[test]
fn display_math_stands_in_headings_cells_and_emphasis() {
    let blocks = good("# A $$x$$\n\n| $$y$$ |\n|---|\n| *b $$z$$* |\n\nc *d $$w$$*\n");
    let written = format!("{blocks:?}");
    assert!(!written.contains("e003") && !written.contains(DISPLAY), "{written}");
    for tex in ["x", "y", "z", "w"] {
        assert!(written.contains(&format!("Math({tex:?}, ")), "{tex}: {written}");
    }
    assert!(written.contains("id: \"a-x\""), "{written}");
}

#[test]
fn headings_of_one_text_are_numbered() {
    let blocks = good(&format!("# A-3\n\n{}", "# A\n\n".repeat(12_000)));
    let ids: Vec<&str> = blocks
        .iter()
        .map(|block| match block {
            Block::Heading { id, .. } => id.as_str(),
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(ids[..4], ["a-3", "a", "a-2", "a-4"]);
    assert_eq!(ids.last(), Some(&"a-12001"));
}

#[test]
fn faults_point_into_the_note() {
    for (text, said) in [
        ("a\n\nb {{ y }}\n", "6:6 no y"),
        ("| a |\n|---|\n| b | c |\n", "6:1 this row has 2 cells, the head of the table 1"),
        ("x\n\nsee [^gone]\n", "6:5 the footnote `gone` is not defined"),
        ("# A {#a}\n\n# B {#a}\n", "6:7 two headings have the identifier `a`"),
        ("a {{ x\n", "4:3 `{{` is never closed"),
    ] {
        assert_eq!(body(text).1, [said], "{text}");
    }
    let most = "<b>x</b> ".repeat(1000);
    assert_eq!(body(&format!("{most}\n\n- {most}\n\n# {most}\n")).1, [""; 0]);
    assert_eq!(body(&format!("x\n\n- y\n{most}`z` `z`\n")).1.len(), 1);
    assert!(
        body(&format!("x\n\n{most}`z`\n")).1[0].starts_with("6:1 a paragraph with more than 2000 pieces")
    );
    let emphasis = format!("{}x{}\n", "*a **b ".repeat(100), "** c*".repeat(100));
    for (deep, said) in [
        (format!("{} x\n", ">".repeat(200)), "lists and quotations are nested too deeply"),
        (emphasis, "emphasis and links are nested too deeply"),
    ] {
        assert!(body(&deep).1[0].ends_with(said), "{:?}", body(&deep).1);
    }
}

#[test]
fn a_fragment_points_into_its_field() {
    let sources = SourceMap::new();
    let yaml = "text: |\n  one\n\n  two {{ y }}\n";
    let file = sources.add("n.md", yaml);
    let mut out = Vec::new();
    let tree = crate::note::yaml::parse(Text::whole(file, yaml, ""), &mut out).expect("reads");
    let place: &Place = &tree.get("text").expect("is there").place;
    let prose = Prose { sources: &sources, fill: &fill };
    let blocks = prose.fragment(&Fragment { text: "one\n\ntwo {{ y }}\n", place }, &mut out);
    let at = sources.position(file, out[0].span.expect("a place").start);
    assert_eq!((blocks.len(), at.line, at.column), (0, 4, 10));
    out.clear();
    let blocks = prose.fragment(&Fragment { text: "one\n\ntwo {{ x }}\n", place }, &mut out);
    assert!(matches!(blocks[1], Block::Paragraph(_, 4)));
}
