//! `alternatives`: other ways to build a loop, each solved and judged beside the one that is designed.

use rayon::prelude::*;

use super::again::{Bench, Change};
use super::fields::{COMMON, optional, required};
use super::r#loop::{OVERRIDES, SolvedLoop};
use super::prelude::*;
use super::support::{model_of, needs_of};
use crate::diag::nearest;
use crate::exhibit::{Cell, Column, Table};
use crate::num::flat::flat;
use crate::results::{State, Verdict};

/// The kind.
pub struct AlternativesKind;

/// Name of the loop as it is designed.
const DESIGNED: &str = "as designed";
/// Most columns of metrics in the table; results.json has them all.
const COLUMNS: usize = 5;

static OPTION: Type = Type::Group(&OVERRIDES);
static FIELDS: &[Field] = &[
    optional("of", Type::Block(&["loop"]), "loop that is varied; absent: the only one"),
    required("options", Type::Entries(&OPTION), "options by name, each with fields laid over the loop's own"),
    optional(
        "judge_by",
        Type::List(&Type::Metric),
        "metrics that are shown, e.g. [noise.jitter, lo.bandwidth]; absent: those of the requirements",
    ),
    optional("chosen", Type::Text, "option that was chosen, or `as designed`"),
    optional("because", Type::Prose, "why"),
];
static LISTS: &[&[Field]] = &[FIELDS, COMMON];

static METRICS: &[MetricDoc] = &[MetricDoc {
    name: "options",
    unit: Unit::One,
    says: "metrics and verdicts of each option: `NAME.options.A.metrics.noise.jitter`",
    route: Route::None("trials; the loop as designed has its second routes"),
}];

/// A requirement, judged on one way.
struct Judged {
    id: String,
    state: State,
    reserve_kept: Option<bool>,
}

flat!(Judged { id, state, reserve_kept });

/// One way, solved or refused.
struct Way {
    name: String,
    solved: Result<(Group, Vec<Judged>), String>,
    /// Metrics of the table, where they have a value.
    shown: Vec<Option<Metric>>,
}

flat!(Way { name, solved, shown });

struct Ways {
    of: String,
    columns: Vec<String>,
    all: Vec<Way>,
    chosen: Option<String>,
}

impl Kind for AlternativesKind {
    fn name(&self) -> &'static str {
        "alternatives"
    }
    fn about(&self) -> &'static str {
        "other ways to build a loop, solved and judged beside it"
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
        let mut needs = needs_of(given, catalog, "loop");
        for item in given.fields.list("judge_by") {
            let path = item.text().and_then(MetricPath::parse);
            needs.extend(path.map(|path| Needed { path, place: item.place.clone() }));
        }
        needs
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let ways = ways(given, inputs, &mut faults);
        faults.done()?;
        let ways = ways.ok_or_else(Vec::new)?;
        let beside = options(&ways);
        Ok(Solved { beside, ..Solved::new(ways) })
    }
    fn show(&self, given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        let Some(ways) = solved.model.downcast_ref::<Ways>() else { return Vec::new() };
        let mut shown = vec![table(ways)];
        if let Some(text) = given.fields.text("because") {
            let lead =
                ways.chosen.as_ref().map_or("Because".to_owned(), |chosen| format!("Chosen: {chosen}"));
            let (text, span) = (text.to_owned(), given.fields.span("because"));
            shown.push(Exhibit::Prose { lead, text, span });
        }
        shown
    }
}

