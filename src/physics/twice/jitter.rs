//! Second route to the jitter: adaptive quadrature of the smooth spectrum.
//!
//! The first route joins grid points by power laws and sums their closed integrals. Here L(f) itself is
//! asked wherever the quadrature wants it, so that a grid too coarse for a resonance shows.

use crate::num::quadrature::{self, QuadratureError};

/// Relative accuracy asked of the quadrature: well inside the 0.1 % within which the routes must agree.
const RELATIVE: f64 = 1e-7;

/// rms phase, rad: `sqrt(2 int L df)` from `from` to `to` Hz, 0 < from < to.
/// `density`: L(f) per Hz, linear; `kinks`: offsets at which its slope jumps (table points), any order.
/// Integrated over ln f, where a power law is a plain exponential.
///
/// # Errors
/// [`QuadratureError`] where the accuracy is not reached.
pub fn rms_phase(
    mut density: impl FnMut(f64) -> f64,
    from: f64,
    to: f64,
    kinks: &[f64],
) -> Result<f64, QuadratureError> {
    let mut ends: Vec<f64> = kinks.iter().copied().filter(|f| from < *f && *f < to).collect();
    ends.extend([from, to]);
    ends.sort_by(f64::total_cmp);
    ends.dedup();
    let mut sum = 0.0;
    for pair in ends.windows(2) {
        sum += quadrature::adaptive(|x| x.exp() * density(x.exp()), pair[0].ln(), pair[1].ln(), RELATIVE)?;
    }
    Ok((2.0 * sum).sqrt())
}
