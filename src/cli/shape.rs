//! What may stand in a field, in words.

use crate::note::schema::{Field, Need, Type};

/// A few words on what may stand there.
pub(super) fn words(kind: &Type) -> String {
    match kind {
        Type::Quantity(unit) => unit.expectation().to_owned(),
        Type::Toleranced(unit) => format!("{}, with a tolerance `+- ..` where wanted", unit.expectation()),
        Type::AnyQuantity => "quantity of any unit".to_owned(),
        Type::Range(unit) => format!("range `A .. B` of {}", name(unit.expectation())),
        Type::SteppedRange(unit) => {
            format!("range `A .. B` or `A .. B step C` of {}", name(unit.expectation()))
        }
        Type::Number => "number".to_owned(),
        Type::Integer => "whole number".to_owned(),
        Type::IntegerRange => "range `A .. B` of whole numbers".to_owned(),
        Type::Fraction => "whole number, or a fraction, e.g. 1/2".to_owned(),
        Type::Word(words) => words.join(" | "),
        Type::Text => "text".to_owned(),
        Type::Prose => "prose".to_owned(),
        Type::Flag => "true | false".to_owned(),
        Type::Block(kinds) => format!("name of a block: {}", kinds.join(", ")),
        Type::Metric => "metric, e.g. noise.jitter".to_owned(),
        Type::Limit => "limit, e.g. <= 150 fs or 45 deg .. 70 deg".to_owned(),
        Type::Formula => "formula over values".to_owned(),
        Type::File => "path of a file below the note's folder".to_owned(),
        Type::Table(from, to) => format!("table `{}: {}`", name(from.expectation()), name(to.expectation())),
        Type::List(item) => format!("list of: {}", words(item)),
        Type::Group(_) => "group".to_owned(),
        Type::Entries(item) => format!("names of your choice, each with: {}", words(item)),
        Type::Either(all) => {
            let mut each: Vec<String> = Vec::new();
            for words in all.iter().map(words) {
                if !each.contains(&words) {
                    each.push(words);
                }
            }
            each.join("; or ")
        }
    }
}

/// The expectation of a unit without its example.
fn name(expectation: &str) -> &str {
    expectation.split(", e.g.").next().unwrap_or(expectation)
}

/// The fields inside a field.
pub(super) fn inner(kind: &Type) -> Vec<&'static Field> {
    match *kind {
        Type::Group(fields) => fields.iter().collect(),
        Type::List(item) | Type::Entries(item) => inner(item),
        Type::Either(all) => {
            let mut fields: Vec<&Field> = Vec::new();
            for field in all.iter().flat_map(inner) {
                if fields.iter().all(|known| known.name != field.name) {
                    fields.push(field);
                }
            }
            fields
        }
        _ => Vec::new(),
    }
}

/// Whether a field must be there, or what holds without it.
pub(super) fn need(need: Need) -> String {
    match need {
        Need::Required => "required".to_owned(),
        Need::Optional => "optional".to_owned(),
        Need::Default(text) => format!("default {text}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Unit;

    const INSIDE: &[Field] =
        &[Field { name: "at", kind: Type::Quantity(Unit::Hertz), need: Need::Required, says: "carrier" }];

    #[test]
    fn shapes_read_as_words() {
        for (kind, text) in [
            (Type::Quantity(Unit::Hertz), "frequency, e.g. 80 MHz"),
            (Type::Table(Unit::Hertz, Unit::DecibelCarrierPerHertz), "table `frequency: phase noise`"),
            (Type::List(&Type::Word(&["figure", "table"])), "list of: figure | table"),
            (
                Type::Either(&[Type::Word(&["auto"]), Type::Range(Unit::Volt)]),
                "auto; or range `A .. B` of voltage",
            ),
        ] {
            assert_eq!(words(&kind), text);
        }
    }

    #[test]
    fn fields_are_found_inside_lists_and_alternatives() {
        let kind = Type::Either(&[Type::Number, Type::Group(INSIDE), Type::List(&Type::Group(INSIDE))]);
        assert_eq!(inner(&kind).iter().map(|field| field.name).collect::<Vec<_>>(), ["at"]);
        assert!(inner(&Type::Flag).is_empty());
        assert_eq!(need(Need::Default("E96")), "default E96");
    }
}
