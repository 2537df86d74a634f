//! Metric against limit: the one place where a requirement is judged.

use super::store::{Metric, State};
use crate::units::{Quantity, QuantityFault, Unit, parse_as, parse_range};

/// A point of a mask: offset in Hz, level in dBc/Hz or dBc.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MaskPoint {
    /// Offset, Hz.
    pub offset: f64,
    /// Highest level allowed.
    pub level: f64,
}

/// A limit, with all names resolved.
#[derive(Clone, Debug, PartialEq)]
pub enum Limit {
    /// `<= 150 fs`
    AtMost(f64),
    /// `< 150 fs`
    Below(f64),
    /// `>= 45 deg`
    AtLeast(f64),
    /// `> 45 deg`
    Above(f64),
    /// `45 deg .. 70 deg`
    Between(f64, f64),
    /// dB over log f; nothing is asked outside its first and last point.
    Mask(Vec<MaskPoint>),
}

/// What judging a limit says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Judgement {
    /// Met or not.
    pub state: State,
    /// Margin in the metric's unit, positive when met.
    pub margin: Option<f64>,
    /// The value that was nearest to its limit.
    pub value: Option<f64>,
    /// Offset at which a mask is nearest, Hz.
    pub at: Option<f64>,
}

impl Judgement {
    /// Of a case without a value: not met.
    pub const LOST: Self = Self { state: State::NotMet, margin: None, value: None, at: None };

    /// Whether a margin that is wanted is there: unbounded and met, none is missing.
    pub fn keeps(&self, reserve: f64) -> bool {
        self.state == State::Met && self.margin.is_none_or(|margin| margin >= reserve)
    }

    /// Of a curve with the levels allowed ([`Limit::over`]), where it comes nearest to them.
    pub fn nearest(
        over: impl Iterator<Item = (f64, f64)>,
        mut level: impl FnMut(f64) -> Option<f64>,
    ) -> Self {
        let mut least: Option<(f64, f64, f64)> = None;
        for (offset, bound) in over {
            let Some(value) = level(offset) else { continue };
            let margin = bound - value;
            if least.is_none_or(|(m, ..)| margin < m) {
                least = Some((margin, offset, value));
            }
        }
        least.map_or(Self::LOST, |(margin, offset, value)| Self::at(margin, value, offset))
    }

    /// Of a curve or a line that comes nearest to its mask at this offset.
    pub fn at(margin: f64, value: f64, offset: f64) -> Self {
        let state = if margin >= 0.0 { State::Met } else { State::NotMet };
        Self { state, margin: Some(margin), value: Some(value), at: Some(offset) }
    }
}

impl Limit {
    /// Reads a limit; `resolve` turns each bound (a text, with its first byte in the whole) into a quantity.
    ///
    /// # Errors
    /// What `resolve` says, or [`QuantityFault::NotARange`] where there is neither a comparison nor a range.
    pub fn parse<E: From<QuantityFault>>(
        text: &str,
        mut resolve: impl FnMut(usize, &str) -> Result<f64, E>,
    ) -> Result<Limit, E> {
        let start = text.len() - text.trim_start().len();
        let rest = &text[start..];
        type Make = fn(f64) -> Limit;
        let signs: [(&str, Make); 6] = [
            ("<=", Limit::AtMost),
            ("≤", Limit::AtMost),
            (">=", Limit::AtLeast),
            ("≥", Limit::AtLeast),
            ("<", Limit::Below),
            (">", Limit::Above),
        ];
        for (sign, make) in signs {
            if let Some(bound) = rest.strip_prefix(sign) {
                let at = text.len() - bound.trim_start().len();
                return Ok(make(resolve(at, bound.trim())?));
            }
        }
        let range = parse_range(text)?;
        let (low, high) = (resolve(range.from.0, range.from.1)?, resolve(range.to.0, range.to.1)?);
        if low > high { Err(QuantityFault::NotARange.into()) } else { Ok(Limit::Between(low, high)) }
    }

