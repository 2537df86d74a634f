//! The case in which a requirement is judged: `nominal`, `band NAME`, `tolerance NAME at 99.7 %`, `worst`.

use super::band::SolvedBand;
use super::prelude::*;
use super::repeat::{self, Cases};
use super::tolerance::SolvedTolerance;
use crate::diag::nearest;
use crate::num::statistics::{CONFIDENCE, failures_allowed, share_bounds, trials_needed};
use crate::results::{Judgement, Limit};

/// A case as written.
#[derive(Clone, Debug, PartialEq)]
pub enum JudgedCase {
    /// The design.
    Nominal,
    /// Every channel of a band.
    Band(String),
    /// The share of a tolerance block's runs that must keep the limit.
    Tolerance(String, f64),
    /// The least of all of them.
    Worst,
}

/// How a requirement came out in its case.
pub struct Outcome {
    /// Of the case that decided.
    pub judgement: Judgement,
    /// What that case is called; `None`: the design.
    pub decided_by: Option<String>,
    /// Block that shows it.
    pub shown_by: Option<String>,
    /// Why there is no value.
    pub why: Option<String>,
}

impl JudgedCase {
    /// Reads `judged`.
    pub fn read(one: &Fields, faults: &mut Faults) -> Option<Self> {
        let text = one.text("judged").unwrap_or("nominal").trim();
        let words: Vec<&str> = text.split_whitespace().collect();
        match words.as_slice() {
            ["nominal"] => return Some(Self::Nominal),
            ["worst"] => return Some(Self::Worst),
            ["band", name] => return Some(Self::Band((*name).to_owned())),
            ["tolerance", name, "at", share @ ..] => {
                let share = crate::units::parse_as(&share.join(" "), Unit::One).ok().map(|q| q.value);
                if let Some(share) = share.filter(|share| *share > 0.0 && *share < 1.0) {
                    return Some(Self::Tolerance((*name).to_owned(), share));
                }
                faults.place(
                    one.place("judged"),
                    "judged-share",
                    "the share of runs that must keep the limit lies between 0 % and 100 %, e.g. `at 99.7 %`",
                );
                return None;
            }
            ["tolerance", name] => {
                let diagnostic = Diagnostic::error(
                    "judged-share",
                    format!("`tolerance {name}` does not say how many runs must keep the limit"),
                );
                faults.push(
                    diagnostic.at(one.span("judged")).hint(format!("e.g. `tolerance {name} at 99.7 %`")),
                );
                return None;
            }
            _ => {}
        }
        let mut diagnostic =
            Diagnostic::error("judged-case", format!("`{text}` is not a case that can be judged"))
                .expected("expected `nominal`, `band NAME`, `tolerance NAME at 99.7 %` or `worst`")
                .at(one.span("judged"));
        if let Some(near) = nearest(text, ["nominal", "worst"]) {
            diagnostic = diagnostic.hint(format!("did you mean `{near}`?"));
        }
        faults.push(diagnostic);
        None
    }

    /// Blocks that have to be solved before it can be judged.
    pub fn needs(one: &Fields, catalog: &Catalog) -> Vec<Needed> {
        let text = one.text("judged").unwrap_or("nominal");
        let words: Vec<&str> = text.split_whitespace().collect();
        let names: Vec<&str> = match words.as_slice() {
            ["band" | "tolerance", name, ..] => vec![name],
            ["worst"] => ["band", "tolerance"].into_iter().flat_map(|kind| catalog.of_kind(kind)).collect(),
            _ => Vec::new(),
        };
        let paths = names.into_iter().filter_map(MetricPath::parse);
        paths.map(|path| Needed { path, place: one.place("judged").clone() }).collect()
    }

    /// Judges a metric in this case; `nominal` is how the design came out.
    pub fn judge(
        &self,
        path: &MetricPath,
        limit: &Limit,
        nominal: Judgement,
        one: &Fields,
        inputs: &Inputs<'_>,
        faults: &mut Faults,
    ) -> Option<Outcome> {
        let plain = Outcome { judgement: nominal, decided_by: None, shown_by: None, why: None };
        match self {
            Self::Nominal => Some(plain),
            Self::Band(name) => {
                let band = block::<SolvedBand>(name, "band", one, inputs, faults)?;
                in_all(name, band, path, limit, one, faults)
            }
            Self::Tolerance(name, share) => {
                let runs = block::<SolvedTolerance>(name, "tolerance", one, inputs, faults)?;
                at_share(name, runs, *share, path, limit, one, faults)
            }
            Self::Worst => {
                let mut least = plain;
                for (name, solution) in inputs.solved {
                    let model = &solution.solved.model;
                    let cases: &dyn Cases = if let Some(band) = model.downcast_ref::<SolvedBand>() {
                        band
                    } else if let Some(runs) = model.downcast_ref::<SolvedTolerance>() {
                        runs
                    } else {
                        continue;
                    };
                    let Some(all) = repeat::judge_all(cases, path, limit) else { continue };
                    let mut found = outcome(name, cases, &all, 0);
                    found.decided_by = found.decided_by.map(|label| format!("{name}, {label}"));
                    if repeat::worse(&found.judgement, &least.judgement) {
                        least = found;
                    }
                }
                Some(least)
            }
        }
    }
}

