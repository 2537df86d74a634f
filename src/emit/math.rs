//! TeX formulas as Typst math: a `match` over the events of the TeX parser.
//!
//! Every ASCII sign is escaped and every word is a string, so a formula can only be a formula. What is not in the
//! tables here is an error: better a refused formula than a wrong one.

use pulldown_latex::event::{
    ArrayColumn, ColumnAlignment, Content, DelimiterSize, DelimiterType, Dimension, DimensionUnit,
    EnvironmentFlow, Event, Font, Grouping, ScriptPosition, ScriptType, StateChange, Style, Visual,
};
use pulldown_latex::{Parser, Storage};

use super::quote::literal;

/// Groups inside groups beyond this are refused, before Typst's own limit on nesting is met.
const DEEPEST: usize = 40;

/// Longest formula in bytes: the parser goes down its stack with every command that waits for another.
const LONGEST: usize = 3000;

/// The formula as the inside of a Typst equation.
///
/// # Errors
/// A sentence that says what could not be read.
pub fn to_typst(tex: &str) -> Result<String, String> {
    if tex.len() > LONGEST {
        return Err(format!("the formula is longer than {LONGEST} bytes"));
    }
    let storage = Storage::new();
    let events = Parser::new(tex, &storage)
        .collect::<Result<Vec<Event<'_>>, _>>()
        .map_err(|error| first_line(&error.to_string()))?;
    let mut reader = Reader { events: events.into_iter().peekable(), depth: 0 };
    let parts = reader.sequence(None, true)?;
    Ok(parts.unwrap_or_else(|| "\"\"".to_owned()))
}

fn first_line(message: &str) -> String {
    let line = message.lines().next().unwrap_or_default();
    line.trim_start_matches("parsing error: ").replace("unkown", "unknown")
}

struct Reader<'a, I: Iterator<Item = Event<'a>>> {
    events: std::iter::Peekable<I>,
    depth: usize,
}

