//! What every kind's file needs.

pub(crate) use super::inputs::{Catalog, Given, Inputs, Needed};
pub(crate) use super::noise_spec::NoiseSpec;
pub(crate) use super::support::{
    Faults, first_of, level_table, level_table_in, not_negative_in, number_cell, positive_in,
};
pub(crate) use super::{Answer, Kind, MetricDoc, Route, Solved};
pub(crate) use crate::diag::Diagnostic;
pub(crate) use crate::exhibit::Exhibit;
pub(crate) use crate::note::schema::{Field, Type};
pub(crate) use crate::note::{Checked, Fields, Item};
pub(crate) use crate::physics::part::LevelTable;
pub(crate) use crate::results::{Group, LookupFault, Metric, MetricPath, Node};
pub(crate) use crate::units::{Digits, Quantity, Unit, print};
