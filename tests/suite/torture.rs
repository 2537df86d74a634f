//! Every construct of Markdown, and strings that would be code to Typst, in every place where text may stand.

use loopcase::document::{Block, Edition, Inline};
use loopcase::emit::OutFile;

use super::press::{files, typeset};
use super::sample::{heading, paragraph, text, with_prose};

/// Each of these acts in Typst markup, math, code or a string, or upsets a careless writer.
pub(crate) const NASTY: [&str; 51] = [
    "\\",
    "#",
    "$",
    "*",
    "_",
    "`",
    "~",
    "@",
    "<",
    "[",
    "]",
    "\"",
    "'",
    "= heading",
    "- item",
    "+ item",
    "/ term: x",
    "1. one",
    "// comment",
    "/* comment",
    "*/",
    "--",
    "---",
    "...",
    "-?",
    "https://a.example/x",
    "#panic()",
    "#{",
    "#}",
    "$ x $",
    "<label>",
    "@ref",
    "#import \"x\"",
    "\"); #panic(\"",
    "\\u{41}",
    "\\n",
    "a\nb",
    "a\tb",
    "  two  blanks  ",
    "",
    " ",
    "\u{0}",
    "\u{7}",
    "\u{e000}",
    "\u{202e}right to left",
    "\u{feff}",
    "\u{ad}",
    "é\u{301}",
    "{{ lo.bandwidth }}",
    "{% for %}",
    "// note:7",
];

pub(crate) fn everything(words: &str) -> Vec<Block> {
    let run = || vec![text(words)];
    let p = || Block::Paragraph(run(), 4);
    let inlines = vec![
        text(words),
        Inline::Emphasis(run()),
        Inline::Strong(run()),
        Inline::Struck(run()),
        Inline::Code(words.to_owned()),
        Inline::Live(words.to_owned()),
        Inline::Html(words.to_owned()),
        Inline::SoftBreak,
        Inline::HardBreak,
        Inline::Link { to: format!("https://a.example/{words}"), text: run(), line: 4 },
        Inline::Link { to: "#first".to_owned(), text: run(), line: 4 },
        Inline::FootnoteRef("a".to_owned()),
        Inline::FootnoteRef("a".to_owned()),
        Inline::Math(r"\text{words} + x_1".to_owned(), 4),
        text("("),
        text(".len()"),
    ];
    vec![
        Block::Heading { level: 2, id: "first".to_owned(), classes: Vec::new(), text: run(), line: 4 },
        Block::Paragraph(inlines.clone(), 4),
        Block::List {
            start: None,
            tight: true,
            items: vec![
                (None, vec![p()]),
                (
                    None,
                    vec![Block::List { start: Some(3), tight: false, items: vec![(None, vec![p(), p()])] }],
                ),
            ],
        },
        Block::List {
            start: None,
            tight: true,
            items: vec![(Some(true), vec![p()]), (Some(false), vec![p()])],
        },
        Block::List { start: None, tight: true, items: vec![(Some(true), vec![p()]), (None, Vec::new())] },
        Block::Quote(None, vec![p(), Block::Quote(None, vec![p()])]),
        Block::Quote(
            Some("warning"),
            vec![p(), Block::Code { language: words.to_owned(), text: words.to_owned() }],
        ),
        Block::Code { language: String::new(), text: words.to_owned() },
        Block::Table {
            align: vec![None, Some(-1), Some(0), Some(1)],
            head: vec![run(), run(), run(), run()],
            rows: vec![vec![inlines, run(), run(), run()], vec![run()]],
        },
        Block::Rule,
        Block::Definitions(vec![(run(), vec![vec![p()], vec![p(), p()]])]),
        Block::Html(words.to_owned()),
        Block::Footnote(
            "a".to_owned(),
            vec![Block::Paragraph(vec![text(words), Inline::FootnoteRef("a".to_owned())], 4)],
        ),
        Block::Math(r"\frac{a}{b}".to_owned(), 4),
        Block::Heading { level: 6, id: words.to_owned(), classes: Vec::new(), text: run(), line: 4 },
        p(),
    ]
}

fn typst_of(prose: Vec<Block>) -> Vec<OutFile> {
    files(&with_prose(Edition::Review, prose).expect("no fault").value)
}

#[test]
fn nasty_strings_are_text_in_every_place() {
    // All in one document: the same check in a tenth of the time. On a failure the mark leads to the string.
    let prose = NASTY.iter().flat_map(|words| everything(words)).collect();
    let files = typst_of(prose);
    if let Err(said) = typeset(&files, "ua-1") {
        let culprits: Vec<&&str> =
            NASTY.iter().filter(|words| typeset(&typst_of(everything(words)), "ua-1").is_err()).collect();
        panic!("{said}\nfor {culprits:?}");
    }
}

#[test]
fn formulas_of_the_field_are_set() {
    for tex in FORMULAS {
        let prose = vec![
            Block::Math(tex.to_owned(), 4),
            Block::Paragraph(vec![text("inline "), Inline::Math(tex.to_owned(), 4)], 4),
        ];
        if let Err(said) = typeset(&typst_of(prose), "ua-1") {
            panic!("{tex}: {said}");
        }
    }
}

