//! What keeps a choice from going further.

use super::search::Search;
use super::{Bound, Candidate, HIGHEST, MARGINS, RATIOS, Refusal};

fn top(search: &Search<'_>) -> f64 {
    (search.question.case.detector_frequency / HIGHEST).ln()
}

/// How near a bound counts as on it, as a share.
const NEAR: f64 = 5e-3;

pub(super) fn bounds(search: &Search<'_>, best: &Candidate) -> Vec<Bound> {
    let question = search.question;
    let near = |x: f64, end: f64, (low, high): (f64, f64)| (x - end).abs() <= NEAR * (high - low);
    let moved = |share: f64| {
        search.candidate(best.bandwidth * (1.0 + share), best.phase_margin, &best.pole_ratios).err()
    };
    let mut bounds = Vec::new();
    if best.bandwidth.ln() >= top(search) - NEAR {
        bounds.push(Bound::Highest);
    } else if moved(NEAR) == Some(Refusal::Sampled) {
        bounds.push(Bound::Sampling);
    }
    if matches!(moved(-NEAR), Some(Refusal::Parts(_))) {
        bounds.push(Bound::Parts);
    }
    let near_limit = |value: Option<f64>, limit: Option<f64>| match (value, limit) {
        (Some(value), Some(limit)) => value >= limit * (1.0 - NEAR),
        _ => false,
    };
    let limits = &question.limits;
    bounds.extend(near_limit(Some(best.jitter), limits.jitter).then_some(Bound::Jitter));
    bounds.extend(near_limit(best.settling, limits.settling).then_some(Bound::Settling));
    let spur = best.reference_spur.zip(limits.reference_spur);
    bounds.extend(spur.is_some_and(|(level, limit)| level >= limit - 0.05).then_some(Bound::ReferenceSpur));
    if question.open_margin {
        let at = |end| near(best.phase_margin, end, MARGINS);
        bounds.extend(at(MARGINS.0).then_some(Bound::LeastMargin));
        bounds.extend(at(MARGINS.1).then_some(Bound::LargestMargin));
    }
    if let (true, Some(ratio)) = (question.open_ratio, best.pole_ratios.first()) {
        let at = |end| near(*ratio, end, RATIOS);
        bounds.extend(at(RATIOS.0).then_some(Bound::LeastRatio));
        bounds.extend(at(RATIOS.1).then_some(Bound::LargestRatio));
    }
    bounds
}