fn ways(given: &Given, inputs: &Inputs<'_>, faults: &mut Faults) -> Option<Ways> {
    let fields = &given.fields;
    model_of::<SolvedLoop>(given, inputs, "loop", faults)?;
    let of = inputs.of(given, "loop")?.to_owned();
    let bench = Bench::new(inputs, &of, &[])?;
    let options = fields.entries("options");
    if options.is_empty() {
        faults.place(
            fields.place("options"),
            "no-options",
            "`options` is empty: it takes `NAME: {fields of the loop}`",
        );
    }
    let chosen = fields.text("chosen").map(str::to_owned);
    let names = || options.iter().map(|(key, _)| key.name.as_str()).chain([DESIGNED]);
    if let Some(chosen) = chosen.as_deref().filter(|chosen| !names().any(|name| name == *chosen)) {
        let mut fault = Diagnostic::error("option-unknown", format!("there is no option `{chosen}`"));
        fault = fault
            .at(fields.span("chosen"))
            .expected(format!("expected the name of an option or `{DESIGNED}`"));
        fault = match nearest(chosen, names()) {
            Some(near) => fault.hint(format!("did you mean `{near}`?")),
            None => fault,
        };
        faults.push(fault);
    }
    let columns = columns(given, inputs, &bench, faults);
    faults.sound()?;
    let designed = Change::of(&of);
    let mut changes = vec![(DESIGNED.to_owned(), designed)];
    changes.extend(
        options.iter().filter_map(|(key, checked)| Some((key.name.clone(), change(&of, checked.group()?)))),
    );
    let all = inputs.keep.recall("ways", || {
        changes.into_par_iter().map(|(name, change)| way(name, &change, &columns, &bench)).collect()
    });
    Some(Ways { of, columns, all, chosen })
}

/// What is shown: as asked, or the metrics of the requirements on the loop.
fn columns(given: &Given, inputs: &Inputs<'_>, bench: &Bench<'_>, faults: &mut Faults) -> Vec<String> {
    let mut columns: Vec<String> = Vec::new();
    for item in given.fields.list("judge_by") {
        let Some(name) = item.text() else { continue };
        let path = MetricPath::parse(name);
        match path.as_ref().map(|path| inputs.metric(path)) {
            Some(Ok(_)) if path.as_ref().is_some_and(|path| bench.repeats(&path.block)) => {
                columns.push(name.to_owned());
            }
            Some(Ok(_)) => faults.place(
                &item.place,
                "metric-elsewhere",
                format!("`{name}` is not a metric of `{}` or of a block repeated with it", bench.of),
            ),
            Some(Err(fault)) => {
                let known = fault.known.iter().map(String::as_str);
                let diagnostic =
                    Diagnostic::error("name-unknown", fault.message.clone()).at(item.place.span());
                faults.push(diagnostic.nearest(&fault.wrong, known));
            }
            None => faults.place(&item.place, "metric-name", format!("`{name}` is not the name of a metric")),
        }
    }
    if !given.fields.written("judge_by") {
        let designed = bench.solve(&Change::of(&bench.of)).map(|solved| bench.verdicts(&solved));
        for verdict in designed.unwrap_or_default() {
            let number = verdict
                .metric
                .filter(|metric| MetricPath::parse(metric).is_some_and(|path| inputs.metric(&path).is_ok()));
            columns.extend(number.filter(|metric| !columns.contains(metric)));
        }
    }
    columns
}

/// The fields of an option over those of the loop; given parts and a design put each other out.
fn change(of: &str, option: &Fields) -> Change {
    let mut change = Change::of(of);
    for (field, checked, _) in option.iter() {
        change = change.with(field.name, checked.value.clone());
    }
    let sets = |name: &str| option.written(name);
    if sets("parts") {
        change.without.extend(["bandwidth", "phase_margin", "pole_ratio"]);
    } else if sets("bandwidth") || sets("phase_margin") {
        change.without.push("parts");
    }
    change
}

fn way(name: String, change: &Change, columns: &[String], bench: &Bench<'_>) -> Way {
    let solved = match bench.solve(change) {
        Ok(solved) => solved,
        Err(why) => return Way { name, solved: Err(why), shown: vec![None; columns.len()] },
    };
    let judged = |verdict: Verdict| Judged {
        id: verdict.id,
        state: verdict.state,
        reserve_kept: verdict.reserve_kept,
    };
    let verdicts = bench.verdicts(&solved).into_iter().map(judged).collect();
    let inputs = Inputs { solved: &solved, again: None, ..*bench.inputs() };
    let metric = |name: &String| inputs.metric(&MetricPath::parse(name)?).ok();
    let shown = columns.iter().map(metric).collect();
    let mut metrics = Group::new();
    for (block, solution) in solved.iter().filter(|(block, _)| bench.repeats(block)) {
        // Curves are for the loop as designed.
        let group =
            solution.solved.metrics.0.iter().filter(|(name, _)| name != "curve" && name != "total").cloned();
        metrics.put(block, Node::Group(Group(group.collect())));
    }
    Way { name, solved: Ok((metrics, verdicts)), shown }
}

