//! `requirements`: what must hold, judged against the metrics of other blocks.

use super::fields::{COMMON, default, optional, required};
use super::judged::JudgedCase;
use super::prelude::*;
use super::solved_noise::SolvedNoise;
use super::spurs::SolvedSpurs;
use crate::diag::nearest;
use crate::exhibit::{Cell, Column, Table};
use crate::note::{Row, place::Place, yaml::Key};
use crate::results::{Judgement, Limit, MaskPoint, State, Verdict};
use crate::units::{QuantityFault, parse, parse_as, with_signs};

/// The kind.
pub struct RequirementsKind;

static REQUIREMENT: &[Field] = &[
    required("text", Type::Prose, "what is required, in words"),
    optional("source", Type::Text, "where the requirement comes from"),
    optional("metric", Type::Metric, "metric that is judged, e.g. noise.jitter"),
    optional(
        "limit",
        Type::Either(&[
            Type::Limit,
            Type::Table(Unit::Hertz, Unit::DecibelCarrierPerHertz),
            Type::Table(Unit::Hertz, Unit::DecibelCarrier),
        ]),
        "comparison, range, or mask over offset; bounds may be names",
    ),
    optional("reserve", Type::AnyQuantity, "margin wanted"),
    default(
        "judged",
        Type::Text,
        "nominal",
        "case that is judged: nominal, `band NAME` (every channel), `tolerance NAME at 99.7 %` (of the runs, with 95 % \
         confidence) or worst (the least of all of them)",
    ),
    optional(
        "method",
        Type::Word(&["test", "inspection", "analysis"]),
        "how it is shown, where it has no metric",
    ),
    optional("evidence", Type::Prose, "what shows it, where it has no metric"),
];
static ENTRY: Type = Type::Group(REQUIREMENT);

static LISTS: &[&[Field]] = &[COMMON];

impl Kind for RequirementsKind {
    fn name(&self) -> &'static str {
        "requirements"
    }
    fn about(&self) -> &'static str {
        "what must hold"
    }
    fn nameless(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn entries(&self) -> Option<&'static Type> {
        Some(&ENTRY)
    }
    fn needs(&self, given: &Given, catalog: &Catalog) -> Vec<Needed> {
        let entries = given.fields.entries.iter().filter_map(|(_, checked)| checked.group());
        entries.flat_map(|one| names(one).into_iter().chain(JudgedCase::needs(one, catalog))).collect()
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let verdicts: Vec<Verdict> = given
            .fields
            .entries
            .iter()
            .filter_map(|(key, checked)| judge(given, key, checked.group()?, None, inputs, &mut faults))
            .collect();
        faults.done()?;
        Ok(Solved { verdicts, ..Solved::new(()) })
    }
    fn show(&self, _given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        vec![stated(&solved.verdicts)]
    }
}

/// The names that one requirement rests on: its metric and those in its limit.
pub fn names(one: &Fields) -> Vec<Needed> {
    let place = one.place("metric").clone();
    let metric = one.text("metric").and_then(MetricPath::parse).map(|path| Needed { path, place });
    metric.into_iter().chain(limit_names(one, "limit")).collect()
}

/// The names in a limit.
pub fn limit_names(one: &Fields, field: &str) -> Vec<Needed> {
    let mut needed = Vec::new();
    if let Some(Item::Limit(limit)) = one.get(field).map(|c| &c.value) {
        let _ = Limit::parse::<QuantityFault>(limit, |_, bound| {
            if parse(bound).is_err() {
                let place = one.place(field).clone();
                needed.extend(MetricPath::parse(bound).map(|path| Needed { path, place }));
            }
            Ok(0.0)
        });
    }
    needed
}

/// Verdicts of the requirements on those metrics, judged as nominal whatever case they ask for; what can't be judged is
/// left out, since the block itself tells why.
pub fn nominal(given: &Given, inputs: &Inputs<'_>, on: &dyn Fn(&MetricPath) -> bool) -> Vec<Verdict> {
    let mut faults = Faults::new(given);
    let entries = given.fields.entries.iter().filter_map(|(key, checked)| Some((key, checked.group()?)));
    let wanted =
        entries.filter(|(_, one)| one.text("metric").and_then(MetricPath::parse).is_some_and(|p| on(&p)));
    wanted
        .filter_map(|(key, one)| judge(given, key, one, Some(JudgedCase::Nominal), inputs, &mut faults))
        .collect()
}

