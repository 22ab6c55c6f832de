//! One line of a recording.

use std::borrow::Cow;

use chrono::{DateTime, Datelike, TimeDelta, Utc};
use serde::Deserialize;
use serde_json::{Map, Value};

use crate::message::VERBS;

/// What a message is to look like.
const MESSAGE: &str = r#"a message is {"t": "2026-03-01T08:00:00Z", "topic": "garden/e1/basking", "payload": "33.1"}"#;
/// What a keeper's acts are to look like.
const ACTS: &str = "a keeper's act is {\"t\": …, \"act\": \"meter-reading\", \"enclosure\": …, \"spot\": …, \"uvi\": 4.2} \
                    or {\"t\": …, \"act\": \"lamp-change\", \"enclosure\": …, \"lamp\": …}";
/// Acts that have keys of their own; the others are as on the daemon's own topics.
const OWN: [&str; 2] = ["meter-reading", "lamp-change"];
/// What a time is to look like.
const TIME: &str = "`t` is RFC 3339 with an offset, such as \"2026-03-01T08:00:00Z\" or \"2026-03-01T09:00:00+01:00\"";
/// What some editors put before the first character of a text.
const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// A line that can be played.
#[derive(Debug, PartialEq)]
pub(super) struct Line<'a> {
    /// When it was recorded.
    pub at: DateTime<Utc>,
    /// What happened.
    pub what: What<'a>,
}

/// What a line tells.
#[derive(Debug, PartialEq)]
pub(super) enum What<'a> {
    /// A message arrived.
    Message { topic: Cow<'a, str>, payload: Cow<'a, str>, retained: bool },
    /// Somebody read a hand-held UVI meter at a spot; `lamp` is the one that was lit alone.
    MeterReading { enclosure: Cow<'a, str>, spot: Cow<'a, str>, uvi: f64, lamp: Option<Cow<'a, str>>, guess: bool },
    /// Somebody changed a lamp.
    LampChange { enclosure: Cow<'a, str>, lamp: Cow<'a, str> },
    /// Somebody asked for what `do/<enclosure>/<verb>` takes, with such a payload.
    Asked { enclosure: Cow<'a, str>, verb: Cow<'a, str>, payload: String },
}

/// Why a line cannot be played.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Fault {
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub right: String,
}

impl Fault {
    /// Two sentences.
    pub(super) fn new(wrong: impl Into<String>, right: impl Into<String>) -> Fault {
        Fault { wrong: wrong.into(), right: right.into() }
    }
}

/// Text that is borrowed from the line unless it holds an escape. Serde borrows through a type of one's own alone.
#[derive(Deserialize)]
struct Text<'a>(#[serde(borrow)] Cow<'a, str>);

/// A line as JSON. A key that is not here is refused: `"retain": true` read as nothing would make a ghost a reading.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw<'a> {
    #[serde(borrow)]
    t: Text<'a>,
    #[serde(borrow)]
    topic: Option<Text<'a>>,
    #[serde(borrow)]
    payload: Option<Text<'a>>,
    retained: Option<bool>,
    #[serde(borrow)]
    act: Option<Text<'a>>,
    #[serde(borrow)]
    enclosure: Option<Text<'a>>,
    #[serde(borrow)]
    spot: Option<Text<'a>>,
    #[serde(borrow)]
    lamp: Option<Text<'a>>,
    uvi: Option<f64>,
    guess: Option<bool>,
    /// `null` ends an override.
    #[serde(default, deserialize_with = "there")]
    level: Option<Value>,
    #[serde(borrow, rename = "for")]
    span: Option<Text<'a>>,
    #[serde(borrow)]
    kind: Option<Text<'a>>,
    #[serde(borrow)]
    cut_off: Option<Text<'a>>,
    #[serde(borrow)]
    why: Option<Text<'a>>,
    #[serde(borrow, rename = "do")]
    what: Option<Text<'a>>,
}

/// A value that is there, be it null.
fn there<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<Value>, D::Error> {
    Value::deserialize(from).map(Some)
}

/// Reads a line, with or without its end; none where it is empty.
pub(super) fn read(bytes: &[u8]) -> Result<Option<Line<'_>>, Fault> {
    // Recordings that were joined together may hold such marks further down.
    let bytes = bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(bytes);
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let wrong = format!("byte {} of this line is not UTF-8 text", error.valid_up_to() + 1);
        Fault::new(wrong, "a recording is UTF-8, with payloads as text")
    })?;
    match text.trim_ascii_start().bytes().next() {
        None => return Ok(None),
        Some(b'{') => {}
        // Serde would take an array for an object without names.
        Some(_) => return Err(Fault::new("this line is no JSON object", MESSAGE)),
    }
    let raw: Raw = serde_json::from_str(text).map_err(|error| misread(&error))?;
    let at = time(&raw.t.0)?;
    what(raw).map(|what| Some(Line { at, what }))
}

