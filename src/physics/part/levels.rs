//! Reading a [`LevelTable`]: straight lines in dB over log f.

use super::LevelTable;

impl LevelTable {
    /// Table from points in any order. `None` where there is no point, an abscissa is not positive, a value
    /// is not finite or two points share an abscissa.
    pub fn new(mut points: Vec<(f64, f64)>) -> Option<Self> {
        let sound = |&(at, level): &(f64, f64)| at > 0.0 && at.is_finite() && level.is_finite();
        if points.is_empty() || !points.iter().all(sound) {
            return None;
        }
        points.sort_by(|x, y| x.0.total_cmp(&y.0));
        if points.windows(2).any(|pair| pair[0].0 >= pair[1].0) {
            return None;
        }
        let (at, level) = points.into_iter().unzip();
        Some(Self { at, level })
    }

    /// The same level everywhere.
    pub fn flat(level: f64) -> Self {
        Self { at: vec![1.0], level: vec![level] }
    }

    /// Level at `f`, in the table's dB. `f` > 0.
    ///
    /// Between two points a straight line over log f; below the first point the first slope goes on, above
    /// the last the last level holds; one point is a level for every `f`.
    pub fn level_at(&self, f: f64) -> f64 {
        let last = self.at.len() - 1;
        if f >= self.at[last] || last == 0 {
            return self.level[last];
        }
        let right = self.at.partition_point(|at| *at <= f).max(1);
        let (f0, f1) = (self.at[right - 1], self.at[right]);
        let (l0, l1) = (self.level[right - 1], self.level[right]);
        l0 + (l1 - l0) * (f / f0).ln() / (f1 / f0).ln()
    }

    /// Power ratio `10^(level / 10)` at `f`.
    pub fn power_at(&self, f: f64) -> f64 {
        10f64.powf(self.level_at(f) / 10.0)
    }

    /// First and last abscissa of a table; `None` for a single level, which has no outside.
    pub fn span(&self) -> Option<(f64, f64)> {
        match self.at[..] {
            [first, .., last] => Some((first, last)),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> LevelTable {
        LevelTable::new(vec![(1e4, -100.0), (1e3, -70.0), (1e6, -140.0)]).unwrap()
    }

    #[test]
    fn points_are_kept_and_lines_are_straight_over_log_f() {
        let t = table();
        for (at, level) in [(1e3, -70.0), (1e4, -100.0), (1e6, -140.0), (1e5, -120.0)] {
            assert!((t.level_at(at) - level).abs() < 1e-12, "{at}");
        }
        assert!((t.level_at(1e4 * 10f64.powf(0.25)) + 105.0).abs() < 1e-12);
    }

    #[test]
    fn first_slope_goes_on_and_last_level_holds() {
        let t = table();
        assert!((t.level_at(10.0) + 10.0).abs() < 1e-12, "two decades below at 30 dB per decade");
        assert!((t.level_at(1e9) + 140.0).abs() < 1e-12);
        assert_eq!((t.span(), LevelTable::flat(-150.0).span()), (Some((1e3, 1e6)), None));
        let flat = LevelTable::flat(-150.0);
        assert_eq!((flat.level_at(1e-3), flat.level_at(1e9)), (-150.0, -150.0));
    }

    #[test]
    fn unsound_points_are_refused() {
        for points in [
            vec![],
            vec![(0.0, -1.0)],
            vec![(-1.0, -1.0)],
            vec![(1.0, f64::NAN)],
            vec![(f64::INFINITY, -1.0)],
            vec![(2.0, -1.0), (1.0, -2.0), (2.0, -3.0)],
        ] {
            assert_eq!(LevelTable::new(points), None);
        }
    }
}
