//! Letters of mathematical alphabets (Unicode, block "Mathematical Alphanumeric Symbols").

use pulldown_latex::event::Font;

/// First capital, first small letter and first digit of an alphabet, where it has them.
type Starts = (Option<u32>, Option<u32>, Option<u32>);

fn starts(font: Font) -> Starts {
    let letters = |capital: u32| (Some(capital), Some(capital + 26), None);
    let with_digits = |capital: u32, digit: u32| (Some(capital), Some(capital + 26), Some(digit));
    match font {
        Font::Bold => with_digits(0x1D400, 0x1D7CE),
        Font::Italic => letters(0x1D434),
        Font::BoldItalic | Font::BoldSymbol => with_digits(0x1D468, 0x1D7CE),
        Font::Script => letters(0x1D49C),
        Font::BoldScript => letters(0x1D4D0),
        Font::Fraktur => letters(0x1D504),
        Font::BoldFraktur => letters(0x1D56C),
        Font::DoubleStruck | Font::DoubleStruckItalic => with_digits(0x1D538, 0x1D7D8),
        Font::SansSerif => with_digits(0x1D5A0, 0x1D7E2),
        Font::BoldSansSerif => with_digits(0x1D5D4, 0x1D7EC),
        Font::SansSerifItalic => letters(0x1D608),
        Font::SansSerifBoldItalic => with_digits(0x1D63C, 0x1D7EC),
        Font::Monospace => with_digits(0x1D670, 0x1D7F6),
        Font::UpRight => (None, None, None),
    }
}

/// Letters that were in Unicode before the block was, and so are not in it.
const ELSEWHERE: [(u32, char); 24] = [
    (0x1D455, 'ℎ'),
    (0x1D49D, 'ℬ'),
    (0x1D4A0, 'ℰ'),
    (0x1D4A1, 'ℱ'),
    (0x1D4A3, 'ℋ'),
    (0x1D4A4, 'ℐ'),
    (0x1D4A7, 'ℒ'),
    (0x1D4A8, 'ℳ'),
    (0x1D4AD, 'ℛ'),
    (0x1D4BA, 'ℯ'),
    (0x1D4BC, 'ℊ'),
    (0x1D4C4, 'ℴ'),
    (0x1D506, 'ℭ'),
    (0x1D50B, 'ℌ'),
    (0x1D50C, 'ℑ'),
    (0x1D515, 'ℜ'),
    (0x1D51D, 'ℨ'),
    (0x1D53A, 'ℂ'),
    (0x1D53F, 'ℍ'),
    (0x1D545, 'ℕ'),
    (0x1D547, 'ℙ'),
    (0x1D548, 'ℚ'),
    (0x1D549, 'ℝ'),
    (0x1D551, 'ℤ'),
];

/// The character in that alphabet; itself where there is none.
pub(super) fn letter(c: char, font: Font) -> char {
    let (capital, small, digit) = starts(font);
    let (first, start) = match c {
        'A'..='Z' => ('A', capital),
        'a'..='z' => ('a', small),
        '0'..='9' => ('0', digit),
        _ => return c,
    };
    let Some(start) = start else { return c };
    let code = start + u32::from(c) - u32::from(first);
    let moved = ELSEWHERE.iter().find(|(hole, _)| *hole == code).map(|(_, c)| *c);
    moved.or_else(|| char::from_u32(code)).unwrap_or(c)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_by_their_names() {
        for (c, font, expected) in [
            ('A', Font::Bold, '𝐀'),
            ('z', Font::Bold, '𝐳'),
            ('R', Font::DoubleStruck, 'ℝ'),
            ('L', Font::Script, 'ℒ'),
            ('g', Font::Fraktur, '𝔤'),
            ('x', Font::Monospace, '𝚡'),
            ('7', Font::SansSerif, '𝟩'),
            ('h', Font::Italic, 'ℎ'),
            ('+', Font::Bold, '+'),
            ('ω', Font::Bold, 'ω'),
            ('x', Font::UpRight, 'x'),
        ] {
            assert_eq!(letter(c, font), expected, "{c} {font:?}");
        }
    }
}