/// Masks that requirements set for a metric of this block: identifier and corners, ascending in offset.
pub(super) fn masks_for(given: &Given, metric: &str, inputs: &Inputs<'_>) -> Vec<(String, Vec<(f64, f64)>)> {
    let wanted = format!("{}.{metric}", given.name);
    let blocks = inputs.solved.values().filter(|s| s.given.kind == "requirements" && !s.given.internal);
    let entries = blocks.flat_map(|s| &s.given.fields.entries);
    entries
        .filter_map(|(key, checked)| {
            let one = checked.group()?;
            let rows = one.table("limit").filter(|_| one.text("metric") == Some(wanted.as_str()))?;
            let mut corners: Vec<(f64, f64)> = rows.iter().map(|row| (row.at, row.value)).collect();
            corners.sort_by(|a, b| a.0.total_cmp(&b.0));
            Some((key.name.clone(), corners))
        })
        .collect()
}

/// The requirements as stated; how they came out stands in the compliance matrix.
fn stated(verdicts: &[Verdict]) -> Exhibit {
    let rows = verdicts.iter().map(|v| {
        let limit = match (v.limit.as_str(), v.limit_stands_for.as_str()) {
            _ if v.answer().is_some() => "yes".to_owned(),
            ("", _) => v.method.as_ref().map_or(String::new(), |method| format!("by {method}")),
            (limit, "") => with_signs(limit),
            (limit, stands_for) => format!("{} ({stands_for})", with_signs(limit)),
        };
        vec![
            Cell::Text(v.id.clone()),
            Cell::Prose(v.text.clone(), v.span),
            Cell::Text(limit),
            Cell::Text(v.source.clone()),
        ]
    });
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: "Requirements as stated".to_owned(),
        rows: rows.collect(),
        columns: vec![
            Column::text("Id", "id"),
            Column::text("Requirement", "requirement"),
            Column::text("Limit", "limit"),
            Column::text("Source", "source"),
        ],
        note: String::new(),
    })
}

fn judge(
    given: &Given,
    key: &Key,
    one: &Fields,
    case: Option<JudgedCase>,
    inputs: &Inputs<'_>,
    faults: &mut Faults,
) -> Option<Verdict> {
    let id = &key.name;
    let mut verdict = Verdict {
        id: id.clone(),
        text: one.text("text").unwrap_or("").to_owned(),
        source: one.text("source").unwrap_or("").to_owned(),
        metric: None,
        value: None,
        why: None,
        unit: Unit::One,
        limit: String::new(),
        limit_stands_for: String::new(),
        margin: None,
        at: None,
        reserve: None,
        reserve_kept: None,
        state: State::NotJudged,
        judged: one.text("judged").unwrap_or("nominal").to_owned(),
        decided_by: None,
        shown_by: None,
        method: one.word("method").map(str::to_owned),
        evidence: one.text("evidence").map(str::to_owned),
        internal: given.internal,
        span: key.place.span(),
        would_take: Vec::new(),
    };
    let Some(metric) = one.text("metric") else {
        if verdict.method.is_none() {
            let text = format!(
                "`{id}` has no `metric`; it needs `method` (test, inspection or analysis), and `evidence`"
            );
            faults.place(&key.place, "field-missing", text);
            return None;
        }
        if let Some(name) = ["limit", "reserve"].into_iter().find(|name| one.written(name)) {
            faults.place(one.place(name), "limit-without-metric", "a limit needs the `metric` it is for");
            return None;
        }
        return Some(verdict);
    };
    let case = case.or_else(|| JudgedCase::read(one, faults))?;
    verdict.metric = Some(metric.to_owned());
    let Some(path) = MetricPath::parse(metric) else {
        faults.place(
            one.place("metric"),
            "metric-name",
            format!("`{metric}` is not the name of a metric, such as noise.jitter"),
        );
        return None;
    };
    let Some(limit_item) = one.get("limit").map(|c| &c.value) else {
        faults.place(&key.place, "field-missing", format!("`{id}` has a `metric` and needs its `limit`"));
        return None;
    };
    let (judgement, nominal_bound) = match limit_item {
        Item::Table(rows) => {
            let mask = judge_mask(metric, &path, rows, one, inputs, faults)?;
            let judgement = mask.judgement;
            verdict.limit = mask.text;
            verdict.unit = mask.unit;
            if judgement.value.is_none() {
                verdict.why = Some(if mask.unit == Unit::DecibelCarrier {
                    "no line within the mask".to_owned()
                } else {
                    "nothing contributes noise".to_owned()
                });
            }
            (judgement, 0.0)
        }
        _ => {
            let text = one.text("limit")?;
            let found =
                inputs.metric(&path).map_err(|fault| unknown(one.place("metric"), &fault, faults)).ok()?;
            let limit = read_limit(text, found.unit, one, inputs, faults)?;
            verdict.limit = text.trim().to_owned();
            verdict.limit_stands_for = stands_for(text, &limit, found.unit);
            verdict.unit = found.unit;
            verdict.why.clone_from(&found.why);
            (limit.judge(&found), bound_of(&limit))
        }
    };
    let judgement = if case == JudgedCase::Nominal {
        judgement
    } else {
        let limit = match limit_item {
            Item::Table(rows) => Limit::Mask(mask_points(rows)),
            _ => read_limit(one.text("limit")?, verdict.unit, one, inputs, faults)?,
        };
        let found = case.judge(&path, &limit, judgement, one, inputs, faults)?;
        (verdict.decided_by, verdict.shown_by) = (found.decided_by, found.shown_by);
        // Met without a value: nothing is there to be judged, as in the design.
        let why = match found.judgement.state {
            State::Met => verdict.why.or(found.why),
            _ => found.why.or(verdict.why),
        };
        verdict.why = why.filter(|_| found.judgement.value.is_none());
        found.judgement
    };
    verdict.value = judgement.value;
    verdict.margin = judgement.margin;
    verdict.at = judgement.at;
    verdict.state = judgement.state;
    if let Some(wanted) = one.quantity_full("reserve") {
        let reserve = reserve_in(wanted, verdict.unit, nominal_bound);
        let Some(reserve) = reserve else {
            let text = format!(
                "a reserve for this metric is in {}, or in % of the limit",
                margin_unit(verdict.unit).symbol()
            );
            faults.place(one.place("reserve"), "unit-wrong", text);
            return None;
        };
        verdict.reserve = Some(reserve);
        verdict.reserve_kept = Some(judgement.keeps(reserve));
    }
    Some(verdict)
}

