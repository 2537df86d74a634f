//! Axes: range, ticks with their labels, title, and where a value lies.

use super::DrawFault;
use super::scene::SIZE;
use super::screen::ChartAxis;
use super::text;
use super::ticks::{self, Step, Ticks};
use crate::exhibit::figure::{Axis, Mark, Panel, Plot, Role, Scale};
use crate::units::{Unit, habit, prefix, shown};

/// How far below the total's least value contributors are still shown, dB.
const TAIL: f64 = 30.0;
/// The same below the highest value, where there is no total.
const DEPTH: f64 = 150.0;
/// Least height of an interval between two labels of an ordinate, pt.
const ROW: f64 = 20.0;
/// Most intervals on a linear abscissa.
const COLUMNS: usize = 8;

/// An axis ready to be drawn.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ruler {
    unit: Unit,
    scale: Scale,
    from: f64,
    to: f64,
    /// Name with unit.
    pub title: String,
    /// The unit alone, with its prefix; empty for pure numbers.
    unit_words: String,
    /// Place (0..1) and label, ascending.
    pub major: Vec<(f64, String)>,
    /// Places without a label.
    pub minor: Vec<f64>,
}

impl Ruler {
    /// Where a value lies: 0 at the start of the axis, 1 at its end; not finite where the axis has no place for it.
    pub fn place(&self, value: f64) -> f64 {
        self.place_shown(shown(value, self.unit))
    }

    /// The title in lines of that length; a title that is too long is cut, its unit is not.
    pub fn title_lines(&self, length: f64) -> Vec<String> {
        let mut lines = text::wrap(&self.title, SIZE, length, 3);
        if let Some(last) = lines.last_mut()
            && last.ends_with('…')
            && !self.unit_words.is_empty()
        {
            let room = length - text::width(&self.unit_words, SIZE) - text::width(" ", SIZE);
            *last = format!("{} {}", text::shorten(last, SIZE, room), self.unit_words);
        }
        lines
    }

    /// What a reader of values needs to know of it.
    pub fn chart_axis(&self, label: &str) -> ChartAxis {
        let log = self.scale == Scale::Log;
        ChartAxis { label: label.to_owned(), unit: self.unit, log, from: self.from, to: self.to }
    }

    fn place_shown(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Linear => (value - self.from) / (self.to - self.from),
            // Negative values have no logarithm: NaN, which breaks the line.
            Scale::Log => (value / self.from).ln() / (self.to / self.from).ln(),
        }
    }

    fn new(axis: &Axis, (from, to): (f64, f64), step: Option<Step>, most: usize) -> Result<Self, DrawFault> {
        let good = from.is_finite() && to.is_finite() && from < to && (to - from).is_finite();
        let positive = axis.scale == Scale::Linear || (from > 0.0 && (to / from).is_finite());
        if !(good && positive) {
            return Err(DrawFault::BadRange(axis.label.clone()));
        }
        let (ticks, power) = match axis.scale {
            Scale::Log => (ticks::log(from, to), 0),
            Scale::Linear => {
                let step =
                    step.unwrap_or_else(|| Step::for_span(to - from, most, wished(axis.unit, to - from)));
                (ticks::linear(from, to, step), common_power(from.abs().max(to.abs()), axis.unit))
            }
        };
        let mut ruler = Self {
            unit: axis.unit,
            scale: axis.scale,
            from,
            to,
            title: format!("{} {}", axis.label, unit_words(axis, power)).trim_end().to_owned(),
            unit_words: unit_words(axis, power),
            major: Vec::new(),
            minor: Vec::new(),
        };
        ruler.major =
            labels(&ticks, axis, power).into_iter().map(|(v, label)| (ruler.place_shown(v), label)).collect();
        ruler.minor = ticks.minor.iter().map(|v| ruler.place_shown(*v)).collect();
        Ok(ruler)
    }
}

/// The abscissa of all panels.
///
/// # Errors
/// A range that can't be drawn, or no point to take it from.
pub(super) fn abscissa(plot: &Plot) -> Result<Ruler, DrawFault> {
    let axis = &plot.x;
    let curves = plot.panels.iter().flat_map(|p| &p.curves).flat_map(|c| &c.points).map(|p| p.0);
    let marks = plot.panels.iter().flat_map(|p| &p.marks).flat_map(|mark| match mark {
        Mark::Mask { points, .. } => points.iter().map(|p| p.0).collect(),
        Mark::Point { x, .. } | Mark::Line { x, .. } => vec![*x],
        _ => Vec::new(),
    });
    let range = match axis.range {
        Some(range) => given(axis, range),
        None => {
            let (from, to) = limits(axis, curves)
                .or_else(|| limits(axis, marks))
                .ok_or_else(|| DrawFault::NoPoints(axis.label.clone()))?;
            if nearly_equal(from, to) { around(axis.scale, from) } else { (from, to) }
        }
    };
    Ruler::new(axis, range, None, COLUMNS)
}

