//! The verdict of the cover: one sentence, the least margin, what it rests on.

use super::matrix::MatrixRow;
use super::words::{count_of, listed};
use super::{Basis, BlockInput, Edition};
use crate::results::{Limit, MetricPath, State, Store, Verdict};
use crate::units::{Digits, parse_as, print_difference};

/// What the cover says.
#[derive(Clone, Debug, PartialEq)]
pub struct Cover {
    /// The verdict in one sentence.
    pub sentence: String,
    /// Worst state of all judged requirements; `NotJudged` where none is judged.
    pub state: State,
    /// Whether everything is met, but not every reserve kept.
    pub reserve_missing: bool,
    /// Least margin: requirement and words.
    pub least: Option<(String, String)>,
    /// Requirements that are met without the reserve wanted.
    pub reserves_not_kept: Vec<String>,
    /// Requirements that are not met.
    pub not_met: Vec<String>,
    /// On what the verdict rests, in words.
    pub rests_on: String,
    /// Items still open.
    pub open_items: usize,
    /// Second routes that disagree.
    pub disagreements: usize,
}

/// Makes the cover's statements from the rows and results that this reader sees, and from all facts.
pub(super) fn cover(store: &Store, rows: &[MatrixRow], blocks: &[BlockInput], edition: Edition) -> Cover {
    let ids = |wanted: fn(&MatrixRow) -> bool| -> Vec<String> {
        rows.iter().filter(|row| wanted(row)).map(|row| row.id.clone()).collect()
    };
    let not_met = ids(|row| row.state == State::NotMet);
    let reserves_not_kept = ids(|row| row.reserve_missing);
    let open = ids(|row| row.state == State::NotJudged);
    let judged = rows.len() - open.len();
    let state = match (judged, not_met.is_empty()) {
        (0, _) => State::NotJudged,
        (_, true) => State::Met,
        (_, false) => State::NotMet,
    };
    let disagreements = store
        .second_routes()
        .iter()
        .filter(|(_, _, metric)| metric.second.as_ref().is_some_and(|second| !second.agrees))
        .count();
    let seen = |block: &&BlockInput| edition == Edition::Review || !block.internal;
    Cover {
        sentence: sentence(judged, &not_met, &reserves_not_kept, open.len(), typical_alone(blocks)),
        state,
        reserve_missing: state == State::Met && !reserves_not_kept.is_empty(),
        least: least(store),
        reserves_not_kept,
        not_met,
        rests_on: rests_on(blocks, edition),
        open_items: blocks.iter().filter(seen).map(|block| block.open_items).sum(),
        disagreements,
    }
}

/// Whether a typical fact is taken as it stands: no block of the note lets facts spread.
fn typical_alone(blocks: &[BlockInput]) -> bool {
    let typical = |block: &BlockInput| matches!(block.fact, Some((Some(Basis::Typical), _)));
    blocks.iter().any(typical) && !blocks.iter().any(|block| block.kind == "tolerance")
}

fn sentence(judged: usize, not_met: &[String], reserve: &[String], open: usize, typical: bool) -> String {
    let on = if typical { ", on typical data" } else { "" };
    fn names(ids: &[String]) -> String {
        listed(&ids.iter().map(String::as_str).collect::<Vec<_>>())
    }
    let are = |count: usize| if count == 1 { "is" } else { "are" };
    let mut out = match (judged, not_met.len()) {
        (0, _) => "No requirement is judged".to_owned(),
        (1, 0) => format!("The one judged requirement is met{on}"),
        (_, 0) => format!("All {judged} judged requirements are met{on}"),
        (_, count) => format!(
            "{count} of {} {} not met: {}",
            count_of(judged, "judged requirement", "judged requirements"),
            are(count),
            names(not_met)
        ),
    };
    if !reserve.is_empty() {
        out.push_str(&format!("; {} {} met without the reserve wanted", names(reserve), are(reserve.len())));
    }
    if open > 0 && judged > 0 {
        out.push_str(&format!(
            "; {open} {} left to test, inspection or analysis outside this document",
            are(open)
        ));
    }
    out.push('.');
    out
}

