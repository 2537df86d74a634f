//! Roots of a function of one variable that knows its slope.

/// What Newton's rule leaves after a step of this size, relative, is below the last bits: it squares what is off.
const LAST: f64 = 1e-9;

/// The root between `negative`, where the function is below zero, and `positive`, where it is above, found from `start`.
/// `of`: the function and its slope, or both times a factor above zero, which may vary.
///
/// Newton's rule, and the middle where that leads out of the bracket. Several times as fast as [`super::brent::root`] where
/// the slope costs little beside the value.
pub fn root(mut of: impl FnMut(f64) -> (f64, f64), (negative, positive): (f64, f64), start: f64) -> f64 {
    let rising = positive > negative;
    let (mut low, mut high) = if rising { (negative, positive) } else { (positive, negative) };
    let mut x = start;
    for _ in 0..200 {
        let (value, slope) = of(x);
        if (value < 0.0) == rising {
            low = x;
        } else {
            high = x;
        }
        let step = value / slope;
        let next = x - step;
        let inside = next >= low && next <= high;
        if inside && step.abs() <= LAST * x.abs() {
            return next;
        }
        let middle = low + 0.5 * (high - low);
        if high - low <= 2.0 * f64::EPSILON * high.abs() {
            return middle;
        }
        x = if inside { next } else { middle };
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_to_the_last_bits() {
        let found = root(|x| (x.cos() - x, -x.sin() - 1.0), (1.0, 0.0), 0.3);
        assert!((found - 0.739_085_133_215_160_6).abs() < 2e-16);
        let steep = root(|x| (x.powi(9) - 1e-9, 9.0 * x.powi(8)), (0.0, 10.0), 10.0);
        assert!((steep - 0.1).abs() < 1e-16);
    }

    /// Where the rule alone runs away, and where there is no slope.
    #[test]
    fn the_bracket_holds() {
        let found = root(|x| (x.atan(), 1.0 / (1.0 + x * x)), (-7.0, 30.0), 20.0);
        assert!(found.abs() < 1e-15, "{found}");
        let flat = root(|x| ((x - 2.0).powi(3), 0.0), (0.0, 8.0), 5.0);
        assert!((flat - 2.0).abs() < 1e-5, "{flat}");
    }
}
