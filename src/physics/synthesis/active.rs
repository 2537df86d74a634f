//! Parts of an active filter: op-amp with C1 across R2 + C2 in its feedback, post filter R3-C3, R4-C4.
//!
//! The op-amp's finite gain is one more pole and no matter of the parts. It parts the post filter from the feedback, so T1 and T2 belong to the feedback alone.

use super::{Shape, SynthesisError};
use crate::physics::part::{Filter, Topology};

/// R3 over R2. The op-amp leaves the impedance of the post filter free: at a quarter of R2, its noise voltage is half
/// of that of R2 and the op-amp has not much more to drive than the feedback. Common practice, no source.
const POST_RESISTANCE: f64 = 0.25;

pub(super) fn parts(topology: Topology, shape: Shape) -> Result<Filter, SynthesisError> {
    let Shape { times, a0 } = shape;
    let c1 = a0 * times.t1 / times.t2;
    let c2 = a0 - c1;
    let r2 = times.t2 / c2;
    let r3 = POST_RESISTANCE * r2;
    let post = if topology.order() == 3 {
        vec![(r3, times.t3 / r3)]
    } else {
        // R3 (C3 + C4) + R4 C4 = T3 + T4 and R3 C3 R4 C4 = T3 T4, of which R3 C4 is largest with R4 C4 = sqrt(T3 T4).
        let fourth = (times.t3 * times.t4).sqrt();
        let c4 = (times.t3.sqrt() - times.t4.sqrt()).powi(2) / r3;
        if c4 <= 0.0 {
            return Err(SynthesisError::NotRealisable { part: "C4" });
        }
        vec![(r3, fourth / r3), (fourth / c4, c4)]
    };
    Ok(Filter { topology, c1, r2, c2, post })
}
