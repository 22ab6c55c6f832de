//! The words outputs and probes speak: templates with placeholders, and numbers inside JSON.

use serde_json::{Map, Value};

/// What an output read out of a command.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Heard {
    /// `{level}` or `{percent}`, as a share 0..=1.
    pub level: Option<f64>,
    /// `{hold}` in seconds.
    pub hold: Option<f64>,
}

/// Reads `payload` by `template`, whose placeholders `{level}` (0..1), `{percent}` (0..100) and `{hold}` (seconds)
/// stand for numbers; none where it does not fit.
pub(super) fn heard(template: &str, payload: &str) -> Option<Heard> {
    let mut found = Heard::default();
    let (mut template, mut payload) = (template, payload.trim());
    loop {
        let Some((at, placeholder)) = first_placeholder(template) else {
            return (template == payload).then_some(found);
        };
        payload = payload.strip_prefix(&template[..at])?;
        template = &template[at + placeholder.len()..];
        let length = payload.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(payload.len());
        let number: f64 = payload[..length].parse().ok()?;
        payload = &payload[length..];
        match placeholder {
            "{level}" => found.level = Some(number.min(1.0)),
            "{percent}" => found.level = Some((number / 100.0).min(1.0)),
            _ => found.hold = Some(number),
        }
    }
}

/// The first placeholder in `template` and where it starts.
fn first_placeholder(template: &str) -> Option<(usize, &'static str)> {
    ["{level}", "{percent}", "{hold}"].into_iter().filter_map(|word| Some((template.find(word)?, word))).min()
}

/// A number as a person writes it: at most three decimals, none that are zero.
pub(super) fn plain(number: f64) -> String {
    let text = format!("{number:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// A text as JSON: itself where it is a JSON value, else a JSON string.
pub(super) fn as_json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|_| Value::String(text.to_owned()))
}

/// A JSON document that holds each value at its RFC 6901 pointer, made of objects alone. An empty pointer takes the
/// whole document.
pub(super) fn document<'a>(values: impl IntoIterator<Item = (&'a str, Value)>) -> String {
    let mut root = Value::Object(Map::new());
    for (pointer, value) in values {
        let mut place = &mut root;
        for token in pointer.split('/').skip(1) {
            let token = token.replace("~1", "/").replace("~0", "~");
            if !place.is_object() {
                *place = Value::Object(Map::new());
            }
            place = &mut place[token.as_str()];
        }
        *place = value;
    }
    root.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commands_are_read_by_their_template() {
        let level = |level| Some(Heard { level: Some(level), hold: None });
        for (template, payload, expected) in [
            ("ON", "ON", Some(Heard::default())),
            ("ON", " ON\n", Some(Heard::default())),
            ("ON", "on", None),
            ("ON", "ONE", None),
            ("{percent}", "40", level(0.4)),
            ("{level}", "0.25", level(0.25)),
            ("{level}", "7", level(1.0)),
            ("{level}", "", None),
            ("{level}", "nan", None),
            (r#"{"on":true,"for":{hold}}"#, r#"{"on":true,"for":300}"#, Some(Heard { level: None, hold: Some(300.0) })),
            (r#"{"on":true,"for":{hold}}"#, r#"{"on":true,"for":}"#, None),
            ("{percent},{hold}", "55,60", Some(Heard { level: Some(0.55), hold: Some(60.0) })),
        ] {
            assert_eq!(heard(template, payload), expected, "{template} / {payload}");
        }
    }

    #[test]
    fn values_stand_at_their_pointers() {
        // Pointers and escapes: RFC 6901, section 5.
        for (pointer, expected) in [
            ("/t", r#"{"t":1}"#),
            ("/a/b", r#"{"a":{"b":1}}"#),
            ("/a~1b", r#"{"a/b":1}"#),
            ("/m~0n", r#"{"m~n":1}"#),
            ("", "1"),
        ] {
            assert_eq!(document([(pointer, Value::from(1))]), expected);
        }
        let both = document([("/v/t", Value::from(2.5)), ("/v/at", Value::from("x"))]);
        assert_eq!(serde_json::from_str::<Value>(&both).expect("JSON").pointer("/v/t"), Some(&Value::from(2.5)));
    }

    #[test]
    fn numbers_are_plain() {
        for (number, expected) in [(1.0, "1"), (0.25, "0.25"), (-0.0001, "0"), (255.0, "255"), (33.1, "33.1")] {
            assert_eq!(plain(number), expected);
        }
    }
}
