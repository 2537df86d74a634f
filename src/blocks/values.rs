//! `values`: derived numbers.

use std::collections::BTreeMap;

use super::fields::{COMMON, optional, required};
use super::prelude::*;
use crate::exhibit::{Cell, Column, Table};
use crate::template::{self, Scope, Unknown};

/// The kind.
pub struct ValuesKind;

static FORMULA: &[Field] = &[
    required("formula", Type::Formula, "expression over SI values"),
    required("unit", Type::Text, "what the result is, e.g. s; `1` for a pure number"),
    optional("says", Type::Text, "what it stands for, a few words"),
];
static ENTRY: Type = Type::Either(&[Type::AnyQuantity, Type::Number, Type::Group(FORMULA)]);

/// The values of one block, by name.
#[derive(Clone, Debug)]
pub struct Values(pub BTreeMap<String, Quantity>);

struct Known<'a> {
    own: &'a BTreeMap<String, Quantity>,
    inputs: &'a Inputs<'a>,
}

impl Scope for Known<'_> {
    fn value(&self, name: &str) -> Result<(f64, Unit), Unknown> {
        let quantity = match self.own.get(name) {
            Some(found) => found.clone(),
            None => self.inputs.named(name).map_err(|fault| {
                let own = self.own.keys().cloned();
                (fault.message, own.chain(fault.known).collect())
            })?,
        };
        Ok((quantity.value * quantity.unit.formula_factor(), quantity.unit))
    }
}

static LISTS: &[&[Field]] = &[COMMON];

impl Kind for ValuesKind {
    fn name(&self) -> &'static str {
        "values"
    }
    fn about(&self) -> &'static str {
        "derived numbers, by name"
    }
    fn nameless(&self) -> bool {
        true
    }
    fn fields(&self) -> &'static [&'static [Field]] {
        LISTS
    }
    fn entries(&self) -> Option<&'static Type> {
        Some(&ENTRY)
    }
    fn needs(&self, given: &Given, _catalog: &Catalog) -> Vec<Needed> {
        let mut needed = Vec::new();
        let own = |name: &str| given.fields.entries.iter().any(|(key, _)| key.name == name);
        for (_, checked) in &given.fields.entries {
            let Item::Group(group) = &checked.value else { continue };
            let Some(formula) = group.text("formula") else { continue };
            for (name, _) in template::names_in(formula).into_iter().filter(|(name, _)| !own(name)) {
                if let Some(path) = MetricPath::parse(&name) {
                    needed.push(Needed { path, place: group.place("formula").clone() });
                }
            }
        }
        needed
    }
    fn solve(&self, given: &Given, inputs: &Inputs<'_>) -> Answer {
        let mut faults = Faults::new(given);
        let mut found: BTreeMap<String, Quantity> = BTreeMap::new();
        let mut metrics = Group::new();
        // A formula may use a value that is written below it: go round until nothing is added.
        let mut open: Vec<_> = given.fields.entries.iter().collect();
        while !open.is_empty() {
            let before = open.len();
            let mut waiting = Vec::new();
            for entry in open {
                let (key, checked) = entry;
                let name = &key.name;
                let own = |n: &str| given.fields.entries.iter().any(|(other, _)| other.name == n);
                let blocked = match &checked.value {
                    Item::Group(group) => template::names_in(group.text("formula").unwrap_or(""))
                        .iter()
                        .any(|(n, _)| own(n) && !found.contains_key(n)),
                    _ => false,
                };
                if blocked {
                    waiting.push(entry);
                } else if let Some(quantity) = value(checked, &found, inputs, &mut faults) {
                    found.insert(name.clone(), quantity);
                } else {
                    // Its own fault is reported; what rests on it is not solved.
                    found.insert(name.clone(), Quantity::new(f64::NAN, Unit::One));
                }
            }
            if waiting.len() == before {
                let names: Vec<&str> = waiting.iter().map(|(key, _)| key.name.as_str()).collect();
                let place = waiting.first().map(|(key, _)| key.place.span());
                faults.span(
                    place.unwrap_or(given.span),
                    "circular",
                    format!("these values need each other: `{}`", names.join("` -> `")),
                );
                break;
            }
            open = waiting;
        }
        faults.done()?;
        for (key, _) in &given.fields.entries {
            let name = &key.name;
            if let Some(quantity) = found.get(name) {
                let written = quantity.exact.is_some() || quantity.unit == Unit::Kelvin;
                let metric = Metric { exact: written, ..Metric::real(quantity.value, quantity.unit) };
                metrics.metric(name, metric);
            }
        }
        Ok(Solved::new(Values(found)).with_metrics(metrics))
    }
    fn show(&self, given: &Given, solved: &Solved, _inputs: &Inputs<'_>) -> Vec<Exhibit> {
        let mut rows = Vec::new();
        for (key, checked) in &given.fields.entries {
            let name = &key.name;
            let Some(Node::Metric(metric)) = solved.metrics.get(name) else { continue };
            let (says, formula) = match &checked.value {
                Item::Group(group) => {
                    let formula = group.text("formula").unwrap_or_default();
                    let cell = template::formula_tex(formula)
                        .map_or_else(|| Cell::Text(formula.to_owned()), Cell::Math);
                    (group.text("says").unwrap_or_default(), cell)
                }
                _ => ("", Cell::Text("given".to_owned())),
            };
            rows.push(vec![
                Cell::Text(name.clone()),
                Cell::Text(says.to_owned()),
                formula,
                number_cell(metric),
            ]);
        }
        vec![Exhibit::table(Table {
            anchor: "table".to_owned(),
            caption: "Derived values".to_owned(),
            columns: vec![
                Column::text("Name", "name"),
                Column::text("Meaning", "meaning"),
                Column::text("Formula", "formula"),
                Column::number("Result", "value"),
            ],
            rows,
            note: "Formulas over SI values: angles in rad, temperatures in K, decibels as written."
                .to_owned(),
        })]
    }
}

