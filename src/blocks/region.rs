//! `region`: where, over two fields of a loop, every requirement on it holds, and what bounds the chosen point.

use rayon::prelude::*;

use super::again::{Bench, Change};
use super::asked::Outcome;
use super::choice::{self, Choice};
use super::fields::{COMMON, optional, required};
use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::region_figure;
use super::support::{model_of, needs_of};
use crate::num::flat::{flat, flat_either};
use crate::results::State;

/// The kind.
pub struct RegionKind;

/// Points of an axis that can take any value: across, along.
const POINTS: [usize; 2] = [60, 40];
/// Ranges wider than this ratio are divided in equal ratios.
const WIDE: f64 = 2.5;

const fn axis(choice: Choice, says: &'static str) -> Field {
    let kind = match choice {
        Choice::PoleRatio => Type::Range(Unit::One),
        _ => Type::Range(choice.unit()),
    };
    optional(choice.field(), kind, says)
}

static AXIS: &[Field] = &[
    axis(Choice::Bandwidth, "range of the bandwidth"),
    axis(Choice::PhaseMargin, "range of the phase margin"),
    axis(Choice::PoleRatio, "range of the pole ratio, e.g. 0.1 .. 0.8"),
    axis(Choice::PumpCurrent, "range of the pump current; its steps are tried"),
    axis(Choice::DetectorFrequency, "range of the detector frequency; what the divider gives is tried"),
    axis(Choice::MaxCapacitance, "range of the largest capacitor"),
    axis(Choice::Temperature, "range of the filter's temperature"),
    axis(Choice::Output, "range of the output; channels are tried"),
];
static FIELDS: &[Field] = &[
    optional("of", Type::Block(&["loop"]), "loop that is varied; absent: the only one"),
    required("across", Type::Group(AXIS), "field of the loop along the abscissa, with its range"),
    required("along", Type::Group(AXIS), "field of the loop along the ordinate, with its range"),
];
static LISTS: &[&[Field]] = &[FIELDS, COMMON];

static METRICS: &[MetricDoc] = &[
    MetricDoc {
        name: "area",
        unit: Unit::One,
        says: "share of the map on which every requirement holds, ideal parts",
        route: Route::None("a count of trials, each judged as the note is"),
    },
    MetricDoc {
        name: "nearest_edge",
        unit: Unit::One,
        says: "least relative change of either field, the other held, at which a requirement is lost",
        route: Route::None("a count of trials, each judged as the note is"),
    },
    MetricDoc {
        name: "bounded_by",
        unit: Unit::One,
        says: "requirement that is lost first on each side: `bounded_by.bandwidth.above`",
        route: Route::None("a count of trials, each judged as the note is"),
    },
];

/// One field with the values that are tried.
#[derive(Clone, Debug)]
pub(super) struct Axis {
    pub choice: Choice,
    /// Ends of the range.
    pub range: (f64, f64),
    pub values: Vec<f64>,
    /// Whether the values are in equal ratios.
    pub log: bool,
    /// Whether only these values can be taken.
    pub steps: bool,
    /// Where the loop stands.
    pub chosen: Option<f64>,
}

/// What a trial came to.
#[derive(Clone, Debug)]
pub(super) enum Cell {
    /// Margins of the requirements, positive where met.
    Judged(Vec<f64>),
    /// No loop can be had, and why.
    Impossible(String),
}

flat_either!(Cell: Judged, Impossible);

impl Cell {
    pub fn holds(&self) -> bool {
        matches!(self, Cell::Judged(margins) if margins.iter().all(|margin| *margin >= 0.0))
    }
}

/// What bounds the chosen point on one side.
#[derive(Clone, Debug)]
pub(super) struct Edge {
    /// Value of the field at the edge.
    pub at: f64,
    /// Requirements that are lost there, or what else ends it.
    pub by: String,
    /// Whether the map ends before anything is lost.
    pub open: bool,
}

flat!(Edge { at, by, open });

/// The solved map.
pub(super) struct Region {
    pub of: String,
    pub axes: [Axis; 2],
    /// `cells[row][column]`.
    pub cells: Vec<Vec<Cell>>,
    /// Requirements that are judged.
    pub ids: Vec<String>,
    /// Below and above the chosen point, across and along; absent where the point itself does not hold.
    pub edges: [[Option<Edge>; 2]; 2],
}

impl Kind for RegionKind {
    fn name(&self) -> &'static str {
        "region"
    }
    fn about(&self) -> &'static str {
        "where every requirement on a loop holds, over two of its fields"
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn metrics(&self) -> &'static [MetricDoc] {
        METRICS
    }
    fn judges(&self) -> bool {
        true
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        needs_of(given, catalog, "loop")
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let region = region(given, inputs, &mut faults);
        faults.done()?;
        let region = region.ok_or_else(Vec::new)?;
        let metrics = metrics(&region);
        let mut answer = Solved::new(region).with_metrics(metrics);
        answer.warnings = faults.warnings;
        Ok(answer)
    }
    fn show(&self, _given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        match solved.model.downcast_ref::<Region>() {
            Some(region) => region_figure::exhibits(region),
            None => Vec::new(),
        }
    }
}

