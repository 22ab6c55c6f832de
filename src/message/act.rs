//! What a person asks for by `do/<enclosure>/<verb>`.

use std::time::Duration;

use chrono::{DateTime, SecondsFormat};
use serde_json::{Map, Value, json};

use crate::control::{Act, AlarmKind, MeterReading, SeasonAct};
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, Settings};
use crate::time::{parse_span, spoken};
use crate::units::{Level, Uvi};

use super::payload::{Payload, quoted};
use super::{Misread, topics};

/// No override lasts longer; a guess: a keeper who wants more changes the configuration.
const OVERRIDE_MAX: Duration = Duration::from_secs(24 * 3600);

/// A reason is no longer, in characters; a guess.
const REASON_MAX: usize = 200;

/// No meter shows more: touching a lamp reads 40 and more (common practice, no source); a guess beyond that.
pub const UVI_MAX: f64 = 200.0;

/// What may be asked for by `do/<enclosure>/<verb>`.
pub const VERBS: [&str; 10] = [
    "acknowledge",
    "shelve",
    "unshelve",
    "out-of-service",
    "in-service",
    "reset",
    "override",
    "meter-reading",
    "lamp-change",
    "season",
];

/// Whether a person's reason is a part of what is asked for, and not said beside it.
pub fn takes_reason(verb: &str) -> bool {
    matches!(verb, "shelve" | "out-of-service")
}

/// Whom an act is about.
#[derive(Clone, Copy)]
enum Whom<'a> {
    Site,
    Enclosure(EnclosureIx, &'a Enclosure),
}

/// The act asked for by `verb` and `payload` for `enclosure`, an id or `site`; `ix` is the id's place.
pub(super) fn parse(
    settings: &Settings,
    enclosure: &str,
    ix: Option<EnclosureIx>,
    verb: &str,
    payload: &[u8],
) -> Result<Act, Misread> {
    let whom = match ix.and_then(|ix| Some((ix, settings.enclosures.get(ix.0)?))) {
        Some((ix, found)) => Whom::Enclosure(ix, found),
        None if enclosure == topics::SITE => Whom::Site,
        None => return Err(Misread(format!("there is no enclosure {enclosure:?}"))),
    };
    let fields = fields(payload)?;
    match verb {
        "acknowledge" => acknowledge(whom, &fields),
        "shelve" => shelve(whom, &fields),
        "unshelve" => {
            only(&fields, &["kind"])?;
            Ok(Act::Unshelve { enclosure: owner(whom), kind: kind(&fields)? })
        }
        "out-of-service" => service(whom, &fields, true),
        "in-service" => service(whom, &fields, false),
        "reset" => reset(settings, whom, &fields),
        "override" => take_over(whom, &fields),
        "meter-reading" => meter_reading(whom, &fields),
        "lamp-change" => lamp_change(whom, &fields),
        "season" => season(whom, &fields),
        _ => Err(Misread(format!("there is no verb {verb:?}: these are understood: {}", VERBS.join(", ")))),
    }
}

/// `{"kind": "over-temperature"}`, or nothing for every alarm.
fn acknowledge(whom: Whom<'_>, fields: &Map<String, Value>) -> Result<Act, Misread> {
    only(fields, &["kind"])?;
    Ok(Act::Acknowledge { enclosure: owner(whom), kind: kind(fields)? })
}

/// The kind of alarm in a field; none where the field is absent.
fn kind(fields: &Map<String, Value>) -> Result<Option<AlarmKind>, Misread> {
    let name = text(fields, "kind")?;
    let known =
        |name: &str| AlarmKind::from_name(name).ok_or_else(|| Misread(format!("there is no alarm kind {name:?}")));
    name.map(known).transpose()
}

/// Whose alarms.
fn owner(whom: Whom<'_>) -> Option<EnclosureIx> {
    match whom {
        Whom::Site => None,
        Whom::Enclosure(ix, _) => Some(ix),
    }
}

