//! State documents and alarms as JSON. Keys stand in the order of the settings.

use chrono::{DateTime, SecondsFormat, Utc};
use chrono_tz::Tz;
use serde::{Serialize, Serializer};
use serde_json::{Value, json};

use crate::control::{AlarmNotice, Aside, DayView, EnclosureView, InterlockView};
use crate::settings::{Enclosure, EnclosureIx, Lamp, Measures, Settings, UvBand};
use crate::units::Uvi;

use super::{Message, topics};

/// The retained state document of an enclosure; none where `settings` has no such enclosure.
pub fn state_document(settings: &Settings, view: &EnclosureView) -> Option<Message> {
    let enclosure = settings.enclosures.get(view.enclosure.0)?;
    let document = state(settings.site.timezone, enclosure, view);
    Some(Message {
        topic: topics::state(&settings.site.name, &enclosure.id),
        payload: serde_json::to_vec(&document).ok()?,
    })
}

/// The retained message of an alarm: JSON while its condition stands, empty once it is cleared; none where `settings`
/// has no such enclosure.
pub fn alarm_document(settings: &Settings, notice: &AlarmNotice) -> Option<Message> {
    let enclosure = name(settings, notice.enclosure)?;
    let topic = topics::alarm(&settings.site.name, enclosure, notice.kind);
    if !notice.state.is_active() {
        return Some(Message { topic, payload: Vec::new() });
    }
    let document = AlarmDocument {
        enclosure,
        kind: notice.kind.name(),
        priority: notice.priority.word(),
        state: notice.state.word(),
        since: local(settings.site.timezone, notice.since),
        text: &notice.text,
        subjects: &notice.subjects,
        latched: notice.latched,
        aside: notice.aside.as_ref().map(|aside| aside_document(settings, aside)),
    };
    Some(Message { topic, payload: serde_json::to_vec(&document).ok()? })
}

/// Why an alarm is put aside, as JSON: `how` in the standard's words and `why` in a person's; `until` where it is shelved, and
/// `cause` where it is a consequence.
pub fn aside_document(settings: &Settings, aside: &Aside) -> Value {
    let mut document = json!({ "how": aside.word(), "why": aside.why() });
    match aside {
        Aside::Shelved { until, .. } => document["until"] = json!(local(settings.site.timezone, *until)),
        Aside::Consequence(cause) => {
            document["cause"] = json!({ "enclosure": name(settings, cause.enclosure), "kind": cause.kind.name() });
        }
        Aside::OutOfService { .. } | Aside::ByDesign(_) => {}
    }
    document
}

/// The id of an enclosure, or the site's.
fn name(settings: &Settings, enclosure: Option<EnclosureIx>) -> Option<&str> {
    match enclosure {
        None => Some(topics::SITE),
        Some(ix) => settings.enclosures.get(ix.0).map(|enclosure| enclosure.id.as_str()),
    }
}

#[derive(Serialize)]
struct AlarmDocument<'a> {
    enclosure: &'a str,
    kind: &'static str,
    priority: &'static str,
    state: &'static str,
    since: String,
    text: &'a str,
    subjects: &'a [String],
    /// Whether it stands until a person resets what it is about.
    latched: bool,
    /// Why nobody is told of it by itself; null: they are.
    aside: Option<Value>,
}

#[derive(Serialize)]
struct StateDocument<'a> {
    enclosure: &'a str,
    title: &'a str,
    care: &'a str,
    at: Option<String>,
    day: DayDocument,
    lamps: Named<'a, LampDocument<'a>>,
    probes: Named<'a, ProbeDocument<'a>>,
    band: Option<BandDocument>,
    interlocks: Named<'a, InterlockDocument<'a>>,
    alarms: Vec<&'static str>,
}

#[derive(Serialize)]
struct DayDocument {
    phase: &'static str,
    lights_on: Option<String>,
    lights_off: Option<String>,
}

#[derive(Serialize)]
struct LampDocument<'a> {
    fitting: &'static str,
    wanted: Rounded,
    reported: Option<Rounded>,
    reason: &'a str,
    target: Option<Rounded>,
    /// The probe that regulates it, else the first of its guard.
    warms: Option<&'a str>,
}

#[derive(Serialize)]
struct ProbeDocument<'a> {
    value: Option<Rounded>,
    unit: &'static str,
    spot: &'a str,
    measures: &'static str,
    age_s: Option<Rounded>,
    quality: &'static str,
    /// Of a UV probe: its own number, of which `value` is the UV index, and how far that goes.
    #[serde(skip_serializing_if = "Option::is_none")]
    raw: Option<Rounded>,
    #[serde(skip_serializing_if = "Option::is_none")]
    footing: Option<&'static str>,
}

#[derive(Serialize)]
struct BandDocument {
    zone: Option<u8>,
    low: Rounded,
    high: Rounded,
    ceiling: Rounded,
}

