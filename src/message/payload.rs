//! Numbers, time stamps and levels out of any bytes.

use std::cell::OnceCell;

use chrono::{DateTime, Utc};
use serde_json::Value;

use crate::control::{Reading, Unreadable};
use crate::settings::{Measures, Output, OutputKind, PayloadUnit, Probe};
use crate::units::{Celsius, Level};

/// How many characters of a payload are quoted when it could not be read.
const QUOTED_CHARACTERS_MAX: usize = 40;

/// From this magnitude on a number is milliseconds since 1970 and no longer seconds: as seconds it would be the year
/// 5138, as milliseconds it is March 1973. Our own rule.
const MILLISECONDS_FROM: f64 = 1e11;

/// A dimmer may report this much more than full before its report counts as unreadable; a guess that allows for
/// rounding.
const OVER_FULL_MAX: f64 = 1.01;

/// A payload on its way to being understood. It is parsed as JSON at most once, and only where a pointer asks.
pub(super) struct Payload<'a> {
    bytes: &'a [u8],
    json: OnceCell<Option<Value>>,
}

/// A plain value in a payload.
enum Plain<'a> {
    Text(&'a str),
    Number(f64),
    Truth(bool),
}

impl<'a> Payload<'a> {
    /// Any bytes.
    pub(super) fn new(bytes: &'a [u8]) -> Payload<'a> {
        Payload { bytes, json: OnceCell::new() }
    }

    /// The bytes as JSON.
    pub(super) fn json(&self) -> Result<&Value, Unreadable> {
        let parsed = self.json.get_or_init(|| serde_json::from_slice(self.bytes).ok());
        parsed.as_ref().ok_or_else(|| self.unreadable("is not JSON"))
    }

    /// What `probe` says by this payload. Errors are inside the reading.
    pub(super) fn reading(&self, probe: &Probe, retained: bool) -> Reading {
        let taken = self.stamp(probe.stamp_pointer.as_deref());
        let value = self.number(probe.pointer.as_deref()).map(|number| match (probe.measures, probe.unit) {
            (Measures::Temperature, PayloadUnit::Fahrenheit) => Celsius::from_fahrenheit(number).0,
            _ => number,
        });
        match taken {
            Ok(taken) => Reading { value, taken, retained },
            Err(unreadable) => Reading { value: value.and(Err(unreadable)), taken: None, retained },
        }
    }

    /// The level `output` reports by this payload.
    pub(super) fn level(&self, output: &Output) -> Result<Level, Unreadable> {
        let plain =
            self.plain(output.state_pointer.as_deref())?.ok_or_else(|| self.nothing_at(&output.state_pointer))?;
        match &output.kind {
            OutputKind::Relay { reports_on, reports_off, .. } => self.switched(&plain, reports_on, reports_off),
            OutputKind::Dimmer { off, full, .. } => self.dimmed(&plain, off, *full),
        }
    }

    /// A finite number: the payload itself, or a number or numeric text at `pointer`.
    fn number(&self, pointer: Option<&str>) -> Result<f64, Unreadable> {
        match self.plain(pointer)? {
            None => Err(self.nothing_at(&pointer)),
            Some(Plain::Number(number)) => Ok(number),
            Some(Plain::Text(text)) => finite(text).ok_or_else(|| self.unreadable("is not a number")),
            Some(Plain::Truth(_)) => Err(self.unreadable("is not a number")),
        }
    }

    /// When the reading was taken: RFC 3339, or seconds or milliseconds since 1970. Nothing there or `null` is no time
    /// stamp; anything else that is no time is an error, because a reading of doubtful age must not count.
    fn stamp(&self, pointer: Option<&str>) -> Result<Option<DateTime<Utc>>, Unreadable> {
        let Some(pointer) = pointer else { return Ok(None) };
        let number = match self.plain(Some(pointer))? {
            None => return Ok(None),
            Some(Plain::Number(number)) => Some(number),
            Some(Plain::Text(text)) => match DateTime::parse_from_rfc3339(text) {
                Ok(time) => return Ok(Some(time.to_utc())),
                Err(_) => finite(text),
            },
            Some(Plain::Truth(_)) => None,
        };
        let milliseconds = number.map(|n| if n.abs() < MILLISECONDS_FROM { n * 1000.0 } else { n });
        match milliseconds.and_then(|ms| DateTime::from_timestamp_millis(ms as i64)) {
            Some(time) => Ok(Some(time)),
            None => Err(self.unreadable(&format!("has no time at {pointer}"))),
        }
    }

    /// The plain value at `pointer`, or the whole payload as text without one. Nothing there and `null` are `None`.
    fn plain(&self, pointer: Option<&str>) -> Result<Option<Plain<'_>>, Unreadable> {
        if self.bytes.iter().all(u8::is_ascii_whitespace) {
            return Err(Unreadable("is empty".to_owned()));
        }
        let Some(pointer) = pointer else {
            let text = std::str::from_utf8(self.bytes).map_err(|_| self.unreadable("is not UTF-8 text"))?;
            return Ok(Some(Plain::Text(text.trim())));
        };
        match self.json()?.pointer(pointer) {
            None | Some(Value::Null) => Ok(None),
            Some(Value::Bool(truth)) => Ok(Some(Plain::Truth(*truth))),
            Some(Value::String(text)) => Ok(Some(Plain::Text(text.trim()))),
            Some(Value::Number(number)) => match number.as_f64().filter(|n| n.is_finite()) {
                Some(number) => Ok(Some(Plain::Number(number))),
                None => Err(self.unreadable("is not a number")),
            },
            Some(Value::Array(_) | Value::Object(_)) => {
                Err(self.unreadable(&format!("has no plain value at {pointer}")))
            }
        }
    }

