//! The values a divider can take: a range, a list, or the dual-modulus (swallow) counter.

/// Largest value a feedback divider may be given; bounds every search over divider values.
pub const LARGEST_FEEDBACK_DIVIDER: u64 = 1 << 24;
/// Largest value a reference divider may be given.
pub const LARGEST_REFERENCE_DIVIDER: u64 = 1 << 20;

/// A set of positive integers, as a data sheet states it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum IntegerSet {
    /// Every integer from the first to the second, both included.
    Range(u64, u64),
    /// Just these, ascending without repetition (see [`IntegerSet::list`]).
    List(Vec<u64>),
}

impl IntegerSet {
    /// A list in any order, with or without repetition.
    pub fn list(mut values: Vec<u64>) -> Self {
        values.sort_unstable();
        values.dedup();
        Self::List(values)
    }

    /// Whether `value` is in the set.
    pub fn contains(&self, value: u64) -> bool {
        match self {
            Self::Range(low, high) => (*low..=*high).contains(&value),
            Self::List(values) => values.binary_search(&value).is_ok(),
        }
    }

    /// Least member; `None` where the set is empty.
    pub fn min(&self) -> Option<u64> {
        match self {
            Self::Range(low, high) => (low <= high).then_some(*low),
            Self::List(values) => values.first().copied(),
        }
    }

    /// Largest member; `None` where the set is empty.
    pub fn max(&self) -> Option<u64> {
        match self {
            Self::Range(low, high) => (low <= high).then_some(*high),
            Self::List(values) => values.last().copied(),
        }
    }

    /// Largest member that is not above `value`.
    pub fn at_most(&self, value: u64) -> Option<u64> {
        match self {
            Self::Range(low, high) => (low <= high && value >= *low).then(|| value.min(*high)),
            Self::List(values) => values[..values.partition_point(|v| *v <= value)].last().copied(),
        }
    }

    /// Least member that is not below `value`.
    pub fn at_least(&self, value: u64) -> Option<u64> {
        match self {
            Self::Range(low, high) => (low <= high && value <= *high).then(|| value.max(*low)),
            Self::List(values) => values.get(values.partition_point(|v| *v < value)).copied(),
        }
    }

    /// Members from `from` on, ascending.
    pub fn members_from(&self, from: u64) -> Box<dyn Iterator<Item = u64> + '_> {
        match self {
            Self::Range(low, high) => Box::new(from.max(*low)..=*high),
            Self::List(values) => Box::new(values[values.partition_point(|v| *v < from)..].iter().copied()),
        }
    }
}

/// How a swallow counter is set: `n = prescaler * b + a`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SwallowSetting {
    /// Lower modulus p of the dual-modulus prescaler (p / p + 1).
    pub prescaler: u64,
    /// Swallow counter a, not above b.
    pub a: u64,
    /// Main counter b.
    pub b: u64,
}

/// The feedback divider, fixed prescaler not included.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FeedbackSet {
    /// A plain programmable counter.
    Plain(IntegerSet),
    /// A dual-modulus prescaler with swallow counter: `n = p b + a` with `a <= b`.
    Swallow {
        /// Moduli p to choose from, in order of preference.
        prescalers: Vec<u64>,
        /// Swallow counter, both ends included.
        a: (u64, u64),
        /// Main counter, both ends included.
        b: (u64, u64),
    },
}

impl FeedbackSet {
    /// Whether the divider can be set to `n`.
    pub fn contains(&self, n: u64) -> bool {
        match self {
            Self::Plain(set) => set.contains(n),
            Self::Swallow { .. } => self.swallow(n).is_some(),
        }
    }

    /// Counter setting for `n`; `None` for a plain counter and in a hole.
    ///
    /// The largest b is taken: a smaller b needs a larger a and allows only a smaller one, so that
    /// where this setting breaks `a <= b` or the range of a, every other does.
    pub fn swallow(&self, n: u64) -> Option<SwallowSetting> {
        let Self::Swallow { prescalers, a: (a_min, a_max), b: (b_min, b_max) } = self else { return None };
        prescalers.iter().find_map(|&p| {
            let b = (n.checked_sub(*a_min)?.checked_div(p)?).min(*b_max);
            let a = n - p * b;
            (b >= *b_min && a <= (*a_max).min(b)).then_some(SwallowSetting { prescaler: p, a, b })
        })
    }

