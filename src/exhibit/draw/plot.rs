//! Panels stacked over one abscissa.

use std::collections::{BTreeMap, BTreeSet};

use super::axis::{self, Ruler};
use super::band::Band;
use super::legend::{self, Entry, Sample};
use super::place::{Place, Placer, nearest};
use super::scene::{
    Anchor, Colour, FRAME, GRID, INK, LEADING, Layout, PAPER, Point, Rect, SIZE, Stroke, Text, WIDTH, at,
    first_baseline,
};
use super::screen::{Chart, ChartCurve, ChartPanel, group_name};
use super::{DrawFault, clip, decimate, map, palette, text};
use crate::exhibit::figure::{Curve, Mark, Panel, Plot, Role};

/// Radius of a marked point, pt.
pub(super) const RING: f64 = 2.2;
/// From the middle of a line's head to its corners, pt.
const HEAD: f64 = 2.6;
/// Lines of the grid between labels.
const FINE_GRID: Colour = Colour(0xEC, 0xEE, 0xF0);
/// Length of the ticks, pt.
const TICK: f64 = 3.0;
/// Distance between panels, pt.
const BETWEEN: f64 = 13.0;
/// Points that all curves of a plot have together at most, after decimation: keeps files below 200 kB.
const POINTS: f64 = 7000.0;
/// Most curves named at their ends; more leave through one edge too close to each other.
const BESIDE: usize = 3;

/// A panel while it is put together.
struct Frame<'a> {
    panel: &'a Panel,
    y: Ruler,
    area: Rect,
    /// Visible pieces of every curve, with its look, in the order drawn.
    curves: Vec<(&'a Curve, Stroke, Vec<Vec<Point>>)>,
    entries: Vec<Entry>,
}

/// Lays out the plot; curves of many points are thinned, the more the larger `coarseness` (from 1).
///
/// # Errors
/// No panel, a range that can't be drawn, an axis without any point.
pub(super) fn layout(plot: &Plot, coarseness: f64) -> Result<Layout, DrawFault> {
    // Labels for which a panel has no room are named in its legend: again, since that takes room itself.
    let mut named = BTreeSet::new();
    loop {
        let (layout, homeless) = compose(plot, &named, coarseness)?;
        if homeless.is_subset(&named) {
            return Ok(layout);
        }
        named.extend(homeless);
    }
}

/// Marks by the number of their panel and their own in it.
type Marks = BTreeSet<(usize, usize)>;