/// The ordinate of a panel of that height in pt.
///
/// # Errors
/// As [`abscissa`].
pub(super) fn ordinate(panel: &Panel, height: f64) -> Result<Ruler, DrawFault> {
    let axis = &panel.y;
    let most = ((height / ROW) as usize).max(2);
    if let Some(range) = axis.range {
        return Ruler::new(axis, given(axis, range), None, most);
    }
    let of = |role: Option<Role>| {
        let curves = panel.curves.iter().filter(move |c| role.is_none_or(|role| c.role == role));
        limits(axis, curves.flat_map(|c| &c.points).map(|p| p.1))
    };
    let marks = limits(
        axis,
        panel.marks.iter().flat_map(|mark| match mark {
            Mark::Mask { points, .. } => points.iter().map(|p| p.1).collect(),
            Mark::Point { y, .. } | Mark::Horizontal { y, .. } => vec![*y],
            _ => Vec::new(),
        }),
    );
    let (mut low, mut high) = match (of(None), marks) {
        (Some(a), Some(b)) => (a.0.min(b.0), a.1.max(b.1)),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => return Err(DrawFault::NoPoints(axis.label.clone())),
    };
    // A line has its foot on the lower edge: it asks for room above only.
    let lines =
        panel.marks.iter().filter_map(|mark| if let Mark::Line { y, .. } = mark { Some(*y) } else { None });
    high = limits(axis, lines).map_or(high, |lines| high.max(lines.1));
    if axis.unit == Unit::DecibelCarrierPerHertz {
        // Contributors far below the total would squeeze what matters into the upper edge.
        let floor = of(Some(Role::Total)).map_or(high - DEPTH, |total| total.0 - TAIL);
        low = low.max(floor.min(marks.map_or(floor, |m| m.0)));
    }
    if nearly_equal(low, high) {
        (low, high) = around(axis.scale, low);
    }
    match axis.scale {
        Scale::Log => Ruler::new(axis, (ticks::digit_below(low), ticks::digit_above(high)), None, most),
        Scale::Linear => {
            let step = Step::for_span(high - low, most, wished(axis.unit, high - low));
            Ruler::new(axis, step.round_out(low, high), Some(step), most)
        }
    }
}

/// Least and greatest value that the axis can show, in shown units.
fn limits(axis: &Axis, values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values
        .map(|v| shown(v, axis.unit))
        .filter(|v| v.is_finite() && (axis.scale == Scale::Linear || *v > 0.0))
        .fold(None, |limits, v| match limits {
            None => Some((v, v)),
            Some((low, high)) => Some((f64::min(low, v), f64::max(high, v))),
        })
}

fn given(axis: &Axis, (from, to): (f64, f64)) -> (f64, f64) {
    (shown(from, axis.unit), shown(to, axis.unit))
}

fn nearly_equal(low: f64, high: f64) -> bool {
    high - low <= 1e-12 * low.abs().max(high.abs())
}

/// A range around a single value.
fn around(scale: Scale, value: f64) -> (f64, f64) {
    match scale {
        Scale::Log => (value / 2.0, value * 2.0),
        Scale::Linear if value == 0.0 => (-1.0, 1.0),
        Scale::Linear => (value - value.abs() * 0.1, value + value.abs() * 0.1),
    }
}

/// Steps that people expect for this unit.
fn wished(unit: Unit, span: f64) -> &'static [i64] {
    match unit {
        Unit::Degree if span > 60.0 => &[15, 30, 45, 90, 180],
        Unit::DecibelCarrierPerHertz if span > 40.0 => &[20, 40],
        _ => &[],
    }
}

/// The power of ten that all labels of a linear axis share.
fn common_power(largest: f64, unit: Unit) -> i32 {
    let (least, most, _) = habit(unit);
    if largest == 0.0 { 0 } else { ticks::decade(largest).div_euclid(3) * 3 }.clamp(least, most)
}

fn unit_words(axis: &Axis, power: i32) -> String {
    match (prefix(power), habit(axis.unit).2) {
        ("", "") => String::new(),
        (prefix, name) => format!("({prefix}{name})"),
    }
}

fn labels(ticks: &Ticks, axis: &Axis, power: i32) -> Vec<(f64, String)> {
    let label = |value: f64| match axis.scale {
        Scale::Log => log_label(value, axis.unit),
        Scale::Linear if value == 0.0 => "0".to_owned(),
        Scale::Linear => {
            let decimals = usize::try_from(ticks.decimals + power).unwrap_or(0);
            format!("{:.decimals$}", ticks::shifted(value, -power)).replace('-', "\u{2212}")
        }
    };
    ticks.major.iter().map(|v| (*v, label(*v))).collect()
}

/// `100`, `1 k`, `20 µ`; powers of ten where the unit takes no prefix.
fn log_label(value: f64, unit: Unit) -> String {
    let (least, most, _) = habit(unit);
    let exponent = ticks::decade(value);
    if least == most && !(-3..=4).contains(&exponent) {
        let mantissa = ticks::shifted(value, -exponent);
        let power = superscript(exponent);
        let mantissa = mantissa.to_string();
        return if mantissa == "1" { format!("10{power}") } else { format!("{mantissa}·10{power}") };
    }
    let power = (exponent.div_euclid(3) * 3).clamp(least, most);
    match prefix(power) {
        "" => format!("{}", ticks::shifted(value, -power)),
        prefix => format!("{}\u{202f}{prefix}", ticks::shifted(value, -power)),
    }
}

