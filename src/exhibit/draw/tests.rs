//! What holds for every figure.

use super::scene::{Layout, Rect, Shape, Text};
use super::{DrawFault, draw, layout, samples, text};
use crate::exhibit::{Axis, Bars, Curve, Drawing, Figure, FilterSchematic, Mark, Panel, Plot, Role};
use crate::units::Unit;

fn laid_out(figure: &Figure) -> Layout {
    layout(figure, 1.0).unwrap_or_else(|fault| panic!("{}: {fault}", figure.anchor))
}

#[test]
fn no_labels_overlap_or_leave_the_canvas() {
    for figure in samples::all() {
        let layout = laid_out(&figure);
        let canvas = Rect { left: 0.0, top: 0.0, right: layout.width, bottom: layout.height };
        for (i, a) in layout.texts.iter().enumerate() {
            let bounds = a.bounds();
            assert!(
                canvas.contains(&bounds),
                "{}: \"{}\" leaves the canvas: {bounds:?} of {canvas:?}",
                figure.anchor,
                a.content
            );
            for b in &layout.texts[..i] {
                assert!(
                    !bounds.overlaps(&b.bounds()),
                    "{}: \"{}\" over \"{}\"",
                    figure.anchor,
                    a.content,
                    b.content
                );
            }
        }
    }
}

#[test]
fn words_of_a_circuit_and_of_blocks_are_not_struck_through() {
    for figure in samples::filters().into_iter().chain(samples::loops()) {
        let layout = laid_out(&figure);
        for shape in &layout.shapes {
            let Shape::Line(points, _) = shape else { continue };
            for pair in points.windows(2) {
                for text in &layout.texts {
                    let area = text.bounds();
                    let inside =
                        |x: f64, y: f64| ((x - area.left) / area.width(), (y - area.top) / area.height());
                    let hit =
                        super::clip::segment(inside(pair[0].x, pair[0].y), inside(pair[1].x, pair[1].y));
                    assert!(hit.is_none(), "{}: \"{}\" by {pair:?}", figure.anchor, text.content);
                }
            }
        }
    }
}

#[test]
fn everything_lies_on_the_canvas() {
    for figure in samples::all() {
        let layout = laid_out(&figure);
        for shape in &layout.shapes {
            let points = match shape {
                Shape::Line(points, _) | Shape::Fill(points, _) => points.clone(),
                Shape::Disc(centre, ..) => vec![*centre],
            };
            for p in points {
                let inside = (0.0..=layout.width).contains(&p.x) && (0.0..=layout.height).contains(&p.y);
                assert!(inside, "{}: {p:?}", figure.anchor);
            }
        }
    }
}

#[test]
fn svg_is_small_the_same_each_time_and_in_our_font() {
    for figure in samples::all() {
        let svg = draw(&figure).unwrap();
        assert_eq!(svg, draw(&figure).unwrap());
        assert!(svg.text.len() < 200_000, "{}: {} bytes", figure.anchor, svg.text.len());
        assert!(svg.missing.is_empty(), "{}: {:?}", figure.anchor, svg.missing);
        assert!(!svg.text.contains("NaN") && !svg.text.contains("inf"));
        let families: Vec<&str> =
            svg.text.split("font-family=\"").skip(1).filter_map(|s| s.split('"').next()).collect();
        assert!(!families.is_empty());
        assert!(families.iter().all(|family| *family == text::FAMILY), "{}", figure.anchor);
        // Pixels at 10 to the pt: text of 9 pt.
        let sizes: Vec<f64> = svg
            .text
            .split("font-size=\"")
            .skip(1)
            .filter_map(|s| s.split('"').next()?.parse().ok())
            .collect();
        assert!(sizes.len() == families.len() && sizes.iter().all(|size| (size - 90.0).abs() < 1e-6));
    }
}

#[test]
fn words_of_the_note_stay_words() {
    let svg = draw(&samples::one_decade()).unwrap().text;
    assert!(svg.contains("&lt;b&gt;bold&lt;/b&gt;") && !svg.contains("<b>"));
    assert!(svg.contains("A &amp; B"));
}