fn block<'i, M: std::any::Any + Send + Sync>(
    name: &str,
    kind: &'static str,
    one: &Fields,
    inputs: &'i Inputs<'_>,
    faults: &mut Faults,
) -> Option<&'i M> {
    let found = inputs.model::<M>(name);
    if found.is_none() {
        let text = format!("there is no {kind} block `{name}`");
        let diagnostic = Diagnostic::error("block-unknown", text).at(one.span("judged"));
        faults.push(diagnostic.nearest(name, inputs.catalog.of_kind(kind)));
    }
    found
}

/// Says that a metric is not among those that a block reads again.
fn not_repeated(name: &str, cases: &dyn Cases, path: &MetricPath, one: &Fields, faults: &mut Faults) {
    let repeat = cases.repeat();
    let metric = one.text("metric").unwrap_or_default();
    let known = repeat.names_of(&path.block);
    let mut diagnostic = if repeat.repeats(&path.block) {
        Diagnostic::error(
            "metric-not-repeated",
            format!("`{name}` does not read `{metric}` again in its cases"),
        )
    } else {
        let text = format!(
            "`{name}` repeats the loop `{}` and its blocks; `{}` is none of them",
            repeat.of, path.block
        );
        Diagnostic::error("metric-not-repeated", text)
    };
    diagnostic = diagnostic.at(one.span("metric"));
    diagnostic = if known.is_empty() {
        diagnostic.hint("judge it as `nominal`")
    } else {
        diagnostic.hint(format!("it reads {}", known.join(", ")))
    };
    faults.push(diagnostic);
}

/// The case `skip` places behind the worst; where cases are missing none is good enough.
fn outcome(name: &str, cases: &dyn Cases, all: &[(Judgement, usize)], skip: usize) -> Outcome {
    let lost = |why: String| Outcome {
        judgement: Judgement::LOST,
        decided_by: None,
        shown_by: Some(name.to_owned()),
        why: Some(why),
    };
    if let Some(why) = cases.missing() {
        return lost(why);
    }
    match repeat::decide(cases, all, skip) {
        Some(found) => Outcome {
            judgement: found.judgement,
            decided_by: Some(found.label),
            shown_by: Some(name.to_owned()),
            why: found.why,
        },
        None => lost("no case could be read".to_owned()),
    }
}

fn in_all(
    name: &str,
    cases: &dyn Cases,
    path: &MetricPath,
    limit: &Limit,
    one: &Fields,
    faults: &mut Faults,
) -> Option<Outcome> {
    let Some(all) = repeat::judge_all(cases, path, limit) else {
        not_repeated(name, cases, path, one, faults);
        return None;
    };
    Some(outcome(name, cases, &all, 0))
}

/// Met where the lower 95 % bound of the yield reaches the share: where so many runs failed that one more would be too
/// many, the next worst decides (an order statistic; S. S. Wilks, Ann. Math. Stat. 12, 1941).
fn at_share(
    name: &str,
    cases: &dyn Cases,
    wanted: f64,
    path: &MetricPath,
    limit: &Limit,
    one: &Fields,
    faults: &mut Faults,
) -> Option<Outcome> {
    let runs = cases.count();
    let Some(allowed) = failures_allowed(runs, wanted, CONFIDENCE) else {
        let text = format!(
            "{runs} runs can't show {}: that needs {} runs without a failure",
            percent(wanted),
            trials_needed(wanted, CONFIDENCE)
        );
        let diagnostic = Diagnostic::error("too-few-runs", text).at(one.span("judged"));
        faults.push(diagnostic.hint(format!("set `runs` of `{name}`")));
        return None;
    };
    let Some(all) = repeat::judge_all(cases, path, limit) else {
        not_repeated(name, cases, path, one, faults);
        return None;
    };
    let share = repeat::share(&all);
    let mut found = outcome(name, cases, &all, allowed);
    let low = share_bounds(share.kept, share.of, 1.0 - CONFIDENCE).0;
    let of = found.decided_by.take().unwrap_or_default();
    found.decided_by =
        Some(format!("{of}; {} of {} keep it, at least {}", share.kept, share.of, percent(low)));
    Some(found)
}

/// A share as people write it: rounded down, since it is a lower bound.
pub(super) fn percent(share: f64) -> String {
    let text = print((share * 1e5 + 1e-6).floor() / 1e3, Unit::One, Digits::All);
    format!("{text} %")
}
