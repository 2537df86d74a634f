//! TeX formulas as MathML: a `match` over the events of the TeX parser.
//!
//! The parser's own writer is not used: it passes `<` and the words of `\operatorname` on unescaped, and sets styles
//! that the page's policy forbids. What the printed document refuses is refused here too, in the same words.

use std::iter::Peekable;

use pulldown_latex::event::{
    ArrayColumn, ColumnAlignment, Content, DelimiterSize, DelimiterType, Dimension, DimensionUnit,
    EnvironmentFlow, Event, Font, Grouping, ScriptPosition, ScriptType, StateChange, Style, Visual,
};
use pulldown_latex::{Parser, Storage};

use super::alphabet::letter;
use super::escape::escaped;
use crate::emit::math::{plain, to_typst};

/// The formula as a `math` element, its TeX as alternative text.
///
/// # Errors
/// A sentence that says what could not be read.
pub(super) fn to_mathml(tex: &str, display: bool) -> Result<String, String> {
    to_typst(tex)?;
    let storage = Storage::new();
    let events = Parser::new(tex, &storage).filter_map(Result::ok).collect::<Vec<Event<'_>>>();
    let mut reader = Reader { events: events.into_iter().peekable() };
    let inner = reader.sequence(None);
    let (kind, place) = if display { (" display=\"block\"", "block") } else { ("", "inline") };
    Ok(format!("<math class=\"{place}\"{kind} alttext=\"{}\">{inner}</math>", escaped(tex.trim())))
}

struct Reader<'a, I: Iterator<Item = Event<'a>>> {
    events: Peekable<I>,
}