fn compose(plot: &Plot, named: &Marks, coarseness: f64) -> Result<(Layout, Marks), DrawFault> {
    let x = axis::abscissa(plot)?;
    let height = match plot.panels.len() {
        0 => return Err(DrawFault::Nothing),
        1 => 205.0,
        2 => 140.0,
        _ => 105.0,
    };
    let mut frames = Vec::new();
    for (number, panel) in plot.panels.iter().enumerate() {
        let entries = entries(panel, |mark| named.contains(&(number, mark)));
        let height = legend::height(&entries).max(height);
        let area = Rect { left: 0.0, top: 0.0, right: 0.0, bottom: height };
        frames.push(Frame { panel, y: axis::ordinate(panel, height)?, area, curves: Vec::new(), entries });
    }

    // Columns: titles and labels of the ordinates, panels, legends.
    let titles: Vec<Vec<String>> = frames.iter().map(|f| f.y.title_lines(f.area.height())).collect();
    let title_width = titles.iter().map(Vec::len).max().unwrap_or(1).max(1) as f64 * LEADING;
    let labels =
        frames.iter().flat_map(|f| &f.y.major).map(|(_, label)| text::width(label, SIZE)).fold(0.0, f64::max);
    let left = title_width + 3.0 + labels + 2.0 + TICK;
    let last_label = x.major.last().map_or(0.0, |(_, label)| text::width(label, SIZE) / 2.0 + 1.0);
    let column = frames.iter().map(|f| legend::width(&f.entries)).fold(last_label, f64::max);
    let right = WIDTH - column;
    let across = |u: f64| left + u * (right - left);

    let band = Band::new(plot, (left, right), |value| across(x.place(value)));
    let mut top = band.height().max(LEADING / 2.0);
    for frame in &mut frames {
        let height = frame.area.height();
        frame.area = Rect { left, top, right, bottom: top + height };
        top += height + BETWEEN;
    }
    let bottom = top - BETWEEN;

    let mut layout = Layout::new();
    let count: usize = plot.panels.iter().map(|p| p.curves.len()).sum();
    // Four points to the column.
    let column = (right - left) * 4.0 * count.max(1) as f64 / POINTS;
    let mut homeless = Marks::new();
    for (number, frame) in frames.iter_mut().enumerate() {
        band.tint(&mut layout, &frame.area);
        map::shade(&mut layout, frame.panel, &frame.area, &x, &frame.y);
        frame.grid(&mut layout, &x);
        frame.cut_curves(&x, column.max(0.5) * coarseness);
        let free = frame.draw(&mut layout, number, &x, &band, |mark| named.contains(&(number, mark)));
        homeless.extend(free.into_iter().map(|mark| (number, mark)));
    }
    let edges = frames.first().map_or(0.0, |f| f.area.top);
    band.draw(&mut layout, edges, bottom);
    for (frame, title) in frames.iter().zip(&titles) {
        frame.scales(&mut layout, &x, title);
        let mut entries = frame.entries.clone();
        frame.beside(&mut entries);
        legend::draw(&mut layout, &entries, &frame.area);
    }
    abscissa_words(&mut layout, &x, across, bottom);
    let panels = frames.iter().enumerate().map(|(number, frame)| frame.chart(number, &x)).collect();
    layout.chart = Some(Chart { x: x.chart_axis(&plot.x.label), panels });
    layout.height = bottom + TICK + 2.0 + 2.0 * LEADING + 4.0;
    Ok((layout, homeless))
}

/// Curves with their looks, the total first, then in the order of the roles, so that legends are alike.
fn looks(panel: &Panel) -> Vec<(&Curve, Stroke)> {
    let mut curves: Vec<&Curve> = panel.curves.iter().collect();
    curves.sort_by_key(|curve| curve.role);
    let mut seen: BTreeMap<Role, usize> = BTreeMap::new();
    curves
        .into_iter()
        .map(|curve| {
            let nth = seen.entry(curve.role).or_default();
            *nth += 1;
            (curve, palette::stroke(curve.role, *nth - 1))
        })
        .collect()
}

fn limit_stroke() -> Stroke {
    Stroke::solid(Colour(0x4A, 0x2F, 0x2A), 1.0)
}

fn entries(panel: &Panel, named: impl Fn(usize) -> bool) -> Vec<Entry> {
    // A single curve that is what the ordinate says needs no second name.
    let said = |name: &str| panel.curves.len() == 1 && name.eq_ignore_ascii_case(&panel.y.label);
    let known = |name: &str| name.trim().is_empty() || said(name);
    let curves = looks(panel)
        .into_iter()
        .filter(|(curve, _)| !known(&curve.name))
        .map(|(curve, stroke)| Entry::new(Sample::Line(stroke), &curve.name));
    let marks = panel.marks.iter().enumerate().filter_map(|(number, mark)| match mark {
        Mark::Mask { label, .. } if !label.is_empty() => {
            Some(Entry::new(Sample::Limit(limit_stroke()), label))
        }
        Mark::Point { label, .. } if named(number) => Some(Entry::new(Sample::Ring(ring_stroke()), label)),
        Mark::Line { label, role, legend, .. } if named(number) || !legend.is_empty() => {
            let words = if legend.is_empty() { label } else { legend };
            Some(Entry::new(Sample::Head(line_stroke(*role)), words))
        }
        Mark::Horizontal { label, .. } if named(number) => {
            Some(Entry::new(Sample::Line(level_stroke()), label))
        }
        _ => None,
    });
    let mut entries: Vec<Entry> = Vec::new();
    for entry in curves.chain(map::entries(panel)).chain(marks) {
        // Lines that share their words are named once.
        if !(matches!(entry.sample, Sample::Head(_)) && entries.contains(&entry)) {
            entries.push(entry);
        }
    }
    entries
}

