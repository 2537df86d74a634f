//! A formula as TeX, for the table of derived values.

use super::token::{Kind, Token, tokens};

/// The formula in TeX; `None` where it holds more than arithmetic (a condition, a text, a comparison).
pub fn formula_tex(text: &str) -> Option<String> {
    let tokens = tokens(text);
    let mut reader = Reader { text, tokens: &tokens, at: 0 };
    let (tex, _) = reader.sum()?;
    (reader.at == tokens.len()).then_some(tex)
}

/// How tightly what was read holds together.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Bond {
    Sum,
    Product,
    Atom,
}

struct Reader<'a> {
    text: &'a str,
    tokens: &'a [Token],
    at: usize,
}

impl Reader<'_> {
    fn word(&self) -> Option<(&str, Kind)> {
        self.tokens.get(self.at).map(|token| (&self.text[token.range.clone()], token.kind))
    }

    fn take(&mut self, sign: &str) -> bool {
        let found = self.word().is_some_and(|(word, kind)| word == sign && kind != Kind::Text);
        self.at += usize::from(found);
        found
    }

    fn sum(&mut self) -> Option<(String, Bond)> {
        let (mut tex, mut bond) = self.product()?;
        loop {
            let sign = if self.take("+") {
                "+"
            } else if self.take("-") {
                "-"
            } else {
                return Some((tex, bond));
            };
            let (right, below) = self.product()?;
            tex = format!("{tex} {sign} {}", held(right, below, Bond::Product));
            bond = Bond::Sum;
        }
    }

    fn product(&mut self) -> Option<(String, Bond)> {
        let (mut tex, mut bond) = self.signed()?;
        loop {
            if self.take("*") {
                let (right, below) = self.signed()?;
                tex = format!(
                    r"{} \cdot {}",
                    held(tex, bond, Bond::Product),
                    held(right, below, Bond::Product)
                );
                bond = Bond::Product;
            } else if self.take("/") {
                let (right, _) = self.signed()?;
                tex = format!(r"\frac{{{}}}{{{}}}", bare(&tex), bare(&right));
                bond = Bond::Atom;
            } else {
                return Some((tex, bond));
            }
        }
    }

    /// As the language has it, a sign binds less than a power.
    fn signed(&mut self) -> Option<(String, Bond)> {
        if self.take("-") {
            let (tex, bond) = self.signed()?;
            return Some((format!("-{}", held(tex, bond, Bond::Product)), Bond::Sum));
        }
        let (base, bond) = self.atom()?;
        if !self.take("**") {
            return Some((base, bond));
        }
        let (exponent, _) = self.signed()?;
        let base = if base.starts_with(r"\frac") { bracketed(&base) } else { base };
        Some((format!("{{{base}}}^{{{}}}", bare(&exponent)), Bond::Product))
    }

    fn atom(&mut self) -> Option<(String, Bond)> {
        if self.take("(") {
            let (inner, bond) = self.sum()?;
            return self.take(")").then(|| (bracketed(&inner), bond.max(Bond::Atom)));
        }
        let (word, kind) = self.word().map(|(word, kind)| (word.to_owned(), kind))?;
        match kind {
            Kind::Number => {
                self.at += 1;
                Some((number(&word), Bond::Atom))
            }
            Kind::Name => {
                self.at += 1;
                self.named(word)
            }
            _ => None,
        }
    }

    fn named(&mut self, mut name: String) -> Option<(String, Bond)> {
        if name == "pi" {
            return Some((r"\pi".to_owned(), Bond::Atom));
        }
        while self.take(".") {
            let (word, kind) = self.word()?;
            if kind != Kind::Name {
                return None;
            }
            name = format!("{name}.{word}");
            self.at += 1;
        }
        if !self.take("(") {
            return Some((variable(&name), Bond::Atom));
        }
        let mut arguments = vec![self.sum()?.0];
        while self.take(",") {
            arguments.push(self.sum()?.0);
        }
        if !self.take(")") {
            return None;
        }
        let inner = arguments.join(", ");
        Some(match name.as_str() {
            "sqrt" => (format!(r"\sqrt{{{inner}}}"), Bond::Atom),
            "abs" => (format!(r"\left| {inner} \right|"), Bond::Atom),
            "log10" => (format!(r"\log_{{10}}{}", bracketed(&inner)), Bond::Atom),
            "atan" => (format!(r"\arctan{}", bracketed(&inner)), Bond::Atom),
            "min" | "max" | "exp" | "ln" | "sin" | "cos" => {
                (format!(r"\{name}{}", bracketed(&inner)), Bond::Atom)
            }
            _ => return None,
        })
    }
}

fn bracketed(tex: &str) -> String {
    format!(r"\left( {tex} \right)")
}

/// Without the brackets around the whole: a fraction or an exponent holds it together already.
fn bare(tex: &str) -> &str {
    let inner = tex.strip_prefix(r"\left( ").and_then(|rest| rest.strip_suffix(r" \right)"));
    inner.filter(|inner| !inner.contains(r"\left(")).unwrap_or(tex)
}

fn held(tex: String, bond: Bond, at_least: Bond) -> String {
    if bond < at_least { bracketed(&tex) } else { tex }
}

/// `1e-3` as a power of ten.
fn number(word: &str) -> String {
    match word.split_once(['e', 'E']) {
        Some((digits, exponent)) => {
            format!(r"{digits} \cdot 10^{{{}}}", exponent.trim_start_matches('+'))
        }
        None => word.to_owned(),
    }
}

/// A name upright, so that it is one word and not a product of letters.
fn variable(name: &str) -> String {
    format!(r"\mathrm{{{}}}", name.replace('_', r"\_"))
}

#[cfg(test)]
mod tests {
    use super::formula_tex;

    #[test]
    fn arithmetic_becomes_tex() {
        for (formula, tex) in [
            ("1 / (2 * pi * f_if)", r"\frac{1}{2 \cdot \pi \cdot \mathrm{f\_if}}"),
            ("10 ** (-snr / 20)", r"{10}^{\frac{-\mathrm{snr}}{20}}"),
            ("a - (b - c)", r"\mathrm{a} - \left( \mathrm{b} - \mathrm{c} \right)"),
            ("sqrt(a ** 2 + lo.bandwidth)", r"\sqrt{{\mathrm{a}}^{2} + \mathrm{lo.bandwidth}}"),
            ("1.5e-3 * x", r"1.5 \cdot 10^{-3} \cdot \mathrm{x}"),
        ] {
            assert_eq!(formula_tex(formula).as_deref(), Some(tex), "{formula}");
        }
    }

    #[test]
    fn what_is_more_than_arithmetic_is_left_alone() {
        for formula in ["a if b else c", "noise.at('10 kHz')", "a < b", "2 *", "", "f(x)", "\"a\""] {
            assert_eq!(formula_tex(formula), None, "{formula}");
        }
    }
}