impl<'a, I: Iterator<Item = Event<'a>>> Reader<'a, I> {
    /// Elements up to the end of the group or the next cell; `None` where there are none.
    fn sequence(&mut self, mut font: Option<Font>, alone: bool) -> Result<Option<String>, String> {
        let mut parts: Vec<String> = Vec::new();
        let mut word = String::new();
        // A style acts on the rest of its group.
        let mut styles: Vec<(usize, &str)> = Vec::new();
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
                    StateChange::Style(style) => styles.push((parts.len(), style_name(style))),
                    StateChange::Color(_) => return Err("colour has no place in a formula".to_owned()),
                }
                self.events.next();
                continue;
            }
            let first = parts.is_empty();
            let part = self.element(font, alone && first)?;
            parts.push(part);
        }
        flush(&mut word, &mut parts);
        for (from, name) in styles.into_iter().rev() {
            let inside = parts.split_off(from.min(parts.len())).join(" ");
            if !inside.is_empty() {
                parts.push(format!("{name}({inside})"));
            }
        }
        Ok((!parts.is_empty()).then(|| parts.join(" ")))
    }

    /// One element; `alone` where it may be the whole formula, so that its lines are the formula's lines.
    fn element(&mut self, font: Option<Font>, alone: bool) -> Result<String, String> {
        let Some(event) = self.events.next() else {
            return Err("the formula ends where something was expected".to_owned());
        };
        self.depth += 1;
        if self.depth > DEEPEST {
            return Err(format!("the formula is nested deeper than {DEEPEST} levels"));
        }
        let text = match event {
            Event::Content(content) => Ok(self::content(content, font)),
            Event::Begin(grouping) => self.group(grouping, font, alone),
            Event::Visual(visual) => self.visual(visual, font),
            Event::Script { ty, position } => self.script(ty, position, font),
            Event::Space { width, .. } => Ok(width.map_or_else(String::new, space)),
            Event::StateChange(StateChange::Color(_)) => Err("colour has no place in a formula".to_owned()),
            Event::StateChange(_) => Ok("\"\"".to_owned()),
            Event::End | Event::EnvironmentFlow(_) => Err("something is missing here".to_owned()),
        };
        self.depth -= 1;
        text
    }

    fn visual(&mut self, visual: Visual, font: Option<Font>) -> Result<String, String> {
        Ok(match visual {
            Visual::SquareRoot => format!("sqrt({})", self.element(font, false)?),
            Visual::Root => {
                let radicand = self.element(font, false)?;
                format!("root({}, {radicand})", self.element(font, false)?)
            }
            Visual::Fraction(line) => {
                let (above, below) = (self.element(font, false)?, self.element(font, false)?);
                if line.is_some_and(|d| d.value == 0.0) {
                    format!("mat(delim: #none, row-gap: #0.25em, {above}; {below})")
                } else {
                    format!("frac({above}, {below})")
                }
            }
            Visual::Negation => {
                let inner = self.element(font, false)?;
                match inner.as_str() {
                    "\\=" => "≠".to_owned(),
                    "∈" => "∉".to_owned(),
                    "≡" => "≢".to_owned(),
                    "∼" => "≁".to_owned(),
                    "≤" => "≰".to_owned(),
                    "≥" => "≱".to_owned(),
                    _ => format!("cancel({inner})"),
                }
            }
        })
    }

    fn script(
        &mut self,
        ty: ScriptType,
        position: ScriptPosition,
        font: Option<Font>,
    ) -> Result<String, String> {
        let large = matches!(
            self.events.peek(),
            Some(Event::Content(Content::LargeOp { .. } | Content::Function(_)))
        );
        let base = self.element(font, false)?;
        let mark = match self.events.peek() {
            Some(Event::Content(Content::Ordinary { content, .. })) => Some(*content),
            _ => None,
        };
        let above_below = position == ScriptPosition::AboveBelow;
        if let (true, Some(mark)) = (above_below, mark)
            && let Some(accented) = accent(&base, mark, ty == ScriptType::Subscript)
        {
            self.events.next();
            return Ok(accented);
        }
        let degree =
            matches!(self.events.peek(), Some(Event::Content(Content::BinaryOp { content: '∘', .. })));
        if ty == ScriptType::Superscript && !above_below && degree {
            self.events.next();
            return Ok(format!("{base} degree"));
        }
        let base = match position {
            ScriptPosition::AboveBelow => format!("limits({base})"),
            ScriptPosition::Movable => format!("limits({base}, inline: #false)"),
            ScriptPosition::Right if large => format!("scripts({base})"),
            ScriptPosition::Right => base,
        };
        let first = self.element(font, false)?;
        Ok(match ty {
            ScriptType::Subscript => format!("attach({base}, b: {first})"),
            ScriptType::Superscript => format!("attach({base}, t: {first})"),
            ScriptType::SubSuperscript => {
                format!("attach({base}, b: {first}, t: {})", self.element(font, false)?)
            }
        })
    }

    fn group(&mut self, grouping: Grouping, font: Option<Font>, alone: bool) -> Result<String, String> {
        let font = font.filter(|_| matches!(grouping, Grouping::Normal | Grouping::LeftRight(..)));
        let text = match grouping {
            Grouping::Normal => self.sequence(font, alone)?.unwrap_or_else(|| "\"\"".to_owned()),
            Grouping::LeftRight(open, close) => {
                let inner = self.sequence(font, false)?.unwrap_or_default();
                let [open, close] = [open, close].map(|c| c.map(sign).unwrap_or_default());
                format!("lr({open} {inner} {close})")
            }
            Grouping::Matrix { alignment } | Grouping::SubArray { alignment } => self.matrix(alignment)?,
            Grouping::Array(columns) => {
                let mut kinds = columns.iter().filter_map(|column| match column {
                    ArrayColumn::Column(alignment) => Some(*alignment),
                    ArrayColumn::Separator(_) => None,
                });
                let first = kinds.next().unwrap_or(ColumnAlignment::Center);
                if columns.iter().any(|c| matches!(c, ArrayColumn::Separator(_))) {
                    return Err("rules in an array are not drawn; use a Markdown table".to_owned());
                }
                self.matrix(if kinds.all(|kind| kind == first) { first } else { ColumnAlignment::Center })?
            }
            Grouping::Cases { left } => {
                let lines = self.rows()?.into_iter().map(|row| row.join(" quad & ")).collect::<Vec<_>>();
                let side = if left { "" } else { "reverse: #true, " };
                format!("cases({side}{})", lines.join(", "))
            }
            Grouping::Equation { .. }
            | Grouping::Align { .. }
            | Grouping::Aligned
            | Grouping::Split
            | Grouping::Alignat { .. }
            | Grouping::Alignedat { .. }
            | Grouping::Gather { .. }
            | Grouping::Gathered
            | Grouping::Multline => self.lines(alone)?,
        };
        match self.events.next() {
            Some(Event::End) => Ok(text),
            _ => Err("a group is not closed".to_owned()),
        }
    }

    fn matrix(&mut self, alignment: ColumnAlignment) -> Result<String, String> {
        let align = match alignment {
            ColumnAlignment::Left => "left",
            ColumnAlignment::Center => "center",
            ColumnAlignment::Right => "right",
        };
        let rows = self.rows()?.into_iter().map(|row| row.join(", ")).collect::<Vec<_>>();
        Ok(format!("mat(delim: #none, align: #{align}, {})", rows.join("; ")))
    }

    /// Lines with alignment marks: those of the formula, or a column inside it.
    fn lines(&mut self, alone: bool) -> Result<String, String> {
        let rows = self.rows()?.into_iter().map(|row| row.join(" & ")).collect::<Vec<_>>();
        Ok(if alone {
            rows.join(" \\ ")
        } else {
            format!("mat(delim: #none, row-gap: #0.5em, {})", rows.join("; "))
        })
    }

    /// Cells of the rows of an environment, empty ones as `""`; a last empty row is dropped.
    fn rows(&mut self) -> Result<Vec<Vec<String>>, String> {
        let mut rows = vec![Vec::new()];
        loop {
            let cell = self.sequence(None, false)?;
            if let Some(row) = rows.last_mut() {
                row.push(cell.unwrap_or_else(|| "\"\"".to_owned()));
            }
            match self.events.peek() {
                Some(Event::EnvironmentFlow(EnvironmentFlow::Alignment)) => {}
                Some(Event::EnvironmentFlow(EnvironmentFlow::NewLine { horizontal_lines, .. })) => {
                    if !horizontal_lines.is_empty() {
                        return Err("rules in an array are not drawn; use a Markdown table".to_owned());
                    }
                    rows.push(Vec::new());
                }
                Some(Event::EnvironmentFlow(EnvironmentFlow::StartLines { .. })) => {
                    return Err("rules in an array are not drawn; use a Markdown table".to_owned());
                }
                _ => break,
            }
            self.events.next();
        }
        if rows.len() > 1 && rows.last().is_some_and(|row| row.iter().all(|cell| cell == "\"\"")) {
            rows.pop();
        }
        Ok(rows)
    }
}