fn unknown(place: &Place, fault: &LookupFault, faults: &mut Faults) {
    let mut diagnostic = Diagnostic::error("name-unknown", fault.message.clone()).at(place.span());
    let known: Vec<&str> = fault.known.iter().map(String::as_str).collect();
    let near = nearest(&fault.wrong, known.iter().copied());
    diagnostic = match near {
        Some(name) => diagnostic.hint(format!("did you mean `{name}`?")),
        None if known.is_empty() => diagnostic,
        None => diagnostic.hint(format!("there are: {}", known.join(", "))),
    };
    faults.push(diagnostic);
}

/// The limit of a requirement that is a comparison or a range, in this unit.
pub(super) fn limit(given: &Given, one: &Fields, unit: Unit, inputs: &Inputs<'_>) -> Option<Limit> {
    read_limit(one.text("limit")?, unit, one, inputs, &mut Faults::new(given))
}

/// What can go wrong with a bound of a limit.
enum BoundFault {
    Quantity(QuantityFault),
    Said,
}

impl From<QuantityFault> for BoundFault {
    fn from(fault: QuantityFault) -> Self {
        Self::Quantity(fault)
    }
}

fn read_limit(
    text: &str,
    unit: Unit,
    one: &Fields,
    inputs: &Inputs<'_>,
    faults: &mut Faults,
) -> Option<Limit> {
    let place = one.place("limit");
    let read = Limit::parse(text, |_, bound| {
        match parse_as(bound, unit) {
            Ok(quantity) => return Ok(quantity.value),
            Err(fault) if MetricPath::parse(bound).is_none() => return Err(BoundFault::Quantity(fault)),
            Err(_) => {}
        }
        match inputs.named(bound) {
            Ok(quantity) => match quantity.convert(unit) {
                Some(quantity) => Ok(quantity.value),
                None => Err(BoundFault::Quantity(QuantityFault::WrongUnit(0..0, quantity.unit))),
            },
            Err(fault) => {
                unknown(place, &fault, faults);
                Err(BoundFault::Said)
            }
        }
    });
    let fault = match read {
        Ok(limit) => return Some(limit),
        Err(BoundFault::Said) => return None,
        Err(BoundFault::Quantity(fault)) => fault,
    };
    let message = match fault {
        QuantityFault::NotARange => {
            format!("`{text}` is not a limit, such as \"<= 150 fs\" or \"45 deg .. 70 deg\"")
        }
        QuantityFault::MissingUnit => format!("the limit `{text}` has no unit"),
        QuantityFault::WrongUnit(_, found) => {
            format!("the limit `{text}` is in {}, but the metric in {}", found.symbol(), unit.symbol())
        }
        _ => format!("the limit `{text}` can't be read"),
    };
    let diagnostic = Diagnostic::error("limit", message).at(place.span());
    faults.push(diagnostic.expected(format!("expected {}", unit.expectation())));
    None
}

/// How a mask came out.
struct MaskVerdict {
    /// The mask in words.
    text: String,
    /// Unit of its levels.
    unit: Unit,
    judgement: Judgement,
}

