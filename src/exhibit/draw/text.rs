//! The figure font: which characters it has and how wide they are.

use std::collections::BTreeSet;

/// Font of the figures, embedded in the typesetter: another name falls back silently.
pub(super) const FAMILY: &str = "Libertinus Serif";
/// Height above the baseline that a line of text takes, in em.
pub(super) const ASCENT: f64 = 0.72;
/// Depth below the baseline, in em.
pub(super) const DESCENT: f64 = 0.23;

/// Advance widths of U+0020 to U+007E in thousandths of an em, measured with the typesetter.
const ASCII: [u16; 95] = [
    250, 288, 336, 465, 465, 637, 705, 190, 298, 298, 369, 550, 220, 338, 220, 323, 465, 465, 465, 465, 465,
    465, 465, 465, 465, 465, 236, 236, 550, 550, 550, 435, 895, 695, 588, 646, 701, 557, 485, 685, 730, 297,
    322, 637, 528, 839, 699, 702, 541, 702, 587, 485, 597, 661, 652, 951, 660, 575, 604, 356, 287, 356, 518,
    486, 392, 457, 493, 428, 506, 447, 310, 500, 538, 271, 272, 512, 264, 790, 542, 504, 519, 503, 372, 390,
    316, 531, 497, 747, 490, 515, 424, 277, 205, 277, 449,
];

/// The same for what else labels hold: Latin, Greek, signs.
const BEYOND: [(u16, &str); 106] = [
    (125, "\u{2009}\u{202f}"),
    (211, "¦"),
    (250, "\u{a0}·"),
    (264, "ĺļŀł"),
    (267, "°"),
    (268, "‘’"),
    (271, "ìíîïĩīĭįı"),
    (272, "ĵ"),
    (281, "ίι"),
    (288, "¡"),
    (290, "ľ"),
    (291, "ſ"),
    (297, "ÌÍÎÏĨĪĬĮİΙΪ"),
    (307, "ª²³¹⁰⁴⁵⁶⁷⁸⁹⁻"),
    (316, "ţŧ"),
    (322, "Ĵ"),
    (341, "´"),
    (349, "º"),
    (351, "•"),
    (372, "ŕŗř"),
    (374, "ť"),
    (375, "“”„"),
    (379, "¨"),
    (390, "śŝşš"),
    (397, "¯έε"),
    (424, "źżž"),
    (426, "ξ"),
    (428, "çćĉċč"),
    (435, "¿"),
    (441, "ζςτ"),
    (447, "èéêëēĕėęě"),
    (457, "àáâãäåāăą"),
    (465, "¢£¤¥€"),
    (473, "§"),
    (474, "ν"),
    (485, "ŚŜŞŠ"),
    (486, "ð"),
    (489, "θ"),
    (490, "ΰμυ"),
    (491, "δ"),
    (497, "Γ"),
    (500, "ĝğġģ"),
    (502, "þ"),
    (504, "òóôõöøōŏőο"),
    (505, "γχ"),
    (506, "đκ"),
    (512, "ķ"),
    (515, "µýÿŷ"),
    (517, "β"),
    (519, "ĸ"),
    (525, "ρ"),
    (527, "Þ≈≠≤≥"),
    (528, "ďĹĻĽĿŁŋήη"),
    (531, "ùúûüũūŭůűųλ"),
    (538, "ĥħ"),
    (541, "¸ßΡ"),
    (542, "ñĳńņňŉ"),
    (543, "«»"),
    (548, "–"),
    (550, "±×÷−"),
    (557, "ÈÉÊËĒĔĖĘĚΕ"),
    (565, "√"),
    (566, "άαπ"),
    (570, "σ"),
    (574, "Σ"),
    (575, "ÝŶŸΥΫ"),
    (587, "ŔŖŘ"),
    (588, "Β"),
    (589, "φ"),
    (597, "ŢŤŦΤ"),
    (598, "Ĳ"),
    (599, "¬"),
    (602, "¶"),
    (604, "ŹŻŽΖ"),
    (628, "ψ"),
    (636, "Δ"),
    (637, "ĶΚ"),
    (643, "Φ"),
    (646, "ÇĆĈĊČ"),
    (648, "Ξ"),
    (658, "Λω"),
    (660, "¼½¾Χ"),
    (661, "ÙÚÛÜŨŪŬŮŰŲ"),
    (666, "∠"),
    (667, "Π"),
    (668, "Ŋ"),
    (679, "Ψ"),
    (685, "ĜĞĠĢ"),
    (687, "æ"),
    (695, "©®ÀÁÂÃÄÅĀĂĄΑ"),
    (697, "Ω"),
    (699, "ÑŃŅŇΝ"),
    (701, "ÐĎĐ"),
    (702, "ÒÓÔÕÖØŌŎŐΘΟ"),
    (730, "ĤĦΗ"),
    (742, "—"),
    (747, "ŵ"),
    (749, "…"),
    (778, "œ"),
    (785, "∞"),
    (839, "Μ"),
    (865, "Æ"),
    (869, "Œ"),
    (911, "‰"),
    (951, "Ŵ"),
    (1130, "→"),
];

