//! Lines along which a function on a grid is zero.

/// A point of the grid's plane.
type Point = (f64, f64);

/// Zero lines of `value[row][column]` at abscissas `x` (columns) and ordinates `y` (rows), as open or closed lines.
///
/// Marching squares with straight interpolation along the cells' sides; a cell with a value that is not finite has no
/// line. In a cell with two pairs of crossings the mean of its corners decides which belong together.
pub fn zero_lines(x: &[f64], y: &[f64], value: &[Vec<f64>]) -> Vec<Vec<Point>> {
    let mut pieces: Vec<(Point, Point)> = Vec::new();
    for row in 1..y.len() {
        for column in 1..x.len() {
            let (left, right, low, high) = (column - 1, column, row - 1, row);
            let corners = [(left, low), (right, low), (right, high), (left, high)];
            let at = |k: usize| value[corners[k % 4].1][corners[k % 4].0];
            if (0..4).any(|k| !at(k).is_finite()) {
                continue;
            }
            let crossing = |k: usize| -> Option<Point> {
                // From the lower corner to the higher, so that both cells of a side find the very same point.
                let (from, to) =
                    (corners[k % 4].min(corners[(k + 1) % 4]), corners[k % 4].max(corners[(k + 1) % 4]));
                let (a, b) = (value[from.1][from.0], value[to.1][to.0]);
                if (a >= 0.0) == (b >= 0.0) {
                    return None;
                }
                let share = a / (a - b);
                let between = |p: f64, q: f64| p + share * (q - p);
                Some((between(x[from.0], x[to.0]), between(y[from.1], y[to.1])))
            };
            let sides: Vec<Point> = (0..4).filter_map(crossing).collect();
            match sides[..] {
                [a, b] => pieces.push((a, b)),
                [a, b, c, d] => {
                    let middle = (0..4).map(at).sum::<f64>() >= 0.0;
                    // The middle belongs to the first corner's side: the lines cut off the other two corners.
                    if middle == (at(0) >= 0.0) {
                        pieces.extend([(a, b), (c, d)]);
                    } else {
                        pieces.extend([(d, a), (b, c)]);
                    }
                }
                _ => {}
            }
        }
    }
    let cell = |along: &[f64]| match along {
        [first, .., last] => (last - first).abs() / (along.len() - 1) as f64,
        _ => 0.0,
    };
    join(pieces, (cell(x), cell(y)))
}

/// Pieces put together where their ends are the same points.
///
/// A line through a corner of the grid meets it from two sides, with another rounding each: points nearer than a
/// billionth of a cell are the same.
fn join(mut pieces: Vec<(Point, Point)>, cell: (f64, f64)) -> Vec<Vec<Point>> {
    let same = |a: Point, b: Point| (a.0 - b.0).abs() <= 1e-9 * cell.0 && (a.1 - b.1).abs() <= 1e-9 * cell.1;
    pieces.retain(|(a, b)| !same(*a, *b));
    let mut lines = Vec::new();
    while let Some((start, end)) = pieces.pop() {
        let mut line = vec![start, end];
        for _ in 0..2 {
            while let Some(k) = pieces.iter().position(|(a, b)| {
                let last = line[line.len() - 1];
                same(*a, last) || same(*b, last)
            }) {
                let (a, b) = pieces.swap_remove(k);
                let last = line[line.len() - 1];
                line.push(if same(a, last) { b } else { a });
            }
            line.reverse();
        }
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(f: impl Fn(f64, f64) -> f64) -> (Vec<f64>, Vec<Vec<f64>>) {
        let x: Vec<f64> = (0..41).map(|k| -2.0 + 0.1 * f64::from(k)).collect();
        let value = x.iter().map(|y| x.iter().map(|x| f(*x, *y)).collect()).collect();
        (x, value)
    }

    #[test]
    fn a_circle_is_one_closed_line() {
        let (x, value) = grid(|x, y| x * x + y * y - 1.69);
        let lines = zero_lines(&x, &x, &value);
        assert_eq!(lines.len(), 1);
        let line = &lines[0];
        assert!(line.iter().all(|(x, y)| ((x * x + y * y).sqrt() - 1.3).abs() < 2e-3));
        let (a, b) = (line[0], line[line.len() - 1]);
        assert!((a.0 - b.0).abs() < 1e-9 && (a.1 - b.1).abs() < 1e-9);
    }

    #[test]
    fn a_straight_line_is_open_and_a_gap_breaks_it() {
        let (x, mut value) = grid(|x, y| x - 0.5 * y - 0.013);
        let lines = zero_lines(&x, &x, &value);
        assert_eq!(lines.len(), 1);
        assert!(lines[0].iter().all(|(x, y)| (x - 0.5 * y - 0.013).abs() < 1e-9));
        value[20].fill(f64::NAN);
        assert_eq!(zero_lines(&x, &x, &value).len(), 2);
    }

    #[test]
    fn nothing_crosses_where_nothing_changes_sign() {
        let (x, value) = grid(|_, _| 1.0);
        assert!(zero_lines(&x, &x, &value).is_empty());
    }
}
