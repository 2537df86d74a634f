//! The typed store of results.

use std::fmt;
use std::sync::{Arc, OnceLock};

use crate::source::Span;
use crate::units::{Digits, Unit, print};

/// A real number or a count.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// A real number.
    Real(f64),
    /// A count, an exact divider.
    Integer(i64),
}

impl Number {
    /// As a real number.
    pub fn real(self) -> f64 {
        match self {
            Number::Real(value) => value,
            Number::Integer(count) => count as f64,
        }
    }
}

/// The same number by another route, computed in the same run.
#[derive(Clone, Debug, PartialEq)]
pub struct Second {
    /// The value, in the unit of the first.
    pub value: f64,
    /// Name of the route.
    pub route: &'static str,
    /// Whether the two agree within what is stated.
    pub agrees: bool,
    /// What is stated, e.g. "1e-6 relative".
    pub within: &'static str,
}

/// One number with its unit, or none with the reason.
#[derive(Clone, Debug, PartialEq)]
pub struct Metric {
    /// The value; `None` where there is none.
    pub value: Option<Number>,
    /// Its unit.
    pub unit: Unit,
    /// Why there is none.
    pub why: Option<String>,
    /// Where there is none: whether that is as good as it can be (a gain margin that never crosses).
    pub unbounded: bool,
    /// The second route.
    pub second: Option<Second>,
    /// All values where there are several, in the order of frequency; `value` is the least.
    pub all: Vec<f64>,
    /// Whether it is printed with all its digits (exact frequencies, dividers, facts as written).
    pub exact: bool,
}

impl Metric {
    /// A real number.
    pub fn real(value: f64, unit: Unit) -> Self {
        let mut metric = Self::none(unit, "");
        if value.is_finite() {
            metric.value = Some(Number::Real(value));
            metric.why = None;
        } else {
            metric.why = Some("not finite".to_owned());
        }
        metric
    }

    /// A real number to be printed with all its digits.
    pub fn exact(value: f64, unit: Unit) -> Self {
        Self { exact: true, ..Self::real(value, unit) }
    }

    /// A count.
    pub fn count(value: i64) -> Self {
        Self { value: Some(Number::Integer(value)), exact: true, why: None, ..Self::none(Unit::One, "") }
    }

    /// No value, and why.
    pub fn none(unit: Unit, why: impl Into<String>) -> Self {
        Self {
            value: None,
            unit,
            why: Some(why.into()),
            unbounded: false,
            second: None,
            all: Vec::new(),
            exact: false,
        }
    }

    /// No value because it is as good as can be.
    pub fn unbounded(unit: Unit, why: impl Into<String>) -> Self {
        Self { unbounded: true, ..Self::none(unit, why) }
    }

    /// Adds the second route.
    #[must_use]
    pub fn with_second(mut self, second: Second) -> Self {
        self.second = Some(second);
        self
    }

    /// Adds all values where there are several.
    #[must_use]
    pub fn with_all(mut self, all: Vec<f64>) -> Self {
        self.all = if all.len() > 1 { all } else { Vec::new() };
        self
    }

    /// As a real number.
    pub fn number(&self) -> Option<f64> {
        self.value.map(Number::real)
    }

    /// As a person reads it: three significant digits or, where exact, all.
    pub fn print(&self) -> String {
        match self.value {
            None => self.why.clone().unwrap_or_else(|| "none".to_owned()),
            Some(Number::Integer(count)) => print(count as f64, self.unit, Digits::All),
            Some(Number::Real(value)) => {
                print(value, self.unit, if self.exact { Digits::Written } else { Digits::Significant(3) })
            }
        }
    }
}

/// A tree of results under a block.
#[derive(Clone, Debug, PartialEq)]
pub enum Node {
    /// A number.
    Metric(Metric),
    /// A word, a text.
    Text(String),
    /// Yes or no.
    Flag(bool),
    /// Several.
    List(Vec<Node>),
    /// By name, in order.
    Group(Group),
    /// A curve: one unit, many values.
    Series {
        /// Unit of every value.
        unit: Unit,
        /// The values.
        values: Vec<f64>,
    },
}

/// Named results, in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Group(pub Vec<(String, Node)>);

impl Group {
    /// An empty group.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a result at its end.
    pub fn put(&mut self, name: &str, node: Node) {
        self.0.push((name.to_owned(), node));
    }