/// The topic of a line that looks like a message, for a first look.
pub(super) fn topic(bytes: &[u8]) -> Option<Cow<'_, str>> {
    #[derive(Deserialize)]
    struct Topic<'a> {
        #[serde(borrow)]
        topic: Cow<'a, str>,
    }
    let bytes = bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(bytes);
    serde_json::from_slice(bytes).ok().map(|Topic { topic }| topic)
}

/// The words for what serde says.
fn misread(error: &serde_json::Error) -> Fault {
    let said = error.to_string();
    let place = format!(" at line {} column {}", error.line(), error.column());
    let said = said.strip_suffix(&place).unwrap_or(&said);
    let right = if error.is_data() { format!("{MESSAGE}; {ACTS}") } else { "one JSON object a line".to_owned() };
    Fault::new(format!("column {}: {said}", error.column()), right)
}

/// A time that can be written again: of the years 0 to 9999.
fn time(text: &str) -> Result<DateTime<Utc>, Fault> {
    let parsed = DateTime::parse_from_rfc3339(text).map(|at| at.to_utc()).ok();
    // A leap second is kept as a nanosecond past the end of its second; here it is the start of the next.
    let plain = parsed.and_then(|at| {
        DateTime::from_timestamp(at.timestamp(), 0)?
            .checked_add_signed(TimeDelta::nanoseconds(at.timestamp_subsec_nanos().into()))
    });
    plain.filter(|at| (0..=9999).contains(&at.year())).ok_or_else(|| {
        let shown: String = text.chars().take(40).collect();
        Fault::new(format!("{shown:?} is no time"), TIME)
    })
}

/// The keys that a line may have beside its time, and whether it has them.
fn keys(raw: &Raw<'_>) -> [(&'static str, bool); 14] {
    [
        ("topic", raw.topic.is_some()),
        ("payload", raw.payload.is_some()),
        ("retained", raw.retained.is_some()),
        ("enclosure", raw.enclosure.is_some()),
        ("spot", raw.spot.is_some()),
        ("lamp", raw.lamp.is_some()),
        ("uvi", raw.uvi.is_some()),
        ("guess", raw.guess.is_some()),
        ("level", raw.level.is_some()),
        ("for", raw.span.is_some()),
        ("kind", raw.kind.is_some()),
        ("cut_off", raw.cut_off.is_some()),
        ("why", raw.why.is_some()),
        ("do", raw.what.is_some()),
    ]
}