#[test]
fn characters_that_the_font_lacks_are_reported() {
    let curve = Curve::new("Rauschen \u{4f60}", Role::Total, vec![(1.0, 1.0), (2.0, 2.0)]);
    let panel = Panel::new(Axis::linear("Level", Unit::Decibel), vec![curve]);
    let svg = draw(&samples::figure("x", Drawing::Plot(Plot::log_x("f", Unit::Hertz, vec![panel])))).unwrap();
    assert_eq!(svg.missing.into_iter().collect::<Vec<_>>(), ['\u{4f60}']);
    assert!(svg.text.contains("Rauschen ?"));
}

#[test]
fn ends_named_beside_their_curves_and_many_in_a_list() {
    let words = |figure: &Figure, name: &str| -> Text {
        laid_out(figure).texts.into_iter().find(|t| t.content == name).unwrap_or_else(|| panic!("no {name}"))
    };
    let bode = samples::bode();
    assert!(words(&bode, "Continuous").at.x > 350.0);
    let noise = samples::noise_budget();
    let total = words(&noise, "Total").at;
    for name in ["Reference", "Oscillator", "Detector floor", "Modulator", "Output buffer", "Limit LO-2"] {
        let at = words(&noise, name).at;
        assert!((at.x - total.x).abs() < 1e-9 && at.y > total.y, "{name}");
    }
}

#[test]
fn points_without_room_are_named_in_the_legend() {
    let points = (0..60).map(|n| Mark::point(1.5, 1.5, &format!("a point with the long name {n}")));
    let curve = Curve::new("c", Role::Total, vec![(1.0, 1.0), (2.0, 2.0)]);
    let panel = Panel::new(Axis::linear("Level", Unit::Decibel), vec![curve]).with_marks(points);
    let layout = laid_out(&samples::figure("x", Drawing::Plot(Plot::linear_x("x", Unit::One, vec![panel]))));
    let all: String = layout.texts.iter().map(|t| t.content.as_str()).collect::<Vec<_>>().join(" ");
    for n in 0..60 {
        assert!(all.contains(&format!("name {n}")), "{n}");
    }
    let boxes: Vec<Rect> = layout.texts.iter().map(Text::bounds).collect();
    assert!(boxes.iter().enumerate().all(|(i, a)| boxes[..i].iter().all(|b| !a.overlaps(b))));
}

#[test]
fn a_discrete_line_stands_on_the_lower_edge_and_has_a_head_at_its_level() {
    let layout = laid_out(&samples::discrete_lines());
    let heads =
        layout.shapes.iter().filter(|shape| matches!(shape, Shape::Fill(corners, _) if corners.len() == 4));
    let tops: Vec<f64> = heads
        .filter_map(|shape| if let Shape::Fill(corners, _) = shape { Some(corners[0].y) } else { None })
        .collect();
    assert_eq!(tops.len(), 6 + 1, "those below and beside the panel have none; the legend has one");
    assert!(tops[1] < tops[2] && tops[2] < tops[0] && tops[0] < tops[3], "{tops:?}");
    let words: Vec<&str> = layout.texts.iter().map(|text| text.content.as_str()).collect();
    assert_eq!(words.iter().filter(|w| w.contains("supply")).count(), 1, "{words:?}");
    assert!(words.contains(&"\u{2212}71.4 dBc") && !words.contains(&"below the panel"), "{words:?}");
}

#[test]
fn what_cannot_be_drawn_is_refused() {
    let refused = |drawing| draw(&samples::figure("x", drawing)).unwrap_err();
    assert_eq!(
        refused(Drawing::Plot(Plot::log_x("f", Unit::Hertz, vec![]))),
        DrawFault::NoPoints("f".to_owned())
    );
    let share = vec![("a".to_owned(), Role::Total, f64::NAN, String::new())];
    let bars = |rows| Drawing::Bars(Bars { label: String::new(), rows });
    assert_eq!(refused(bars(share)), DrawFault::BadShare("a".to_owned()));
    assert_eq!(refused(bars(vec![])), DrawFault::Nothing);
    let filter = |active, order, names: &[&str]| {
        let parts = names.iter().map(|n| ((*n).to_owned(), "1 nF".to_owned())).collect();
        Drawing::Filter(FilterSchematic { active, order, parts, pump: String::new(), port: None, rest: None })
    };
    assert_eq!(refused(filter(true, 2, &[])), DrawFault::FilterOrder(true, 2));
    assert_eq!(refused(filter(false, 2, &["C1", "R2"])), DrawFault::FilterPart("C2".to_owned()));
    assert_eq!(refused(filter(false, 2, &["C1", "R2", "C2", "R3"])), DrawFault::FilterPart("R3".to_owned()));
}