impl<'a, I: Iterator<Item = Event<'a>>> Reader<'a, I> {
    /// Elements up to the end of the group or the next cell, as one element.
    fn sequence(&mut self, mut font: Option<Font>) -> String {
        let mut parts = String::new();
        let mut closing = String::new();
        let mut word = String::new();
        while let Some(event) = self.events.peek() {
            if matches!(event, Event::End | Event::EnvironmentFlow(_)) {
                break;
            }
            if let (Some(Font::UpRight), Event::Content(Content::Ordinary { content, stretchy: false })) =
                (font, event)
                && content.is_ascii_alphabetic()
            {
                word.push(*content);
                self.events.next();
                continue;
            }
            flush(&mut word, &mut parts);
            if let Event::StateChange(change) = event {
                match *change {
                    StateChange::Font(new) => font = new,
                    // A style acts on the rest of its group.
                    StateChange::Style(style) => {
                        let (display, level) = match style {
                            Style::Display => (true, 0),
                            Style::Text => (false, 0),
                            Style::Script => (false, 1),
                            Style::ScriptScript => (false, 2),
                        };
                        parts.push_str(&format!(
                            "<mstyle displaystyle=\"{display}\" scriptlevel=\"{level}\">"
                        ));
                        closing.push_str("</mstyle>");
                    }
                    StateChange::Color(_) => {}
                }
                self.events.next();
                continue;
            }
            parts.push_str(&self.element(font));
        }
        flush(&mut word, &mut parts);
        format!("<mrow>{parts}{closing}</mrow>")
    }

    fn element(&mut self, font: Option<Font>) -> String {
        match self.events.next() {
            Some(Event::Content(found)) => content(found, font),
            Some(Event::Begin(grouping)) => self.group(grouping, font),
            Some(Event::Visual(visual)) => self.visual(visual, font),
            Some(Event::Script { ty, position }) => self.script(ty, position, font),
            Some(Event::Space { width, .. }) => width.map_or_else(|| "<mrow></mrow>".to_owned(), space),
            _ => "<mrow></mrow>".to_owned(),
        }
    }

    fn visual(&mut self, visual: Visual, font: Option<Font>) -> String {
        match visual {
            Visual::SquareRoot => format!("<msqrt>{}</msqrt>", self.element(font)),
            Visual::Root => {
                let radicand = self.element(font);
                format!("<mroot>{radicand}{}</mroot>", self.element(font))
            }
            Visual::Fraction(line) => {
                let (above, below) = (self.element(font), self.element(font));
                let bare = line.is_some_and(|d| d.value == 0.0);
                format!("<mfrac{}>{above}{below}</mfrac>", if bare { " linethickness=\"0\"" } else { "" })
            }
            Visual::Negation => {
                let inner = self.element(font);
                match inner.rfind("</m") {
                    // A stroke through the sign itself.
                    Some(end) if matches!(inner.get(..3), Some("<mo" | "<mi")) => {
                        format!("{}\u{338}{}", &inner[..end], &inner[end..])
                    }
                    _ => format!("<mrow class=\"not\">{inner}</mrow>"),
                }
            }
        }
    }

    fn script(&mut self, ty: ScriptType, position: ScriptPosition, font: Option<Font>) -> String {
        let base = self.element(font);
        let over = position != ScriptPosition::Right;
        let movable = position == ScriptPosition::Movable;
        let base = if movable {
            base.replacen("movablelimits=\"false\"", "movablelimits=\"true\"", 1)
        } else {
            base
        };
        let accent = matches!(
            self.events.peek(),
            Some(Event::Content(Content::Ordinary { stretchy: true, .. }))
        ) || matches!(self.events.peek(), Some(Event::Content(Content::Ordinary { content, .. })) if "^~˙¨´`˘ˇ˚→←‾".contains(*content));
        let first = self.element(font);
        let accent = match (accent && position == ScriptPosition::AboveBelow, ty) {
            (false, _) => "",
            (true, ScriptType::Subscript) => " accentunder=\"true\"",
            (true, _) => " accent=\"true\"",
        };
        match (ty, over) {
            (ScriptType::Subscript, false) => format!("<msub>{base}{first}</msub>"),
            (ScriptType::Subscript, true) => format!("<munder{accent}>{base}{first}</munder>"),
            (ScriptType::Superscript, false) => format!("<msup>{base}{first}</msup>"),
            (ScriptType::Superscript, true) => format!("<mover{accent}>{base}{first}</mover>"),
            (ScriptType::SubSuperscript, false) => {
                format!("<msubsup>{base}{first}{}</msubsup>", self.element(font))
            }
            (ScriptType::SubSuperscript, true) => {
                format!("<munderover>{base}{first}{}</munderover>", self.element(font))
            }
        }
    }

    fn group(&mut self, grouping: Grouping, font: Option<Font>) -> String {
        let font = font.filter(|_| matches!(grouping, Grouping::Normal | Grouping::LeftRight(..)));
        let fence =
            |c: char| format!("<mo fence=\"true\" stretchy=\"true\">{}</mo>", escaped(&c.to_string()));
        let text = match grouping {
            Grouping::Normal => self.sequence(font),
            Grouping::LeftRight(open, close) => {
                let inner = self.sequence(font);
                let [open, close] = [open, close].map(|c| c.map(fence).unwrap_or_default());
                format!("<mrow>{open}{inner}{close}</mrow>")
            }
            Grouping::Matrix { alignment } | Grouping::SubArray { alignment } => self.table(side(alignment)),
            Grouping::Array(columns) => {
                let mut kinds = columns.iter().filter_map(|column| match column {
                    ArrayColumn::Column(alignment) => Some(*alignment),
                    ArrayColumn::Separator(_) => None,
                });
                let first = kinds.next().unwrap_or(ColumnAlignment::Center);
                self.table(side(if kinds.all(|kind| kind == first) {
                    first
                } else {
                    ColumnAlignment::Center
                }))
            }
            Grouping::Cases { left } => {
                let table = self.table("left");
                if left {
                    format!("<mrow>{}{table}</mrow>", fence('{'))
                } else {
                    format!("<mrow>{table}{}</mrow>", fence('}'))
                }
            }
            Grouping::Gather { .. } | Grouping::Gathered | Grouping::Multline => self.table("lines"),
            Grouping::Equation { .. }
            | Grouping::Align { .. }
            | Grouping::Aligned
            | Grouping::Split
            | Grouping::Alignat { .. }
            | Grouping::Alignedat { .. } => self.table("aligned"),
        };
        self.events.next_if(|event| matches!(event, Event::End));
        text
    }

    /// The rows of an environment; the class says how its columns stand.
    fn table(&mut self, class: &str) -> String {
        let mut rows = vec![Vec::new()];
        loop {
            let cell = self.sequence(None);
            if let Some(row) = rows.last_mut() {
                row.push(cell);
            }
            match self.events.peek() {
                Some(Event::EnvironmentFlow(EnvironmentFlow::NewLine { .. })) => rows.push(Vec::new()),
                Some(Event::EnvironmentFlow(_)) => {}
                _ => break,
            }
            self.events.next();
        }
        if rows.len() > 1 && rows.last().is_some_and(|row| row.iter().all(|cell| cell == "<mrow></mrow>")) {
            rows.pop();
        }
        let row = |cells: Vec<String>| format!("<mtr><mtd>{}</mtd></mtr>", cells.join("</mtd><mtd>"));
        format!("<mtable class=\"{class}\">{}</mtable>", rows.into_iter().map(row).collect::<String>())
    }
}

