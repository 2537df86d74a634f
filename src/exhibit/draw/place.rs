//! Places for labels inside a plot: clear of each other, clear of curves where that can be had.

use super::clip;
use super::scene::{Point, Rect, at};

/// Distances from the anchor at which places are tried, pt.
const REACH: [f64; 12] = [3.0, 6.0, 10.0, 15.0, 21.0, 28.0, 36.0, 46.0, 58.0, 72.0, 90.0, 110.0];
/// Sides of the anchor (right and up positive), as a reader expects a label.
const SIDES: [(f64, f64); 12] = [
    (1.0, 1.0),
    (-1.0, 1.0),
    (1.0, -1.0),
    (-1.0, -1.0),
    (1.0, 0.0),
    (-1.0, 0.0),
    (0.0, 1.0),
    (0.0, -1.0),
    (0.5, 1.0),
    (-0.5, 1.0),
    (0.5, -1.0),
    (-0.5, -1.0),
];
/// Distance kept between two labels, pt.
const GAP: f64 = 2.0;
/// Distance kept from curves, pt.
const MARGIN: f64 = 1.2;
/// What a curve under the label costs, as distance in pt.
const CROSSING: f64 = 18.0;

/// A place found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    pub area: Rect,
    /// Whether a line runs below the label.
    pub covers: bool,
}

/// Keeps track of what is taken in a plot.
pub(super) struct Placer {
    area: Rect,
    taken: Vec<Rect>,
    lines: Vec<(Point, Point)>,
}

impl Placer {
    /// A plot without labels.
    pub fn new(area: Rect) -> Self {
        Self { area, taken: Vec::new(), lines: Vec::new() }
    }

    /// A line that labels should rather not cover.
    pub fn avoid(&mut self, line: &[Point]) {
        self.lines.extend(line.windows(2).map(|w| (w[0], w[1])));
    }

    /// A box that no label may cover.
    pub fn block(&mut self, area: Rect) {
        self.taken.push(area);
    }

    /// The best place for a box of that size near the anchor; taken from then on. `None` where all is full.
    pub fn near(&mut self, anchor: Point, width: f64, height: f64) -> Option<Place> {
        let tried = REACH.into_iter().flat_map(|reach| {
            SIDES.into_iter().enumerate().map(move |(rank, (side, rise))| {
                // Half a pt for every side that is less usual.
                let cost = reach + 0.5 * rank as f64;
                let aslant = if side != 0.0 && rise != 0.0 { 0.75 } else { 1.0 };
                let x = anchor.x + side * (reach * aslant + width / 2.0);
                let y = anchor.y - rise * (reach * aslant + height / 2.0);
                (cost, boxed(x - width / 2.0, y - height / 2.0, width, height))
            })
        });
        self.best(tried)
    }

    /// The best place along a level line, above or below it, from right to left; taken from then on.
    pub fn along(&mut self, y: f64, width: f64, height: f64) -> Option<Place> {
        let room = self.area.width() - width - 2.0 * GAP;
        let (right, tops) = (self.area.right - GAP - width, [(0.0, y - 1.5 - height), (4.0, y + 1.5)]);
        let tried = (0..12).map(f64::from).flat_map(move |n| {
            tops.into_iter()
                .map(move |(cost, top)| (cost + 6.0 * n, boxed(right - room * n / 11.0, top, width, height)))
        });
        self.best(tried)
    }

    fn best(&mut self, tried: impl Iterator<Item = (f64, Rect)>) -> Option<Place> {
        let mut best: Option<(f64, Place)> = None;
        for (distance, area) in tried {
            let near = best.is_none_or(|(cost, _)| distance < cost);
            let free = self.area.contains(&area) && !self.taken.iter().any(|t| t.overlaps(&area.grown(GAP)));
            if near && free {
                let crossings = self.crossings(&area);
                let cost = distance + CROSSING * crossings as f64;
                if best.is_none_or(|(least, _)| cost < least) {
                    best = Some((cost, Place { area, covers: crossings > 0 }));
                }
            }
        }
        let (_, place) = best?;
        self.block(place.area);
        Some(place)
    }

    fn crossings(&self, place: &Rect) -> usize {
        let place = place.grown(MARGIN);
        let inside = |p: Point| ((p.x - place.left) / place.width(), (p.y - place.top) / place.height());
        self.lines.iter().filter(|(a, b)| clip::segment(inside(*a), inside(*b)).is_some()).count().min(6)
    }
}

fn boxed(left: f64, top: f64, width: f64, height: f64) -> Rect {
    Rect { left, top, right: left + width, bottom: top + height }
}

/// The place of a box's edge that is nearest to a point.
pub(super) fn nearest(place: &Rect, to: Point) -> Point {
    at(to.x.clamp(place.left, place.right), to.y.clamp(place.top, place.bottom))
}

#[cfg(test)]
mod tests {
    use super::*;

    const AREA: Rect = Rect { left: 0.0, top: 0.0, right: 300.0, bottom: 120.0 };

    #[test]
    fn labels_of_close_points_keep_clear_of_each_other() {
        let mut placer = Placer::new(AREA);
        let mut places = Vec::new();
        for n in 0..8 {
            places.extend(placer.near(at(150.0 + f64::from(n), 60.0), 40.0, 9.0).map(|place| place.area));
        }
        assert_eq!(places.len(), 8);
        for (i, a) in places.iter().enumerate() {
            assert!(AREA.contains(a));
            assert!(places[..i].iter().all(|b| !a.overlaps(b)));
        }
    }

    #[test]
    fn a_label_leaves_the_curve_free() {
        let mut placer = Placer::new(AREA);
        placer.avoid(&[at(0.0, 120.0), at(300.0, 0.0)]);
        let place = placer.near(at(150.0, 60.0), 40.0, 9.0).unwrap();
        assert!(!place.covers);
        assert_eq!(placer.crossings(&place.area), 0);
    }

    #[test]
    fn a_full_plot_has_no_place() {
        let mut placer = Placer::new(AREA);
        placer.block(AREA);
        assert_eq!(placer.near(at(150.0, 60.0), 40.0, 9.0), None);
        assert_eq!(placer.along(60.0, 40.0, 9.0), None);
        assert_eq!(Placer::new(AREA).near(at(10.0, 10.0), 400.0, 9.0), None);
    }
}