/// What a line tells, where it has the keys of a message or of an act, and no others.
fn what(raw: Raw<'_>) -> Result<What<'_>, Fault> {
    let keys = keys(&raw);
    let is_asked =
        raw.level.is_some() || [&raw.span, &raw.kind, &raw.cut_off, &raw.why, &raw.what].iter().any(|it| it.is_some());
    let misfit = |kind: &str, right: &str, needed: &[&str], perhaps: &[&str]| {
        let absent = keys.iter().find(|(key, there)| needed.contains(key) && !there);
        let wrong = match absent {
            Some((absent, _)) => format!("{kind} without `{absent}`"),
            None => {
                let odd = keys.iter().find(|(key, there)| *there && !needed.contains(key) && !perhaps.contains(key));
                format!("`{}` does not belong to {kind}", odd.map_or("", |(key, _)| key))
            }
        };
        Fault::new(wrong, right)
    };
    match raw {
        Raw {
            topic: Some(topic),
            payload: Some(payload),
            retained,
            act: None,
            enclosure: None,
            spot: None,
            lamp: None,
            uvi: None,
            guess: None,
            ..
        } if !is_asked => Ok(What::Message { topic: topic.0, payload: payload.0, retained: retained.unwrap_or(false) }),
        Raw { act: None, topic: None, payload: None, .. } => {
            Err(Fault::new("neither a message nor a keeper's act", format!("{MESSAGE}; {ACTS}")))
        }
        Raw { act: None, .. } => Err(misfit("a message", MESSAGE, &["topic", "payload"], &["retained"])),
        Raw { act: Some(Text(ref act)), .. } if is_of_a_topic(act) => asked(raw),
        Raw { act: Some(Text(act)), topic, payload, retained, enclosure, spot, lamp, uvi, guess, .. } => {
            let strange = topic.is_some() || payload.is_some() || retained.is_some() || is_asked;
            match (&*act, enclosure, spot, lamp, uvi) {
                ("meter-reading", Some(enclosure), Some(spot), lamp, Some(uvi)) if !strange => {
                    if spot.0.trim().is_empty() {
                        return Err(Fault::new("a meter reading at no spot", ACTS));
                    }
                    if !(uvi >= 0.0) {
                        return Err(Fault::new(format!("a UVI of {uvi}"), "a UVI is zero or above"));
                    }
                    let (lamp, guess) = (lamp.map(|lamp| lamp.0), guess.unwrap_or(false));
                    Ok(What::MeterReading { enclosure: enclosure.0, spot: spot.0, uvi, lamp, guess })
                }
                ("lamp-change", Some(enclosure), None, Some(lamp), None) if !strange && guess.is_none() => {
                    Ok(What::LampChange { enclosure: enclosure.0, lamp: lamp.0 })
                }
                ("meter-reading", ..) => {
                    Err(misfit("a meter reading", ACTS, &["enclosure", "spot", "uvi"], &["lamp", "guess"]))
                }
                ("lamp-change", ..) => Err(misfit("a lamp change", ACTS, &["enclosure", "lamp"], &[])),
                (other, ..) => {
                    let shown: String = other.chars().take(40).collect();
                    let others: Vec<_> = VERBS.into_iter().filter(|verb| is_of_a_topic(verb)).collect();
                    let right = format!("{ACTS}, or with the keys of its topic one of {}", others.join(", "));
                    Err(Fault::new(format!("there is no act {shown:?}"), right))
                }
            }
        }
    }
}

fn is_of_a_topic(act: &str) -> bool {
    VERBS.contains(&act) && !OWN.contains(&act)
}

/// An act with the payload that the daemon's own topic takes.
fn asked(raw: Raw<'_>) -> Result<What<'_>, Fault> {
    let verb = raw.act.map_or(Cow::Borrowed(""), |act| act.0);
    if raw.topic.is_some() || raw.payload.is_some() || raw.spot.is_some() || raw.uvi.is_some() {
        return Err(Fault::new(format!("an act {verb:?} with keys of something else"), ACTS));
    }
    let Some(enclosure) = raw.enclosure else {
        return Err(Fault::new(format!("an act {verb:?} without `enclosure`"), ACTS));
    };
    let texts = [
        ("lamp", raw.lamp),
        ("for", raw.span),
        ("kind", raw.kind),
        ("cut_off", raw.cut_off),
        ("why", raw.why),
        ("do", raw.what),
    ];
    let texts = texts.into_iter().filter_map(|(key, text)| Some((key.to_owned(), text?.0.into_owned().into())));
    let mut fields: Map<String, Value> = texts.collect();
    fields.extend(raw.level.map(|level| ("level".to_owned(), level)));
    Ok(What::Asked { enclosure: enclosure.0, verb, payload: Value::from(fields).to_string() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().expect("RFC 3339")
    }

    #[test]
    fn messages_and_acts_are_read() {
        let check = |text: &str, time: &str, what: What<'_>| {
            assert_eq!(read(text.as_bytes()), Ok(Some(Line { at: at(time), what })), "{text}");
        };
        let message = |topic, payload, retained| What::Message {
            topic: Cow::Borrowed(topic),
            payload: Cow::Borrowed(payload),
            retained,
        };
        let eight = "2026-03-01T08:00:00Z";
        check(r#"{"t": "2026-03-01T08:00:00Z", "topic": "a", "payload": "1"}"#, eight, message("a", "1", false));
        check(
            "\u{feff} {\"t\":\"2026-03-01T09:30:00+01:30\",\"topic\":\"a\",\"payload\":\"\\u0031\\n\",\"retained\":true}\r\n",
            eight,
            message("a", "1\n", true),
        );
        check(
            r#"{"t": "2026-03-01T08:00:00Z", "act": "meter-reading", "enclosure": "e1", "spot": "basking", "uvi": 4}"#,
            eight,
            What::MeterReading { enclosure: "e1".into(), spot: "basking".into(), uvi: 4.0, lamp: None, guess: false },
        );
        check(
            r#"{"t": "2026-03-01T08:00:00Z", "act": "override", "enclosure": "e1", "lamp": "uvb", "level": null}"#,
            eight,
            What::Asked {
                enclosure: "e1".into(),
                verb: "override".into(),
                payload: r#"{"lamp":"uvb","level":null}"#.into(),
            },
        );
        for (verb, rest, payload) in [
            (
                "shelve",
                r#", "kind": "lamp-dark", "for": "2h", "why": "at noon""#,
                r#"{"for":"2h","kind":"lamp-dark","why":"at noon"}"#,
            ),
            ("unshelve", "", "{}"),
            ("out-of-service", r#", "why": "empty""#, r#"{"why":"empty"}"#),
            ("in-service", "", "{}"),
            ("season", r#", "do": "hold""#, r#"{"do":"hold"}"#),
        ] {
            let text = format!(r#"{{"t": "2026-03-01T08:00:00Z", "act": "{verb}", "enclosure": "e1"{rest}}}"#);
            check(&text, eight, What::Asked { enclosure: "e1".into(), verb: verb.into(), payload: payload.into() });
        }
        check(
            r#"{"t": "2026-03-01T08:00:00Z", "act": "lamp-change", "enclosure": "e1", "lamp": "uvb"}"#,
            eight,
            What::LampChange { enclosure: "e1".into(), lamp: "uvb".into() },
        );
        // RFC 3339, section 5.8: the leap second at the end of 1990.
        check(
            r#"{"t": "1990-12-31T15:59:60-08:00", "topic": "a", "payload": ""}"#,
            "1991-01-01T00:00:00Z",
            message("a", "", false),
        );
        for empty in ["", "\r\n", "  \t", "\u{feff}"] {
            assert_eq!(read(empty.as_bytes()), Ok(None));
        }
    }

    #[test]
    fn what_is_wrong_is_said() {
        let check = |text: &str, wrong: &str, right: &str| {
            let fault = read(text.as_bytes()).expect_err(text);
            assert!(fault.wrong.contains(wrong) && fault.right.contains(right), "{text}: {fault:?}");
        };
        check("33.1", "no JSON object", "a message is");
        check(r#"["2026-03-01T08:00:00Z", "a", "1"]"#, "no JSON object", "a message is");
        check(r#"{"t": "2026-03-01T08:00:00Z", "topic": "a""#, "EOF", "one JSON object a line");
        check(
            r#"{"t": "2026-03-01T08:00:00Z", "topic": "a", "payload": "1"} {}"#,
            "trailing",
            "one JSON object a line",
        );
        check(r#"{"topic": "a", "payload": "1"}"#, "missing field `t`", "a message is");
        check(r#"{"t": "8 o'clock", "topic": "a", "payload": "1"}"#, "no time", "RFC 3339");
        check(r#"{"t": "2026-03-01T08:00:00", "topic": "a", "payload": "1"}"#, "no time", "offset");
        check(r#"{"t": "9999-12-31T23:59:59-01:00", "topic": "a", "payload": "1"}"#, "no time", "RFC 3339");
        check(r#"{"t": "2026-03-01T08:00:00Z", "topic": "a", "payload": 33.1}"#, "expected a string", "\"33.1\"");
        check(r#"{"t": "2026-03-01T08:00:00Z", "topic": "a"}"#, "without `payload`", "a message is");
        check(r#"{"t": "2026-03-01T08:00:00Z"}"#, "neither", "keeper's act");
        check(r#"{"t": "2026-03-01T08:00:00Z", "topic": "a", "payload": "1", "retain": true}"#, "`retain`", "message");
        check(r#"{"t": "2026-03-01T08:00:00Z", "topic": "a", "payload": "1", "lamp": "b"}"#, "`lamp` does not", "");
        let act = |rest: &str| format!(r#"{{"t": "2026-03-01T08:00:00Z", "act": {rest}}}"#);
        check(&act(r#""feeding", "enclosure": "e1""#), "no act \"feeding\"", "meter-reading");
        check(&act(r#""feeding", "enclosure": "e1""#), "no act \"feeding\"", "shelve, unshelve");
        check(&act(r#""meter-reading", "enclosure": "e1", "spot": "basking""#), "without `uvi`", "4.2");
        check(&act(r#""meter-reading", "enclosure": "e1", "spot": "", "uvi": 1"#), "no spot", "");
        check(&act(r#""meter-reading", "enclosure": "e1", "spot": "a", "uvi": -1"#), "UVI of -1", "zero or above");
        check(&act(r#""lamp-change", "enclosure": "e1", "lamp": "a", "topic": "b""#), "`topic` does not", "");
        let bytes = b"{\"t\": \"2026-03-01T08:00:00Z\", \"topic\": \"a\", \"payload\": \"\xB0C\"}";
        assert!(read(bytes).expect_err("Latin-1").wrong.contains("byte 57"));
    }
}
