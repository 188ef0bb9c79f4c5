//! JSON schema of the build file, from the same description that the checker uses.

use super::fields::ROOT;
use super::spec::{Kind, NAME_MAX, Need, Spec};
use serde_json::{Map, Value, json};

/// JSON schema (2020-12) of the expected-build file.
pub fn json_schema() -> Value {
    let mut defs = Map::new();
    let mut root = table(&ROOT, &mut defs);
    root.insert("$schema".to_owned(), json!("https://json-schema.org/draft/2020-12/schema"));
    root.insert("title".to_owned(), json!("signproof expected build"));
    root.insert("$defs".to_owned(), Value::Object(defs));
    Value::Object(root)
}

fn table(spec: &Spec, defs: &mut Map<String, Value>) -> Map<String, Value> {
    let mut properties = Map::new();
    for field in spec.fields {
        let mut value = kind(&field.kind, defs);
        value.insert("description".to_owned(), json!(field.about));
        if let Need::Default(default) = field.need {
            value.insert("default".to_owned(), json!(default));
        }
        properties.insert(field.key.to_owned(), Value::Object(value));
    }
    let required: Vec<&str> = spec.fields.iter().filter(|f| matches!(f.need, Need::Required)).map(|f| f.key).collect();
    let mut out = Map::new();
    out.insert("type".to_owned(), json!("object"));
    out.insert("description".to_owned(), json!(spec.about));
    out.insert("properties".to_owned(), Value::Object(properties));
    out.insert("required".to_owned(), json!(required));
    out.insert("additionalProperties".to_owned(), json!(false));
    out
}

fn reference(spec: &Spec, defs: &mut Map<String, Value>) -> Value {
    if !defs.contains_key(spec.name) {
        let value = table(spec, defs);
        defs.insert(spec.name.to_owned(), Value::Object(value));
    }
    json!(format!("#/$defs/{}", spec.name))
}

fn kind(kind: &Kind, defs: &mut Map<String, Value>) -> Map<String, Value> {
    let value = match kind {
        Kind::Number { min, max } => json!({ "type": "number", "minimum": min, "maximum": max }),
        Kind::Whole { min, max } => json!({ "type": "integer", "minimum": min, "maximum": max }),
        Kind::Choice(values) => json!({ "enum": values }),
        Kind::Text { max, .. } => json!({ "type": "string", "minLength": 1, "maxLength": max }),
        Kind::Name => json!({ "type": "string", "minLength": 1, "maxLength": NAME_MAX }),
        Kind::Bool => json!({ "type": "boolean" }),
        Kind::Word(words) => json!({ "enum": words }),
        Kind::List { item, min, max } => {
            json!({ "type": "array", "minItems": min, "maxItems": max, "items": self::kind(item, defs) })
        }
        Kind::Table(spec) => json!({ "$ref": reference(spec, defs) }),
        Kind::Named { item, max } => {
            json!({ "type": "object", "minProperties": 1, "maxProperties": max, "additionalProperties": { "$ref": reference(item, defs) } })
        }
    };
    match value {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}
