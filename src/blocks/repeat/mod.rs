//! A loop and the blocks that are of it, read again for many cases: what `band` and `tolerance` share.

use std::sync::Arc;

use super::r#loop::SolvedLoop;
use super::prelude::*;
use super::solved_noise::SolvedNoise;
use super::spurs::SolvedSpurs;
use crate::physics::budget::{Budget, Integrals, Work};
use crate::physics::part::Case;
use crate::physics::plan::{Channel, to_f64};
use crate::physics::poles::{Poles, Reading};

mod columns;
mod judging;
mod levels;
mod lines;

pub use columns::{Column, Sense};
pub use judging::{Cases, Room, Share, decide, judge_all, met_all, share, worse};
pub use lines::FractionAt;
use lines::{Found, Lines};

/// Kinds that are repeated together: the loop, then those that are of it.
pub static FAMILY: &[&str] = &["loop", "response", "phase_noise", "spurs"];

/// One case of the loop: everything that differs from the design.
#[derive(Clone, Debug)]
pub struct Point {
    /// The loop.
    pub case: Case,
    /// Distance of the tuning voltage to its nearest limit, V; at the worst temperature where there is a range.
    pub headroom: f64,
    /// Output frequency as made less the one asked for, Hz.
    pub frequency_error: f64,
    /// Where it stands with a fractional divider.
    pub fraction: Option<FractionAt>,
}

/// A noise block that is read again.
#[derive(Clone)]
pub struct NoiseOf {
    /// Name of the block.
    pub block: String,
    /// As solved for the design.
    pub solved: SolvedNoise,
    /// Its integrals; `None` without integration limits.
    budget: Option<Budget>,
}

/// What is read again, and in which order its numbers stand in a row.
#[derive(Clone)]
pub struct Repeat {
    /// Name of the loop.
    pub of: String,
    /// The loop as designed.
    pub solved: SolvedLoop,
    /// One for each number.
    pub columns: Vec<Column>,
    /// Blocks of phase noise.
    pub noise: Vec<NoiseOf>,
    /// Blocks of discrete lines.
    lines: Vec<(String, Lines)>,
}

/// Scratch of one thread.
#[derive(Clone, Default)]
pub struct Scratch {
    work: Work,
    integrals: Vec<Integrals>,
    found: Vec<Found>,
}

/// Budgets for tables other than the design's, by noise block.
#[derive(Clone, Default)]
pub struct Budgets(Vec<Option<Budget>>);

/// What a column is read from.
pub struct View<'a> {
    point: &'a Point,
    reading: Reading,
    integrals: &'a [Integrals],
    lines: &'a [(String, Lines)],
    found: &'a [Found],
    stability: f64,
}

/// Names in `of`.
pub fn named(given: &Given) -> Vec<&str> {
    let listed = given.fields.list("of").iter().filter_map(Checked::text);
    given.fields.block("of").into_iter().chain(listed).collect()
}

/// All blocks that have to be solved before a loop can be repeated.
pub fn needs(given: &Given, catalog: &Catalog) -> Vec<Needed> {
    let loops = if named(given).is_empty() { catalog.only("loop") } else { None };
    let others = FAMILY[1..].iter().flat_map(|kind| catalog.of_kind(kind));
    let all = loops.into_iter().chain(others).filter_map(MetricPath::parse);
    all.map(|path| Needed { path, place: given.fields.place("of").clone() }).collect()
}

