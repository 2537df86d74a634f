//! From a point of the scan to its local minimum.

use super::search::Search;
use super::{Candidate, OPEN};
use crate::num::{brent, nelder_mead};

/// Least merit at a bandwidth over a grid of what is open, and where.
pub(super) fn least_at(search: &Search<'_>, bandwidth: f64, sides: &[(f64, f64)]) -> (f64, Vec<f64>) {
    let mut points = vec![vec![bandwidth.ln()]];
    for (low, high) in sides {
        let with = |point: &Vec<f64>, k: usize| {
            let mut longer = point.clone();
            longer.push(low + (high - low) * k as f64 / (OPEN - 1) as f64);
            longer
        };
        points = points.iter().flat_map(|point| (0..OPEN).map(move |k| with(point, k))).collect();
    }
    let merit = |point: &Vec<f64>| search.at(point).map_or(f64::INFINITY, |found| search.merit(&found));
    let valued = points.into_iter().map(|point| (merit(&point), point));
    valued.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((f64::INFINITY, vec![bandwidth.ln()]))
}

/// The best loop met on the way: where a limit ends what is allowed, the end of the way may lie just beyond.
pub(super) fn polish(
    search: &Search<'_>,
    start: &[f64],
    (low, high): (f64, f64),
    sides: &[(f64, f64)],
) -> Option<Candidate> {
    let mut best: Option<(f64, Candidate)> = None;
    let mut merit = |x: &[f64]| {
        let Ok(found) = search.at(x) else { return f64::INFINITY };
        let merit = search.merit(&found);
        if best.as_ref().is_none_or(|(least, _)| merit < *least) {
            best = Some((merit, found));
        }
        merit
    };
    merit(start);
    if sides.is_empty() {
        brent::minimum(|x| merit(&[x]), low, high, 1e-7);
    } else {
        let top = (search.question.case.detector_frequency / super::HIGHEST).ln();
        let whole: Vec<(f64, f64)> = std::iter::once((start[0] - 0.5, (start[0] + 0.5).min(top)))
            .chain(sides.iter().copied())
            .collect();
        let mut found = start.to_vec();
        // A simplex can lie down on a side of the box: it is set up anew where it ended.
        for step in [0.2, 0.1, 0.03] {
            let plan = nelder_mead::Search { step, width: 1e-5, calls: 300 };
            found = nelder_mead::minimum(&mut merit, &found, &whole, plan).at;
        }
    }
    best.map(|(_, found)| found)
}