    /// Reads a limit whose bounds are all written out.
    ///
    /// # Errors
    /// [`QuantityFault`].
    pub fn parse_plain(text: &str, unit: Unit) -> Result<Limit, QuantityFault> {
        Self::parse(text, |_, bound| parse_as(bound, unit).map(|q: Quantity| q.value))
    }

    /// Judges a number. A metric without value is met where it is as good as can be (a margin without end, a line that
    /// is not there) and the limit bounds it from the other side.
    pub fn judge(&self, metric: &Metric) -> Judgement {
        let Some(value) = metric.number() else {
            // A line is best when it is not there, anything else when it has no end.
            let level = metric.unit == Unit::DecibelCarrier;
            let met = metric.unbounded
                && match self {
                    Limit::AtLeast(_) | Limit::Above(_) => !level,
                    Limit::AtMost(_) | Limit::Below(_) => level,
                    _ => false,
                };
            let state = if met { State::Met } else { State::NotMet };
            return Judgement { state, margin: None, value: None, at: None };
        };
        let (margin, strict) = match *self {
            Limit::AtMost(bound) => (bound - value, false),
            Limit::Below(bound) => (bound - value, true),
            Limit::AtLeast(bound) => (value - bound, false),
            Limit::Above(bound) => (value - bound, true),
            Limit::Between(low, high) => ((value - low).min(high - value), false),
            Limit::Mask(_) => (f64::NEG_INFINITY, false),
        };
        let met = if strict { margin > 0.0 } else { margin >= 0.0 };
        Judgement {
            state: if met { State::Met } else { State::NotMet },
            margin: Some(margin),
            value: Some(value),
            at: None,
        }
    }

    /// The offsets at which a curve is judged, ascending, each with the level allowed: every point of a mask, and those of
    /// `offsets` that lie inside. Empty for a limit of another kind.
    pub fn over(&self, offsets: &[f64]) -> Vec<(f64, f64)> {
        let Limit::Mask(points) = self else { return Vec::new() };
        let mut all: Vec<f64> =
            points.iter().map(|point| point.offset).chain(offsets.iter().copied()).collect();
        all.sort_by(f64::total_cmp);
        all.dedup();
        all.into_iter().filter_map(|offset| Some((offset, mask_level(points, offset)?))).collect()
    }

    /// Lowest level of a mask: what is nowhere above it keeps it. `None` for a limit of another kind.
    pub fn lowest(&self) -> Option<f64> {
        let Limit::Mask(points) = self else { return None };
        points.iter().map(|point| point.level).min_by(f64::total_cmp)
    }

    /// Judges a curve against a mask: least margin, its offset and the value there.
    ///
    /// `level` gives the curve at an offset; it is asked at `offsets` inside the mask and at every mask point.
    pub fn judge_curve(&self, offsets: &[f64], level: impl FnMut(f64) -> Option<f64>) -> Judgement {
        Judgement::nearest(self.over(offsets).into_iter(), level)
    }
}

impl Limit {
    /// Judges discrete lines (offset in Hz, level) against a mask: least margin, its offset and the level there. Lines
    /// outside the mask are not asked for; a mask without a line inside is met.
    pub fn judge_lines(&self, lines: impl Iterator<Item = (f64, f64)>) -> Judgement {
        let Limit::Mask(points) = self else {
            return Judgement::LOST;
        };
        let margins = lines.filter_map(|(f, level)| Some((mask_level(points, f)? - level, f, level)));
        let Some((margin, at, value)) = margins.min_by(|a, b| a.0.total_cmp(&b.0)) else {
            return Judgement { state: State::Met, margin: None, value: None, at: None };
        };
        Judgement::at(margin, value, at)
    }
}

