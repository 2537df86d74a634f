//! From the layout to SVG that stands inside a page: each curve a group of its own, and beside it what is needed to
//! read values off. Shapes and places are those of the printed figure.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::axis::Ruler;
use super::scene::{Anchor, Colour, Layout, PAPER, Point, Rect, Shape, Stroke, Text};
use super::text::width;
use crate::exhibit::figure::Curve;
use crate::units::{Unit, shown};

/// A figure for a page.
#[derive(Clone, Debug, PartialEq)]
pub struct Screen {
    /// The inside of an `svg` element; every text in it is escaped.
    pub content: String,
    /// Width and height of the canvas, pt.
    pub size: (f64, f64),
    /// Every colour used, as `#RRGGBB`.
    pub colours: BTreeSet<String>,
    /// How to read values off; `None` where there is no curve.
    pub chart: Option<Chart>,
}

/// Where the curves of a plot lie.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// The abscissa of all panels.
    pub x: ChartAxis,
    /// Panels from top to bottom.
    pub panels: Vec<ChartPanel>,
}

/// An axis: values as people read them (25 for 298.15 K).
#[derive(Clone, Debug, PartialEq)]
pub struct ChartAxis {
    /// What it shows.
    pub label: String,
    /// Unit of the values before they were made readable.
    pub unit: Unit,
    /// Whether it counts decades.
    pub log: bool,
    /// Value at its start.
    pub from: f64,
    /// Value at its end.
    pub to: f64,
}

/// A panel: its frame on the canvas in pt, and its curves.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartPanel {
    /// Left, top, right, bottom.
    pub frame: [f64; 4],
    /// The ordinate.
    pub y: ChartAxis,
    /// Curves in the order of the legend.
    pub curves: Vec<ChartCurve>,
}

/// A curve.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartCurve {
    /// Name.
    pub name: String,
    /// Class of its group in the drawing.
    pub group: String,
    /// Colour, `#RRGGBB`.
    pub colour: String,
    /// Dash pattern, empty for a solid line.
    pub dash: String,
    /// Computed points, ascending in x, as people read them; only those with a place on the axes' scales.
    pub points: Vec<(f64, f64)>,
}

impl ChartPanel {
    pub(super) fn new(frame: &Rect, y: ChartAxis, curves: Vec<ChartCurve>) -> Self {
        Self { frame: [frame.left, frame.top, frame.right, frame.bottom], y, curves }
    }
}

impl ChartCurve {
    pub(super) fn new(curve: &Curve, (x, y): (&Ruler, &Ruler), group: String, stroke: &Stroke) -> Self {
        let (xu, yu) = (x.chart_axis("").unit, y.chart_axis("").unit);
        let points =
            curve.points.iter().filter(|(px, py)| x.place(*px).is_finite() && y.place(*py).is_finite());
        Self {
            name: curve.name.clone(),
            group,
            colour: hex(stroke.colour),
            dash: dash(stroke),
            points: points.map(|(px, py)| (shown(*px, xu), shown(*py, yu))).collect(),
        }
    }
}

/// The class of a curve's group: number of its panel and its own in it.
pub(super) fn group_name(panel: usize, curve: usize) -> String {
    format!("c{panel}-{curve}")
}

fn hex(Colour(r, g, b): Colour) -> String {
    format!("#{r:02X}{g:02X}{b:02X}")
}

fn dash(stroke: &Stroke) -> String {
    stroke.dash.iter().map(f64::to_string).collect::<Vec<_>>().join(" ")
}

/// Writes the layout.
pub(super) fn screen(layout: Layout) -> Screen {
    let mut writer = Writer { out: String::new(), colours: BTreeSet::new() };
    let mut next = 0;
    for (shapes, group) in &layout.groups {
        writer.shapes(&layout.shapes[next..shapes.start]);
        _ = write!(writer.out, "<g class=\"{group}\">");
        writer.shapes(&layout.shapes[shapes.clone()]);
        writer.out.push_str("</g>");
        next = shapes.end;
    }
    writer.shapes(&layout.shapes[next..]);
    for text in &layout.texts {
        writer.text(text);
    }
    Screen {
        content: writer.out,
        size: (layout.width, layout.height),
        colours: writer.colours,
        chart: layout.chart,
    }
}

struct Writer {
    out: String,
    colours: BTreeSet<String>,
}

impl Writer {
    fn colour(&mut self, colour: Colour) -> String {
        let text = hex(colour);
        self.colours.insert(text.clone());
        text
    }

    /// Shapes in their order; lines of one look that follow each other are one path.
    fn shapes(&mut self, shapes: &[Shape]) {
        let mut rest = shapes;
        while let Some(first) = rest.first() {
            let same =
                |shape: &&Shape| matches!((first, shape), (Shape::Line(_, a), Shape::Line(_, b)) if a == b);
            let many = rest.iter().take_while(same).count().max(1);
            match first {
                Shape::Line(_, stroke) => self.lines(&rest[..many], stroke),
                Shape::Fill(points, colour) => {
                    let colour = self.colour(*colour);
                    _ = write!(self.out, "<path fill=\"{colour}\" d=\"{}Z\"/>", path(points));
                }
                Shape::Disc(centre, radius, fill, rim) => {
                    let (fill, edge) = (self.colour(*fill), self.colour(rim.colour));
                    _ = write!(
                        self.out,
                        "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{fill}\" stroke=\"{edge}\" stroke-width=\"{}\"/>",
                        number(centre.x),
                        number(centre.y),
                        number(*radius),
                        number(rim.width),
                    );
                }
            }
            rest = &rest[many..];
        }
    }