fn superscript(exponent: i32) -> String {
    const DIGITS: [char; 10] = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];
    exponent
        .to_string()
        .chars()
        .map(|c| c.to_digit(10).and_then(|d| DIGITS.get(d as usize)).copied().unwrap_or('⁻'))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exhibit::figure::Curve;

    fn words(ruler: &Ruler) -> Vec<String> {
        ruler.major.iter().map(|(_, label)| label.replace('\u{202f}', " ").replace('\u{2212}', "-")).collect()
    }

    fn panel(unit: Unit, curves: &[(Role, &[(f64, f64)])]) -> Panel {
        let curves = curves.iter().map(|(role, points)| Curve::new("c", *role, points.to_vec())).collect();
        Panel { y: Axis::linear("Level", unit), curves, marks: Vec::new() }
    }

    #[test]
    fn labels_of_a_log_axis_have_prefixes() {
        let axis = Axis::log("Offset", Unit::Hertz).from_to(100.0, 1e7);
        let plot = Plot::new(axis, vec![]);
        let ruler = abscissa(&plot).unwrap();
        assert_eq!(words(&ruler), ["100", "1 k", "10 k", "100 k", "1 M", "10 M"]);
        assert_eq!(ruler.title, "Offset (Hz)");
        assert!((ruler.place(1e4) - 0.4).abs() < 1e-12);
    }

    #[test]
    fn labels_of_a_linear_axis_share_a_prefix() {
        let axis = Axis::linear("Time", Unit::Second).from_to(0.0, 120e-6);
        let ruler = abscissa(&Plot::new(axis, vec![])).unwrap();
        assert_eq!(words(&ruler), ["0", "20", "40", "60", "80", "100", "120"]);
        assert_eq!(ruler.title, "Time (µs)");
        let axis = Axis::linear("Output", Unit::Hertz).from_to(2.7e9, 2.9e9);
        let ruler = abscissa(&Plot::new(axis, vec![])).unwrap();
        assert_eq!(words(&ruler), ["2.70", "2.75", "2.80", "2.85", "2.90"]);
        let axis = Axis::linear("Temperature", Unit::Kelvin).from_to(233.15, 358.15);
        let ruler = abscissa(&Plot::new(axis, vec![])).unwrap();
        assert_eq!(ruler.title, "Temperature (°C)");
        assert_eq!(words(&ruler), ["-40", "-20", "0", "20", "40", "60", "80"]);
    }

    #[test]
    fn noise_is_shown_on_round_steps_without_far_tails() {
        let total: &[_] = &[(1.0, -83.0), (2.0, -151.2)];
        let tail: &[_] = &[(1.0, -90.0), (2.0, -320.0)];
        let ruler = ordinate(
            &panel(Unit::DecibelCarrierPerHertz, &[(Role::Total, total), (Role::Filter, tail)]),
            200.0,
        );
        assert_eq!(words(&ruler.unwrap()), ["-200", "-180", "-160", "-140", "-120", "-100", "-80"]);
    }

    #[test]
    fn phase_steps_are_those_of_a_protractor() {
        let ruler = ordinate(&panel(Unit::Degree, &[(Role::Total, &[(1.0, -95.0), (2.0, -262.0)])]), 140.0);
        assert_eq!(words(&ruler.unwrap()), ["-270", "-240", "-210", "-180", "-150", "-120", "-90"]);
    }

    #[test]
    fn a_level_line_gets_a_range_around_it() {
        for level in [0.0, 5.8e9, -174.0, 1e-15] {
            let ruler = ordinate(&panel(Unit::Hertz, &[(Role::Total, &[(1.0, level), (2.0, level)])]), 140.0)
                .unwrap();
            assert!((0.1..0.9).contains(&ruler.place(level)), "{level}");
        }
    }

    #[test]
    fn ranges_that_cannot_be_drawn_are_refused() {
        for range in [(0.0, 1e6), (-1.0, 10.0), (1e3, 1e3), (1e4, 1e3), (f64::NAN, 1.0), (1.0, f64::INFINITY)]
        {
            let axis = Axis::log("Offset", Unit::Hertz).from_to(range.0, range.1);
            let refused = abscissa(&Plot::new(axis, vec![]));
            assert_eq!(refused, Err(DrawFault::BadRange("Offset".to_owned())), "{range:?}");
        }
        let empty = ordinate(&panel(Unit::Decibel, &[(Role::Total, &[(1.0, f64::NAN)])]), 140.0);
        assert_eq!(empty, Err(DrawFault::NoPoints("Level".to_owned())));
    }

    #[test]
    fn powers_of_ten_without_a_prefix() {
        assert_eq!(log_label(1e-7, Unit::One), "10⁻⁷");
        assert_eq!(log_label(2e12, Unit::One), "2·10¹²");
        assert_eq!(log_label(0.05, Unit::One), "0.05");
    }
}