/// `{"kind": "lamp-dark", "for": "2h", "why": "the spare comes tomorrow"}`
fn shelve(whom: Whom<'_>, fields: &Map<String, Value>) -> Result<Act, Misread> {
    only(fields, &["kind", "for", "why"])?;
    let kind = kind(fields)?.ok_or_else(|| Misread("shelve needs a \"kind\" of alarm".to_owned()))?;
    let most = kind.shelved_at_most();
    if most.is_zero() {
        return Err(Misread(format!("{kind} cannot be shelved: see to it that the lamp goes cold")));
    }
    let span = text(fields, "for")?.ok_or_else(|| Misread("shelve needs a \"for\", such as \"2h\"".to_owned()))?;
    let span = parse_span(span).filter(|span| !span.is_zero() && *span <= most).ok_or_else(|| {
        Misread(format!("\"for\": {span:?} is no span up to {}, for which {kind} may be shelved", spoken(most)))
    })?;
    Ok(Act::Shelve { enclosure: owner(whom), kind, span, why: reason(fields, "shelve")? })
}

/// `{"why": "nobody lives there until spring"}`, or nothing where an animal does again.
fn service(whom: Whom<'_>, fields: &Map<String, Value>, out: bool) -> Result<Act, Misread> {
    let Whom::Enclosure(ix, _) = whom else {
        return Err(Misread("an enclosure is in or out of service, and the site is not".to_owned()));
    };
    only(fields, if out { &["why"] } else { &[] })?;
    let out = if out { Some(reason(fields, "out-of-service")?) } else { None };
    Ok(Act::Service { enclosure: ix, out })
}

/// A person's reason, in one line.
fn reason(fields: &Map<String, Value>, verb: &str) -> Result<String, Misread> {
    let why = text(fields, "why")?.map(str::trim).filter(|why| !why.is_empty());
    let why = why.ok_or_else(|| Misread(format!("{verb} needs a \"why\", in a person's words")))?;
    let is_line = why.chars().count() <= REASON_MAX && !why.contains(char::is_control);
    is_line
        .then(|| why.to_owned())
        .ok_or_else(|| Misread(format!("\"why\" must be one line of at most {REASON_MAX} characters")))
}

/// `{"lamp": "heat"}` or nothing for every lamp; `{"cut_off": "main"}` for the site.
fn reset(settings: &Settings, whom: Whom<'_>, fields: &Map<String, Value>) -> Result<Act, Misread> {
    match whom {
        Whom::Enclosure(ix, enclosure) => {
            only(fields, &["lamp"])?;
            let lamp = text(fields, "lamp")?.map(|name| lamp(enclosure, name)).transpose()?;
            Ok(Act::Reset { enclosure: ix, lamp })
        }
        Whom::Site => {
            only(fields, &["cut_off"])?;
            let name = text(fields, "cut_off")?
                .ok_or_else(|| Misread("reset for the site needs {\"cut_off\": \"<name>\"}".to_owned()))?;
            match settings.cut_offs.iter().position(|cut_off| cut_off.name == name) {
                Some(ix) => Ok(Act::ResetCutOff { cut_off: CutOffIx(ix) }),
                None => Err(Misread(format!("there is no cut-off {name:?}"))),
            }
        }
    }
}

/// `{"lamp": "heat", "level": 0.5, "for": "20m"}`; the level is a share, `"on"`, `"off"`, or `null` to end it.
fn take_over(whom: Whom<'_>, fields: &Map<String, Value>) -> Result<Act, Misread> {
    let Whom::Enclosure(ix, enclosure) = whom else {
        return Err(Misread("override is for the lamp of an enclosure".to_owned()));
    };
    only(fields, &["lamp", "level", "for"])?;
    let name = text(fields, "lamp")?.ok_or_else(|| Misread("override needs a \"lamp\"".to_owned()))?;
    let lamp = lamp(enclosure, name)?;
    let level = match fields.get("level") {
        Some(Value::Null) => None,
        Some(Value::String(word)) if word == "on" => Some(Level::FULL),
        Some(Value::String(word)) if word == "off" => Some(Level::OFF),
        Some(Value::Number(number)) if number.as_f64().is_some_and(|n| (0.0..=1.0).contains(&n)) => {
            number.as_f64().map(Level::clamped)
        }
        _ => return Err(Misread("override needs a \"level\": 0 to 1, \"on\", \"off\" or null to end it".to_owned())),
    };
    let span = match (text(fields, "for")?, level) {
        (Some(text), _) => parse_span(text)
            .filter(|span| !span.is_zero() && *span <= OVERRIDE_MAX)
            .ok_or_else(|| Misread(format!("\"for\": {text:?} is no span from \"1s\" to \"24h\"")))?,
        (None, None) => Duration::ZERO,
        (None, Some(_)) => return Err(Misread("override needs a \"for\", such as \"20m\"".to_owned())),
    };
    Ok(Act::Override { enclosure: ix, lamp, level, span })
}