fn side(alignment: ColumnAlignment) -> &'static str {
    match alignment {
        ColumnAlignment::Left => "left",
        ColumnAlignment::Center => "centre",
        ColumnAlignment::Right => "right",
    }
}

fn flush(word: &mut String, parts: &mut String) {
    let word = std::mem::take(word);
    if !word.is_empty() {
        // One letter alone would be set in italics.
        parts.push_str(&format!("<mi mathvariant=\"normal\">{}</mi>", escaped(&word)));
    }
}

fn content(content: Content<'_>, font: Option<Font>) -> String {
    let mapped = |c: char| font.map_or(c, |font| letter(c, font));
    let sign = |c: char, attributes: &str| format!("<mo{attributes}>{}</mo>", escaped(&c.to_string()));
    match content {
        Content::Text("&nbsp;") => "<mtext>\u{a0}</mtext>".to_owned(),
        Content::Text(text) => {
            // Blanks at the ends of an element do not show.
            let text = plain(text);
            let inner = text.trim_matches(' ');
            let [before, after] =
                [text.starts_with(' '), text.ends_with(' ')].map(|blank| if blank { "\u{a0}" } else { "" });
            format!("<mtext>{before}{}{after}</mtext>", escaped(inner))
        }
        Content::Number(digits) => {
            format!("<mn>{}</mn>", escaped(&digits.chars().map(mapped).collect::<String>()))
        }
        Content::Function(name) => {
            format!("<mi mathvariant=\"normal\">{}</mi><mo>\u{2061}</mo>", escaped(&plain(name)))
        }
        Content::Ordinary { content, stretchy: true } => sign(content, " stretchy=\"true\""),
        Content::Ordinary { content: 'µ', .. } => "<mi>μ</mi>".to_owned(),
        Content::Ordinary { content, .. } => match font {
            Some(Font::UpRight) => {
                format!("<mi mathvariant=\"normal\">{}</mi>", escaped(&content.to_string()))
            }
            Some(_) => format!("<mi>{}</mi>", escaped(&mapped(content).to_string())),
            None if content.is_uppercase() && !content.is_ascii() => {
                format!("<mi mathvariant=\"normal\">{}</mi>", escaped(&content.to_string()))
            }
            None if content.is_alphabetic() => format!("<mi>{}</mi>", escaped(&content.to_string())),
            None => format!("<mi mathvariant=\"normal\">{}</mi>", escaped(&content.to_string())),
        },
        Content::LargeOp { content, small } => {
            let large = if small { " largeop=\"false\"" } else { "" };
            sign(content, &format!("{large} movablelimits=\"false\""))
        }
        Content::BinaryOp { content, .. } => sign(content, ""),
        Content::Relation { content, .. } => {
            let mut bytes = [0u8; 8];
            let text = std::str::from_utf8(content.encode_utf8_to_buf(&mut bytes)).unwrap_or_default();
            format!("<mo>{}</mo>", escaped(text))
        }
        Content::Delimiter { content, size, ty } => delimiter(content, size, ty),
        Content::Punctuation(c) => sign(c, " separator=\"true\""),
    }
}

fn delimiter(c: char, size: Option<DelimiterSize>, ty: DelimiterType) -> String {
    let size = size.map(|size| match size {
        DelimiterSize::Big => "1.2em",
        DelimiterSize::BIG => "1.8em",
        DelimiterSize::Bigg => "2.4em",
        DelimiterSize::BIGG => "3em",
    });
    let c = escaped(&c.to_string());
    match (size, ty) {
        (Some(size), _) => {
            format!("<mo stretchy=\"true\" symmetric=\"true\" minsize=\"{size}\" maxsize=\"{size}\">{c}</mo>")
        }
        (None, DelimiterType::Fence) => format!("<mo stretchy=\"true\" fence=\"true\">{c}</mo>"),
        (None, _) => format!("<mo stretchy=\"false\">{c}</mo>"),
    }
}