    /// On or off by the configured words; `true`, `false`, 1 and 0 in JSON are understood where no word fits.
    fn switched(&self, plain: &Plain<'_>, on: &str, off: &str) -> Result<Level, Unreadable> {
        let said = |word: &str| match plain {
            Plain::Text(text) => *text == word,
            Plain::Number(number) => finite(word) == Some(*number),
            Plain::Truth(truth) => word.parse() == Ok(*truth),
        };
        let muttered = |word: &str| matches!(plain, Plain::Text(text) if text.eq_ignore_ascii_case(word));
        let state = match plain {
            _ if said(on) => Some(true),
            _ if said(off) => Some(false),
            _ if muttered(on) => Some(true),
            _ if muttered(off) => Some(false),
            Plain::Truth(truth) => Some(*truth),
            Plain::Number(1.0) => Some(true),
            Plain::Number(0.0) => Some(false),
            _ => None,
        };
        match state {
            Some(true) => Ok(Level::FULL),
            Some(false) => Ok(Level::OFF),
            None => Err(self.unreadable(&format!("is neither {on:?} nor {off:?}"))),
        }
    }

    /// A share of `full`, or the word for off.
    fn dimmed(&self, plain: &Plain<'_>, off: &str, full: f64) -> Result<Level, Unreadable> {
        let number = match plain {
            Plain::Text(text) if text.eq_ignore_ascii_case(off) => return Ok(Level::OFF),
            Plain::Text(text) => finite(text),
            Plain::Number(number) => Some(*number),
            Plain::Truth(_) => None,
        };
        match number.map(|number| number / full) {
            Some(share) if (0.0..=OVER_FULL_MAX).contains(&share) => Ok(Level::clamped(share)),
            Some(_) => Err(self.unreadable(&format!("is not within 0 to {full}"))),
            None => Err(self.unreadable("is not a number")),
        }
    }

    /// The error for a pointer that leads nowhere.
    fn nothing_at(&self, pointer: &Option<impl AsRef<str>>) -> Unreadable {
        let pointer = pointer.as_ref().map_or("", AsRef::as_ref);
        self.unreadable(&format!("has nothing at {pointer}"))
    }

