//! What was solved: metrics with their second routes, curves, verdicts, warnings; in the order of the note.

mod flat;
mod json;
mod judge;
mod lookup;
mod store;

pub use json::{TOOL, group_json, to_json, to_text, to_texts};
pub use judge::{Judgement, Limit, MaskPoint, mask_level};
pub use lookup::{LookupFault, MetricPath, find_below, one_number};
pub use store::{
    BlockResult, Group, Metric, MetricFunction, Node, Number, Remedy, Results, Second, State, Store, Verdict,
    Warning,
};