fn value(
    checked: &Checked,
    own: &BTreeMap<String, Quantity>,
    inputs: &Inputs<'_>,
    faults: &mut Faults,
) -> Option<Quantity> {
    match &checked.value {
        Item::Quantity(quantity) => Some(quantity.clone()),
        Item::Number(number) => Some(Quantity::new(*number, Unit::One)),
        Item::Integer(count) => Some(Quantity::new(*count as f64, Unit::One)),
        Item::Group(group) => {
            let formula = group.text("formula")?;
            let symbol = group.text("unit")?;
            let Some(unit) = unit_of_result(symbol) else {
                faults.place(
                    group.place("unit"),
                    "unit-unknown",
                    format!("`{symbol}` is not a unit a result can have; expected one of {}", unit_list()),
                );
                return None;
            };
            let names = template::names_in(formula);
            if names.iter().any(|(name, _)| own.get(name).is_some_and(|found| found.value.is_nan())) {
                return None;
            }
            let known = Known { own, inputs };
            match template::formula(formula, &known) {
                Ok(number) => {
                    if let Err(fault) = template::keeps_dimension(formula, number, unit, &known) {
                        faults.formula(group.place("formula"), &fault);
                    }
                    Some(Quantity::new(number / unit.formula_factor(), unit))
                }
                Err(fault) => {
                    faults.formula(group.place("formula"), &fault);
                    None
                }
            }
        }
        _ => None,
    }
}

/// The unit of a formula's result. A prefix changes nothing: a formula is over SI values, and so is what it gives.
fn unit_of_result(symbol: &str) -> Option<Unit> {
    Unit::from_symbol(symbol).or_else(|| Some(crate::units::parse(&format!("1 {symbol}")).ok()?.unit))
}

fn unit_list() -> String {
    Unit::ALL.map(Unit::symbol).join(", ")
}