    /// An error that quotes the start of the payload.
    fn unreadable(&self, why: &str) -> Unreadable {
        Unreadable(format!("{why}: {}", quoted(self.bytes)))
    }
}

/// A payload by which each probe of one topic says its value, given in the kept unit: what [`Payload::reading`] reads
/// back.
pub fn payload_of<'a>(said: impl Iterator<Item = (&'a Probe, f64)>) -> String {
    let mut whole = Value::Null;
    for (probe, value) in said {
        let number = match (probe.measures, probe.unit) {
            (Measures::Temperature, PayloadUnit::Fahrenheit) => fahrenheit(value),
            _ => value,
        };
        match probe.pointer.as_deref() {
            None => return number.to_string(),
            Some("") => return Value::from(number).to_string(),
            Some(pointer) => put(&mut whole, pointer, number),
        }
    }
    whole.to_string()
}

/// Puts `number` where `pointer` leads, with objects on the way: a pointer's numbers find their names too.
fn put(whole: &mut Value, pointer: &str, number: f64) {
    let mut at = whole;
    for token in pointer.split('/').skip(1) {
        if !at.is_object() {
            *at = Value::Object(serde_json::Map::new());
        }
        let Value::Object(fields) = at else { return };
        at = fields.entry(token.replace("~1", "/").replace("~0", "~")).or_insert(Value::Null);
    }
    *at = Value::from(number);
}

/// Degrees Celsius as a probe in Fahrenheit says them. Such a probe's own number is short, and found again exactly.
fn fahrenheit(celsius: f64) -> f64 {
    let number = celsius * 9.0 / 5.0 + 32.0;
    let short = (number * 1e6).round() / 1e6;
    if Celsius::from_fahrenheit(short).0 == celsius { short } else { number }
}

/// `text` as a finite number.
fn finite(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite())
}

