//! Digests of all that something is solved from: what has the same one comes out the same.

use std::collections::{BTreeMap, BTreeSet};

use sha2::{Digest, Sha256};

use super::draft::Draft;
use crate::blocks::{self, Given, Inputs, facts_group};
use crate::note::schema::Need;
use crate::note::{Checked, Fields, Item};
use crate::results::{MetricPath, TOOL, group_json};
use crate::units::{Quantity, Unit, parse_number};

/// A digest in the making; parts of different lengths never run into each other.
struct Hash(Sha256);

impl Hash {
    fn new() -> Self {
        let mut hash = Self(Sha256::new());
        hash.add(TOOL.as_bytes());
        hash
    }

    fn add(&mut self, bytes: &[u8]) {
        self.0.update((bytes.len() as u64).to_le_bytes());
        self.0.update(bytes);
    }

    /// Fields as resolved, with what results.json does not show of them.
    fn fields(&mut self, fields: &Fields) {
        self.add(group_json(&facts_group(fields)).to_string().as_bytes());
        let mut unshown = String::new();
        tolerances(fields, &mut unshown);
        if !unshown.is_empty() {
            self.add(unshown.as_bytes());
        }
    }

    fn end(self) -> String {
        hex(self.0.finalize().as_slice())
    }
}

/// Digest of all that a block is solved from: tool, kind, fields as resolved, digests of blocks and files it uses, and
/// the requirements, where it judges.
pub(super) fn digest(
    given: &Given,
    draft: &Draft<'_>,
    digests: &BTreeMap<String, String>,
    inputs: &Inputs<'_>,
) -> String {
    let mut hash = Hash::new();
    hash.add(given.kind.as_bytes());
    hash.fields(&given.fields);
    let needs: BTreeSet<&str> = draft.needs.iter().map(|(name, _)| name.as_str()).collect();
    for name in &needs {
        hash.add(name.as_bytes());
        hash.add(digests.get(*name).map_or("", String::as_str).as_bytes());
    }
    for path in blocks::files_used(&given.fields) {
        hash.add(path.as_bytes());
        // One that can't be read is told by whoever needs it.
        hash.add(&inputs.files.read(&path).unwrap_or_default());
    }
    if draft.kind.judges() {
        judged(&|block| needs.contains(block), digests, inputs, &mut hash);
    }
    hash.end()
}

/// Digest of all that remedies on a loop and its family are found from.
pub(super) fn of_remedies(
    family: &[String],
    digests: &BTreeMap<String, String>,
    inputs: &Inputs<'_>,
) -> String {
    let mut hash = Hash::new();
    hash.add(format!("{:?}", inputs.catalog.blocks).as_bytes());
    for name in family {
        hash.add(name.as_bytes());
        hash.add(digests.get(name).map_or("", String::as_str).as_bytes());
    }
    judged(&|block| family.iter().any(|name| name == block), digests, inputs, &mut hash);
    hash.end()
}

/// The requirements on some blocks, with what their limits name.
fn judged(
    on: &dyn Fn(&str) -> bool,
    digests: &BTreeMap<String, String>,
    inputs: &Inputs<'_>,
    hash: &mut Hash,
) {
    let values: Vec<&str> = inputs.catalog.of_kind("values").collect();
    for given in inputs.again.map(|again| again.requirements(inputs)).unwrap_or_default() {
        for (key, checked) in &given.fields.entries {
            let Some(one) = checked.group() else { continue };
            let metric = one.text("metric").and_then(MetricPath::parse);
            if !metric.is_some_and(|path| on(&path.block)) {
                continue;
            }
            hash.add(key.name.as_bytes());
            hash.fields(one);
            for path in blocks::requirement_names(one).into_iter().map(|needed| needed.path) {
                // A bare name is that of a value, in whichever block.
                let owners = if path.names.is_empty() { values.clone() } else { vec![path.block.as_str()] };
                for owner in owners {
                    hash.add(digests.get(owner).map_or("", String::as_str).as_bytes());
                }
            }
        }
    }
}

/// Tolerances, steps and digits beyond those of a double, which facts in results.json leave out.
fn tolerances(fields: &Fields, out: &mut String) {
    for (field, checked, defaulted) in fields.iter() {
        unshown(field.name, checked, out);
        // Some kinds tell a default that is written from one that is not.
        if !defaulted && matches!(field.need, Need::Default(_)) {
            out.push_str(&format!("{} is written;", field.name));
        }
    }
    for (key, checked) in &fields.entries {
        unshown(&key.name, checked, out);
    }
}

fn unshown(name: &str, checked: &Checked, out: &mut String) {
    match &checked.value {
        Item::Quantity(quantity) => exact(name, quantity, out),
        Item::Toleranced(quantity, tolerance) => {
            exact(name, quantity, out);
            if let Some(tolerance) = tolerance {
                out.push_str(&format!("{name}: {tolerance:?};"));
            }
        }
        Item::Range(low, high, step) => {
            exact(name, low, out);
            exact(name, high, out);
            if let Some(step) = step {
                out.push_str(&format!("{name}: {step:?};"));
            }
        }
        Item::List(items) => items.iter().for_each(|item| unshown(name, item, out)),
        Item::Group(inner) => tolerances(inner, out),
        Item::Entries(entries) => entries.iter().for_each(|(key, inner)| unshown(&key.name, inner, out)),
        _ => {}
    }
}

/// A frequency that is not the decimal that its double is printed as: dividers are found from all its digits.
fn exact(name: &str, quantity: &Quantity, out: &mut String) {
    let shown = parse_number(&quantity.value.to_string()).map(|shown| shown.rational());
    if quantity.unit == Unit::Hertz && shown != Ok(quantity.rational()) {
        out.push_str(&format!("{name}: {};", quantity.rational()));
    }
}

pub(super) fn hex(bytes: &[u8]) -> String {
    let digit = |value: u8| char::from_digit(value.into(), 16).unwrap_or('0');
    bytes.iter().flat_map(|byte| [byte >> 4, byte & 15].map(digit)).collect()
}
