//! A curve of bounded length that keeps every extreme, however many cycles it covers.

use crate::num::flat::flat;

/// One instant of a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Instant {
    /// Time, s.
    pub time: f64,
    /// Frequency error at the output, Hz.
    pub frequency_error: f64,
    /// Phase error at the output, cycles, from the settled phase.
    pub phase_error: f64,
    /// Tuning voltage, V.
    pub tuning: f64,
}

flat!(Instant { time, frequency_error, phase_error, tuning });

/// Raw instant: periods since the start, volts from those aimed at, phase in detector cycles.
#[derive(Clone, Copy, Debug)]
pub(super) struct Raw {
    pub time: f64,
    pub volts: f64,
    pub phase: f64,
}

/// Spans of time before two are put together.
const SPANS: usize = 128;

/// Extremes of one span: of voltage and phase, each the lowest and the highest.
type Span = [Raw; 4];

/// Start and end of a span, periods, with the lowest and highest voltage and phase in it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Now {
    pub start: f64,
    pub end: f64,
    pub volts: (f64, f64),
    pub phases: (f64, f64),
}

/// Spans of equal length; when they run out, neighbours are put together and the length doubles.
#[derive(Clone, Debug)]
pub(super) struct Trace {
    spans: Vec<Option<Span>>,
    length: f64,
    /// Spans in a period; lengths are powers of two, so that this is exact.
    rate: f64,
    /// The span written to last: its index, and from where to where it goes, periods.
    index: usize,
    within: (f64, f64),
}

impl Trace {
    /// With spans of `length` periods to begin with.
    pub(super) fn new(length: f64) -> Self {
        Self { spans: Vec::with_capacity(SPANS), length, rate: 1.0 / length, index: 0, within: (0.0, length) }
    }

    /// The span now written to.
    pub(super) fn now(&self) -> Now {
        let (start, end) = self.within;
        let none = (f64::INFINITY, f64::NEG_INFINITY);
        match self.spans.get(self.index) {
            Some(Some(span)) => Now {
                start,
                end,
                volts: (span[0].volts, span[1].volts),
                phases: (span[2].phase, span[3].phase),
            },
            _ => Now { start, end, volts: none, phases: none },
        }
    }

    /// Lowest and highest voltage of the span now written to; `None` where a time lies beyond it.
    pub(super) fn volts(&self, time: f64) -> Option<(f64, f64)> {
        let span = self.spans.get(self.index).filter(|_| self.continues(time))?.as_ref()?;
        Some((span[0].volts, span[1].volts))
    }

    /// Whether a time still falls into the span now written to.
    pub(super) fn continues(&self, time: f64) -> bool {
        time < self.within.1
    }

    /// Takes an instant; times never go back by more than a span. Whether it may be an extreme.
    #[inline]
    pub(super) fn put(&mut self, raw: Raw) -> bool {
        if raw.time >= self.within.0
            && raw.time < self.within.1
            && let Some(Some(span)) = self.spans.get_mut(self.index)
        {
            let [low, high, late, early] = &*span;
            let new = raw.volts < low.volts
                || raw.volts > high.volts
                || raw.phase < late.phase
                || raw.phase > early.phase;
            if new {
                reach(span, raw);
            }
            return new;
        }
        self.put_elsewhere(raw);
        true
    }

    #[inline(never)]
    fn put_elsewhere(&mut self, raw: Raw) {
        let mut index = (raw.time * self.rate) as usize;
        while index >= SPANS {
            self.halve();
            index = (raw.time * self.rate) as usize;
        }
        if index >= self.spans.len() {
            self.spans.resize(index + 1, None);
        }
        self.index = index;
        self.within = (self.length * index as f64, self.length * (index + 1) as f64);
        match &mut self.spans[index] {
            Some(span) => reach(span, raw),
            empty => *empty = Some([raw; 4]),
        }
    }

    fn halve(&mut self) {
        let pairs = self.spans.chunks(2).map(|pair| match pair {
            [Some(a), Some(b)] => {
                let mut both = *a;
                join(&mut both, b);
                Some(both)
            }
            [one, other] => one.or(*other),
            [one] => *one,
            _ => None,
        });
        self.spans = pairs.collect();
        self.length *= 2.0;
        self.rate *= 0.5;
    }

    /// Instants in the order of time.
    pub(super) fn instants(&self) -> Vec<Raw> {
        let mut all: Vec<Raw> = Vec::new();
        for span in self.spans.iter().flatten() {
            let mut four = span.to_vec();
            four.sort_by(|a, b| a.time.total_cmp(&b.time));
            for raw in four {
                if all.last().is_none_or(|last| raw.time > last.time) {
                    all.push(raw);
                }
            }
        }
        all
    }
}

/// Takes one instant into a span.
fn reach(span: &mut Span, raw: Raw) {
    let [low, high, late, early] = span;
    if raw.volts < low.volts {
        *low = raw;
    }
    if raw.volts > high.volts {
        *high = raw;
    }
    if raw.phase < late.phase {
        *late = raw;
    }
    if raw.phase > early.phase {
        *early = raw;
    }
}

fn join(span: &mut Span, other: &Span) {
    let of = |low: usize, value: fn(&Raw) -> f64, span: &mut Span| {
        if value(&other[low]) < value(&span[low]) {
            span[low] = other[low];
        }
        if value(&other[low + 1]) > value(&span[low + 1]) {
            span[low + 1] = other[low + 1];
        }
    };
    of(0, |raw| raw.volts, span);
    of(2, |raw| raw.phase, span);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_extreme_is_lost_and_the_length_is_bounded() {
        let mut trace = Trace::new(0.5);
        let value = |k: u32| (f64::from(k) * 0.7).sin() * (1.0 + f64::from(k % 977));
        for k in 0..200_000 {
            let (time, volts) = (f64::from(k) * 0.25, value(k));
            trace.put(Raw { time, volts, phase: -2.0 * volts });
        }
        let kept = trace.instants();
        assert!(kept.len() <= 4 * SPANS && kept.windows(2).all(|pair| pair[0].time < pair[1].time));
        let of = |fold: fn(f64, f64) -> f64| {
            let all = (0..200_000).map(value).reduce(fold);
            (all, kept.iter().map(|raw| raw.volts).reduce(fold))
        };
        for (all, kept) in [of(f64::min), of(f64::max)] {
            assert_eq!(all, kept);
        }
    }
}
