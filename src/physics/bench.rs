//! A measured trace against the model: lines in the trace, points too near the analyser's floor, differences.

use std::ops::Range;

/// Half the width of the running median, decades.
pub const MEDIAN_REACH: f64 = 0.2;
/// Share of the height asked of a line down to which its neighbours count as its skirt.
pub const SKIRT: f64 = 1.0 / 3.0;
/// Widest run of points that counts as a line, decades.
pub const LINE_WIDTH: f64 = 0.1;
/// Points this near the analyser's floor are not judged, dB. Common practice, no source: at 3 dB half of what is seen
/// is the analyser.
pub const FLOOR_CLEARANCE: f64 = 3.0;

/// A line in a trace.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// The points that belong to it.
    pub points: Range<usize>,
    /// Offset of its highest point, Hz.
    pub offset: f64,
    /// Level there, dBc/Hz as the trace shows it.
    pub level: f64,
    /// Height over the running median there, dB.
    pub height: f64,
}

/// Height of each point over the median of the points within [`MEDIAN_REACH`] of it, dB.
///
/// Near the ends the reach is cut on both sides alike, so that a slope does not look like a line; the two outermost points
/// have no median.
fn heights(at: &[f64], level: &[f64]) -> Vec<f64> {
    let reach = 10f64.powf(MEDIAN_REACH);
    let mut window = Vec::new();
    (0..at.len())
        .map(|k| {
            let left = k - at.partition_point(|f| *f < at[k] / reach);
            let right = at.partition_point(|f| *f <= at[k] * reach) - 1 - k;
            let span = left.min(right);
            if span < 2 {
                return 0.0;
            }
            window.clear();
            window.extend_from_slice(&level[k - span..=k + span]);
            window.sort_by(f64::total_cmp);
            level[k] - window[span]
        })
        .collect()
}

/// Lines in a trace: runs of points more than `rise` dB above the running median that are no wider than [`LINE_WIDTH`], with
/// their neighbours down to [`SKIRT`] of that height, at least one on either side.
///
/// `at`: offsets, Hz, ascending, > 0; `level`: dB, one for each.
pub fn lines(at: &[f64], level: &[f64], rise: f64) -> Vec<Line> {
    let heights = heights(at, level);
    let mut found: Vec<Line> = Vec::new();
    let mut k = 0;
    while k < at.len() {
        if heights[k] <= rise {
            k += 1;
            continue;
        }
        let above = |index: &usize| heights[*index] > rise * SKIRT;
        let start = (0..k).rev().take_while(above).last().unwrap_or(k);
        let end = (k..at.len()).take_while(above).last().unwrap_or(k) + 1;
        let core = (start..end).filter(|index| heights[*index] > rise);
        let (first, last) = core.fold((k, k), |(first, last), index| (first.min(index), last.max(index)));
        let (start, end) = (start.min(first.saturating_sub(1)), end.max((last + 2).min(at.len())));
        if (at[last] / at[first]).log10() <= LINE_WIDTH {
            let top = (start..end).max_by(|a, b| level[*a].total_cmp(&level[*b])).unwrap_or(k);
            found.push(Line { points: start..end, offset: at[top], level: level[top], height: heights[top] });
        }
        k = end;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A trace of 50 points a decade from 100 Hz to 1 MHz, falling by 30 dB a decade, with a ripple of half a dB.
    fn trace() -> (Vec<f64>, Vec<f64>) {
        let at: Vec<f64> = (0..=200).map(|k| 100.0 * 10f64.powf(f64::from(k) / 50.0)).collect();
        let level =
            at.iter().enumerate().map(|(k, f)| -30.0 * f.log10() + 0.5 * (k as f64 * 2.3).sin()).collect();
        (at, level)
    }

    #[test]
    fn a_slope_with_ripple_has_no_lines() {
        let (at, level) = trace();
        assert_eq!(lines(&at, &level, 6.0), []);
        assert_eq!(lines(&at[..3], &level[..3], 6.0), []);
        assert_eq!(lines(&[], &[], 6.0), []);
        // One point a decade: no neighbours to compare with.
        let sparse: Vec<usize> = (0..=200).step_by(50).collect();
        let pick = |list: &[f64]| sparse.iter().map(|k| list[*k]).collect::<Vec<_>>();
        assert_eq!(lines(&pick(&at), &pick(&level), 6.0), []);
    }

    #[test]
    fn narrow_lines_are_found_with_their_skirts() {
        let (at, mut level) = trace();
        level[60] += 20.0;
        level[61] += 4.5;
        level[120] += 8.0;
        let found = lines(&at, &level, 6.0);
        assert_eq!(found.iter().map(|line| line.points.clone()).collect::<Vec<_>>(), [59..62, 119..122]);
        assert_eq!((found[0].offset, found[0].level), (at[60], level[60]));
        assert!((found[0].height - 20.0).abs() < 2.0, "{}", found[0].height);
        assert_eq!(lines(&at, &level, 10.0).len(), 1);
    }

    #[test]
    fn a_hump_as_wide_as_loop_peaking_is_noise() {
        let (at, level) = trace();
        let hump: Vec<f64> = at
            .iter()
            .zip(&level)
            .map(|(f, l)| l + 10.0 * (-((f / 1e4).log10() / 0.2).powi(2)).exp())
            .collect();
        assert_eq!(lines(&at, &hump, 6.0), []);
        // A step up by 10 dB over a whole decade is not a line either.
        let step: Vec<f64> =
            at.iter().zip(&level).map(|(f, l)| if (1e3..1e4).contains(f) { l + 10.0 } else { *l }).collect();
        assert_eq!(lines(&at, &step, 6.0), []);
    }
}