    fn lines(&mut self, lines: &[Shape], stroke: &Stroke) {
        let colour = self.colour(stroke.colour);
        let mut place = String::new();
        for line in lines {
            if let Shape::Line(points, _) = line {
                place.push_str(&path(points));
            }
        }
        let dash = match dash(stroke) {
            dash if dash.is_empty() => String::new(),
            dash => format!(" stroke-dasharray=\"{dash}\""),
        };
        let width = number(stroke.width);
        _ = write!(
            self.out,
            "<path fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"{dash} d=\"{place}\"/>"
        );
    }

    fn text(&mut self, text: &Text) {
        if text.backed {
            self.shapes(&[Shape::Fill(text.bounds().grown(0.8).corners(), PAPER)]);
        }
        let colour = self.colour(text.colour);
        let anchor = match text.anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let (x, y) = (number(text.at.x), number(text.at.y));
        let turn = if text.upward { format!(" transform=\"rotate(-90 {x} {y})\"") } else { String::new() };
        // Whatever serif the reader has, words keep the room that was made for them.
        let room = number(width(&text.content, text.size));
        let fit = if text.content.chars().count() > 1 {
            format!(" textLength=\"{room}\" lengthAdjust=\"spacingAndGlyphs\"")
        } else {
            String::new()
        };
        _ = write!(
            self.out,
            "<text x=\"{x}\" y=\"{y}\" font-size=\"{}\" text-anchor=\"{anchor}\" fill=\"{colour}\"{fit}{turn}>{}</text>",
            number(text.size),
            escaped(&text.content)
        );
    }
}

fn path(points: &[Point]) -> String {
    let mut out = String::new();
    for (index, point) in points.iter().enumerate() {
        out.push(if index == 0 { 'M' } else { 'L' });
        _ = write!(out, "{} {}", number(point.x), number(point.y));
    }
    out
}

/// Two decimals of a pt, without noughts at the end.
fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn escaped(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '&' => "&amp;".to_owned(),
            '<' => "&lt;".to_owned(),
            '>' => "&gt;".to_owned(),
            c if c.is_control() => " ".to_owned(),
            c => c.to_string(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::{draw_for_screen, samples};
    use super::*;
    use crate::exhibit::{Axis, Drawing, Figure, Panel, Plot, Role};

    fn figure(name: &str, points: Vec<(f64, f64)>) -> Figure {
        let panel = Panel::new(
            Axis::linear("Level", Unit::DecibelCarrierPerHertz),
            vec![
                Curve::new(name, Role::Total, points),
                Curve::new("b", Role::Reference, vec![(1e3, -90.0), (1e6, -120.0)]),
            ],
        );
        Figure {
            anchor: "figure".into(),
            caption: String::new(),
            alt: String::new(),
            drawing: Drawing::Plot(Plot::log_x("Offset", Unit::Hertz, vec![panel])),
        }
    }

    #[test]
    fn a_curve_is_a_group_and_keeps_its_points() {
        let points = vec![(1e3, -100.0), (1e4, f64::NAN), (1e6, -130.0)];
        let screen = draw_for_screen(&figure("<script>alert(1)</script>", points)).expect("drawn");
        let chart = screen.chart.expect("a chart");
        let curves = &chart.panels[0].curves;
        assert_eq!(curves[0].points, [(1e3, -100.0), (1e6, -130.0)]);
        for curve in curves {
            assert_eq!(screen.content.matches(&format!("<g class=\"{}\">", curve.group)).count(), 1);
        }
        assert!(!screen.content.contains("<script"));
        assert!(screen.content.contains("&lt;script"), "the legend names it");
        let frame = chart.panels[0].frame;
        assert!(frame[0] < frame[2] && frame[1] < frame[3] && frame[3] < screen.size.1);
        assert!((chart.x.from, chart.x.to) == (1e3, 1e6) && chart.x.log);
    }

    #[test]
    fn every_figure_can_stand_in_a_page() {
        for figure in samples::all() {
            let screen = draw_for_screen(&figure).expect("drawn");
            assert_eq!(screen.content.matches("<g").count(), screen.content.matches("</g>").count());
            assert!(!screen.content.contains("style="), "{}", figure.anchor);
            assert!(!screen.content.contains("NaN") && !screen.content.contains("inf"));
            assert!(screen.colours.len() > 1);
            assert_eq!(
                screen.chart.is_some(),
                matches!(figure.drawing, Drawing::Plot(_)),
                "{}",
                figure.anchor
            );
        }
    }
}