/// The least margin of all, each taken as a share of its limit; decibels as the ratio of amplitudes they stand for.
fn least(store: &Store) -> Option<(String, String)> {
    let shares = store.requirements.iter().filter_map(|verdict| Some((share(store, verdict)?, verdict)));
    let (share, verdict) = shares.min_by(|a, b| a.0.total_cmp(&b.0))?;
    let margin = print_difference(verdict.margin?, verdict.unit, Digits::Significant(3));
    let words = if verdict.unit.is_decibel() {
        margin
    } else {
        let percent = format!("{:.1}\u{202f}%", share * 100.0).replace('-', "\u{2212}");
        format!("{margin}, {percent} of its limit")
    };
    Some((verdict.id.clone(), words))
}

fn share(store: &Store, verdict: &Verdict) -> Option<f64> {
    // A yes has no margin.
    let margin = verdict.margin.filter(|_| verdict.answer().is_none())?;
    if verdict.unit.is_decibel() {
        return Some(1.0 - 10f64.powf(-margin / 20.0));
    }
    let value = verdict.value?;
    let bound = Limit::parse(&verdict.limit, |_, text| {
        parse_as(text, verdict.unit).map(|quantity| quantity.value).or_else(|fault| {
            let path = MetricPath::parse(text).ok_or_else(|| fault.clone())?;
            store.metric(&path).ok().and_then(|metric| metric.number()).ok_or(fault)
        })
    })
    .ok()?;
    let bound = match bound {
        Limit::AtMost(b) | Limit::Below(b) | Limit::AtLeast(b) | Limit::Above(b) => b,
        Limit::Between(low, high) => {
            if value - low < high - value {
                low
            } else {
                high
            }
        }
        Limit::Mask(_) => return None,
    };
    // Against a bound of zero there is no share.
    (bound != 0.0).then(|| margin / bound.abs())
}

fn rests_on(blocks: &[BlockInput], edition: Edition) -> String {
    let count = |wanted: Basis| {
        blocks
            .iter()
            .filter(|block| block.fact.as_ref().is_some_and(|(basis, _)| *basis == Some(wanted)))
            .count()
    };
    let weak = |block: &&BlockInput| matches!(block.fact, Some((Some(Basis::Typical | Basis::Assumed), _)));
    let mut out = match (count(Basis::Typical), count(Basis::Assumed)) {
        (0, 0) => "no fact stated as typical or assumed".to_owned(),
        (typical, 0) => count_of(typical, "typical fact", "typical facts"),
        (0, assumed) => count_of(assumed, "assumed fact", "assumed facts"),
        (typical, assumed) => {
            format!("{typical} typical and {}", count_of(assumed, "assumed fact", "assumed facts"))
        }
    };
    let hidden = blocks.iter().filter(weak).filter(|block| block.internal).count();
    if edition == Edition::Customer && hidden > 0 {
        out.push_str(&format!(", {hidden} of them not shown here"));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sentence_names_what_fails() {
        let none: [String; 0] = [];
        let two = ["LO-2".to_owned(), "LO-5".to_owned()];
        assert_eq!(sentence(0, &none, &none, 0, true), "No requirement is judged.");
        assert_eq!(sentence(8, &none, &none, 0, false), "All 8 judged requirements are met.");
        assert_eq!(sentence(8, &none, &none, 0, true), "All 8 judged requirements are met, on typical data.");
        assert_eq!(sentence(1, &none, &none, 0, true), "The one judged requirement is met, on typical data.");
        assert_eq!(
            sentence(8, &two, &["LO-7".to_owned()], 1, true),
            "2 of 8 judged requirements are not met: LO-2 and LO-5; LO-7 is met without the reserve wanted; \
             1 is left to test, inspection or analysis outside this document."
        );
    }
}