    /// Adds a metric at its end.
    pub fn metric(&mut self, name: &str, metric: Metric) {
        self.put(name, Node::Metric(metric));
    }

    /// The result of that name.
    pub fn get(&self, name: &str) -> Option<&Node> {
        self.0.iter().find(|(n, _)| n == name).map(|(_, node)| node)
    }

    /// Names, in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|(name, _)| name.as_str())
    }
}

/// A metric that takes an argument, such as `noise.at("10 kHz")`; the error is a sentence.
#[derive(Clone)]
#[allow(clippy::type_complexity, reason = "this is the type that gives it a name")]
pub struct MetricFunction(pub Arc<dyn Fn(&str) -> Result<Metric, String> + Send + Sync>);

impl fmt::Debug for MetricFunction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("MetricFunction")
    }
}

/// The results of one block.
#[derive(Clone, Debug)]
pub struct BlockResult {
    /// Name of the block.
    pub name: String,
    /// Its kind.
    pub kind: &'static str,
    /// Where its fence opens.
    pub span: Span,
    /// Line of the fence, from 1.
    pub line: usize,
    /// Digest of all that it was solved from.
    pub digest: String,
    /// Whether it stays in the house.
    pub internal: bool,
    /// What it gave.
    pub results: Arc<Results>,
}

/// What one block gave. Shared, not copied, between the stages and from one turn of `follow` to the next.
#[derive(Debug)]
pub struct Results {
    /// The fields of a facts block, as used.
    pub fields: Option<Group>,
    /// Metrics.
    pub metrics: Group,
    /// Metrics with an argument.
    pub functions: Vec<(String, MetricFunction)>,
    /// What stands beside the metrics in results.json (`channels`, `options`).
    pub beside: Group,
    /// Its lines of results.json, once they were asked for.
    pub(super) lines: OnceLock<String>,
}

impl Results {
    /// Fields, metrics, metrics with an argument, and what stands beside them.
    pub fn new(
        fields: Option<Group>,
        metrics: Group,
        functions: Vec<(String, MetricFunction)>,
        beside: Group,
    ) -> Arc<Self> {
        Arc::new(Self { fields, metrics, functions, beside, lines: OnceLock::new() })
    }
}

/// How a requirement came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// It holds.
    Met,
    /// It does not.
    NotMet,
    /// It has no metric: shown by test, inspection or analysis elsewhere.
    NotJudged,
}

impl State {
    /// The word of the contract.
    pub fn word(self) -> &'static str {
        match self {
            State::Met => "met",
            State::NotMet => "not met",
            State::NotJudged => "not judged",
        }
    }
}

/// One row of the requirement matrix.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Identifier, e.g. `LO-1`.
    pub id: String,
    /// What is required, in words (prose, not yet filled).
    pub text: String,
    /// Where the requirement comes from.
    pub source: String,
    /// The metric, as written.
    pub metric: Option<String>,
    /// Its value in the case that decided.
    pub value: Option<f64>,
    /// Why there is no value.
    pub why: Option<String>,
    /// Unit of value and margin.
    pub unit: Unit,
    /// The limit, as written (a mask: one text).
    pub limit: String,
    /// What its names stand for, printed: "11.2 mrad"; empty where it has none.
    pub limit_stands_for: String,
    /// Margin in the unit of the metric, positive when met.
    pub margin: Option<f64>,
    /// Offset at which a mask is nearest, Hz.
    pub at: Option<f64>,
    /// Margin wanted.
    pub reserve: Option<f64>,
    /// Whether the margin wanted is there.
    pub reserve_kept: Option<bool>,
    /// How it came out.
    pub state: State,
    /// In which case it was judged, as written: `nominal`, `band NAME`, ..
    pub judged: String,
    /// The case that decided, e.g. `2.9 GHz`; `None` for nominal.
    pub decided_by: Option<String>,
    /// Block whose exhibits show the deciding case.
    pub shown_by: Option<String>,
    /// `test`, `inspection` or `analysis`.
    pub method: Option<String>,
    /// Evidence (prose, not yet filled).
    pub evidence: Option<String>,
    /// Whether it stays in the house.
    pub internal: bool,
    /// Place of the requirement.
    pub span: Span,
    /// What it would take, where it is missed or short of its reserve.
    pub would_take: Vec<Remedy>,
}

