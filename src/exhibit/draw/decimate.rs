//! Fewer points for the same picture, so that a figure stays small.

use super::clip::Spot;

/// Off a straight line by less than this share of the plot nobody sees a point.
const FLAT: f64 = 1e-4;
/// Longest piece, as a share of the plot, that a left-out point may lie in.
const PIECE: f64 = 0.03;

/// Keeps of every column of that width (as a share of the plot) the first, the lowest, the highest and the last
/// spot: extremes are never lost. Spots that are not finite stay, since they break the line.
pub(super) fn decimate(spots: &[Spot], column: f64) -> Vec<Spot> {
    // Spots that are not finite stand in no column.
    let slot = |p: &Spot| (p.0.is_finite() && p.1.is_finite()).then(|| (p.0 / column).floor() as i64);
    let same = |a: &Spot, b: &Spot| slot(a).is_some() && slot(a) == slot(b);
    let mut kept: Vec<Spot> = Vec::new();
    for group in spots.chunk_by(same) {
        let mut chosen = [0, extreme(group, |a, b| a < b), extreme(group, |a, b| a > b), group.len() - 1];
        chosen.sort_unstable();
        for (n, index) in chosen.into_iter().enumerate() {
            if n == 0 || index != chosen[n - 1] {
                kept.push(group[index]);
            }
        }
    }
    straighten(&kept)
}

fn extreme(group: &[Spot], better: impl Fn(f64, f64) -> bool) -> usize {
    (1..group.len()).fold(0, |best, i| if better(group[i].1, group[best].1) { i } else { best })
}

/// Leaves out spots that lie on the straight line between their neighbours.
fn straighten(spots: &[Spot]) -> Vec<Spot> {
    let mut kept: Vec<Spot> = Vec::new();
    for (i, spot) in spots.iter().enumerate() {
        let between = match (kept.last(), spots.get(i + 1)) {
            (Some(a), Some(b)) => on_line(*a, *spot, *b),
            _ => false,
        };
        if !between {
            kept.push(*spot);
        }
    }
    kept
}

/// Whether `p` lies between `a` and `b` and on their line; `false` where one of them is not finite.
fn on_line(a: Spot, p: Spot, b: Spot) -> bool {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx.hypot(dy);
    let along = ((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length;
    let off = ((p.0 - a.0) * dy - (p.1 - a.1) * dx).abs() / length;
    // Short pieces only: deviations of a slow bend would add up from spot to spot.
    length < PIECE && off < FLAT && (0.0..=length).contains(&along)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_of_every_column_stay() {
        let mut spots: Vec<Spot> =
            (0..10_000).map(|i| (f64::from(i) * 1e-4, f64::from(i * 7919 % 101) / 101.0)).collect();
        spots[4321].1 = 5.0;
        spots[8765].1 = -5.0;
        let few = decimate(&spots, 0.01);
        assert!(few.len() <= 4 * 101, "{}", few.len());
        for extreme in [spots[4321], spots[8765], spots[0], spots[9999]] {
            assert!(few.contains(&extreme));
        }
        assert!(few.windows(2).all(|w| w[0].0 <= w[1].0));
    }

    #[test]
    fn a_bend_keeps_its_corner() {
        let spots: Vec<Spot> =
            (0..=200).map(|i| (f64::from(i) / 200.0, f64::from(i32::abs(i - 100)) / 200.0)).collect();
        let few = decimate(&spots, 1e-3);
        assert!(few.contains(&(0.5, 0.0)));
        assert!(few.len() < 80, "{}", few.len());
    }

    #[test]
    fn gaps_stay() {
        let few = decimate(&[(0.1, 0.1), (0.2, f64::NAN), (0.21, 0.1), (0.22, 0.1)], 0.5);
        assert_eq!(few.len(), 4);
        assert!(few[1].1.is_nan());
    }
}
