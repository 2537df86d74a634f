//! The limits that requirements set for what a tolerance block reads again: a yield needs them before the requirements
//! themselves are judged.

use super::super::repeat::Repeat;
use super::super::requirements::mask_points;
use super::{Fields, Inputs, Item, MetricPath, Unit};
use crate::results::Limit;

/// The limits on metrics of the repeated blocks. A limit at fault is left to its requirement to report.
pub(super) fn resolve(repeat: &Repeat, inputs: &Inputs<'_>) -> Vec<(MetricPath, Limit)> {
    let blocks = inputs.again.map_or_else(Vec::new, |again| again.requirements(inputs));
    let entries = blocks.iter().flat_map(|given| &given.fields.entries);
    entries.filter_map(|(_, checked)| limit(repeat, checked.group()?, inputs)).collect()
}

fn limit(repeat: &Repeat, one: &Fields, inputs: &Inputs<'_>) -> Option<(MetricPath, Limit)> {
    let metric = MetricPath::parse(one.text("metric")?)?;
    let unit = match repeat.column(&metric) {
        Some(column) => repeat.columns[column].unit,
        None if repeat.repeats(&metric.block) => Unit::DecibelCarrierPerHertz,
        None => return None,
    };
    let limit = match &one.get("limit")?.value {
        Item::Table(rows) => Limit::Mask(mask_points(rows)),
        _ => Limit::parse(one.text("limit")?, |_, text| inputs.bound(text, unit)).ok()?,
    };
    Some((metric, limit))
}