fn flush(word: &mut String, parts: &mut Vec<String>) {
    let word = std::mem::take(word);
    match word.chars().count() {
        0 => {}
        // A string is a word, with room on both sides; one letter, as in `\mathrm{d}f`, is a sign like any other.
        1 => parts.push(format!("upright({word})")),
        _ => parts.push(format!("upright({})", literal(&word))),
    }
}

/// The text of `\text`, as it is meant: signs that TeX wants escaped lose their backslash.
pub(super) fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        if c != '\\' || !chars.peek().is_some_and(|next| "#$%&_{}".contains(*next)) {
            out.push(c);
        }
    }
    out
}

fn content(content: Content<'_>, font: Option<Font>) -> String {
    match content {
        Content::Text("&nbsp;") => literal("\u{a0}"),
        Content::Text(text) => literal(&plain(text)),
        Content::Number(digits) => styled(&digits.chars().map(sign).collect::<String>(), font),
        Content::Function(name) => format!("op({})", literal(name)),
        Content::Ordinary { content: 'µ', .. } => styled("μ", font),
        Content::Ordinary { content, .. } => styled(&sign(content), font),
        Content::LargeOp { content, .. } | Content::BinaryOp { content, .. } => sign(content),
        Content::Relation { content, .. } => {
            let mut bytes = [0u8; 8];
            let text = std::str::from_utf8(content.encode_utf8_to_buf(&mut bytes)).unwrap_or_default();
            text.chars().map(sign).collect()
        }
        Content::Delimiter { content, size, ty } => delimiter(content, size, ty),
        Content::Punctuation(c) => sign(c),
    }
}

/// A character that stands for itself.
fn sign(c: char) -> String {
    match c {
        c if c.is_alphanumeric() => c.to_string(),
        // Signs of Typst's math syntax, or brackets it would pair.
        c if c.is_ascii() || "√∛∜⟨⟩⌈⌉⌊⌋‖⟦⟧".contains(c) => format!("\\{c}"),
        c => c.to_string(),
    }
}

fn delimiter(c: char, size: Option<DelimiterSize>, ty: DelimiterType) -> String {
    let size = size.map(|size| match size {
        DelimiterSize::Big => "1.2em",
        DelimiterSize::BIG => "1.8em",
        DelimiterSize::Bigg => "2.4em",
        DelimiterSize::BIGG => "3em",
    });
    match (size, ty) {
        (Some(size), _) => format!("lr(size: #{size}, {})", sign(c)),
        (None, DelimiterType::Fence) => format!("mid({})", sign(c)),
        (None, _) => sign(c),
    }
}