/// Horizontal space; lengths that no page has are left out.
fn space(width: Dimension) -> String {
    let (value, unit) = match width.unit {
        DimensionUnit::Em => (width.value, "em"),
        DimensionUnit::Mu => (width.value / 18.0, "em"),
        DimensionUnit::Ex => (width.value * 0.43, "em"),
        DimensionUnit::Pt | DimensionUnit::Bp => (width.value, "pt"),
        DimensionUnit::Pc => (width.value * 12.0, "pt"),
        DimensionUnit::In => (width.value, "in"),
        DimensionUnit::Cm => (width.value * 10.0, "mm"),
        DimensionUnit::Mm => (width.value, "mm"),
        DimensionUnit::Dd | DimensionUnit::Cc | DimensionUnit::Sp => (0.0, "em"),
    };
    if value.is_finite() && value.abs() < 200.0 && value != 0.0 {
        format!("<mspace width=\"{value:.4}{unit}\"></mspace>")
    } else {
        "<mrow></mrow>".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn inner(tex: &str) -> String {
        let math = to_mathml(tex, false).expect("it can be set");
        let (_, rest) = math.split_once('>').expect("a tag");
        rest.strip_suffix("</math>").expect("its end").to_owned()
    }

    #[test]
    fn formulas_are_elements() {
        for (tex, expected) in [
            (r"x_1^2", "<mrow><msubsup><mi>x</mi><mn>1</mn><mn>2</mn></msubsup></mrow>"),
            (
                r"f_\mathrm{pd}",
                "<mrow><msub><mi>f</mi><mrow><mi mathvariant=\"normal\">pd</mi></mrow></msub></mrow>",
            ),
            (r"\frac{a}{b}", "<mrow><mfrac><mrow><mi>a</mi></mrow><mrow><mi>b</mi></mrow></mfrac></mrow>"),
            (r"\sqrt[3]{x}", "<mrow><mroot><mrow><mi>x</mi></mrow><mn>3</mn></mroot></mrow>"),
            ("a<b", "<mrow><mi>a</mi><mo>&lt;</mo><mi>b</mi></mrow>"),
        ] {
            assert_eq!(inner(tex), expected, "{tex}");
        }
    }

    #[test]
    fn no_formula_is_markup() {
        for tex in [
            r"\text{<script>alert(1)</script>}",
            r"\operatorname{<img src=x onerror=alert(1)>}",
            r"\mathrm{<b>}",
            r#"\text{" onload="x}"#,
            r"a < b \& c > d",
        ] {
            if let Ok(math) = to_mathml(tex, true) {
                for bad in ["<script", "<img", "<b>", "\" onload=\"x"] {
                    assert!(!math.contains(bad), "{tex}: {math}");
                }
            }
        }
        assert!(to_mathml(r"\nosuch", true).is_err());
    }

    const FORMULAS: [&str; 12] = [
        r"\begin{pmatrix} a & b \\ c & d \end{pmatrix}",
        r"\begin{cases} x & y > 0 \\ -x & \text{else} \end{cases}",
        r"\begin{aligned} a &= b \\ c &= d \\ \end{aligned}",
        r"\dot{x} + \hat{\theta} + \overline{AB} + \vec{v}",
        r"\underbrace{a + b}_{\text{sum}} \overbrace{c}^{d}",
        r"25^\circ\mathrm{C} \quad 4.7\,\mu\mathrm{F} \pm 5\,\%",
        r"\sum_{i=1}^{n} x_i \int_0^\infty \lim_{x \to 0} \prod",
        r"\left( \frac{a}{b} \right) \Bigg( x \bigg) \big| y",
        r"a \not= b, c \notin D \displaystyle x \textstyle \binom{n}{k}",
        r"\operatorname{sinc}(x) \log_{10} x \mathbf{A}\mathbb{R}\mathcal{L}",
        r"A \xrightarrow{f} B \stackrel{!}{=} \underset{c}{d}",
        r"{} \frac{}{x} f'' x~y\ z",
    ];

    #[test]
    fn every_tag_is_closed() {
        for tex in FORMULAS {
            let math = to_mathml(tex, true).unwrap_or_else(|fault| panic!("{tex}: {fault}"));
            let mut open: Vec<&str> = Vec::new();
            for tag in math.split('<').skip(1) {
                let name = tag.split([' ', '>']).next().expect("a name");
                match name.strip_prefix('/') {
                    Some(name) => assert_eq!(open.pop(), Some(name), "{tex}: {math}"),
                    None => open.push(name),
                }
            }
            assert!(open.is_empty(), "{tex}: {math}");
            assert!(!math.contains(" style=\""), "{tex}");
        }
    }
}