/// Width of a character in thousandths of an em; `None` where the font does not have it.
fn advance(c: char) -> Option<u16> {
    match c {
        ' '..='~' => Some(ASCII[c as usize - ' ' as usize]),
        _ => BEYOND.iter().find(|(_, set)| set.contains(c)).map(|(width, _)| *width),
    }
}

/// Width of a line of text of that size, in the unit of `size`.
pub(super) fn width(text: &str, size: f64) -> f64 {
    // Half an em for a character that the font does not have: `?` is narrower.
    text.chars().map(|c| f64::from(advance(c).unwrap_or(500))).sum::<f64>() * size / 1000.0
}

/// The text with `?` for what the font does not have, which is added to `missing`.
pub(super) fn printable(text: &str, missing: &mut BTreeSet<char>) -> String {
    text.chars()
        .map(|c| match c {
            _ if advance(c).is_some() => c,
            '\n' | '\t' => ' ',
            _ => {
                missing.insert(c);
                '?'
            }
        })
        .collect()
}

/// Breaks a text into at most `most` lines of at most `limit` width; what is left over ends in an ellipsis.
pub(super) fn wrap(text: &str, size: f64, limit: f64, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split([' ', '\n', '\t']).filter(|word| !word.is_empty()) {
        match lines.last_mut() {
            Some(line) if width(line, size) + width(" ", size) + width(word, size) <= limit => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    if lines.len() > most {
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            last.push('…');
        }
    }
    lines.iter().map(|line| shorten(line, size, limit)).collect()
}

/// Cuts a line that is wider than `limit`, with an ellipsis.
pub(super) fn shorten(line: &str, size: f64, limit: f64) -> String {
    if width(line, size) <= limit {
        return line.to_owned();
    }
    let mut kept: String = line.trim_end_matches('…').to_owned();
    while !kept.is_empty() && width(&kept, size) + width("…", size) > limit {
        kept.pop();
    }
    format!("{}…", kept.trim_end())
}

/// Width of the widest of several lines.
pub(super) fn widest<S: AsRef<str>>(lines: &[S], size: f64) -> f64 {
    lines.iter().map(|line| width(line.as_ref(), size)).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_character_stands_once() {
        let all: Vec<char> = BEYOND.iter().flat_map(|(_, set)| set.chars()).collect();
        assert_eq!(all.iter().collect::<BTreeSet<_>>().len(), all.len());
        for c in "µΩ°√∠≤−ΣΔ·±\u{202f}→".chars() {
            assert!(all.contains(&c), "{c}");
        }
    }

    #[test]
    fn widths_add_up() {
        assert!((width("10 k", 10.0) - (4.65 * 2.0 + 2.5 + 5.12)).abs() < 1e-9);
    }

    #[test]
    fn what_the_font_lacks_is_named() {
        let mut missing = BTreeSet::new();
        assert_eq!(printable("a\u{4f60}\u{7}✓b", &mut missing), "a???b");
        assert_eq!(missing.into_iter().collect::<String>(), "\u{7}✓\u{4f60}");
    }

    #[test]
    fn lines_keep_their_limit() {
        let text = "in-band detector floor and flicker of a Longwordwithoutanyblankinsideitself";
        let lines = wrap(text, 9.0, 60.0, 3);
        assert_eq!(lines.len(), 3);
        assert!(lines.iter().all(|line| width(line, 9.0) <= 60.0), "{lines:?}");
        assert!(lines[2].ends_with('…'));
        assert_eq!(wrap("short", 9.0, 60.0, 3), ["short"]);
        assert!(wrap("", 9.0, 60.0, 3).is_empty());
    }
}
