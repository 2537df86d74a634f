//! A minimum of a function of several variables in a box.
//!
//! Source: J. A. Nelder and R. Mead, A simplex method for function minimization, The Computer Journal 7, 1965 (from
//! memory).

/// Where a function is least, and its value there.
#[derive(Clone, Debug, PartialEq)]
pub struct Minimum {
    /// Arguments, as many as the box has sides.
    pub at: Vec<f64>,
    /// Value.
    pub value: f64,
}

/// When to stop, and how wide to begin; lengths are shares of each side of the box.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Search {
    /// Size of the first simplex.
    pub step: f64,
    /// Size of the simplex at which the search ends.
    pub width: f64,
    /// Calls of the function after which it ends in any case (a step in hand is finished).
    pub calls: usize,
}

impl Default for Search {
    fn default() -> Self {
        Self { step: 0.1, width: 1e-9, calls: 2000 }
    }
}

/// Local minimum of `f` in a box, from `start`, by a simplex; points outside are drawn back onto the box.
///
/// `sides`: lower and upper end of each variable, finite; `start` has the same length. A value that is infinite or
/// not a number marks a point that is not allowed. A side of no length holds its variable.
pub fn minimum(
    mut f: impl FnMut(&[f64]) -> f64,
    start: &[f64],
    sides: &[(f64, f64)],
    search: Search,
) -> Minimum {
    let n = start.len().min(sides.len());
    let in_box = |u: &[f64]| -> Vec<f64> { u.iter().zip(sides).map(|(u, (a, b))| a + u * (b - a)).collect() };
    let mut calls = 0;
    let mut value = |u: &[f64]| {
        calls += 1;
        let y = f(&in_box(u));
        (if y.is_nan() { f64::INFINITY } else { y }, calls)
    };
    let share =
        |(x, (a, b)): (&f64, &(f64, f64))| if b > a { ((x - a) / (b - a)).clamp(0.0, 1.0) } else { 0.0 };
    let origin: Vec<f64> = start.iter().zip(sides).map(share).collect();
    let mut simplex = vec![(value(&origin).0, origin.clone())];
    for k in (0..n).filter(|k| sides[*k].1 > sides[*k].0) {
        let mut corner = origin.clone();
        corner[k] += if corner[k] + search.step <= 1.0 { search.step } else { -search.step };
        corner[k] = corner[k].clamp(0.0, 1.0);
        simplex.push((value(&corner).0, corner));
    }
    let worst = simplex.len() - 1;
    // Without a free side the one corner is the answer.
    let mut open = worst > 0;
    while open {
        simplex.sort_by(|p, q| p.0.total_cmp(&q.0));
        let spread = |k: usize| simplex.iter().map(|p| (p.1[k] - simplex[0].1[k]).abs()).fold(0.0, f64::max);
        open = (0..n).map(spread).fold(0.0, f64::max) > search.width;
        if !open {
            continue;
        }
        let mean = |k: usize| simplex[..worst].iter().map(|p| p.1[k]).sum::<f64>() / worst as f64;
        let centre: Vec<f64> = (0..n).map(mean).collect();
        // The point on the line from the centre to the worst corner: 1 is that corner, -1 its reflection.
        let along = |factor: f64| -> Vec<f64> {
            centre
                .iter()
                .zip(&simplex[worst].1)
                .map(|(c, w)| (c + factor * (w - c)).clamp(0.0, 1.0))
                .collect()
        };
        let reflected = along(-1.0);
        let (y, count) = value(&reflected);
        open = count < search.calls;
        if !open {
            continue;
        }
        let replacement = if y < simplex[0].0 {
            let expanded = along(-2.0);
            let (far, _) = value(&expanded);
            Some(if far < y { (far, expanded) } else { (y, reflected) })
        } else if y < simplex[worst - 1].0 {
            Some((y, reflected))
        } else {
            let contracted = along(if y < simplex[worst].0 { -0.5 } else { 0.5 });
            let (near, _) = value(&contracted);
            (near < y.min(simplex[worst].0)).then_some((near, contracted))
        };
        if let Some(better) = replacement {
            simplex[worst] = better;
            continue;
        }
        let best = simplex[0].1.clone();
        for (y, corner) in &mut simplex[1..] {
            for (c, b) in corner.iter_mut().zip(&best) {
                *c = 0.5 * (*c + b);
            }
            *y = value(corner).0;
        }
    }
    let best = simplex.into_iter().min_by(|p, q| p.0.total_cmp(&q.0)).unwrap_or((f64::INFINITY, origin));
    Minimum { at: in_box(&best.1), value: best.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curved_valley() {
        let valley = |x: &[f64]| (1.0 - x[0]).powi(2) + 100.0 * (x[1] - x[0] * x[0]).powi(2);
        let found = minimum(valley, &[-1.0, 1.0], &[(-2.0, 2.0), (-1.0, 3.0)], Search::default());
        assert!((found.at[0] - 1.0).abs() < 1e-6 && (found.at[1] - 1.0).abs() < 1e-6, "{found:?}");
    }

    #[test]
    fn minimum_in_a_corner_of_the_box() {
        let slope = |x: &[f64]| x[0] - 2.0 * x[1];
        let found = minimum(slope, &[0.4, 0.7], &[(0.0, 1.0), (-1.0, 5.0)], Search::default());
        assert!(found.at[0].abs() < 1e-6 && (found.at[1] - 5.0).abs() < 1e-6, "{found:?}");
    }

    #[test]
    fn points_that_are_not_allowed_are_left() {
        let bowl =
            |x: &[f64]| if x[0] < 0.3 { f64::NAN } else { (x[0] - 0.1).powi(2) + (x[1] - 0.6).powi(2) };
        let found = minimum(bowl, &[0.8, 0.2], &[(0.0, 1.0), (0.0, 1.0)], Search::default());
        assert!((found.at[0] - 0.3).abs() < 1e-4 && (found.at[1] - 0.6).abs() < 2e-3, "{found:?}");
    }

    #[test]
    fn a_side_without_length_holds_and_calls_are_counted() {
        let mut calls = 0;
        let held = minimum(
            |x| {
                calls += 1;
                x[0] * x[0] + x[1] * x[1]
            },
            &[2.0, 0.9],
            &[(2.0, 2.0), (-1.0, 1.0)],
            Search { calls: 40, ..Search::default() },
        );
        assert!((held.at[0] - 2.0).abs() < 1e-15);
        assert!(held.at[1].abs() < 1e-3 && calls <= 44, "{held:?} {calls}");
    }
}
