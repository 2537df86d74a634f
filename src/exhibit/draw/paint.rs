//! From the layout to SVG through plotters, and the only place that knows that library.

use std::collections::BTreeSet;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::scene::{Anchor, Colour, Layout, PAPER, Point, Shape, Stroke, Text as Label};
use super::{DrawFault, Svg, dash, text};

/// Pixels to the pt: the library places on whole pixels, at ten of them nothing is seen of that.
const PX: f64 = 10.0;
/// The library's text sizes are 1.24 of the em that it writes.
const FONT_FACTOR: f64 = 1.24;
/// From the place the library takes as the top of a text to the baseline, in em.
const TOP_TO_BASELINE: f64 = 0.76;

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

/// Paints the layout.
pub(super) fn paint(layout: &Layout) -> Result<Svg, DrawFault> {
    let (mut text, mut missing) = (String::new(), BTreeSet::new());
    let size = (px(layout.width).unsigned_abs(), px(layout.height).unsigned_abs());
    {
        let area = SVGBackend::with_string(&mut text, size).into_drawing_area();
        area.fill(&WHITE).map_err(refused)?;
        for shape in &layout.shapes {
            draw_shape(&area, shape)?;
        }
        for label in &layout.texts {
            draw_text(&area, label, &mut missing)?;
        }
        area.present().map_err(refused)?;
    }
    Ok(Svg { text: text.into(), missing })
}

fn refused(fault: impl std::fmt::Display) -> DrawFault {
    DrawFault::Backend(fault.to_string())
}

fn px(pt: f64) -> i32 {
    (pt * PX).round() as i32
}

fn pixels(points: &[Point]) -> Vec<(i32, i32)> {
    let mut pixels: Vec<(i32, i32)> = points.iter().map(|p| (px(p.x), px(p.y))).collect();
    if pixels.len() > 2 {
        pixels.dedup();
    }
    pixels
}

fn rgb(Colour(r, g, b): Colour) -> RGBColor {
    RGBColor(r, g, b)
}

fn draw_line(area: &Area<'_>, points: &[Point], stroke: &Stroke) -> Result<(), DrawFault> {
    let style = rgb(stroke.colour).stroke_width(px(stroke.width).unsigned_abs());
    if stroke.dash.is_empty() {
        return area.draw(&PathElement::new(pixels(points), style)).map_err(refused);
    }
    for piece in dash::dashes(points, &stroke.dash) {
        area.draw(&PathElement::new(pixels(&piece), style)).map_err(refused)?;
    }
    Ok(())
}

fn draw_shape(area: &Area<'_>, shape: &Shape) -> Result<(), DrawFault> {
    match shape {
        Shape::Line(points, stroke) => draw_line(area, points, stroke),
        Shape::Fill(points, colour) => {
            area.draw(&Polygon::new(pixels(points), rgb(*colour))).map_err(refused)
        }
        Shape::Disc(centre, radius, colour, rim) => {
            let (centre, radius) = ((px(centre.x), px(centre.y)), px(*radius));
            area.draw(&Circle::new(centre, radius, rgb(*colour).filled())).map_err(refused)?;
            let rim = rgb(rim.colour).stroke_width(px(rim.width).unsigned_abs());
            area.draw(&Circle::new(centre, radius, rim)).map_err(refused)
        }
    }
}

fn draw_text(area: &Area<'_>, label: &Label, missing: &mut BTreeSet<char>) -> Result<(), DrawFault> {
    if label.backed {
        let corners = label.bounds().grown(0.8).corners();
        area.draw(&Polygon::new(pixels(&corners), rgb(PAPER))).map_err(refused)?;
    }
    let content = text::printable(&label.content, missing);
    let side = match label.anchor {
        Anchor::Start => HPos::Left,
        Anchor::Middle => HPos::Center,
        Anchor::End => HPos::Right,
    };
    // Top: the one alignment that the library measures in em, not in the height of an x.
    let rise = TOP_TO_BASELINE * label.size;
    let font =
        FontDesc::new(FontFamily::Name(text::FAMILY), label.size * PX * FONT_FACTOR, FontStyle::Normal);
    let colour = rgb(label.colour);
    let style = TextStyle::from(font).color(&colour).pos(Pos::new(side, VPos::Top));
    let (place, style) = if label.upward {
        ((px(label.at.x - rise), px(label.at.y)), style.transform(FontTransform::Rotate270))
    } else {
        ((px(label.at.x), px(label.at.y - rise)), style)
    };
    area.draw(&Text::new(content, place, style)).map_err(refused)
}