fn ring_stroke() -> Stroke {
    Stroke::solid(INK, 0.9)
}

/// The head of a discrete line.
pub(super) fn head(Point { x, y }: Point) -> Vec<Point> {
    vec![at(x, y - HEAD), at(x + HEAD, y), at(x, y + HEAD), at(x - HEAD, y)]
}

fn line_stroke(role: Role) -> Stroke {
    Stroke::solid(palette::fill(role), 1.1)
}

fn level_stroke() -> Stroke {
    Stroke::dashed(FRAME, 0.8, &[3.0, 1.5])
}

impl Frame<'_> {
    fn chart(&self, number: usize, x: &Ruler) -> ChartPanel {
        let curve = |(nth, (curve, stroke, _)): (usize, &(&Curve, Stroke, Vec<Vec<Point>>))| {
            ChartCurve::new(curve, (x, &self.y), group_name(number, nth), stroke)
        };
        let curves = self.curves.iter().enumerate().map(curve).collect();
        ChartPanel::new(&self.area, self.y.chart_axis(&self.panel.y.label), curves)
    }

    fn at(&self, u: f64, v: f64) -> Point {
        at(self.area.left + u * self.area.width(), self.area.bottom - v * self.area.height())
    }

    fn spot(&self, x: &Ruler, (px, py): (f64, f64)) -> (f64, f64) {
        (x.place(px), self.y.place(py))
    }

    fn grid(&self, layout: &mut Layout, x: &Ruler) {
        let fine = Stroke::solid(FINE_GRID, 0.4);
        let main = Stroke::solid(GRID, 0.5);
        for (places, stroke) in [(x.minor.clone(), &fine), (x.major.iter().map(|(u, _)| *u).collect(), &main)]
        {
            for u in places {
                layout.line(vec![self.at(u, 0.0), self.at(u, 1.0)], stroke);
            }
        }
        for (places, stroke) in
            [(self.y.minor.clone(), &fine), (self.y.major.iter().map(|(v, _)| *v).collect(), &main)]
        {
            for v in places {
                layout.line(vec![self.at(0.0, v), self.at(1.0, v)], stroke);
            }
        }
    }

    fn cut_curves(&mut self, x: &Ruler, column: f64) {
        let mut curves = Vec::new();
        for (curve, stroke) in looks(self.panel) {
            let spots: Vec<(f64, f64)> = curve.points.iter().map(|p| self.spot(x, *p)).collect();
            // Thinned before they are cut: a noisy curve along the edge would fall into thousands of pieces.
            let few = decimate::decimate(&spots, column / self.area.width());
            let runs =
                clip::runs(few).into_iter().map(|run| run.into_iter().map(|(u, v)| self.at(u, v)).collect());
            curves.push((curve, stroke, runs.collect()));
        }
        self.curves = curves;
    }

    /// Draws curves and marks; returns the marks for whose words there is no place.
    fn draw(
        &self,
        layout: &mut Layout,
        number: usize,
        x: &Ruler,
        band: &Band,
        named: impl Fn(usize) -> bool,
    ) -> Vec<usize> {
        let mut placer = Placer::new(self.area);
        for place in band.verticals() {
            placer.avoid(&[at(place, self.area.top), at(place, self.area.bottom)]);
        }
        // The curve that matters is drawn last, above the others; a noisy trace lies below it.
        for (curve, (_, stroke, runs)) in self.curves.iter().enumerate().rev() {
            let first = layout.shapes.len();
            for run in runs {
                placer.avoid(run);
                layout.line(run.clone(), stroke);
            }
            layout.groups.push((first..layout.shapes.len(), group_name(number, curve)));
        }
        for run in map::outline(layout, self.panel, &self.area, x, &self.y) {
            placer.avoid(&run);
        }
        for mark in &self.panel.marks {
            match mark {
                Mark::Mask { points, .. } => {
                    for run in self.limit(x, points) {
                        placer.avoid(&run);
                        legend::limit(layout, &run, &limit_stroke(), (self.area.right, self.area.top));
                    }
                }
                Mark::Horizontal { y, .. } => {
                    let line = clip::runs([(0.0, self.y.place(*y)), (1.0, self.y.place(*y))]);
                    for run in line {
                        let run: Vec<Point> = run.into_iter().map(|(u, v)| self.at(u, v)).collect();
                        placer.avoid(&run);
                        layout.line(run, &level_stroke());
                    }
                }
                Mark::Line { x: px, y: py, .. } => {
                    let foot = self.stick(x, (*px, *py));
                    placer.avoid(&foot);
                    if let Some(point) = self.inside(x, (*px, *py)) {
                        let area = Rect { left: point.x, right: point.x, top: point.y, bottom: point.y };
                        placer.block(area.grown(HEAD));
                    }
                }
                Mark::Point { x: px, y: py, .. } => {
                    if let Some(point) = self.inside(x, (*px, *py)) {
                        let area = Rect { left: point.x, right: point.x, top: point.y, bottom: point.y };
                        placer.block(area.grown(RING));
                    }
                }
                _ => {}
            }
        }
        self.sticks(layout, x);
        let words = self.panel.marks.iter().enumerate().filter(|(number, _)| !named(*number));
        let homeless =
            words.filter(|(_, mark)| !self.name_mark(layout, &mut placer, x, mark)).map(|(n, _)| n).collect();
        self.rings(layout, x);
        homeless
    }

    /// Words of a mark inside the panel; `false` where there is no place for them.
    fn name_mark(&self, layout: &mut Layout, placer: &mut Placer, x: &Ruler, mark: &Mark) -> bool {
        let (label, place, anchor) = match mark {
            Mark::Horizontal { y, label } if !label.is_empty() => {
                let v = self.y.place(*y);
                if !(0.0..=1.0).contains(&v) {
                    return true;
                }
                let (width, height) = label_size(label);
                (label, placer.along(self.at(0.0, v).y, width, height), None)
            }
            Mark::Point { x: px, y: py, label } | Mark::Line { x: px, y: py, label, .. }
                if !label.is_empty() =>
            {
                let Some(point) = self.inside(x, (*px, *py)) else { return true };
                let (width, height) = label_size(label);
                (label, placer.near(point, width, height), Some(point))
            }
            _ => return true,
        };
        let Some(Place { area: place, covers }) = place else { return false };
        if let Some(point) = anchor {
            let end = nearest(&place.grown(1.0), point);
            if (end.x - point.x).hypot(end.y - point.y) > 7.0 {
                placer.avoid(&[point, end]);
                layout.line(vec![point, end], &Stroke::solid(INK, 0.5));
            }
        }
        let baseline = at(place.left, place.top + text::ASCENT * SIZE);
        layout.texts.push(Text { backed: covers, ..Text::new(label, baseline, Anchor::Start) });
        true
    }

    fn rings(&self, layout: &mut Layout, x: &Ruler) {
        for mark in &self.panel.marks {
            if let Mark::Point { x: px, y: py, .. } = mark
                && let Some(point) = self.inside(x, (*px, *py))
            {
                layout.disc(point, RING, PAPER, &ring_stroke());
            }
        }
    }

    /// A discrete line from the lower edge to its level, or to the upper edge; nothing where it lies below or beside.
    fn stick(&self, x: &Ruler, point: (f64, f64)) -> Vec<Point> {
        let (u, v) = self.spot(x, point);
        if (0.0..=1.0).contains(&u) && v > 0.0 {
            vec![self.at(u, 0.0), self.at(u, v.min(1.0))]
        } else {
            Vec::new()
        }
    }

    /// Discrete lines, each with a head on its level.
    fn sticks(&self, layout: &mut Layout, x: &Ruler) {
        for mark in &self.panel.marks {
            let Mark::Line { x: px, y: py, role, .. } = mark else { continue };
            let stroke = line_stroke(*role);
            let stick = self.stick(x, (*px, *py));
            if !stick.is_empty() {
                layout.line(stick, &stroke);
            }
            if let Some(top) = self.inside(x, (*px, *py)) {
                layout.fill(head(top), stroke.colour);
            }
        }
    }

    fn inside(&self, x: &Ruler, point: (f64, f64)) -> Option<Point> {
        let (u, v) = self.spot(x, point);
        ((0.0..=1.0).contains(&u) && (0.0..=1.0).contains(&v)).then(|| self.at(u, v))
    }

    /// The visible pieces of a limit; a limit at one abscissa alone is a short level piece.
    fn limit(&self, x: &Ruler, points: &[(f64, f64)]) -> Vec<Vec<Point>> {
        let mut spots: Vec<(f64, f64)> = points.iter().map(|p| self.spot(x, *p)).collect();
        if let [(u, v)] = spots[..] {
            spots = vec![((u - 0.03).max(0.0), v), ((u + 0.03).min(1.0), v)];
        }
        let runs = clip::runs(spots).into_iter();
        runs.map(|run| run.into_iter().map(|(u, v)| self.at(u, v)).collect()).collect()
    }

    /// Puts up to three entries beside the ends of their curves, where all curves reach the right edge.
    fn beside(&self, entries: &mut [Entry]) {
        if entries.len() > BESIDE || entries.len() != self.curves.len() {
            return;
        }
        let ends: Vec<Option<f64>> = self
            .curves
            .iter()
            .map(|(_, _, runs)| {
                let end = runs.last().and_then(|run| run.last())?;
                (end.x >= self.area.right - 0.5).then_some(end.y)
            })
            .collect();
        for (entry, end) in entries.iter_mut().zip(ends) {
            entry.beside = end;
        }
    }

    /// Frame, ticks and the words of the ordinate.
    fn scales(&self, layout: &mut Layout, x: &Ruler, title: &[String]) {
        let edge = Stroke::solid(FRAME, 0.7);
        layout.line(self.area.outline(), &Stroke::solid(FRAME, 0.5));
        layout.line(vec![self.at(0.0, 1.0), self.at(0.0, 0.0), self.at(1.0, 0.0)], &edge);
        for (v, label) in &self.y.major {
            let p = self.at(0.0, *v);
            layout.line(vec![p, at(p.x - TICK, p.y)], &edge);
            layout.text(label, at(p.x - TICK - 2.0, first_baseline(p.y, 1)), Anchor::End);
        }
        for (u, _) in &x.major {
            let p = self.at(*u, 0.0);
            layout.line(vec![p, at(p.x, p.y + TICK)], &edge);
        }
        let middle = f64::midpoint(self.area.top, self.area.bottom);
        for (row, line) in title.iter().enumerate() {
            let place = at(text::ASCENT * SIZE + row as f64 * LEADING, middle);
            layout.texts.push(Text { upward: true, ..Text::new(line, place, Anchor::Middle) });
        }
    }
}

fn label_size(label: &str) -> (f64, f64) {
    (text::width(label, SIZE), (text::ASCENT + text::DESCENT) * SIZE)
}

/// Labels below the lowest panel, as many as have room, and the title.
fn abscissa_words(layout: &mut Layout, x: &Ruler, across: impl Fn(f64) -> f64, bottom: f64) {
    let baseline = bottom + TICK + 2.0 + text::ASCENT * SIZE;
    let mut taken: Vec<Rect> = Vec::new();
    // Decades first, then the rest from left to right.
    let mut order: Vec<&(f64, String)> = x.major.iter().collect();
    order.sort_by_key(|(_, label)| !label.starts_with('1'));
    for (u, label) in order {
        let text = Text::new(label, at(across(*u), baseline), Anchor::Middle);
        let bounds = text.bounds();
        if !taken.iter().any(|t| t.overlaps(&bounds.grown(3.0))) {
            taken.push(bounds);
            layout.texts.push(text);
        }
    }
    let title = text::shorten(&x.title, SIZE, across(1.0) - across(0.0));
    layout.text(&title, at(across(0.5), baseline + LEADING + 2.0), Anchor::Middle);
}
