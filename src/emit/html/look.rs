//! How the page looks and acts: one style sheet, one script, and a policy that allows nothing else.

use std::collections::BTreeSet;

use sha2::{Digest as _, Sha256};

use super::escape::base64;

const STYLE: &str = include_str!("../../../templates/html/page.css");
/// Plain script that works from a file.
pub(super) const SCRIPT: &str = include_str!("../../../templates/html/page.js");

/// The paper of a dark page, as in the style sheet.
const DARK_PAPER: [u8; 3] = [0x12, 0x19, 0x1b];
/// Least contrast of a line or a word of a figure against it, where it had as much on white.
const LEAST: f64 = 3.2;

/// The colours of all figures of a page.
#[derive(Clone, Debug, Default)]
pub(super) struct Colours(BTreeSet<String>);

impl Colours {
    pub(super) fn add(&mut self, more: &BTreeSet<String>) {
        self.0.extend(more.iter().cloned());
    }

    /// The style sheet, with the figures' colours on dark paper.
    pub(super) fn style(&self) -> String {
        let mut out = format!("{STYLE}@media screen and (prefers-color-scheme: dark) {{\n");
        for colour in &self.0 {
            let dark = on_dark(colour);
            out.push_str(&format!(
                "[stroke=\"{colour}\"] {{ stroke: {dark} }} [fill=\"{colour}\"] {{ fill: {dark} }}\n"
            ));
        }
        out + "}\n"
    }
}

/// The policy: nothing is fetched, nothing is sent; this script, this style, images that the page holds.
pub(super) fn policy(style: &str, script: &str) -> String {
    format!(
        "default-src 'none'; script-src 'sha256-{}'; style-src 'sha256-{}'; img-src data:; base-uri 'none'; \
         form-action 'none'",
        digest(script),
        digest(style)
    )
}

fn digest(text: &str) -> String {
    base64(&Sha256::digest(text.as_bytes()))
}

/// The colour for dark paper: the same hue, with the contrast that it has on white.
fn on_dark(colour: &str) -> String {
    let Some(rgb) = parsed(colour) else { return colour.to_owned() };
    let contrast = contrast(rgb, [255; 3]);
    let wanted = if contrast > 1.6 { contrast.max(LEAST) } else { contrast };
    let goal = (wanted * (luminance(DARK_PAPER) + 0.05) - 0.05).min(1.0);
    // Mixed with white or with black until it is as light as wanted.
    let to = if luminance(rgb) < goal { 255.0 } else { 0.0 };
    let mixed = |share: f64| rgb.map(|c| (f64::from(c) + (to - f64::from(c)) * share).round() as u8);
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..24 {
        let middle = f64::midpoint(low, high);
        let reached = luminance(mixed(middle));
        if (reached < goal) == (to > 0.0) { low = middle } else { high = middle }
    }
    let [r, g, b] = if to > 0.0 { mixed(high) } else { mixed(low) };
    format!("#{r:02X}{g:02X}{b:02X}")
}

fn parsed(colour: &str) -> Option<[u8; 3]> {
    let digits = colour.strip_prefix('#')?;
    let pair = |at: usize| u8::from_str_radix(digits.get(at..at + 2)?, 16).ok();
    Some([pair(0)?, pair(2)?, pair(4)?])
}

/// Relative luminance of WCAG 2.2.
fn luminance(rgb: [u8; 3]) -> f64 {
    let [r, g, b] = rgb.map(|c| {
        let c = f64::from(c) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    });
    0.2126 * r + 0.7152 * g + 0.0722 * b
}

/// Contrast ratio of WCAG 2.2.
fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_of_figures_can_be_told_from_dark_paper() {
        for colour in ["#0072B2", "#009E73", "#D55E00", "#CC79A7", "#56B4E9", "#707070", "#B07A00", "#6B3FA0"]
        {
            let dark = parsed(&on_dark(colour)).expect("a colour");
            assert!(contrast(dark, DARK_PAPER) >= 3.0, "{colour}: {}", contrast(dark, DARK_PAPER));
        }
        let ink = parsed(&on_dark("#262B30")).expect("a colour");
        assert!(contrast(ink, DARK_PAPER) > 10.0);
        // Paper stays paper, a fine grid stays fine.
        assert!(contrast(parsed(&on_dark("#FFFFFF")).expect("a colour"), DARK_PAPER) < 1.05);
        assert!(contrast(parsed(&on_dark("#ECEEF0")).expect("a colour"), DARK_PAPER) < 1.4);
    }

    #[test]
    fn the_style_knows_that_paper() {
        let [r, g, b] = DARK_PAPER;
        assert!(STYLE.contains(&format!("--paper: #{r:02x}{g:02x}{b:02x}")));
    }

    #[test]
    fn the_script_is_plain_and_fetches_nothing() {
        for word in ["fetch", "XMLHttp", "import", "eval", "innerHTML", "http", "localStorage", "cookie"] {
            assert!(!SCRIPT.contains(word), "{word}");
        }
        assert!(!SCRIPT.contains("</") && !STYLE.contains("</") && !STYLE.contains("url("));
    }
}
