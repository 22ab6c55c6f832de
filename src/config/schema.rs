//! The JSON Schema that editors check and complete a configuration by, written from the table of keys.

use serde_json::{Map, Value, json};

use super::care_sheets::CARE_SHEETS;
use super::keys::{BASED_ON, Key, Kind, Need, ROOT, Rule, Section};

/// The schema, JSON Schema draft 2020-12. It knows every key, kind and range; what needs more than one value at a time
/// is for `lampwarden check`.
pub fn schema() -> Value {
    let mut definitions = Map::new();
    let mut root = section(&ROOT, false, &mut definitions);
    root["$schema"] = json!("https://json-schema.org/draft/2020-12/schema");
    root["title"] = json!("Lampwarden configuration");
    root["$defs"] = Value::Object(definitions);
    root
}

/// A section as a schema; with `partial` nothing in it or below it is required.
fn section(section: &'static Section, partial: bool, definitions: &mut Map<String, Value>) -> Value {
    let partial = partial || section.overrides;
    let mut properties = Map::new();
    let mut required = Vec::new();
    for key in section.keys {
        let mut value = kind(&key.kind, partial, definitions);
        describe(key, &mut value);
        properties.insert(key.name.to_owned(), value);
        if matches!(key.need, Need::Required) && !partial {
            required.push(json!(key.name));
        }
    }
    let mut schema = json!({
        "type": "object",
        "description": section.doc,
        "properties": properties,
        "additionalProperties": false,
    });
    if !required.is_empty() {
        schema["required"] = Value::Array(required);
    }
    schema
}

fn describe(key: &Key, value: &mut Value) {
    let (rest, default) = match &key.need {
        Need::Required => (String::new(), None),
        Need::Default(plain, source) => (format!(" Default {} ({source}).", plain.toml()), Some(plain)),
        Need::Absent(absent) => (format!(" Left out: {absent}."), None),
    };
    value["description"] = json!(format!("{}{rest}", key.doc));
    let parsed = |toml: &str| toml::from_str::<Map<String, Value>>(&format!("it = {toml}")).ok()?.remove("it");
    if let Some(default) = default.and_then(|plain| parsed(&plain.toml())) {
        value["default"] = default;
    }
    if let Some(example) = parsed(key.example) {
        value["examples"] = json!([example]);
    }
}

/// A reference to a section, which is defined on the way.
fn reference(of: &'static Section, partial: bool, definitions: &mut Map<String, Value>) -> Value {
    let partial = partial || of.overrides;
    let name = of.name.trim_start_matches("a ").trim_start_matches("an ").trim_start_matches("the ").replace(' ', "-");
    let name = if partial && !of.overrides { format!("{name}-override") } else { name };
    if !definitions.contains_key(&name) {
        definitions.insert(name.clone(), Value::Null);
        let schema = section(of, partial, definitions);
        definitions.insert(name.clone(), schema);
    }
    json!({ "$ref": format!("#/$defs/{name}") })
}

fn kind(of: &'static Kind, partial: bool, definitions: &mut Map<String, Value>) -> Value {
    match of {
        Kind::Switch => json!({ "type": "boolean" }),
        Kind::Text(rule) => text(*rule),
        Kind::Number(bounds) => {
            let least = if bounds.above { "exclusiveMinimum" } else { "minimum" };
            json!({ "type": "number", least: bounds.least, "maximum": bounds.most })
        }
        Kind::Whole(least, most) => json!({ "type": "integer", "minimum": least, "maximum": most }),
        Kind::Span(..) => json!({ "type": "string", "pattern": "^(?=.)([0-9]+d)?([0-9]+h)?([0-9]+m)?([0-9]+s)?$" }),
        Kind::Time => json!({ "type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$" }),
        Kind::Word(words) => json!({ "enum": words }),
        Kind::List(of, least, most) => {
            json!({ "type": "array", "items": kind(of, partial, definitions), "minItems": least, "maxItems": most })
        }
        Kind::Bays => json!({ "oneOf": [
            { "type": "string", "pattern": "^[0-9]+\\.\\.[0-9]+$" },
            { "type": "array", "items": text(Rule::Name), "minItems": 1, "uniqueItems": true },
        ] }),
        Kind::Table(section) => reference(section, partial, definitions),
        Kind::Variants(tag, of) => {
            let variants: Vec<_> =
                of.iter().map(|(word, section)| variant((tag, word), section, partial, definitions)).collect();
            json!({ "type": "object", "oneOf": variants })
        }
        Kind::Named(section) => json!({
            "type": "object",
            "propertyNames": text(Rule::Name),
            "additionalProperties": member(section, partial, definitions),
        }),
        Kind::Many(section) => json!({ "type": "array", "items": reference(section, partial, definitions) }),
    }
}

/// One of the tables that stand by their names; what is based on another need not be whole.
fn member(of: &'static Section, partial: bool, definitions: &mut Map<String, Value>) -> Value {
    let whole = reference(of, partial, definitions);
    if of.key(BASED_ON).is_none() {
        return whole;
    }
    json!({ "if": { "required": [BASED_ON] }, "then": reference(of, true, definitions), "else": whole })
}

fn variant(
    (tag, word): (&str, &str),
    of: &'static Section,
    partial: bool,
    definitions: &mut Map<String, Value>,
) -> Value {
    let mut variant = section(of, partial, definitions);
    variant["properties"][tag]["enum"] = json!([word]);
    if partial {
        variant["required"] = json!([tag]);
    }
    variant
}

fn text(rule: Rule) -> Value {
    match rule {
        Rule::Filled | Rule::Zone => json!({ "type": "string", "minLength": 1 }),
        Rule::Name => json!({ "type": "string", "pattern": "^[^/+#$\\s{}][^/+#\\s{}]*$", "maxLength": 64 }),
        Rule::Topic => json!({ "type": "string", "pattern": "^(?!lampwarden/)[^+#$][^+#]*$", "maxLength": 65535 }),
        Rule::Pointer => json!({ "type": "string", "pattern": "^(/([^~]|~[01])*)?$" }),
        Rule::Sheet => json!({ "enum": CARE_SHEETS.iter().map(|sheet| sheet.name).collect::<Vec<_>>() }),
        Rule::Mail => json!({ "type": "string", "pattern": "^[^@\\s<>]+@[^@\\s<>]+$" }),
        Rule::Web => json!({ "type": "string", "pattern": "^https?://[^@\\s]+$" }),
        Rule::MonthDay => json!({ "type": "string", "pattern": "^[0-1][0-9]-[0-3][0-9]$" }),
        Rule::Date => json!({ "type": "string", "format": "date" }),
        Rule::Socket => json!({ "type": "string", "pattern": ":[0-9]+$" }),
        Rule::Url => json!({ "type": "string", "pattern": "^mqtts?://[^@/?#\\s]+/?$" }),
    }
}