fn styled(text: &str, font: Option<Font>) -> String {
    let wrap = |names: &str| {
        let close = ")".repeat(names.matches('(').count());
        format!("{names}{text}{close}")
    };
    match font {
        None => text.to_owned(),
        Some(Font::UpRight) => wrap("upright("),
        Some(Font::Italic) => wrap("italic("),
        Some(Font::Bold) => wrap("bold(upright("),
        Some(Font::BoldItalic) => wrap("bold(italic("),
        Some(Font::BoldSymbol) => wrap("bold("),
        Some(Font::Script) => wrap("cal("),
        Some(Font::BoldScript) => wrap("bold(cal("),
        Some(Font::Fraktur) => wrap("frak("),
        Some(Font::BoldFraktur) => wrap("bold(frak("),
        Some(Font::Monospace) => wrap("mono("),
        Some(Font::SansSerif) => wrap("sans(upright("),
        Some(Font::SansSerifItalic) => wrap("sans(italic("),
        Some(Font::BoldSansSerif) => wrap("bold(sans(upright("),
        Some(Font::SansSerifBoldItalic) => wrap("bold(sans(italic("),
        Some(Font::DoubleStruck | Font::DoubleStruckItalic) => wrap("bb("),
    }
}

fn style_name(style: Style) -> &'static str {
    match style {
        Style::Display => "display",
        Style::Text => "inline",
        Style::Script => "script",
        Style::ScriptScript => "sscript",
    }
}

fn accent(base: &str, mark: char, below: bool) -> Option<String> {
    if below {
        return match mark {
            '_' | '‗' | '‾' => Some(format!("underline({base})")),
            '⏟' => Some(format!("underbrace({base})")),
            '⏝' => Some(format!("underparen({base})")),
            '⎵' => Some(format!("underbracket({base})")),
            _ => None,
        };
    }
    let name = match mark {
        '‾' => return Some(format!("overline({base})")),
        '⏞' => return Some(format!("overbrace({base})")),
        '⏜' => return Some(format!("overparen({base})")),
        '⎴' => return Some(format!("overbracket({base})")),
        '^' => "hat",
        '~' => "tilde",
        '→' => "arrow",
        '←' => "arrow.l",
        '˙' => "dot",
        '¨' => "dot.double",
        '´' => "acute",
        '`' => "grave",
        '˘' => "breve",
        'ˇ' => "caron",
        '˚' => "circle",
        _ => return None,
    };
    Some(format!("accent({base}, {name})"))
}

/// Horizontal space; lengths that no page has are left out.
fn space(width: Dimension) -> String {
    let (value, unit) = match width.unit {
        DimensionUnit::Em => (width.value, "em"),
        DimensionUnit::Mu => (width.value / 18.0, "em"),
        DimensionUnit::Ex => (width.value * 0.43, "em"),
        DimensionUnit::Pt => (width.value * 72.0 / 72.27, "pt"),
        DimensionUnit::Bp => (width.value, "pt"),
        DimensionUnit::Pc => (width.value * 12.0, "pt"),
        DimensionUnit::In => (width.value * 72.0, "pt"),
        DimensionUnit::Cm => (width.value * 10.0, "mm"),
        DimensionUnit::Mm => (width.value, "mm"),
        DimensionUnit::Dd | DimensionUnit::Cc | DimensionUnit::Sp => return String::new(),
    };
    if value.is_finite() && value.abs() < 200.0 { format!("#h({value:.4}{unit})") } else { String::new() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_and_signs_are_what_was_meant() {
        for (tex, typst) in [
            (r"\text{\# 5 \%}", "\"# 5 %\""),
            (r"\mathrm{d}f", "upright(d) f"),
            (r"\mathrm{pd}", "upright(\"pd\")"),
            (r"25^\circ", "25 degree"),
            (r"\mu", "μ"),
        ] {
            assert_eq!(to_typst(tex).as_deref(), Ok(typst), "{tex}");
        }
    }

    #[test]
    fn what_is_not_in_the_tables_is_refused() {
        for tex in [r"\nosuch", r"\frac{a", r"\color{red} x", r"\begin{array}{c|c} a & b \end{array}"] {
            assert!(to_typst(tex).is_err(), "{tex}");
        }
        assert!(to_typst(&format!("{}x{}", "{".repeat(60), "}".repeat(60))).is_err());
    }
}