/// At most [`QUOTED_CHARACTERS_MAX`] characters of any bytes, in quotation marks, control characters escaped.
pub(super) fn quoted(bytes: &[u8]) -> String {
    // A character takes at most four bytes, so no more of a long payload need be looked at.
    let start = &bytes[..bytes.len().min(4 * (QUOTED_CHARACTERS_MAX + 1))];
    let text = String::from_utf8_lossy(start);
    let shown: String = text.chars().take(QUOTED_CHARACTERS_MAX).collect();
    let more = if shown.len() < text.len() { "…" } else { "" };
    format!("{shown:?}{more}")
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    fn probe(pointer: Option<&str>, stamp: Option<&str>, unit: PayloadUnit) -> Probe {
        Probe {
            name: "basking".to_owned(),
            measures: Measures::Temperature,
            topic: "garden/e1/basking".to_owned(),
            pointer: pointer.map(str::to_owned),
            stamp_pointer: stamp.map(str::to_owned),
            unit,
            every: Duration::from_secs(30),
            stale: Duration::from_secs(90),
            spot: "basking".to_owned(),
            plausible: (-20.0, 80.0),
            reject: vec![85.0, -127.0],
            fastest: None,
        }
    }

    fn relay(pointer: Option<&str>, on: &str, off: &str) -> Output {
        Output {
            set: "garden/e1/heat/set".to_owned(),
            state: Some("garden/e1/heat".to_owned()),
            state_pointer: pointer.map(str::to_owned),
            kind: OutputKind::Relay {
                on: on.to_owned(),
                off: off.to_owned(),
                reports_on: on.to_owned(),
                reports_off: off.to_owned(),
            },
            hold: None,
        }
    }

    #[test]
    fn numbers_are_plain_or_at_a_pointer() {
        let check = |pointer: Option<&str>, payload: &str, expected: Result<f64, &str>| {
            let reading =
                Payload::new(payload.as_bytes()).reading(&probe(pointer, None, PayloadUnit::Kept), false).value;
            assert_eq!(reading, expected.map_err(|e| Unreadable(e.to_owned())), "{payload}");
        };
        check(None, " 33.1\n", Ok(33.1));
        check(None, "-4e1", Ok(-40.0));
        check(None, "", Err("is empty"));
        check(None, " \t", Err("is empty"));
        check(None, "33.1 °C", Err("is not a number: \"33.1 °C\""));
        check(None, "33,1", Err("is not a number: \"33,1\""));
        check(None, "NaN", Err("is not a number: \"NaN\""));
        check(None, "inf", Err("is not a number: \"inf\""));
        check(Some("/t"), r#"{"t": 33.1}"#, Ok(33.1));
        check(Some("/t"), r#"{"t": "33.1 "}"#, Ok(33.1));
        check(Some("/t"), r#"{"t": null}"#, Err(r#"has nothing at /t: "{\"t\": null}""#));
        check(Some("/t"), r#"{"u": 1}"#, Err(r#"has nothing at /t: "{\"u\": 1}""#));
        check(Some("/t"), r#"{"t": [1]}"#, Err(r#"has no plain value at /t: "{\"t\": [1]}""#));
        check(Some("/t"), r#"{"t": true}"#, Err(r#"is not a number: "{\"t\": true}""#));
        check(Some("/t"), "33.1", Err(r#"has nothing at /t: "33.1""#));
        check(Some("/t"), "{t: 1}", Err(r#"is not JSON: "{t: 1}""#));
        check(Some(""), "33.1", Ok(33.1));
    }

    #[test]
    fn a_payload_that_probes_say_together_is_read_back_by_each() {
        let probes = [
            probe(Some("/t"), None, PayloadUnit::Fahrenheit),
            probe(Some("/air/0/~1m~0n"), Some("/at"), PayloadUnit::Kept),
            probe(Some("/air/1"), None, PayloadUnit::Kept),
        ];
        // 101.3 °F by the definition of the scales.
        let values = [(101.3 - 32.0) * 5.0 / 9.0, -4.25, 1.0 / 3.0];
        let payload = payload_of(probes.iter().zip(values));
        for (probe, value) in probes.iter().zip(values) {
            assert_eq!(Payload::new(payload.as_bytes()).reading(probe, false).value, Ok(value), "{payload}");
        }
        for pointer in [None, Some("")] {
            let alone = probe(pointer, None, PayloadUnit::Kept);
            let payload = payload_of(std::iter::once((&alone, 33.1)));
            assert_eq!((payload.as_str(), Payload::new(b"33.1").reading(&alone, false).value), ("33.1", Ok(33.1)));
        }
    }

    #[test]
    fn pointers_follow_the_worked_examples_of_rfc_6901() {
        // RFC 6901, section 5: the document, and what each pointer evaluates to.
        let document = br#"{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5,
                           "k\"l": 6, " ": 7, "m~n": 8}"#;
        for (pointer, value) in [
            ("/", 0.0),
            ("/a~1b", 1.0),
            ("/c%d", 2.0),
            ("/e^f", 3.0),
            ("/g|h", 4.0),
            ("/i\\j", 5.0),
            ("/k\"l", 6.0),
            ("/ ", 7.0),
            ("/m~0n", 8.0),
        ] {
            assert_eq!(Payload::new(document).number(Some(pointer)), Ok(value), "{pointer}");
        }
    }

    #[test]
    fn fahrenheit_is_turned_into_celsius() {
        // Definition of the scales: 32 °F is 0 °C, 212 °F is 100 °C.
        for (payload, expected) in [("32", 0.0), ("212", 100.0)] {
            let reading = Payload::new(payload.as_bytes()).reading(&probe(None, None, PayloadUnit::Fahrenheit), false);
            assert_eq!(reading.value, Ok(expected));
        }
    }

    #[test]
    fn time_stamps_are_rfc_3339_or_seconds_or_milliseconds() {
        // RFC 3339, section 5.8: 1985-04-12T23:20:50.52Z. Its count since 1970, 482196050, by POSIX's formula for
        // "seconds since the Epoch" (IEEE Std 1003.1, section 4.16).
        let example = DateTime::parse_from_rfc3339("1985-04-12T23:20:50Z").unwrap().to_utc();
        let check = |stamp: &str, expected: Result<Option<DateTime<Utc>>, ()>| {
            let payload = format!(r#"{{"t": 30, "at": {stamp}}}"#);
            let reading =
                Payload::new(payload.as_bytes()).reading(&probe(Some("/t"), Some("/at"), PayloadUnit::Kept), false);
            match expected {
                Ok(taken) => assert_eq!((reading.value, reading.taken), (Ok(30.0), taken), "{stamp}"),
                Err(()) => assert!(reading.value.is_err() && reading.taken.is_none(), "{stamp}"),
            }
        };
        check("\"1985-04-12T23:20:50Z\"", Ok(Some(example)));
        check("\"1985-04-13T00:20:50+01:00\"", Ok(Some(example)));
        check("482196050", Ok(Some(example)));
        check("482196050000", Ok(Some(example)));
        check("\"482196050\"", Ok(Some(example)));
        check("null", Ok(None));
        check("\"yesterday\"", Err(()));
        check("true", Err(()));
        check("1e300", Err(()));
    }

    #[test]
    fn relays_report_by_their_words() {
        let check = |pointer, on, off, payload: &str, expected: Option<f64>| {
            let level = Payload::new(payload.as_bytes()).level(&relay(pointer, on, off));
            assert_eq!(level.clone().ok().map(Level::share), expected, "{payload}: {level:?}");
        };
        check(None, "ON", "OFF", "ON", Some(1.0));
        check(None, "ON", "OFF", " off\r\n", Some(0.0));
        check(None, "ON", "OFF", "1", None);
        check(None, "ON", "OFF", "", None);
        check(None, "on", "ON", "ON", Some(0.0));
        check(None, "0", "1", "0", Some(1.0));
        check(Some("/r/0"), "ON", "OFF", r#"{"r": ["ON"]}"#, Some(1.0));
        check(Some("/r"), "ON", "OFF", r#"{"r": true}"#, Some(1.0));
        check(Some("/r"), "false", "true", r#"{"r": true}"#, Some(0.0));
        check(Some("/r"), "ON", "OFF", r#"{"r": 0}"#, Some(0.0));
        check(Some("/r"), "0", "1", r#"{"r": 0.0}"#, Some(1.0));
        check(Some("/r"), "ON", "OFF", r#"{"r": 2}"#, None);
    }

    #[test]
    fn dimmers_report_a_share_of_full() {
        let dimmer = |full| Output {
            kind: OutputKind::Dimmer { level: "{percent}".to_owned(), off: "OFF".to_owned(), full },
            ..relay(None, "", "")
        };
        for (full, payload, expected) in [
            (255.0, "51", Some(0.2)),
            (100.0, "100.4", Some(1.0)),
            (100.0, "off", Some(0.0)),
            (100.0, "0", Some(0.0)),
            (100.0, "255", None),
            (100.0, "-1", None),
            (1.0, "bright", None),
        ] {
            let level = Payload::new(payload.as_bytes()).level(&dimmer(full));
            assert_eq!(level.clone().ok().map(Level::share), expected, "{payload}: {level:?}");
        }
    }

    #[test]
    fn long_payloads_are_quoted_in_part() {
        assert_eq!(quoted(b"a\"\n\xff"), "\"a\\\"\\n\u{fffd}\"");
        assert_eq!(quoted("ü".repeat(41).as_bytes()), format!("\"{}\"…", "ü".repeat(40)));
        assert_eq!(quoted("ü".repeat(40).as_bytes()), format!("\"{}\"", "ü".repeat(40)));
    }
}