#[test]
fn signs_without_a_glyph_do_not_stop_the_typesetter() {
    // PDF/UA refuses them; the plain PDF shows boxes.
    typeset(&typst_of(everything("漢字")), "").unwrap_or_else(|said| panic!("{said}"));
}

/// What engineers of the field write.
pub(crate) const FORMULAS: [&str; 36] = [
    r"G(s) = \frac{I_p}{2\pi} Z(s) \frac{2\pi K_v}{s}\frac{1}{N}",
    r"\phi_m = \arctan(\omega T_2) - \arctan(\omega T_1) - \arctan(\omega T_3)",
    r"\sigma_t = \frac{1}{2\pi f_c}\sqrt{2\int_{f_1}^{f_2} 10^{\mathcal{L}(f)/10}\,\mathrm{d}f}",
    r"\sum_{k=-\infty}^{\infty} G(s + \mathrm{j}k\omega_{pd})",
    r"\lim_{s \to 0} s\,E(s)",
    r"\left| \frac{G(\mathrm{j}\omega)}{1+G(\mathrm{j}\omega)} \right|^2",
    r"\begin{cases} 1 & x > 0 \\ 0 & \text{else, with \# and \$} \end{cases}",
    r"\begin{pmatrix} a & b \\ c & d \end{pmatrix} \begin{bmatrix} x \\ y \end{bmatrix}",
    r"\begin{aligned} a &= b + c \\ &= d \end{aligned}",
    r"\begin{align} a &= b \\ c &= d \end{align}",
    r"\begin{array}{ll} a & b \\ c & d \end{array}",
    r"\dot{x} = A x + B u, \quad \ddot{y}, \hat{\theta}, \bar{x}, \tilde{n}, \vec{v}, \overline{AB}",
    r"\underbrace{a + b}_{\text{sum}} \overbrace{c}^{d}",
    r"25^\circ\mathrm{C}, 90^{\circ}",
    r"4.7\,\mu\mathrm{F} \pm 5\,\%",
    r"\Delta f \approx 10^{-7}, x \leq y \geq z \neq w \equiv v \sim u \propto t \ll s \gg r",
    r"\sqrt[3]{x} + \sqrt{1 + \zeta^2}",
    r"\binom{n}{k} \tfrac12 \dfrac{1}{2}",
    r"\oint_C \iint \prod_{i=1}^{n} \bigcup",
    r"\mathbf{A}\mathbb{R}\mathfrak{g}\mathtt{x}\mathsf{y}\boldsymbol{\beta}\mathit{z}",
    r"f' = f'' \prime",
    r"a \not= b, c \notin D, \not\in",
    r"\operatorname{sinc}(x) \log_{10} x \max_{x} f \sin^2 x",
    r"\lfloor x \rfloor \lceil y \rceil \langle z \rangle \| w \|",
    r"\big( \Big( \bigg( \Bigg( x \Bigg) \bigg) \Big) \big)",
    r"x~y\ z\;w\!v\quad u",
    r"\stackrel{!}{=} \overset{a}{b} \underset{c}{d}",
    r"A \rightarrow B \Rightarrow C \leftrightarrow D \mapsto E \xrightarrow{f} F",
    r"\ldots \cdots \vdots \ddots",
    r"S_\phi(f) = \sum_i |H_i|^2 S_i, \qquad \mathcal{L} = \tfrac{1}{2}S_\phi",
    r"a,b;c:d!e?f/g*h-i+j=k<l>m@n",
    r#"\text{"quoted" text}"#,
    r"{}",
    r"\frac{}{x}",
    r"e^{-\zeta\omega_n t}\cos\left(\omega_d t + \varphi\right)",
    r"\displaystyle \sum_{i} x_i \textstyle \sum_{i} y_i",
];

#[test]
fn formulas_cannot_run_code() {
    for tex in
        [r"\text{#panic()}", r"\text{);$ #panic() $(}", r"\mathrm{panic}()", r"\operatorname{#panic}", "x$ y"]
    {
        let prose = vec![Block::Math(tex.to_owned(), 4)];
        let document = with_prose(Edition::Review, prose).expect("no fault").value;
        let look = loopcase::document::Look::named("review").expect("a look");
        // Refused, or set as text: never run.
        if let Ok(files) = loopcase::emit::emitter("typst").expect("a format").emit(&document, &look) {
            typeset(&files, "").unwrap_or_else(|said| panic!("{tex}: {said}"));
        }
    }
}

#[test]
fn deep_nesting_is_an_error_and_not_a_failure_of_the_typesetter() {
    let nest = |depth: usize| {
        (0..depth).fold(paragraph("x"), |inner, i| match i % 2 {
            0 => Block::Quote(Some("note"), vec![inner]),
            _ => Block::List { start: None, tight: true, items: vec![(None, vec![inner])] },
        })
    };
    typeset(&typst_of(vec![heading(1, "h", "h", false), nest(24)]), "")
        .unwrap_or_else(|said| panic!("{said}"));
    let document = with_prose(Edition::Review, vec![nest(25)]).expect("no fault").value;
    let look = loopcase::document::Look::named("review").expect("a look");
    let faults =
        loopcase::emit::emitter("typst").expect("a format").emit(&document, &look).expect_err("too deep");
    assert_eq!(faults[0].id, "nesting-too-deep");
}