    /// Least and largest value the divider can be set to; `None` where it has no value at all.
    pub fn limits(&self) -> Option<(u64, u64)> {
        match self {
            Self::Plain(set) => set.min().zip(set.max()),
            Self::Swallow { prescalers, a: (a_min, a_max), b: (b_min, b_max) } => {
                if a_min > a_max || b_min > b_max || a_min > b_max {
                    return None;
                }
                let (least, largest) = (prescalers.iter().min()?, prescalers.iter().max()?);
                let low = least * b_min.max(a_min) + a_min;
                Some((low, largest * b_max + a_max.min(b_max)))
            }
        }
    }

    /// Largest possible value that is not above `n`.
    pub fn at_most(&self, n: u64) -> Option<u64> {
        match self {
            Self::Plain(set) => set.at_most(n),
            Self::Swallow { .. } => {
                let (low, high) = self.limits()?;
                (low..=n.min(high)).rev().find(|&n| self.contains(n))
            }
        }
    }

    /// Least possible value that is not below `n`.
    pub fn at_least(&self, n: u64) -> Option<u64> {
        match self {
            Self::Plain(set) => set.at_least(n),
            Self::Swallow { .. } => {
                let (low, high) = self.limits()?;
                (n.max(low)..=high).find(|&n| self.contains(n))
            }
        }
    }

    /// First value of `from..=to` that the divider can't take.
    pub fn first_gap(&self, from: u64, to: u64) -> Option<u64> {
        match self {
            Self::Plain(IntegerSet::Range(low, high)) if *low <= from && to <= *high => None,
            _ => (from..=to).find(|&n| !self.contains(n)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dual_modulus() -> FeedbackSet {
        FeedbackSet::Swallow { prescalers: vec![8, 16], a: (0, 15), b: (3, 63) }
    }

    /// Every setting tried, the slow and certain way.
    fn brute(n: u64) -> bool {
        [8, 16].iter().any(|p| (3..=63).any(|b| (0..=15).any(|a| a <= b && p * b + a == n)))
    }

    #[test]
    fn swallow_agrees_with_trying_every_setting() {
        let set = dual_modulus();
        for n in 0..1200 {
            assert_eq!(set.contains(n), brute(n), "n = {n}");
            if let Some(s) = set.swallow(n) {
                assert_eq!(s.prescaler * s.b + s.a, n);
                assert!(s.a <= s.b);
            }
        }
    }

    #[test]
    fn holes_end_at_p_times_p_minus_one() {
        let set = FeedbackSet::Swallow { prescalers: vec![8], a: (0, 7), b: (1, 8191) };
        assert!(!set.contains(55));
        assert!((56..2000).all(|n| set.contains(n)));
        assert_eq!((set.at_most(55), set.at_least(55)), (Some(54), Some(56)));
    }

    #[test]
    fn limits_are_members_and_nothing_lies_outside() {
        let set = dual_modulus();
        let (low, high) = set.limits().unwrap();
        assert_eq!((low, high), (24, 16 * 63 + 15));
        assert!(brute(low) && brute(high) && !brute(low - 1) && !brute(high + 1));
    }

    #[test]
    fn list_is_sorted_and_searched() {
        let set = IntegerSet::list(vec![8, 2, 4, 2]);
        assert_eq!(set, IntegerSet::List(vec![2, 4, 8]));
        assert_eq!(
            (set.at_most(7), set.at_least(5), set.at_most(1), set.at_least(9)),
            (Some(4), Some(8), None, None)
        );
        assert_eq!(set.members_from(3).collect::<Vec<_>>(), [4, 8]);
    }

    #[test]
    fn gaps_in_an_excursion_are_found() {
        let range = FeedbackSet::Plain(IntegerSet::Range(20, 30));
        assert_eq!(
            (range.first_gap(20, 30), range.first_gap(19, 25), range.first_gap(28, 32)),
            (None, Some(19), Some(31))
        );
    }
}
