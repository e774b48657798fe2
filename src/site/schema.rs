//! What editors are told about the files: JSON Schemas, made of the same tables of keys that the files are checked against.

use serde_json::{Map, Value, json};

use super::keys::{self, Holds, Key};

/// The two kinds of file that people write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// The site file.
    Site,
    /// A register map.
    RegisterMap,
}

/// The JSON Schema (draft 7, which editors know best) of one kind of file.
#[must_use]
pub fn schema(kind: FileKind) -> Value {
    let (title, keys) = match kind {
        FileKind::Site => ("Site file", keys::SITE),
        FileKind::RegisterMap => ("Register map", keys::MAP),
    };
    let mut schema = table(keys);
    schema.insert("$schema".to_owned(), "http://json-schema.org/draft-07/schema#".into());
    schema.insert("title".to_owned(), title.into());
    schema.into()
}

fn table(keys: &[Key]) -> Map<String, Value> {
    let properties: Map<String, Value> = keys.iter().map(|key| (key.name.to_owned(), value(key).into())).collect();
    let needed: Vec<&str> = keys.iter().filter(|key| key.needed).map(|key| key.name).collect();
    let mut schema = object(json!({ "type": "object", "additionalProperties": false, "properties": properties }));
    if !needed.is_empty() {
        schema.insert("required".to_owned(), needed.into());
    }
    schema
}

fn value(key: &Key) -> Map<String, Value> {
    let mut schema = object(match key.holds {
        Holds::Text => json!({ "type": "string" }),
        Holds::Quantity(_) | Holds::Size | Holds::FlowTolerance => json!({ "type": "string", "pattern": NUMBER_FIRST }),
        Holds::TimeOrAuto => json!({ "type": "string", "pattern": format!("{NUMBER_FIRST}|^auto$") }),
        Holds::CurrentPair => json!({
            "type": "array", "minItems": 2, "maxItems": 2,
            "items": { "type": "string", "pattern": NUMBER_FIRST },
        }),
        Holds::Whole(least, i64::MAX) => json!({ "type": "integer", "minimum": least }),
        Holds::Whole(least, most) => json!({ "type": "integer", "minimum": least, "maximum": most }),
        Holds::Reference => json!({ "type": ["integer", "string"], "pattern": "^[0-9]{1,6}$" }),
        Holds::Number => json!({ "type": "number" }),
        Holds::Truth => json!({ "type": "boolean" }),
        Holds::Choice(words) => json!({ "enum": words }),
        Holds::Texts => json!({ "type": "array", "minItems": 1, "items": { "type": "string" } }),
        Holds::TextOrTexts => json!({ "type": ["string", "array"], "items": { "type": "string" } }),
        Holds::Bits => json!({
            "type": "object", "additionalProperties": false,
            "patternProperties": { "^[0-9]{1,2}$": { "type": "string", "pattern": "^[^;]+$" } },
        }),
        Holds::Table(keys) => table(keys).into(),
        Holds::Named(keys) => json!({
            "type": "object", "minProperties": 1,
            "propertyNames": { "pattern": "^[^.\\s]+$" },
            "additionalProperties": table(keys),
        }),
    });
    schema.insert("description".to_owned(), key.about.into());
    if let Some(example) = example(key) {
        schema.insert("examples".to_owned(), json!([example]));
    }
    schema
}

/// A quantity begins with its number.
const NUMBER_FIRST: &str = "^\\s*[-+]?[0-9.]";

/// The example as the value that it is.
fn example(key: &Key) -> Option<Value> {
    let document = toml::from_str::<Map<String, Value>>(&format!("example = {}", key.example)).ok()?;
    document.get("example").cloned()
}

fn object(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

#[cfg(test)]
mod tests {
    use tallywell_witness::units::parse;
    use toml::de::DeValue;

    use super::*;
    use crate::site::written::fits;

    fn every_key(keys: &'static [Key], found: &mut Vec<&'static Key>) {
        for key in keys {
            match key.holds {
                Holds::Table(inner) | Holds::Named(inner) => every_key(inner, found),
                _ => found.push(key),
            }
        }
    }

    /// Messages and editors show these examples: each has to be right.
    #[test]
    fn every_example_is_a_right_value_of_its_key() {
        let mut keys = Vec::new();
        every_key(keys::SITE, &mut keys);
        every_key(keys::MAP, &mut keys);
        assert!(keys.len() > 60);
        for key in keys {
            let value = DeValue::parse(key.example).unwrap_or_else(|error| panic!("{}: {error}", key.name));
            assert!(fits(&key.holds, value.get_ref()), "{}: {}", key.name, key.example);
            if let (Holds::Quantity(dimension), Some(text)) = (key.holds, value.get_ref().as_str()) {
                parse::quantity(text, dimension).unwrap_or_else(|error| panic!("{}: {error}", key.name));
            }
        }
    }
}