/// Corners of a mask, ascending in offset.
pub(super) fn mask_points(rows: &[Row]) -> Vec<MaskPoint> {
    let mut points: Vec<MaskPoint> =
        rows.iter().map(|row| MaskPoint { offset: row.at, level: row.value }).collect();
    points.sort_by(|a, b| a.offset.total_cmp(&b.offset));
    points
}

fn judge_mask(
    metric: &str,
    path: &MetricPath,
    rows: &[Row],
    one: &Fields,
    inputs: &Inputs<'_>,
    faults: &mut Faults,
) -> Option<MaskVerdict> {
    let noise = inputs.model::<SolvedNoise>(&path.block).filter(|_| path.names == ["total"]);
    let lines = inputs.model::<SolvedSpurs>(&path.block).filter(|_| path.names == ["lines"]);
    if noise.is_none() && lines.is_none() {
        match inputs.node(path) {
            Err(fault) => unknown(one.place("metric"), &fault, faults),
            Ok(_) => faults.place(
                one.place("metric"),
                "mask-metric",
                format!(
                    "a mask is for the `total` of a phase_noise block or the `lines` of a spurs block, not for `{metric}`"
                ),
            ),
        }
        return None;
    }
    let unit = if noise.is_some() { Unit::DecibelCarrierPerHertz } else { Unit::DecibelCarrier };
    let points = mask_points(rows);
    let wrong = points.is_empty()
        || points.iter().any(|p| p.offset <= 0.0)
        || points.windows(2).any(|p| p[0].offset >= p[1].offset);
    if wrong {
        faults.place(one.place("limit"), "value-range", "a mask has points at offsets above zero, each once");
        return None;
    }
    // The checker takes either unit; a row that writes the other one means something else.
    let other = |row: &&Row| {
        row.place.written().is_some_and(|text| parse(text).is_ok() && parse_as(text, unit).is_err())
    };
    if let Some(row) = rows.iter().find(other) {
        let text = format!("the mask for `{metric}` is in {}", unit.symbol());
        let diagnostic = Diagnostic::error("unit-wrong", text).at(row.place.span());
        faults.push(diagnostic.expected(format!("expected {}, or a plain number", unit.expectation())));
        return None;
    }
    let words = |p: &MaskPoint| {
        format!("{}: {}", print(p.offset, Unit::Hertz, Digits::Written), print(p.level, unit, Digits::All))
    };
    let text = crate::units::ascii(&points.iter().map(words).collect::<Vec<_>>().join("; "));
    let mask = Limit::Mask(points);
    let judgement = match (noise, lines) {
        (Some(noise), _) => mask.judge_curve(noise.offsets(), |f| noise.total_at(f)),
        (_, Some(spurs)) => mask.judge_lines(spurs.lines.iter().map(|line| (line.offset, line.level))),
        _ => return None,
    };
    Some(MaskVerdict { text, unit, judgement })
}

fn bound_of(limit: &Limit) -> f64 {
    match limit {
        Limit::AtMost(b) | Limit::Below(b) | Limit::AtLeast(b) | Limit::Above(b) => b.abs(),
        Limit::Between(low, high) => high - low,
        Limit::Mask(_) => 0.0,
    }
}

/// The bounds in numbers, where the limit as written names them.
fn stands_for(text: &str, limit: &Limit, unit: Unit) -> String {
    let bounds = match limit {
        Limit::AtMost(b) | Limit::Below(b) | Limit::AtLeast(b) | Limit::Above(b) => vec![*b],
        Limit::Between(low, high) => vec![*low, *high],
        Limit::Mask(_) => Vec::new(),
    };
    let named = text.split("..").any(|bound| {
        let bound = bound.trim_matches(|c: char| c.is_whitespace() || "<>=≤≥".contains(c));
        parse(bound).is_err() && MetricPath::parse(bound).is_some()
    });
    let print = |bound: &f64| print(*bound, unit, Digits::Significant(4));
    if named { bounds.iter().map(print).collect::<Vec<_>>().join(" … ") } else { String::new() }
}

/// Margins of levels are in dB.
fn margin_unit(unit: Unit) -> Unit {
    if unit.is_decibel() { Unit::Decibel } else { unit }
}

fn reserve_in(wanted: &Quantity, unit: Unit, bound: f64) -> Option<f64> {
    if let Some(same) = wanted.convert(unit).or_else(|| wanted.convert(margin_unit(unit))) {
        return Some(same.value);
    }
    (wanted.unit == Unit::One && bound > 0.0 && !unit.is_decibel()).then_some(wanted.value * bound)
}