#[derive(Serialize)]
struct InterlockDocument<'a> {
    state: &'static str,
    cut: Rounded,
    limit: Rounded,
    why: Option<&'a str>,
}

/// A number to three decimals, so that documents do not change with noise nobody can measure.
struct Rounded(f64);

impl Serialize for Rounded {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64((self.0 * 1000.0).round() / 1000.0)
    }
}

/// A JSON object whose keys keep their order.
struct Named<'a, T>(Vec<(&'a str, T)>);

impl<T: Serialize> Serialize for Named<'_, T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(name, value)| (name, value)))
    }
}

/// The name of the probe that regulates `lamp`, else of the first of its guard; none for a lamp that does not warm.
fn warms<'a>(enclosure: &'a Enclosure, lamp: &Lamp) -> Option<&'a str> {
    let guard = || lamp.guard.as_ref().and_then(|guard| guard.probes.first().copied());
    let probe = lamp.heat.map(|heat| heat.probe).or_else(guard)?;
    enclosure.probes.get(probe.0).map(|probe| probe.name.as_str())
}

/// The whole document.
fn state<'a>(timezone: Tz, enclosure: &'a Enclosure, view: &'a EnclosureView) -> StateDocument<'a> {
    let lamps = enclosure.lamps.iter().zip(&view.lamps);
    let probes = enclosure.probes.iter().zip(&view.probes);
    StateDocument {
        enclosure: &enclosure.id,
        title: &enclosure.title,
        care: &enclosure.care.name,
        at: view.at.map(|at| local(timezone, at)),
        day: day(timezone, view.day),
        lamps: Named(
            lamps
                .clone()
                .map(|(lamp, seen)| {
                    let document = LampDocument {
                        fitting: lamp.fitting.traits().word,
                        wanted: Rounded(seen.wanted.share()),
                        reported: seen.reported.map(|level| Rounded(level.share())),
                        reason: &seen.reason,
                        target: seen.target.map(|target| Rounded(target.0)),
                        warms: warms(enclosure, lamp),
                    };
                    (lamp.name.as_str(), document)
                })
                .collect(),
        ),
        probes: Named(
            probes
                .map(|(probe, seen)| {
                    let document = ProbeDocument {
                        value: seen.uv.map_or(seen.value, |uv| uv.uvi.map(|Uvi(uvi)| uvi)).map(Rounded),
                        unit: probe.measures.unit(),
                        spot: &probe.spot,
                        measures: word(probe.measures),
                        age_s: seen.age.map(|age| Rounded(age.as_secs_f64())),
                        quality: seen.quality.word(),
                        raw: seen.uv.and(seen.value).map(Rounded),
                        footing: seen.uv.map(|uv| uv.footing.word()),
                    };
                    (probe.name.as_str(), document)
                })
                .collect(),
        ),
        band: view.band.map(band),
        interlocks: Named(
            lamps.filter_map(|(lamp, seen)| Some((lamp.name.as_str(), interlock(seen.interlock.as_ref()?)))).collect(),
        ),
        alarms: view.alarms.iter().map(|kind| kind.name()).collect(),
    }
}

fn day(timezone: Tz, day: DayView) -> DayDocument {
    DayDocument {
        phase: if day.is_day { "day" } else { "night" },
        lights_on: day.lights_on.map(|on| local(timezone, on)),
        lights_off: day.lights_off.map(|off| local(timezone, off)),
    }
}

fn band(band: UvBand) -> BandDocument {
    BandDocument {
        zone: band.zone,
        low: Rounded(band.low.0),
        high: Rounded(band.high.0),
        ceiling: Rounded(band.ceiling.0),
    }
}

fn interlock(interlock: &InterlockView) -> InterlockDocument<'_> {
    InterlockDocument {
        state: interlock.state,
        cut: Rounded(interlock.cut.0),
        limit: Rounded(interlock.limit.0),
        why: interlock.why.as_deref(),
    }
}

/// The configuration's word for what a probe measures.
fn word(measures: Measures) -> &'static str {
    Measures::ALL.into_iter().find(|(of, _)| *of == measures).map_or("", |(_, word)| word)
}