/// `{"spot": "basking", "uvi": 4.2}`; `"lamp"` where that one alone was lit, `"guess": true` where it is one, `"taken"` with
/// a time where it is told late.
fn meter_reading(whom: Whom<'_>, fields: &Map<String, Value>) -> Result<Act, Misread> {
    let Whom::Enclosure(ix, enclosure) = whom else {
        return Err(Misread("meter-reading is for a spot of an enclosure".to_owned()));
    };
    only(fields, &["spot", "uvi", "lamp", "guess", "taken"])?;
    let spot = text(fields, "spot")?.map(str::trim).filter(|spot| !spot.is_empty());
    let spot = spot.ok_or_else(|| Misread("meter-reading needs a \"spot\", such as \"basking\"".to_owned()))?;
    let uvi = fields.get("uvi").and_then(Value::as_f64).filter(|uvi| (0.0..=UVI_MAX).contains(uvi));
    let uvi = uvi.ok_or_else(|| Misread(format!("meter-reading needs a \"uvi\", 0 to {UVI_MAX}")))?;
    let alone = text(fields, "lamp")?.map(|name| lamp(enclosure, name)).transpose()?;
    let guess = match fields.get("guess") {
        None => false,
        Some(Value::Bool(guess)) => *guess,
        Some(_) => return Err(Misread("\"guess\" must be true or false".to_owned())),
    };
    let reading = MeterReading { spot: spot.to_owned(), uvi: Uvi(uvi), alone, guess };
    match text(fields, "taken")? {
        None => Ok(Act::MeterReading { enclosure: ix, reading }),
        Some(taken) => match DateTime::parse_from_rfc3339(taken) {
            Ok(taken) => Ok(Act::LateReading { enclosure: ix, reading, taken: taken.to_utc() }),
            Err(_) => Err(Misread(format!("\"taken\": {taken:?} is no time as 2026-03-01T08:00:00Z"))),
        },
    }
}

/// `{"lamp": "uvb"}`
fn lamp_change(whom: Whom<'_>, fields: &Map<String, Value>) -> Result<Act, Misread> {
    let Whom::Enclosure(ix, enclosure) = whom else {
        return Err(Misread("lamp-change is for the lamp of an enclosure".to_owned()));
    };
    only(fields, &["lamp"])?;
    let name = text(fields, "lamp")?.ok_or_else(|| Misread("lamp-change needs a \"lamp\"".to_owned()))?;
    Ok(Act::LampChange { enclosure: ix, lamp: lamp(enclosure, name)? })
}

/// `{"do": "hold"}`, `"go-on"` or `"break-off"`
fn season(whom: Whom<'_>, fields: &Map<String, Value>) -> Result<Act, Misread> {
    let Whom::Enclosure(ix, enclosure) = whom else {
        return Err(Misread("season is for the cooling season of an enclosure".to_owned()));
    };
    only(fields, &["do"])?;
    let act = text(fields, "do")?.and_then(SeasonAct::from_word);
    let act = act.ok_or_else(|| Misread("season needs a \"do\": hold, go-on or break-off".to_owned()))?;
    if enclosure.care.program.as_ref().is_none_or(|program| program.cooling.is_none()) {
        let why = format!("the care sheet of {} has no cooling season: add `cooling` to it", enclosure.id);
        return Err(Misread(why));
    }
    Ok(Act::Season { enclosure: ix, act })
}