impl Repeat {
    /// The loop that `of` names with its blocks.
    pub fn new(given: &Given, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<Self> {
        let named = named(given);
        let is_loop = |name: &&str| inputs.model::<SolvedLoop>(name).is_some();
        let loops: Vec<&str> = if named.is_empty() {
            inputs.catalog.only("loop").into_iter().collect()
        } else {
            named.iter().copied().filter(is_loop).collect()
        };
        let [of] = loops.as_slice() else {
            let known: Vec<&str> = inputs.catalog.of_kind("loop").collect();
            let text = if known.is_empty() {
                format!("there is no loop block for `{}`", given.name)
            } else {
                format!("`of` has to name one loop: {}", known.join(", "))
            };
            faults.place(given.fields.place("of"), "field-missing", text);
            return None;
        };
        let of = (*of).to_owned();
        let solved = inputs.model::<SolvedLoop>(&of)?.clone();
        let belongs = |name: &str| {
            inputs.solved.get(name).is_some_and(|s| inputs.of(&s.given, "loop") == Some(of.as_str()))
        };
        for name in named.iter().filter(|name| **name != of && !belongs(name)) {
            let text = format!("`{name}` is not of the loop `{of}`");
            faults.place(given.fields.place("of"), "of-another-loop", text);
        }
        faults.sound()?;
        let mut columns = columns::of_loop(&of);
        for name in inputs.catalog.of_kind("response").filter(|name| belongs(name)) {
            columns.extend(columns::of_response(name));
        }
        let mut lines = Vec::new();
        for name in inputs.catalog.of_kind("spurs").filter(|name| belongs(name)) {
            let given = &inputs.solved.get(name)?.given;
            let found = Lines::new(given, &solved, &inputs.model::<SolvedSpurs>(name)?.lines);
            lines.push((name.to_owned(), found));
        }
        let mut noise = Vec::new();
        for name in inputs.catalog.of_kind("phase_noise").filter(|name| belongs(name)) {
            let fields = &inputs.solved.get(name)?.given.fields;
            let found = inputs.model::<SolvedNoise>(name)?.clone();
            let budget = found.budget().cloned();
            if let Some(over) = found.over.filter(|_| budget.is_some()) {
                let named = |(name, _): &(String, Lines)| fields.block("spurs") == Some(name.as_str());
                let wanted = lines.iter().position(named).map(|at| (at, over));
                columns.extend(columns::of_noise(&inputs.solved.get(name)?.given, noise.len(), wanted));
            }
            noise.push(NoiseOf { block: name.to_owned(), solved: found, budget });
        }
        for (at, (name, _)) in lines.iter().enumerate() {
            columns.extend(lines::of_spurs(name, at, solved.channel.fraction.is_some()));
        }
        Some(Self { of, solved, columns, noise, lines })
    }

    /// The design itself as a point.
    pub fn nominal(&self) -> Point {
        Point {
            case: self.solved.case.clone(),
            headroom: self.solved.headroom(),
            frequency_error: to_f64(&self.solved.channel.frequency_error),
            fraction: self.solved.fraction_at(&self.solved.channel),
        }
    }

    /// Budgets of the noise blocks for a case with other tables than the design's; empty where the design's hold.
    pub fn budgets_for(&self, case: &Case) -> Budgets {
        if same_tables(case, &self.solved.case) {
            return Budgets::default();
        }
        let of = |noise: &NoiseOf| noise.budget.as_ref().map(|budget| budget.with_tables_of(case));
        Budgets(self.noise.iter().map(of).collect())
    }

    /// All numbers of one case, in the order of the columns.
    pub fn read(&self, point: &Point, scratch: &mut Scratch, row: &mut [f64]) {
        self.read_with(point, &self.budgets_for(&point.case), scratch, row);
    }

    /// The same with the budgets for its tables.
    pub fn read_with(&self, point: &Point, budgets: &Budgets, scratch: &mut Scratch, row: &mut [f64]) {
        scratch.integrals.clear();
        for (index, noise) in self.noise.iter().enumerate() {
            let budget = budgets.0.get(index).unwrap_or(&noise.budget);
            let read = |budget: &Budget| budget.read(&point.case, &mut scratch.work);
            let integrals = budget.as_ref().map_or_else(Integrals::default, read);
            scratch.integrals.push(integrals);
        }
        scratch.found.resize_with(self.lines.len(), Found::default);
        for ((_, lines), found) in self.lines.iter().zip(&mut scratch.found) {
            lines.find(point, found);
        }
        let view = View {
            point,
            reading: Poles::new(&point.case).read(),
            integrals: &scratch.integrals,
            lines: &self.lines,
            found: &scratch.found,
            stability: self.solved.stability.unwrap_or(f64::NAN),
        };
        for (value, column) in row.iter_mut().zip(&self.columns) {
            *value = column.value(&view);
        }
    }

    /// Position of a metric, `lo.bandwidth`.
    pub fn column(&self, path: &MetricPath) -> Option<usize> {
        let name = path.names.join(".");
        self.columns.iter().position(|column| column.block == path.block && column.name == name)
    }

    /// Whether the block is one of those that are read again.
    pub fn repeats(&self, block: &str) -> bool {
        self.columns.iter().any(|column| column.block == block)
            || self.noise.iter().any(|noise| noise.block == block)
    }

    /// The name that a column goes by without its block: only the first to have it.
    pub fn short(&self, index: usize) -> Option<&str> {
        let column = &self.columns[index];
        let mut others = self.columns.iter().filter(|other| other.name == column.name);
        let first = others.next()?;
        // A response states its loop's own margins again; two noise blocks differ.
        let alone = first.block == self.of || others.next().is_none();
        (alone && first.block == column.block).then_some(column.name.as_str())
    }

    /// Puts something of every column into a group, by its block's name and, where it is the only one, without.
    pub fn put(&self, group: &mut Group, node: impl Fn(usize) -> Node) {
        for (index, column) in self.columns.iter().enumerate() {
            if let Some(short) = self.short(index) {
                put_below(group, short, node(index));
            }
            put_below(group, &format!("{}.{}", column.block, column.name), node(index));
        }
    }
}

impl SolvedLoop {
    /// Where a channel stands with a fractional divider; `None` with whole ones.
    pub fn fraction_at(&self, channel: &Channel) -> Option<FractionAt> {
        channel.fraction?;
        let distance = to_f64(&self.plan.boundary_distance(channel));
        Some(FractionAt { distance, modulator: self.plan.modulator(channel) })
    }
}

/// Whether the noise tables are those of the design, so that its shapes hold.
fn same_tables(case: &Case, design: &Case) -> bool {
    // A modulator of short sequences is counted by its lines: its noise comes and goes with the channel.
    let modulator = case.noise.modulator_order == design.noise.modulator_order;
    modulator
        && match (&case.noise.oscillator, &design.noise.oscillator) {
            (Some(a), Some(b)) => Arc::ptr_eq(a, b),
            (None, None) => true,
            _ => false,
        }
}

/// Puts a result under a dotted name.
pub fn put_below(group: &mut Group, name: &str, node: Node) {
    let Some((first, rest)) = name.split_once('.') else {
        group.put(name, node);
        return;
    };
    if !matches!(group.get(first), Some(Node::Group(_))) {
        group.put(first, Node::Group(Group::new()));
    }
    if let Some((_, Node::Group(inner))) = group.0.iter_mut().find(|(name, _)| name == first) {
        put_below(inner, rest, node);
    }
}

/// A number of a column as a metric: infinite is unbounded, not a number is none.
pub fn metric(value: f64, column: &Column) -> Metric {
    if value.is_nan() {
        Metric::none(column.unit, column.none)
    } else if value.is_infinite() {
        Metric::unbounded(column.unit, column.unbounded)
    } else {
        Metric::real(value, column.unit)
    }
}
