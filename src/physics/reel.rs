//! Parts of one reel, whose errors are partly common.
//!
//! A Gaussian copula: each part has a standard normal number, made of one that the whole reel shares and one of its own;
//! its place in the normal distribution is taken over into that of the part, which keeps its own distribution whatever the
//! correlation. Source: R. B. Nelsen, An Introduction to Copulas, 2nd edition, 2006 (from memory).

use std::f64::consts::PI;

use super::scatter::{Deviates, Distribution};
use crate::num::normal::{below, quantile};

/// Parts of one reel.
#[derive(Clone, Debug, PartialEq)]
pub struct Reel {
    /// Their places among what varies.
    pub members: Vec<usize>,
    /// Rank correlation (Spearman) of any two of them, 0 .. 1.
    pub correlation: f64,
}

impl Reel {
    /// Correlation of the normal numbers behind: `2 sin(pi r / 6)` of the rank correlation r.
    /// Source: K. Pearson, Drapers' Company Research Memoirs, Biometric Series 4, 1907 (from memory).
    pub fn behind(&self) -> f64 {
        2.0 * (PI * self.correlation / 6.0).sin()
    }

    /// Ordinary correlation of two of the errors, for first-order deviations. Where tolerances are filled alike all over it
    /// is that of the ranks; for the normal it is that of the numbers behind, within 1 % for the cut at three deviations.
    pub fn of_errors(&self, distribution: Distribution) -> f64 {
        match distribution {
            Distribution::Uniform => self.correlation,
            Distribution::Normal => self.behind(),
        }
    }

    /// Gives the members, drawn each by itself, what they have in common: `common` is standard normal.
    pub(super) fn mix(&self, distribution: Distribution, common: f64, deviates: &mut Deviates) {
        let shared = self.behind();
        let (a, b) = (shared.sqrt(), (1.0 - shared).max(0.0).sqrt());
        for &member in &self.members {
            let own = quantile(distribution.below(deviates[member]).clamp(1e-16, 1.0 - 1e-16));
            let mixed = below(a * common + b * own).clamp(1e-16, 1.0 - 1e-16);
            deviates[member] = distribution.quantile(mixed);
        }
    }
}

impl Distribution {
    /// Share of a tolerance of 1 that lies below `u`, -1 .. 1.
    fn below(self, u: f64) -> f64 {
        match self {
            Distribution::Uniform => 0.5 * (1.0 + u),
            Distribution::Normal => {
                let outside = below(-3.0);
                (below(3.0 * u) - outside) / (1.0 - 2.0 * outside)
            }
        }
    }

    /// The inverse of [`Distribution::below`].
    fn quantile(self, p: f64) -> f64 {
        match self {
            Distribution::Uniform => 2.0 * p - 1.0,
            Distribution::Normal => {
                let outside = below(-3.0);
                (quantile(outside + p * (1.0 - 2.0 * outside)) / 3.0).clamp(-1.0, 1.0)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_distributions_have_their_inverse() {
        for distribution in [Distribution::Uniform, Distribution::Normal] {
            for k in -19..20 {
                let u = f64::from(k) / 20.0;
                assert!((distribution.quantile(distribution.below(u)) - u).abs() < 1e-12, "{u}");
            }
        }
    }

    /// All or nothing: one error for the whole reel, or each its own.
    #[test]
    fn whole_and_no_correlation() {
        for distribution in [Distribution::Uniform, Distribution::Normal] {
            let mut deviates = Deviates::default();
            (deviates[0], deviates[1], deviates[2]) = (0.3, -0.7, 0.9);
            let own = deviates;
            let reel = |correlation| Reel { members: vec![0, 2], correlation };
            reel(0.0).mix(distribution, 1.2, &mut deviates);
            assert!((0..3).all(|i| (deviates[i] - own[i]).abs() < 1e-12));
            reel(1.0).mix(distribution, 1.2, &mut deviates);
            assert!((deviates[0] - deviates[2]).abs() < 1e-7 && (deviates[1] - own[1]).abs() < 1e-12);
            assert!((distribution.below(deviates[0]) - below(1.2)).abs() < 1e-7);
        }
    }
}