/// The mask at an offset, dB over log f; `None` outside it.
pub fn mask_level(points: &[MaskPoint], offset: f64) -> Option<f64> {
    let after = points.iter().position(|p| p.offset >= offset)?;
    let right = points[after];
    #[allow(clippy::float_cmp, reason = "at a point itself its own level holds, without rounding")]
    if right.offset == offset {
        return Some(right.level);
    }
    let left = points[after.checked_sub(1)?];
    let share = (offset / left.offset).ln() / (right.offset / left.offset).ln();
    Some(left.level + share * (right.level - left.level))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_and_ranges() {
        let limit = Limit::parse_plain("<= 150 fs", Unit::Second).expect("a limit");
        let judgement = limit.judge(&Metric::real(140e-15, Unit::Second));
        assert_eq!(judgement.state, State::Met);
        assert!((judgement.margin.expect("a margin") - 10e-15).abs() < 1e-27);
        let limit = Limit::parse_plain("45 deg .. 70 deg", Unit::Degree).expect("a limit");
        assert_eq!(limit.judge(&Metric::real(71.0, Unit::Degree)).margin, Some(-1.0));
        assert_eq!(limit.judge(&Metric::real(45.0, Unit::Degree)).state, State::Met);
        assert_eq!(Limit::parse_plain("150 fs", Unit::Second), Err(QuantityFault::NotARange));
        assert_eq!(Limit::parse_plain("70 deg .. 45 deg", Unit::Degree), Err(QuantityFault::NotARange));
    }

    #[test]
    fn a_metric_without_value_is_met_only_where_it_is_unbounded() {
        let limit = Limit::AtLeast(10.0);
        assert_eq!(limit.judge(&Metric::unbounded(Unit::Decibel, "never crosses")).state, State::Met);
        assert_eq!(limit.judge(&Metric::none(Unit::Decibel, "never locks")).state, State::NotMet);
    }

    #[test]
    fn a_line_that_is_not_there_is_below_every_limit() {
        let none = Metric::unbounded(Unit::DecibelCarrier, "no leakage");
        assert_eq!(Limit::AtMost(-80.0).judge(&none).state, State::Met);
        assert_eq!(Limit::AtLeast(-80.0).judge(&none).state, State::NotMet);
        let lost = Metric::none(Unit::DecibelCarrier, "no lock");
        assert_eq!(Limit::AtMost(-80.0).judge(&lost).state, State::NotMet);
    }

    #[test]
    fn a_mask_looks_at_the_lines_inside_it() {
        let point = |offset, level| MaskPoint { offset, level };
        let mask = Limit::Mask(vec![point(1e3, -80.0), point(1e5, -80.0)]);
        let lines = [(100.0, 0.0), (1e3, -81.0), (2e4, -90.0), (1e6, -10.0)];
        let judgement = mask.judge_lines(lines.into_iter());
        assert_eq!((judgement.state, judgement.at, judgement.margin), (State::Met, Some(1e3), Some(1.0)));
        assert_eq!(mask.judge_lines([(1e4, -79.0)].into_iter()).state, State::NotMet);
        let none = mask.judge_lines([(1e6, -10.0)].into_iter());
        assert_eq!((none.state, none.margin), (State::Met, None));
    }

    #[test]
    fn a_mask_is_straight_over_the_logarithm_of_frequency() {
        let points = vec![MaskPoint { offset: 1e3, level: -80.0 }, MaskPoint { offset: 1e5, level: -120.0 }];
        assert!((mask_level(&points, 1e4).expect("inside") + 100.0).abs() < 1e-12);
        assert_eq!(mask_level(&points, 1e6), None);
        let mask = Limit::Mask(points);
        assert_eq!((mask.lowest(), Limit::AtMost(-120.0).lowest()), (Some(-120.0), None));
        let judgement =
            mask.judge_curve(&[1e2, 1e4, 1e6], |f| Some(if (f - 1e4).abs() < 1.0 { -101.0 } else { -130.0 }));
        assert_eq!(judgement.at, Some(1e4));
        assert!((judgement.margin.expect("a margin") - 1.0).abs() < 1e-9);
    }
}
