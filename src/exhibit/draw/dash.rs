//! Dashed lines as pieces, since the drawing library's SVG has no dash attribute.

use super::scene::{Point, at};

/// Most pieces that a line is cut into; the pattern of a longer line is stretched, which keeps files small.
const MOST: f64 = 220.0;

/// The dashes of a line; `pattern` has dash and gap in turn, in pt, and goes on across corners.
pub(super) fn dashes(points: &[Point], pattern: &[f64]) -> Vec<Vec<Point>> {
    let period: f64 = pattern.iter().sum();
    let length: f64 = points.windows(2).map(|w| (w[1].x - w[0].x).hypot(w[1].y - w[0].y)).sum();
    let pieces = length / period * (pattern.len() / 2) as f64;
    let stretch = (pieces / MOST).max(1.0);
    let Some(first) = points.first() else { return Vec::new() };

    let mut done: Vec<Vec<Point>> = Vec::new();
    let mut current = vec![*first];
    let mut turn = 0;
    let mut left = pattern[0] * stretch;
    for pair in points.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let whole = (b.x - a.x).hypot(b.y - a.y);
        let mut gone = 0.0;
        while whole - gone > left {
            gone += left;
            let stop = at(a.x + (b.x - a.x) * gone / whole, a.y + (b.y - a.y) * gone / whole);
            if turn % 2 == 0 {
                current.push(stop);
                done.push(std::mem::take(&mut current));
            } else {
                current = vec![stop];
            }
            turn = (turn + 1) % pattern.len();
            left = pattern[turn] * stretch;
        }
        left -= whole - gone;
        if turn % 2 == 0 {
            current.push(b);
        }
    }
    if turn % 2 == 0 && current.len() > 1 {
        done.push(current);
    }
    done
}

#[cfg(test)]
mod tests {
    use super::*;

    fn length(line: &[Point]) -> f64 {
        line.windows(2).map(|w| (w[1].x - w[0].x).hypot(w[1].y - w[0].y)).sum()
    }

    #[test]
    fn a_pattern_goes_on_across_corners() {
        let line = [at(0.0, 0.0), at(5.0, 0.0), at(5.0, 10.0)];
        let parts = dashes(&line, &[4.0, 2.0]);
        assert_eq!(parts.len(), 3);
        assert_eq!(parts[0], [at(0.0, 0.0), at(4.0, 0.0)]);
        assert_eq!(parts[1], [at(5.0, 1.0), at(5.0, 5.0)]);
        assert!((length(&parts[2]) - 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_jagged_line_does_not_become_thousands_of_dashes() {
        let line: Vec<Point> = (0..2000).map(|i| at(f64::from(i) * 0.2, f64::from(i % 2) * 100.0)).collect();
        assert!(dashes(&line, &[1.0, 2.0]).len() <= 221);
    }
}
