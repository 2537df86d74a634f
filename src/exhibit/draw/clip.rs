//! Curves cut to the plot.
//!
//! The drawing library clamps: a curve that leaves the plot would run along its edge as a false line, and a value
//! that is not a number would land on the edge. So lines are cut here, in the axes' own coordinates (log of x on a
//! log axis), before anything is drawn.

/// A place in the plot: 0..1 from left to right and from bottom to top.
pub(super) type Spot = (f64, f64);

/// The pieces of a line that lie inside the unit square, each with two points or more.
///
/// A spot with a coordinate that is not finite breaks the line.
pub(super) fn runs(spots: impl IntoIterator<Item = Spot>) -> Vec<Vec<Spot>> {
    let mut runs: Vec<Vec<Spot>> = Vec::new();
    let mut before: Option<Spot> = None;
    let mut open = false;
    for spot in spots {
        if !(spot.0.is_finite() && spot.1.is_finite()) {
            (before, open) = (None, false);
            continue;
        }
        if let Some(last) = before.replace(spot) {
            let Some((from, to)) = segment(last, spot) else {
                open = false;
                continue;
            };
            match runs.last_mut() {
                Some(run) if open && from == last => run.push(to),
                _ => runs.push(vec![from, to]),
            }
            open = to == spot;
        }
    }
    runs
}

/// The part of a segment inside the unit square (after Liang and Barsky 1984).
pub(super) fn segment(a: Spot, b: Spot) -> Option<(Spot, Spot)> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let (mut enter, mut leave) = (0.0f64, 1.0f64);
    for (step, room) in [(-dx, a.0), (dx, 1.0 - a.0), (-dy, a.1), (dy, 1.0 - a.1)] {
        if step == 0.0 {
            if room < 0.0 {
                return None;
            }
        } else if step < 0.0 {
            enter = enter.max(room / step);
        } else {
            leave = leave.min(room / step);
        }
    }
    if enter > leave || !(dx.is_finite() && dy.is_finite()) {
        return None;
    }
    // The ends themselves where nothing is cut off, so that runs join exactly.
    let from = if enter > 0.0 { (a.0 + enter * dx, a.1 + enter * dy) } else { a };
    let to = if leave < 1.0 { (a.0 + leave * dx, a.1 + leave * dy) } else { b };
    Some((from, to))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_that_leaves_does_not_run_along_the_edge() {
        // Down through the bottom, below it for a while, and back.
        let runs = runs([(0.0, 0.5), (0.2, -0.5), (0.4, -3.0), (0.6, -0.5), (0.8, 0.5), (1.0, 0.75)]);
        assert_eq!(runs.len(), 2);
        assert_eq!(runs[0], [(0.0, 0.5), (0.1, 0.0)]);
        assert!((runs[1][0].0 - 0.7).abs() < 1e-12 && runs[1][0].1.abs() < 1e-12);
        assert_eq!(runs[1][1..], [(0.8, 0.5), (1.0, 0.75)]);
    }

    #[test]
    fn a_segment_across_the_corner_is_cut_twice() {
        assert_eq!(runs([(-0.5, 0.0), (1.0, 1.5)]), [[(0.0, 0.5), (0.5, 1.0)]]);
        assert!(runs([(-0.5, 0.9), (0.2, 1.6)]).is_empty());
    }

    #[test]
    fn what_is_not_finite_breaks_the_line() {
        let cut =
            runs([(0.0, 0.1), (0.1, 0.1), (0.2, f64::NAN), (0.3, 0.1), (0.4, 0.1), (0.5, f64::NEG_INFINITY)]);
        assert_eq!(cut, [[(0.0, 0.1), (0.1, 0.1)], [(0.3, 0.1), (0.4, 0.1)]]);
        assert!(runs([(0.1, -1e308), (0.2, 1e308), (0.3, f64::INFINITY)]).is_empty());
    }

    #[test]
    fn a_line_on_the_edge_stays() {
        assert_eq!(runs([(0.0, 0.0), (1.0, 0.0)]), [[(0.0, 0.0), (1.0, 0.0)]]);
    }
}
