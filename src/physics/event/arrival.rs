//! When the divider's next edge comes.

use super::limits::Stance;
use super::motion::Motion;
use super::run::Engine;
use super::start::Start;
use super::system::Vector;

/// A step of Newton's rule after which no further one is needed, periods.
pub(super) const CLOSE: f64 = 1e-10;

/// Step to the edge from where it was guessed, by the series turned round, and what that leaves out. `off`: phase beyond
/// the one due, over the speed there; `two`, `three`: second and third derivative of the phase over
/// the speed, over 2 and 6; `four`: the next one, whole, to be sure.
#[inline]
pub(super) fn turned_round(off: f64, two: f64, three: f64, four: f64) -> (f64, f64) {
    let step = -off * (1.0 + off * (two + off * (2.0 * two * two - three)));
    let fourth = (off * off) * (off * off);
    (step, (four.abs() + 5.0 * (two * two * two).abs()) * fourth)
}

impl<const N: usize> Engine<'_, N> {
    /// When the divider's next edge comes, where that is plainly before `time`, and the filter then: guessed from where
    /// the loop stands, and mended by a series round the guess. `None` where only a look at the whole way tells.
    #[inline]
    pub(super) fn edge_soon(&self, drive: f64, due: f64, time: f64) -> Option<(f64, Vector<N>)> {
        let Motion::Modes(modes) = &self.free else { return None };
        // Due so late that it is hardly worth a look: the way to the end will tell.
        if self.stance != Stance::Free || due <= 0.0 || due > 1.25 * time {
            return None;
        }
        if !self.curve.is_straight() {
            return self.edge_on_curve(drive, due, time);
        }
        let (start, slope) = (Start::new(modes, &self.state, drive), self.curve.slope);
        let guess = start.guess(slope, due);
        if !(guess > 0.0 && guess < time) {
            return None;
        }
        let (edge, phis) = start.edge(modes, slope, due, guess)?;
        (edge > 0.0 && edge < time).then(|| (edge, start.after(modes, &phis, edge).0))
    }

    /// The same on a curve that bends, by one or two looks at the phase.
    fn edge_on_curve(&self, drive: f64, due: f64, time: f64) -> Option<(f64, Vector<N>)> {
        let Motion::Modes(modes) = &self.free else { return None };
        let [volts, rise] = modes.derivatives(&self.state, drive);
        let [share, gain, ..] = self.curve.local(volts).share;
        let first = due / (1.0 + share);
        let mut guess = first - 0.5 * gain * rise / (1.0 + share) * first * first;
        for _ in 0..3 {
            if !(guess > 0.0 && guess < time) {
                return None;
            }
            let (state, moved) = self.moved(drive, guess);
            let [volts, rise, bend, third] = modes.derivatives(&state, drive);
            let local = self.curve.local(volts);
            let [share, gain, curl, twist] = local.share;
            let speed = 1.0 + share;
            let off = (guess + moved - due) / speed;
            let (two, three) =
                (0.5 * gain * rise / speed, (gain * bend + curl * rise * rise) / (6.0 * speed));
            let fourth =
                (gain * third).abs() + 3.0 * (curl * rise * bend).abs() + (twist * rise.powi(3)).abs();
            let (step, left) = turned_round(off, two, three, fourth / speed);
            guess += step;
            if left <= f64::EPSILON * 0.1 * guess && local.holds(volts + rise * step * 2.0) {
                if !(guess > 0.0 && guess < time) {
                    return None;
                }
                return Some((guess, modes.nudged(&state, drive, step)?));
            }
        }
        None
    }

    /// When the divider's next edge comes: where the phase is due, by Newton's rule inside a bracket.
    pub(super) fn divider_edge(&self, drive: f64, due: f64, time: f64, at_time: f64) -> f64 {
        if due <= 0.0 {
            return 0.0;
        }
        let (mut low, mut high) = (0.0, time);
        let mut guess = time * due / at_time;
        for _ in 0..60 {
            let (state, moved) = self.moved(drive, guess);
            let off = guess + moved - due;
            if off < 0.0 {
                low = guess;
            } else {
                high = guess;
            }
            let step = off / (1.0 + self.curve.share(self.motion().voltage(&state)));
            let mut next = guess - step;
            if !(next >= low && next <= high) {
                next = 0.5 * (low + high);
            } else if step.abs() <= CLOSE {
                // The error is of the order of the step squared: below the last digit.
                return next;
            }
            if (next - guess).abs() <= f64::EPSILON * guess {
                return next;
            }
            guess = next;
        }
        guess
    }
}
