//! A JSON schema of a part file (and so of a block's body), out of the registry that also checks notes: editors complete and
//! check by it. JSON Schema, draft 2020-12.

use serde_json::{Map, Value, json};

use super::shape::words;
use crate::blocks::Kind;
use crate::note::schema::{Field, Need, Type};

/// A quantity as text: number, then a unit; a name may stand for it.
const QUANTITY: &str =
    r"^\s*(([-+\u2212]?[0-9.]+([eE][-+]?[0-9]+)?\s*\S+.*)|([a-zA-Z_][a-zA-Z0-9_]*(\.[a-zA-Z0-9_]+)*))\s*$";
/// `A .. B`.
const RANGE: &str = r"\.\.";

/// The schema of the body of a block of this kind. A part file may leave out what the note's block says, so nothing is required in it.
pub(super) fn schema(kind: &dyn Kind) -> Value {
    let all = kind.fields().iter().copied().flatten();
    let mut properties = Map::new();
    if kind.facts() {
        let says = "kind of block this is the body of; checked where it stands";
        properties.insert("kind".to_owned(), json!({"const": kind.name(), "description": says}));
    }
    for field in all {
        properties.insert(field.name.to_owned(), property(field));
    }
    let others = kind.entries().map_or(Value::Bool(false), of);
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": format!("loopcase {}: {}", kind.name(), kind.about()),
        "type": "object",
        "properties": properties,
        "additionalProperties": others,
    })
}

fn property(field: &Field) -> Value {
    let mut value = of(&field.kind);
    if let Some(object) = value.as_object_mut() {
        let mut says = format!("{} ({})", field.says, words(&field.kind));
        if let Need::Default(text) = field.need {
            says.push_str(&format!("; default {text}"));
        }
        object.insert("description".to_owned(), Value::String(says));
    }
    value
}

fn group(fields: &[Field]) -> Value {
    let properties: Map<String, Value> =
        fields.iter().map(|field| (field.name.to_owned(), property(field))).collect();
    let required: Vec<&str> =
        fields.iter().filter(|field| field.need == Need::Required).map(|field| field.name).collect();
    json!({"type": "object", "properties": properties, "required": required, "additionalProperties": false})
}

/// A number, or text that holds a number, a quantity or a name.
fn quantity() -> Value {
    json!({"type": ["string", "number"], "pattern": QUANTITY})
}

fn of(kind: &Type) -> Value {
    match *kind {
        Type::Quantity(_) | Type::Toleranced(_) | Type::AnyQuantity | Type::Number => quantity(),
        Type::Integer => json!({"type": ["integer", "string"]}),
        Type::Fraction => json!({"type": ["number", "string"]}),
        Type::Range(_) | Type::SteppedRange(_) | Type::IntegerRange => {
            json!({"type": "string", "pattern": RANGE})
        }
        Type::Word(words) => {
            // YAML 1.1 readers take on and off for yes and no.
            let mut all: Vec<Value> = words.iter().map(|word| json!(word)).collect();
            if words.contains(&"on") {
                all.extend([Value::Bool(true), Value::Bool(false)]);
            }
            json!({"enum": all})
        }
        Type::Flag => json!({"type": "boolean"}),
        Type::Text | Type::Prose => json!({"type": ["string", "number", "boolean"]}),
        Type::Block(_) | Type::Metric | Type::Limit | Type::Formula | Type::File => json!({"type": "string"}),
        Type::Table(..) => json!({"type": "object", "additionalProperties": quantity()}),
        Type::List(item) => json!({"type": "array", "items": of(item)}),
        Type::Group(fields) => group(fields),
        Type::Entries(item) => json!({"type": "object", "additionalProperties": of(item)}),
        Type::Either(kinds) => json!({"anyOf": kinds.iter().map(of).collect::<Vec<_>>()}),
    }
}
