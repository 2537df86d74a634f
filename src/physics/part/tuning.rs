//! Tuning curve of an oscillator.

use std::fmt;

use crate::num::brent;
use crate::num::interpolate::MonotoneCubic;

/// Frequency over tuning voltage: a monotone cubic through a table, or a straight line.
#[derive(Clone, Debug, PartialEq)]
pub struct Tuning {
    curve: MonotoneCubic,
    /// Frequencies that may be used, Hz, ascending.
    range: (f64, f64),
}

/// Why points are not a tuning curve.
#[derive(Clone, Debug, PartialEq)]
pub enum TuningError {
    /// Fewer than two points.
    TooFew,
    /// Two points at one voltage.
    SameVoltage(f64),
    /// The frequency turns back between two points (V).
    NotMonotone(f64, f64),
    /// A frequency that is not above zero.
    NotPositive(f64),
    /// `control` or `range` is empty.
    Empty(&'static str),
    /// No gain.
    NoGain,
}

impl fmt::Display for TuningError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFew => write!(f, "a tuning table needs two points or more"),
            Self::SameVoltage(v) => write!(f, "the tuning table states {v} V twice"),
            Self::NotMonotone(a, b) => {
                write!(
                    f,
                    "the tuning table is not monotone: the frequency turns back between {a} V and {b} V"
                )
            }
            Self::NotPositive(hz) => {
                write!(f, "a frequency of {hz} Hz in the tuning table is not above zero")
            }
            Self::Empty(what) => write!(f, "`{what}` is empty: its upper end is not above its lower"),
            Self::NoGain => write!(f, "`gain` is zero"),
        }
    }
}

impl Tuning {
    /// Through a table of volts and hertz, rising or falling, in any order.
    ///
    /// # Errors
    /// [`TuningError`].
    pub fn table(volts: &[f64], hertz: &[f64]) -> Result<Self, TuningError> {
        let mut points: Vec<(f64, f64)> = volts.iter().copied().zip(hertz.iter().copied()).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        if points.len() < 2 {
            return Err(TuningError::TooFew);
        }
        if let Some((_, f)) = points.iter().find(|p| p.1 <= 0.0) {
            return Err(TuningError::NotPositive(*f));
        }
        let rising = points[1].1 > points[0].1;
        for pair in points.windows(2) {
            let ((v0, f0), (v1, f1)) = (pair[0], pair[1]);
            if v0 >= v1 {
                return Err(TuningError::SameVoltage(v0));
            }
            if if rising { f1 <= f0 } else { f1 >= f0 } {
                return Err(TuningError::NotMonotone(v0, v1));
            }
        }
        let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let curve = MonotoneCubic::new(x, y).ok_or(TuningError::TooFew)?;
        let (a, b) = curve.ends();
        Ok(Self { curve, range: (a.min(b), a.max(b)) })
    }

    /// A straight line of `gain` Hz/V on which mid-`control` (V) gives mid-`range` (Hz); both limits hold.
    ///
    /// # Errors
    /// [`TuningError`].
    pub fn line(gain: f64, control: (f64, f64), range: (f64, f64)) -> Result<Self, TuningError> {
        if control.1 <= control.0 {
            return Err(TuningError::Empty("control"));
        }
        if range.1 <= range.0 {
            return Err(TuningError::Empty("range"));
        }
        if gain == 0.0 {
            return Err(TuningError::NoGain);
        }
        let middle = 0.5 * (range.0 + range.1);
        let half = 0.5 * (control.1 - control.0) * gain;
        let curve = MonotoneCubic::new(vec![control.0, control.1], vec![middle - half, middle + half])
            .ok_or(TuningError::Empty("control"))?;
        let reach = (middle - half.abs(), middle + half.abs());
        Ok(Self { curve, range: (range.0.max(reach.0), range.1.min(reach.1)) })
    }

    /// Frequencies that can be reached, Hz, ascending.
    pub fn frequency_range(&self) -> (f64, f64) {
        self.range
    }

    /// Voltages at the ends of the curve, V, ascending.
    pub fn voltage_range(&self) -> (f64, f64) {
        self.curve.domain()
    }