/// Metrics that say yes (1) or no (0).
const QUESTIONS: [&str; 2] = ["stays_locked", "agrees"];

impl Verdict {
    /// The answer, where the metric is a question and yes was asked for.
    pub fn answer(&self) -> Option<bool> {
        let question =
            self.metric.as_deref()?.rsplit('.').next().is_some_and(|name| QUESTIONS.contains(&name));
        let asked = question && matches!(self.limit.replace(' ', "").as_str(), ">=1" | "≥1");
        self.value.filter(|_| asked).map(|value| value >= 1.0)
    }

    /// Names of the changes that alone would not do.
    pub fn would_not_do(&self) -> Vec<String> {
        self.would_take.iter().filter(|remedy| remedy.to.is_none()).map(Remedy::name).collect()
    }
}

/// What one change alone would do for a requirement.
#[derive(Clone, Debug, PartialEq)]
pub struct Remedy {
    /// Field of the loop, or fact, that is changed.
    pub choice: &'static str,
    /// Where it stands; `None` of a fact, which is moved by some dB.
    pub from: Option<Metric>,
    /// Where it would have to be, or by how much it would have to move; `None`: not by this alone.
    pub to: Option<Metric>,
    /// Requirements that are met and would no longer be.
    pub costs: Vec<String>,
}

impl Remedy {
    /// What is changed, in words.
    pub fn name(&self) -> String {
        self.choice.replace('_', " ")
    }

    /// The change in words: "62 kHz in place of 40 kHz", "2.8 dB lower"; `None`: not by this alone.
    pub fn words(&self) -> Option<String> {
        let to = self.to.as_ref()?;
        let number = |metric: &Metric| metric.number().unwrap_or(f64::NAN);
        Some(match &self.from {
            Some(from) => {
                format!(
                    "{} in place of {}",
                    to.print(),
                    print(number(from), from.unit, Digits::Significant(3))
                )
            }
            None => format!("{} lower", print(-number(to), to.unit, Digits::Significant(3))),
        })
    }
}

/// A warning as results.json and the document carry it.
#[derive(Clone, Debug, PartialEq)]
pub struct Warning {
    /// Block it belongs to; empty for the note itself.
    pub block: String,
    /// Line in the note.
    pub line: usize,
    /// The sentence.
    pub text: String,
    /// Whether it stays in the house.
    pub internal: bool,
}

/// All results of a note.
#[derive(Clone, Debug, Default)]
pub struct Store {
    /// Name of the note, without folder and ending.
    pub note: String,
    /// Its revision.
    pub revision: Option<String>,
    /// What was set on the command line, e.g. `lo.step = 5 MHz`; else these are the results of record.
    pub what_if: Vec<String>,
    /// Blocks in the order of the note.
    pub blocks: Vec<BlockResult>,
    /// Requirements in the order of the note.
    pub requirements: Vec<Verdict>,
    /// Warnings.
    pub warnings: Vec<Warning>,
}

impl Store {
    /// The block of that name.
    pub fn block(&self, name: &str) -> Option<&BlockResult> {
        self.blocks.iter().find(|block| block.name == name)
    }

    /// Every metric that has a second route: block, dotted name, metric.
    pub fn second_routes(&self) -> Vec<(&str, String, &Metric)> {
        let mut found = Vec::new();
        for block in &self.blocks {
            visit(&block.results.metrics, "", &mut |name, metric| {
                if metric.second.is_some() {
                    found.push((block.name.as_str(), name.to_owned(), metric));
                }
            });
        }
        found
    }

    /// Whether every second route agrees.
    pub fn routes_agree(&self) -> bool {
        self.second_routes().iter().all(|(_, _, metric)| metric.second.as_ref().is_none_or(|s| s.agrees))
    }
}

fn visit<'a>(group: &'a Group, prefix: &str, found: &mut dyn FnMut(&str, &'a Metric)) {
    for (name, node) in &group.0 {
        let path = if prefix.is_empty() { name.clone() } else { format!("{prefix}.{name}") };
        match node {
            Node::Metric(metric) => found(&path, metric),
            Node::Group(inner) => visit(inner, &path, found),
            _ => {}
        }
    }
}
