//! Tables in Typst: widths, breaks over pages, type that fits.

use std::fmt::Write as _;

/// A cell: Typst markup, and its text for the reckoning of widths.
#[derive(Clone, Debug, Default)]
pub(super) struct Cell {
    /// Typst markup, or empty.
    pub markup: String,
    /// The text alone.
    pub text: String,
}

/// Where a column's text stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    Left,
    Centre,
    Right,
}

/// A table before its layout.
#[derive(Debug)]
pub(super) struct Table {
    pub sides: Vec<Side>,
    pub head: Vec<Cell>,
    pub rows: Vec<Vec<Cell>>,
}

/// How a table is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fit {
    /// Type size, pt.
    pub size: f64,
    /// Whether it needs a page lying on its side.
    pub lying: bool,
}

/// Width of the text on an upright page and on one that lies, pt.
const UPRIGHT: f64 = 468.0;
const LYING: f64 = 716.0;
/// Mean width of a character in Libertinus Serif, em (measured on tables of numbers and short words).
const CHARACTER: f64 = 0.5;
/// Space between columns, pt.
const BETWEEN: f64 = 10.0;
/// A column wider than this, in characters, may wrap.
const WRAPS: usize = 22;
/// A table of no more rows than this stays on one page, unless its cells hold more text than this (characters of the
/// longest cell of each row, added up): then it might not fit on one.
const KEPT_TOGETHER: usize = 10;
const KEPT_TEXT: usize = 900;

/// Lines of a table that surely fit on a page, with its caption and note.
const ON_A_PAGE: usize = 32;

impl Table {
    fn longest(&self, column: usize, of: fn(&str) -> usize) -> usize {
        let cells = std::iter::once(&self.head).chain(&self.rows).filter_map(|row| row.get(column));
        cells.map(|cell| of(&cell.text)).max().unwrap_or(0)
    }

    /// The largest type that fits; a lying page only where small type on an upright one does not do.
    pub(super) fn fit(&self) -> Fit {
        let least: usize = (0..self.sides.len())
            .map(|column| {
                let word = self
                    .longest(column, |text| text.split(' ').map(|w| w.chars().count()).max().unwrap_or(0));
                let whole = self.longest(column, |text| text.chars().count());
                whole.min(WRAPS).max(word.min(30)).max(3)
            })
            .sum();
        let needs =
            |size: f64| least as f64 * CHARACTER * size + self.sides.len() as f64 * BETWEEN * size / 9.0;
        let choices = [(9.0, false), (8.0, false), (7.2, false), (8.5, true), (7.5, true), (6.5, true)];
        let fits = |(size, lying): &(f64, bool)| needs(*size) <= if *lying { LYING } else { UPRIGHT };
        let (size, lying) = choices.into_iter().find(fits).unwrap_or((5.8, true));
        Fit { size, lying }
    }

    /// Whether it stays on one page.
    pub(super) fn kept(&self) -> bool {
        let longest = |row: &Vec<Cell>| row.iter().map(|cell| cell.text.chars().count()).max().unwrap_or(0);
        self.rows.len() <= KEPT_TOGETHER && self.rows.iter().map(longest).sum::<usize>() <= KEPT_TEXT
    }

    /// Whether it is too long to stay where it stands without leaving half a page empty, but fits on one: it then goes to the
    /// head or foot of a page, whole. Lines are counted generously: what floats and is higher than a page is cut.
    pub(super) fn floats(&self, fit: Fit) -> bool {
        let lines =
            |row: &Vec<Cell>| row.iter().map(|cell| 1 + cell.text.chars().count() / 30).max().unwrap_or(1);
        !self.kept() && !fit.lying && self.rows.iter().map(lines).sum::<usize>() <= ON_A_PAGE
    }

    /// Column widths: as wide as needed where all fits, else long texts share what is left.
    fn widths(&self, fit: Fit) -> String {
        let whole: Vec<usize> =
            (0..self.sides.len()).map(|column| self.longest(column, |text| text.chars().count())).collect();
        let room = if fit.lying { LYING } else { UPRIGHT };
        let needed = whole.iter().sum::<usize>() as f64 * CHARACTER * fit.size + whole.len() as f64 * BETWEEN;
        let mut out = String::new();
        for length in &whole {
            if needed <= room || *length <= WRAPS {
                out.push_str("auto, ");
            } else {
                _ = write!(out, "{}fr, ", (*length).clamp(WRAPS, 70));
            }
        }
        out
    }

    /// The call that makes the table.
    ///
    /// The last column has no width: its cells span the first rows and the last ones, which then can't be parted by a
    /// page break, so that no row stands alone on a page.
    pub(super) fn call(&self, fit: Fit) -> String {
        let tied = self.rows.len() > KEPT_TOGETHER;
        let sides = self.sides.iter().map(|side| match side {
            Side::Left => "left",
            Side::Centre => "center",
            Side::Right => "right",
        });
        let mut out = format!(
            "table(columns: ({}{}), align: ({}{}), inset: lc-inset({}),\n",
            self.widths(fit),
            if tied { "0pt" } else { "" },
            sides.collect::<Vec<_>>().join(", "),
            if tied { ", left" } else { "," },
            self.sides.len(),
        );
        out.push_str("table.header(");
        for cell in &self.head {
            _ = write!(out, "[{}], ", cell.markup);
        }
        out.push_str(if tied { "[]),\n" } else { "),\n" });
        const TIE: usize = 3;
        for (index, row) in self.rows.iter().enumerate() {
            for column in 0..self.sides.len() {
                _ = write!(out, "[{}], ", row.get(column).map_or("", |cell| cell.markup.as_str()));
            }
            if tied {
                let from_end = self.rows.len() - index;
                if index == 0 || from_end == TIE {
                    _ = write!(out, "table.cell(rowspan: {TIE}, breakable: false)[],");
                } else if index >= TIE && from_end > TIE {
                    out.push_str("[],");
                }
            }
            out.push('\n');
        }
        out.push(')');
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(columns: usize, text: &str, rows: usize) -> Table {
        let cell = Cell { markup: String::new(), text: text.to_owned() };
        let row = vec![cell; columns];
        Table { sides: vec![Side::Left; columns], head: row.clone(), rows: vec![row; rows] }
    }

    #[test]
    fn wide_tables_get_smaller_type_then_a_lying_page() {
        assert_eq!(table(4, "2.8825 GHz", 3).fit(), Fit { size: 9.0, lying: false });
        assert!(table(9, "2.8825 GHz", 3).fit().size < 9.0);
        assert!(table(16, "2.8825 GHz", 3).fit().lying);
        assert_eq!(table(80, "2.8825 GHz", 3).fit(), Fit { size: 5.8, lying: true });
    }

    #[test]
    fn short_tables_are_kept_long_ones_tied() {
        assert!(table(2, "a", KEPT_TOGETHER).kept());
        assert!(!table(2, "a", KEPT_TOGETHER + 1).kept());
        assert!(!table(2, &"word ".repeat(300), 1).kept());
        assert!(!table(2, "a", KEPT_TOGETHER).call(Fit { size: 9.0, lying: false }).contains("rowspan"));
        let upright = Fit { size: 9.0, lying: false };
        let floats = |words: &str, rows: usize| table(2, words, rows).floats(upright);
        assert!(!floats("a", KEPT_TOGETHER) && floats("a", 20) && !floats("a", ON_A_PAGE + 1));
        assert!(!floats(&"word ".repeat(20), 20), "more than a page");
        let long = table(2, "a", 40).call(upright);
        assert_eq!(long.matches("rowspan").count(), 2);
    }
}