/// RFC 3339 with the site's offset, to the second.
fn local(timezone: Tz, time: DateTime<Utc>) -> String {
    time.with_timezone(&timezone).to_rfc3339_opts(SecondsFormat::Secs, false)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::control::{AlarmKind, AlarmState, LampView, Priority, ProbeView, Quality};
    use crate::message::fixture;
    use crate::units::{Celsius, Level, Uvi};

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    #[test]
    fn a_state_document_keeps_the_order_of_the_settings_and_the_offset_of_the_site() {
        let interlock = InterlockView { state: "clear", cut: Celsius(40.0), limit: Celsius(45.0), why: None };
        let lamp = |reason: &str| LampView {
            by_hand: None,
            wanted: Level::FULL,
            reported: None,
            reason: reason.to_owned(),
            target: None,
            interlock: None,
        };
        let view = EnclosureView {
            enclosure: EnclosureIx(0),
            at: Some(at("2026-07-01T08:00:00Z")),
            day: DayView { is_day: true, lights_on: Some(at("2026-07-01T06:00:00Z")), lights_off: None },
            lamps: vec![
                LampView {
                    reported: Some(Level::clamped(1.0 / 3.0)),
                    target: Some(Celsius(32.0)),
                    interlock: Some(interlock),
                    ..lamp("basking at 31.2 °C, target 32.0 °C")
                },
                lamp("day"),
            ],
            probes: vec![
                ProbeView {
                    value: Some(31.23456),
                    age: Some(Duration::from_millis(12_000)),
                    quality: Quality::Good,
                    uv: None,
                },
                ProbeView { value: Some(f64::NAN), age: None, quality: Quality::Doubtful, uv: None },
            ],
            band: Some(UvBand { zone: Some(3), low: Uvi(2.9), high: Uvi(7.4), ceiling: Uvi(8.0) }),
            alarms: vec![AlarmKind::OverTemperature],
        };
        let message = state_document(&fixture::settings(), &view).unwrap();
        assert_eq!(message.topic, "lampwarden/garden-room/e1/state");
        // Written by hand after the design's section 5; Lisbon is one hour ahead of UTC in July (IANA tzdata).
        let expected = concat!(
            r#"{"enclosure":"e1","title":"Quince","care":"woodland-basker","at":"2026-07-01T09:00:00+01:00","#,
            r#""day":{"phase":"day","lights_on":"2026-07-01T07:00:00+01:00","lights_off":null},"#,
            r#""lamps":{"heat":{"fitting":"halogen","wanted":1.0,"reported":0.333,"#,
            r#""reason":"basking at 31.2 °C, target 32.0 °C","target":32.0,"warms":null},"#,
            r#""dim":{"fitting":"led","wanted":1.0,"reported":null,"reason":"day","target":null,"warms":null}},"#,
            r#""probes":{"basking":{"value":31.235,"unit":"°C","spot":"basking","measures":"temperature","#,
            r#""age_s":12.0,"quality":"good"},"#,
            r#""air":{"value":null,"unit":"%","spot":"basking","measures":"humidity","age_s":null,"#,
            r#""quality":"doubtful"}},"#,
            r#""band":{"zone":3,"low":2.9,"high":7.4,"ceiling":8.0},"#,
            r#""interlocks":{"heat":{"state":"clear","cut":40.0,"limit":45.0,"why":null}},"#,
            r#""alarms":["over-temperature"]}"#,
        );
        assert_eq!(String::from_utf8(message.payload).unwrap(), expected);
        let unknown = EnclosureView { enclosure: EnclosureIx(9), ..view };
        assert_eq!(state_document(&fixture::settings(), &unknown), None);
    }

    #[test]
    fn an_alarm_is_a_document_while_it_stands_and_empty_once_it_does_not() {
        let notice = |enclosure, state| AlarmNotice {
            enclosure,
            kind: AlarmKind::BrokerLost,
            priority: Priority::High,
            state,
            since: at("2026-01-01T08:00:00Z"),
            text: "no broker".to_owned(),
            subjects: vec!["heat".to_owned()],
            latched: false,
            aside: None,
        };
        let standing = |enclosure: &str, state: &str| {
            format!(
                concat!(
                    r#"{{"enclosure":"{}","kind":"broker-lost","priority":"high","state":"{}","#,
                    r#""since":"2026-01-01T08:00:00+00:00","text":"no broker","subjects":["heat"],"#,
                    r#""latched":false,"aside":null}}"#
                ),
                enclosure, state
            )
        };
        for (enclosure, state, topic, payload) in [
            (None, AlarmState::Unacknowledged, "site/broker-lost", standing("site", "unacknowledged")),
            (Some(0), AlarmState::Acknowledged, "e1/broker-lost", standing("e1", "acknowledged")),
            (Some(0), AlarmState::ReturnedUnacknowledged, "e1/broker-lost", String::new()),
            (None, AlarmState::Normal, "site/broker-lost", String::new()),
        ] {
            let message = alarm_document(&fixture::settings(), &notice(enclosure.map(EnclosureIx), state)).unwrap();
            assert_eq!(message.topic, format!("lampwarden/garden-room/alarms/{topic}"));
            assert_eq!(String::from_utf8(message.payload).unwrap(), payload);
        }
        assert_eq!(alarm_document(&fixture::settings(), &notice(Some(EnclosureIx(9)), AlarmState::Normal)), None);
    }
}