fn region(given: &Given, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<Region> {
    let solved = model_of::<SolvedLoop>(given, inputs, "loop", faults)?;
    let of = inputs.of(given, "loop")?.to_owned();
    let own = &inputs.solved.get(of.as_str())?.given;
    let across = read_axis(given, "across", (own, solved), inputs, faults);
    let along = read_axis(given, "along", (own, solved), inputs, faults);
    let axes = [across?, along?];
    if axes[0].choice == axes[1].choice {
        faults.place(given.fields.place("along"), "region-axes", "`across` and `along` are the same field");
        return None;
    }
    let bench = Bench::new(inputs, &of, &[])?;
    let base = choice::base(&of, solved).with("series", Item::Word("ideal")).coarsely();
    let judge = |values: [f64; 2]| -> Result<Vec<Outcome>, String> {
        let mut change = base.clone();
        for (axis, value) in axes.iter().zip(values) {
            change = axis.choice.put(change, value);
        }
        bench.judge(&change)
    };
    let here = bench.judge(&base).unwrap_or_default();
    let ids: Vec<String> =
        here.iter().filter(|v| v.state != State::NotJudged).map(|v| v.id.to_string()).collect();
    if ids.is_empty() {
        faults.block("region-empty", format!("no requirement is on `{of}` or a block repeated with it"));
        return None;
    }
    let cell = |x: f64, y: f64| match judge([x, y]) {
        Ok(verdicts) => Cell::Judged(ids.iter().map(|id| margin(&verdicts, id)).collect()),
        Err(why) => Cell::Impossible(why),
    };
    let row = |y: &f64| axes[0].values.par_iter().map(|x| cell(*x, *y)).collect();
    let cells = inputs.keep.recall("cells", || axes[1].values.par_iter().map(row).collect());
    let edges = inputs.keep.recall("edges", || edges(&axes, &base, &ids, &bench));
    Some(Region { of, axes, cells, ids, edges })
}

/// Margin of a requirement; minus infinity where there is none and it is not met.
fn margin(verdicts: &[Outcome], id: &str) -> f64 {
    let Some(verdict) = verdicts.iter().find(|v| *v.id == *id) else { return f64::NEG_INFINITY };
    match (verdict.state, verdict.margin) {
        (State::Met, margin) => margin.unwrap_or(f64::INFINITY).max(0.0),
        (_, Some(margin)) => margin.min(-f64::MIN_POSITIVE),
        (_, None) => f64::NEG_INFINITY,
    }
}

fn read_axis(
    given: &Given,
    name: &'static str,
    (own, solved): (&Given, &SolvedLoop),
    inputs: &Inputs<'_>,
    faults: &mut Faults,
) -> Option<Axis> {
    let group = given.fields.group(name)?;
    let mut written = Choice::ALL.into_iter().filter(|choice| group.written(choice.field()));
    let (Some(choice), None) = (written.next(), written.next()) else {
        let text = format!(
            "`{name}` takes one field of the loop with its range, e.g. {{bandwidth: 5 kHz .. 200 kHz}}"
        );
        faults.place(given.fields.place(name), "region-axes", text);
        return None;
    };
    let range = group.range(choice.field())?;
    let place = group.place(choice.field());
    if range.0 <= 0.0 || range.1 <= range.0 {
        faults.place(
            place,
            "value-range",
            format!("a range of `{}` is above zero and in order", choice.field()),
        );
        return None;
    }
    let chosen = choice.stands(own, solved);
    if chosen.is_none() {
        let text =
            format!("`{}` of `{}` can't be varied: its parts or ratios are given", choice.field(), own.name);
        faults.place(place, "region-axes", text);
        return None;
    }
    let log = range.1 / range.0 > WIDE && choice != Choice::PhaseMargin;
    let steps = choice.steps(own, solved, inputs);
    let (values, steps) = match steps {
        Some(steps) => {
            let mut inside: Vec<f64> = steps
                .into_iter()
                .filter(|v| *v >= range.0 * (1.0 - 1e-12) && *v <= range.1 * (1.0 + 1e-12))
                .collect();
            inside.sort_by(f64::total_cmp);
            inside.dedup();
            (thinned(inside, POINTS[0]), true)
        }
        None => {
            let count = POINTS[usize::from(name == "along")];
            let share = |k: usize| k as f64 / (count - 1) as f64;
            let at = |k| {
                if log {
                    range.0 * (range.1 / range.0).powf(share(k))
                } else {
                    range.0 + (range.1 - range.0) * share(k)
                }
            };
            ((0..count).map(at).collect(), false)
        }
    };
    if values.is_empty() {
        faults.place(place, "value-range", format!("`{}` can take no value in this range", choice.field()));
        return None;
    }
    Some(Axis { choice, range, values, log, steps, chosen })
}

/// At most so many values, evenly picked.
fn thinned(values: Vec<f64>, most: usize) -> Vec<f64> {
    if values.len() <= most {
        return values;
    }
    (0..most).map(|k| values[k * (values.len() - 1) / (most - 1)]).collect()
}

/// What is lost first on each side of the chosen point, the other field held.
fn edges(axes: &[Axis; 2], base: &Change, ids: &[String], bench: &Bench<'_>) -> [[Option<Edge>; 2]; 2] {
    // Lost at a value: the names of what is, or why there is no loop; none where everything holds.
    let lost = |axis: &Axis, value: f64| -> Option<String> {
        match bench.judge(&axis.choice.put(base.clone(), value)) {
            Ok(verdicts) => {
                let missed: Vec<&str> =
                    ids.iter().filter(|id| margin(&verdicts, id) < 0.0).map(String::as_str).collect();
                (!missed.is_empty()).then(|| missed.join(", "))
            }
            Err(why) => Some(why),
        }
    };
    let side = |axis: &Axis, up: bool| -> Option<Edge> {
        let start = axis.chosen?;
        if lost(axis, start).is_some() {
            return None;
        }
        let mut values: Vec<f64> =
            axis.values.iter().copied().filter(|v| if up { *v > start } else { *v < start }).collect();
        if !up {
            values.reverse();
        }
        let mut last = start;
        for value in values {
            if let Some(by) = lost(axis, value) {
                if axis.steps {
                    return Some(Edge { at: value, by, open: false });
                }
                let (mut inside, mut outside, mut by) = (last, value, by);
                for _ in 0..14 {
                    let middle = 0.5 * (inside + outside);
                    match lost(axis, middle) {
                        None => inside = middle,
                        Some(why) => (outside, by) = (middle, why),
                    }
                }
                return Some(Edge { at: outside, by, open: false });
            }
            last = value;
        }
        Some(Edge { at: last, by: "edge of the map".to_owned(), open: true })
    };
    let sides: Vec<Option<Edge>> = [(0, false), (0, true), (1, false), (1, true)]
        .into_par_iter()
        .map(|(k, up)| side(&axes[k], up))
        .collect();
    let mut sides = sides.into_iter();
    let mut next = || sides.next().flatten();
    [[next(), next()], [next(), next()]]
}

fn metrics(region: &Region) -> Group {
    let mut group = Group::new();
    let cells = region.cells.iter().flatten();
    let held = cells.clone().filter(|cell| cell.holds()).count();
    group.metric("area", Metric::real(held as f64 / cells.count() as f64, Unit::One));
    let distance = |axis: &Axis, edge: &Edge| axis.chosen.map(|chosen| ((edge.at - chosen) / chosen).abs());
    let closed = region.axes.iter().zip(&region.edges).flat_map(|(axis, sides)| {
        sides.iter().flatten().filter(|edge| !edge.open).filter_map(move |edge| distance(axis, edge))
    });
    let chosen_holds = region.edges.iter().flatten().any(Option::is_some);
    group.metric(
        "nearest_edge",
        match closed.min_by(f64::total_cmp) {
            Some(nearest) => Metric::real(nearest, Unit::One),
            None if chosen_holds => Metric::unbounded(Unit::One, "nothing is lost within the map"),
            None => {
                Metric::none(Unit::One, "not every requirement holds at the chosen point, with ideal parts")
            }
        },
    );
    let mut bounded = Group::new();
    for (axis, sides) in region.axes.iter().zip(&region.edges) {
        let mut one = Group::new();
        for (word, edge) in ["below", "above"].into_iter().zip(sides) {
            let by = edge.as_ref().map_or("the chosen point does not hold", |edge| edge.by.as_str());
            one.put(word, Node::Text(by.to_owned()));
            if let Some(edge) = edge {
                one.metric(
                    if word == "below" { "below_at" } else { "above_at" },
                    Metric::real(edge.at, axis.choice.unit()),
                );
            }
        }
        bounded.put(axis.choice.field(), Node::Group(one));
    }
    group.put("bounded_by", Node::Group(bounded));
    group
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::flat::tests::comes_back;

    #[test]
    fn a_map_comes_back() {
        let judged = Cell::Judged(vec![0.5, f64::NEG_INFINITY, -f64::MIN_POSITIVE]);
        let cells =
            vec![vec![judged, Cell::Impossible("no parts".to_owned())], vec![Cell::Judged(Vec::new())]];
        assert_eq!(format!("{:?}", comes_back(&cells)), format!("{cells:?}"));
        let edge = |at: f64, open: bool| Some(Edge { at, by: "LO-1, LO-2".to_owned(), open });
        let edges = [[edge(1e4, false), None], [edge(2e4, true), None]];
        assert_eq!(format!("{:?}", comes_back(&edges)), format!("{edges:?}"));
    }
}