/// An act in the words of a recording, for the journal: the id of the enclosure it is about (none: the site), and a JSON
/// object with the verb under `act` and what is asked for by `do/<enclosure>/<verb>` beside it.
pub fn act_words(settings: &Settings, act: &Act) -> (Option<String>, String) {
    let (verb, whose, fields) = match act {
        Act::Acknowledge { enclosure, kind } => {
            ("acknowledge", *enclosure, vec![("kind", kind.map(|kind| json!(kind.name())))])
        }
        Act::Shelve { enclosure, kind, span, why } => {
            let (kind, span) = (Some(json!(kind.name())), Some(json!(format!("{}s", span.as_secs()))));
            ("shelve", *enclosure, vec![("kind", kind), ("for", span), ("why", Some(json!(why)))])
        }
        Act::Unshelve { enclosure, kind } => {
            ("unshelve", *enclosure, vec![("kind", kind.map(|kind| json!(kind.name())))])
        }
        Act::Service { enclosure, out } => match out {
            Some(why) => ("out-of-service", Some(*enclosure), vec![("why", Some(json!(why)))]),
            None => ("in-service", Some(*enclosure), Vec::new()),
        },
        Act::Reset { enclosure, lamp } => {
            let name = lamp.map(|lamp| lamp_name(settings, *enclosure, lamp));
            ("reset", Some(*enclosure), vec![("lamp", name)])
        }
        Act::ResetCutOff { cut_off } => {
            let name = settings.cut_offs.get(cut_off.0).map(|cut_off| json!(cut_off.name));
            ("reset", None, vec![("cut_off", name)])
        }
        Act::Override { enclosure, lamp, level, span } => {
            let lamp = Some(lamp_name(settings, *enclosure, *lamp));
            let level = level.map_or(Value::Null, |level| json!(level.share()));
            let span = (!span.is_zero()).then(|| json!(format!("{}s", span.as_secs())));
            ("override", Some(*enclosure), vec![("lamp", lamp), ("level", Some(level)), ("for", span)])
        }
        Act::MeterReading { enclosure, reading } | Act::LateReading { enclosure, reading, .. } => {
            let alone = reading.alone.map(|lamp| lamp_name(settings, *enclosure, lamp));
            let guess = reading.guess.then_some(json!(true));
            let (spot, uvi) = (Some(json!(reading.spot)), Some(json!(reading.uvi.0)));
            let taken = match act {
                Act::LateReading { taken, .. } => Some(json!(taken.to_rfc3339_opts(SecondsFormat::Secs, true))),
                _ => None,
            };
            let fields = vec![("spot", spot), ("uvi", uvi), ("lamp", alone), ("guess", guess), ("taken", taken)];
            ("meter-reading", Some(*enclosure), fields)
        }
        Act::Season { enclosure, act } => ("season", Some(*enclosure), vec![("do", Some(json!(act.word())))]),
        Act::LampChange { enclosure, lamp } => {
            ("lamp-change", Some(*enclosure), vec![("lamp", Some(lamp_name(settings, *enclosure, *lamp)))])
        }
    };
    let whose = whose.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix)).map(|enclosure| enclosure.id.clone());
    let named =
        [("act", Some(json!(verb))), ("enclosure", whose.as_ref().map(|id| json!(id)))].into_iter().chain(fields);
    let object: Map<_, _> = named.filter_map(|(key, value)| Some((key.to_owned(), value?))).collect();
    (whose, Value::Object(object).to_string())
}

fn lamp_name(settings: &Settings, EnclosureIx(enclosure): EnclosureIx, LampIx(lamp): LampIx) -> Value {
    settings
        .enclosures
        .get(enclosure)
        .and_then(|enclosure| enclosure.lamps.get(lamp))
        .map_or(Value::Null, |lamp| json!(lamp.name))
}

/// The fields of a JSON object; an empty payload has none.
fn fields(payload: &[u8]) -> Result<Map<String, Value>, Misread> {
    if payload.iter().all(u8::is_ascii_whitespace) {
        return Ok(Map::new());
    }
    match Payload::new(payload).json() {
        Ok(Value::Object(fields)) => Ok(fields.clone()),
        _ => Err(Misread(format!("the payload is not a JSON object: {}", quoted(payload)))),
    }
}

/// Refuses fields that would be overlooked.
fn only(fields: &Map<String, Value>, known: &[&str]) -> Result<(), Misread> {
    match fields.keys().find(|key| !known.contains(&key.as_str())) {
        Some(key) => Err(Misread(format!("{key:?} is not known here; known: {}", known.join(", ")))),
        None => Ok(()),
    }
}

/// The text in a field; none where the field is absent.
fn text<'a>(fields: &'a Map<String, Value>, key: &str) -> Result<Option<&'a str>, Misread> {
    match fields.get(key) {
        None => Ok(None),
        Some(Value::String(text)) => Ok(Some(text)),
        Some(_) => Err(Misread(format!("{key:?} must be text"))),
    }
}

/// The lamp of that name.
fn lamp(enclosure: &Enclosure, name: &str) -> Result<LampIx, Misread> {
    match enclosure.lamps.iter().position(|lamp| lamp.name == name) {
        Some(ix) => Ok(LampIx(ix)),
        None => Err(Misread(format!("enclosure {} has no lamp {name:?}", enclosure.id))),
    }
}