/// `options` of results.json.
fn options(ways: &Ways) -> Group {
    let mut options = Group::new();
    for way in &ways.all {
        let mut one = Group::new();
        match &way.solved {
            Ok((metrics, verdicts)) => {
                one.put("metrics", Node::Group(metrics.clone()));
                let mut group = Group::new();
                for verdict in verdicts {
                    group.put(&verdict.id, Node::Text(verdict.state.word().to_owned()));
                }
                one.put("verdicts", Node::Group(group));
            }
            Err(why) => {
                one.put("metrics", Node::Group(Group::new()));
                one.put("verdicts", Node::Group(Group::new()));
                one.put("why", Node::Text(why.clone()));
            }
        }
        options.put(&way.name, Node::Group(one));
    }
    let mut beside = Group::new();
    beside.put("options", Node::Group(options));
    beside
}

fn table(ways: &Ways) -> Exhibit {
    let shown = ways.columns.iter().take(COLUMNS);
    let mut columns = vec![Column::text("Option", "option")];
    columns.extend(shown.map(|name| Column::number(name, name)));
    columns.push(Column::text("Requirements", "requirements"));
    let rows = ways.all.iter().map(|way| {
        let mark = if ways.chosen.as_ref() == Some(&way.name) { " (chosen)" } else { "" };
        let mut row = vec![Cell::Text(format!("{}{mark}", way.name))];
        row.extend(
            way.shown.iter().take(COLUMNS).map(|metric| metric.as_ref().map_or(Cell::Empty, number_cell)),
        );
        row.push(Cell::Text(match &way.solved {
            Err(why) => format!("can't be had: {why}"),
            Ok((_, verdicts)) => outcome(verdicts),
        }));
        row
    });
    Exhibit::table(Table {
        anchor: "table".to_owned(),
        caption: format!(
            "Alternatives to loop \u{201c}{}\u{201d}, each with the parts it would have on the board",
            ways.of
        ),
        rows: rows.collect(),
        columns,
        note: "Judged as nominal, by the requirements on the loop and the blocks repeated with it."
            .to_owned(),
    })
}

fn outcome(verdicts: &[Judged]) -> String {
    let judged = verdicts.iter().filter(|v| v.state != State::NotJudged).count();
    let ids = |wanted: &dyn Fn(&Judged) -> bool| -> Vec<&str> {
        verdicts.iter().filter(|v| wanted(v)).map(|v| v.id.as_str()).collect()
    };
    let missed = ids(&|v| v.state == State::NotMet);
    let thin = ids(&|v| v.state == State::Met && v.reserve_kept == Some(false));
    let mut text = match missed.as_slice() {
        [] => format!("all {judged} met"),
        missed => format!("not met: {}", missed.join(", ")),
    };
    if !thin.is_empty() {
        text.push_str(&format!("; reserve not kept: {}", thin.join(", ")));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::num::flat::tests::comes_back;

    #[test]
    fn a_way_comes_back() {
        let mut metrics = Group::new();
        metrics.metric("jitter", Metric::real(1e-13, Unit::Second));
        let judged = |state, reserve_kept| Judged { id: "LO-1".to_owned(), state, reserve_kept };
        let verdicts = vec![judged(State::Met, Some(false)), judged(State::NotJudged, None)];
        let shown = vec![None, Some(Metric::none(Unit::Hertz, "never"))];
        let ways = vec![
            Way { name: "wide".to_owned(), solved: Ok((metrics, verdicts)), shown },
            Way { name: "narrow".to_owned(), solved: Err("no parts".to_owned()), shown: vec![None] },
        ];
        let found = comes_back(&ways);
        assert_eq!((found[0].name.as_str(), &found[0].shown), ("wide", &ways[0].shown));
        let (metrics, verdicts) = found[0].solved.as_ref().expect("solved");
        assert_eq!(Some(metrics), ways[0].solved.as_ref().ok().map(|(metrics, _)| metrics));
        assert_eq!(outcome(verdicts), "all 1 met; reserve not kept: LO-1");
        assert_eq!(found[1].solved.as_ref().err().map(String::as_str), Some("no parts"));
    }
}
