//! Floor added after the output divider.

use super::{Contributor, Node, power};
use crate::physics::part::{Case, LevelTable};

/// The floor as stated, not divided by anything.
/// Source: noise of the output stage at the output frequency, as a data sheet gives it.
pub(super) struct OutputFloor;

impl Contributor for OutputFloor {
    fn name(&self) -> &'static str {
        "output"
    }

    fn says(&self) -> &'static str {
        "floor after the output divider, as it stands"
    }

    fn nodes(&self) -> &'static [Node] {
        &[Node::Output]
    }

    fn present(&self, case: &Case) -> bool {
        case.noise.output_floor.is_some()
    }

    fn scale(&self, case: &Case, _: Node) -> f64 {
        power(case.noise.lifts.output)
    }

    fn shape(&self, case: &Case, _: Node, f: f64) -> f64 {
        case.noise.output_floor.as_ref().map_or(0.0, |table| table.power_at(f))
    }

    fn table<'c>(&self, case: &'c Case) -> Option<&'c LevelTable> {
        case.noise.output_floor.as_deref()
    }
}