    /// Frequency, Hz, at a voltage inside the curve; `None` outside.
    pub fn frequency(&self, volts: f64) -> Option<f64> {
        let (low, high) = self.curve.domain();
        let inside = volts >= low - 1e-12 * low.abs() && volts <= high + 1e-12 * high.abs();
        inside.then(|| self.curve.value(volts))
    }

    /// Frequency, Hz, at any voltage: beyond the ends of the curve its straight line goes on.
    pub fn beyond(&self, volts: f64) -> f64 {
        self.curve.value(volts)
    }

    /// Frequency (Hz) and its derivatives at a voltage, and the voltages between which they make the curve.
    pub fn jet(&self, volts: f64) -> ([f64; 4], (f64, f64)) {
        self.curve.jet(volts)
    }

    /// Whether the curve is a straight line.
    pub fn is_line(&self) -> bool {
        self.curve.points() == 2
    }

    /// Gain, Hz/V, at a voltage; negative where the frequency falls.
    pub fn gain(&self, volts: f64) -> f64 {
        self.curve.derivative(volts)
    }

    /// Voltage, V, at which the curve, drawn on beyond its ends, gives a frequency.
    pub fn voltage_beyond(&self, hertz: f64) -> f64 {
        self.curve.inverse(hertz).unwrap_or_else(|| {
            let (low, high) = self.curve.ends();
            let ends = self.curve.domain();
            let end = if (hertz - low).abs() < (hertz - high).abs() { ends.0 } else { ends.1 };
            end + (hertz - self.curve.value(end)) / self.curve.derivative(end)
        })
    }

    /// Voltage, V, that gives a frequency; `None` out of reach.
    pub fn voltage_for(&self, hertz: f64) -> Option<f64> {
        let slack = 1e-12 * hertz.abs();
        if hertz < self.range.0 - slack || hertz > self.range.1 + slack {
            return None;
        }
        let (low, high) = self.curve.domain();
        let off = |v: f64| self.curve.value(v) - hertz;
        // At an end of the range rounding may put the root outside.
        brent::root(off, low, high)
            .or_else(|| Some(if off(low).abs() < off(high).abs() { low } else { high }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_puts_the_middles_together() {
        let line = Tuning::line(60e6, (0.5, 4.5), (2.6e9, 2.9e9)).expect("a line");
        assert_eq!(line.frequency_range(), (2.63e9, 2.87e9));
        assert!((line.voltage_for(2.75e9).expect("reached") - 2.5).abs() < 1e-12);
        assert!((line.gain(1.0) - 60e6).abs() < 1e-3);
        assert_eq!(line.voltage_for(2.9e9), None);
        assert!((line.voltage_beyond(2.93e9) - 5.5).abs() < 1e-9);
        assert!((line.voltage_beyond(2.57e9) + 0.5).abs() < 1e-9);
        let falling = Tuning::line(-60e6, (0.5, 4.5), (2.7e9, 2.8e9)).expect("a line");
        assert!(falling.voltage_for(2.8e9).expect("reached") < falling.voltage_for(2.7e9).expect("reached"));
    }

    #[test]
    fn a_table_is_inverted_and_must_be_monotone() {
        let table = Tuning::table(&[0.0, 1.0, 2.0, 4.0], &[3e9, 2.9e9, 2.85e9, 2.8e9]).expect("falling");
        for v in [0.0, 0.3, 1.7, 3.9, 4.0] {
            let f = table.frequency(v).expect("inside");
            assert!((table.voltage_for(f).expect("reached") - v).abs() < 1e-9, "{v}");
            assert!(table.gain(v) < 0.0);
        }
        assert_eq!(
            Tuning::table(&[0.0, 1.0, 2.0], &[1e9, 2e9, 1.5e9]),
            Err(TuningError::NotMonotone(1.0, 2.0))
        );
        assert_eq!(Tuning::table(&[1.0, 1.0], &[1e9, 2e9]), Err(TuningError::SameVoltage(1.0)));
    }
}
