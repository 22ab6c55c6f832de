//! What the view knows: the public documents of the daemon, kept as they come.

use std::collections::{BTreeMap, VecDeque};
use std::fmt;
use std::marker::PhantomData;

use chrono::{DateTime, FixedOffset};
use serde::Deserialize;
use serde::de::{DeserializeOwned, Deserializer, MapAccess, Visitor};

/// A JSON object whose keys keep their order.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Named<T>(pub Vec<(String, T)>);

impl<T> Default for Named<T> {
    fn default() -> Self {
        Named(Vec::new())
    }
}

impl<T> Named<T> {
    /// The value called `name`.
    pub fn get(&self, name: &str) -> Option<&T> {
        self.0.iter().find(|(other, _)| other == name).map(|(_, value)| value)
    }
}

impl<'de, T: DeserializeOwned> Deserialize<'de> for Named<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct InOrder<T>(PhantomData<T>);
        impl<'de, T: DeserializeOwned> Visitor<'de> for InOrder<T> {
            type Value = Named<T>;
            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str("an object")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Named<T>, A::Error> {
                let mut named = Vec::new();
                while let Some(entry) = map.next_entry()? {
                    named.push(entry);
                }
                Ok(Named(named))
            }
        }
        deserializer.deserialize_map(InOrder(PhantomData))
    }
}

/// `<enclosure>/state`.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[serde(default)]
pub(super) struct StateDoc {
    pub title: String,
    pub care: String,
    pub at: Option<String>,
    pub day: DayDoc,
    pub lamps: Named<LampDoc>,
    pub probes: Named<ProbeDoc>,
    pub band: Option<BandDoc>,
    pub interlocks: Named<InterlockDoc>,
    pub alarms: Vec<String>,
}

impl StateDoc {
    /// The two probes that tell most in few words: a temperature, at the basking spot where there is one, and the UVI
    /// there.
    pub fn headline(&self) -> impl Iterator<Item = &ProbeDoc> {
        let first = |measures: &str, at_basking: bool| {
            let fits = |p: &&ProbeDoc| p.measures == measures && (!at_basking || p.spot == "basking");
            self.probes.0.iter().map(|(_, probe)| probe).find(fits)
        };
        let temperature = first("temperature", true).or(first("temperature", false));
        temperature.into_iter().chain(first("uvi", true))
    }
}

/// Day or night, and until when.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[serde(default)]
pub(super) struct DayDoc {
    pub phase: String,
    pub lights_on: Option<String>,
    pub lights_off: Option<String>,
}

/// A lamp.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[serde(default)]
pub(super) struct LampDoc {
    pub fitting: String,
    pub wanted: f64,
    pub reported: Option<f64>,
    pub reason: String,
    pub target: Option<f64>,
    /// The probe it warms.
    pub warms: Option<String>,
}

/// A probe.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[serde(default)]
pub(super) struct ProbeDoc {
    pub value: Option<f64>,
    pub unit: String,
    pub spot: String,
    pub measures: String,
    pub age_s: Option<f64>,
    pub quality: String,
}

/// The UV band.
#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq)]
#[serde(default)]
pub(super) struct BandDoc {
    pub zone: Option<u8>,
    pub low: f64,
    pub high: f64,
    pub ceiling: f64,
}

/// A guard.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[serde(default)]
pub(super) struct InterlockDoc {
    pub state: String,
    pub cut: f64,
    pub limit: f64,
    pub why: Option<String>,
}

/// `alarms/<enclosure>/<kind>`.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[serde(default)]
pub(super) struct AlarmDoc {
    pub kind: String,
    pub priority: String,
    pub state: String,
    pub since: String,
    pub text: String,
    pub enclosure: String,
}

impl AlarmDoc {
    /// Its text, with the enclosure's title before it where the text does not begin with that.
    pub fn placed(&self, title: &str) -> String {
        if self.text.starts_with(title) { self.text.clone() } else { format!("{title}: {}", self.text) }
    }

    /// How much it matters: 0 is most.
    pub fn rank(&self) -> u8 {
        match self.priority.as_str() {
            "critical" => 0,
            "high" => 1,
            "medium" => 2,
            _ => 3,
        }
    }
}

/// Minutes of simulated time that one step of a probe's history covers.
pub(super) const HISTORY_MINUTES: i64 = 5;
/// Steps kept: a day.
const HISTORY_STEPS: usize = 288;

/// What a probe said lately: the last value of each step, with the number of the step.
pub(super) type History = VecDeque<(i64, f64)>;

/// An enclosure as last heard of.
#[derive(Clone, Debug, Default)]
pub(super) struct Kept {
    /// Its newest document; none before the first.
    pub doc: Option<StateDoc>,
    /// Its probes' histories by name.
    pub history: BTreeMap<String, History>,
}

/// Something that a message brought.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum News {
    /// The daemon came or went.
    Status(String),
    /// A lamp's level has changed.
    Switched { enclosure: String, lamp: String, from: f64, to: f64, reason: String },
    /// An alarm was raised.
    Raised(AlarmDoc),
    /// An alarm has gone.
    Cleared { enclosure: String, kind: String },
}

/// All that the daemon has published about one site.
#[derive(Clone, Debug, Default)]
pub(super) struct Model {
    /// What topics begin with, with its closing `/`.
    prefix: String,
    /// `online` or `offline`.
    pub status: Option<String>,
    /// Enclosures by id, in the order given at the start; others as they come.
    pub enclosures: Vec<(String, Kept)>,
    /// Standing alarms by enclosure and kind.
    pub alarms: BTreeMap<(String, String), AlarmDoc>,
    /// Newest time any document carried.
    pub at: Option<DateTime<FixedOffset>>,
}

impl Model {
    /// Knows nothing yet but the names of the enclosures.
    pub fn new<'a>(site: &str, ids: impl IntoIterator<Item = &'a str>) -> Model {
        let enclosures = ids.into_iter().map(|id| (id.to_owned(), Kept::default())).collect();
        Model { prefix: format!("lampwarden/{site}/"), enclosures, ..Model::default() }
    }

    /// Takes in one message. What cannot be understood is left out.
    pub fn take(&mut self, topic: &str, payload: &[u8]) -> Vec<News> {
        let Some(rest) = topic.strip_prefix(&self.prefix) else { return Vec::new() };
        let parts: Vec<&str> = rest.split('/').collect();
        match parts.as_slice() {
            ["status"] => self.take_status(&String::from_utf8_lossy(payload)),
            ["alarms", enclosure, kind] => self.take_alarm(enclosure, kind, payload),
            [enclosure, "state"] => match serde_json::from_slice(payload) {
                Ok(doc) => self.take_state(enclosure, doc),
                Err(_) => Vec::new(),
            },
            _ => Vec::new(),
        }
    }

    /// The daemon's own status.
    fn take_status(&mut self, status: &str) -> Vec<News> {
        if self.status.as_deref() == Some(status) {
            return Vec::new();
        }
        self.status = Some(status.to_owned());
        vec![News::Status(status.to_owned())]
    }

    /// An alarm's document, empty when it has gone.
    fn take_alarm(&mut self, enclosure: &str, kind: &str, payload: &[u8]) -> Vec<News> {
        let key = (enclosure.to_owned(), kind.to_owned());
        if payload.is_empty() {
            let gone = self.alarms.remove(&key).is_some();
            return if gone { vec![News::Cleared { enclosure: key.0, kind: key.1 }] } else { Vec::new() };
        }
        let Ok(mut alarm) = serde_json::from_slice::<AlarmDoc>(payload) else { return Vec::new() };
        (alarm.enclosure, alarm.kind) = key.clone();
        let known = self.alarms.insert(key, alarm.clone()).is_some();
        if known { Vec::new() } else { vec![News::Raised(alarm)] }
    }

    /// An enclosure's state.
    fn take_state(&mut self, id: &str, doc: StateDoc) -> Vec<News> {
        let at = doc.at.as_deref().and_then(parsed);
        self.at = self.at.max(at);
        let index = self.enclosures.iter().position(|(other, _)| other == id).unwrap_or_else(|| {
            self.enclosures.push((id.to_owned(), Kept::default()));
            self.enclosures.len() - 1
        });
        let kept = &mut self.enclosures[index].1;
        let mut news = Vec::new();
        for (name, lamp) in &doc.lamps.0 {
            let before = kept.doc.as_ref().and_then(|doc| doc.lamps.get(name)).map_or(0.0, |lamp| lamp.wanted);
            if before != lamp.wanted {
                let (from, to, reason) = (before, lamp.wanted, lamp.reason.clone());
                news.push(News::Switched { enclosure: id.to_owned(), lamp: name.clone(), from, to, reason });
            }
        }
        if let Some(at) = at {
            remember(&mut kept.history, &doc, at.timestamp() / 60 / HISTORY_MINUTES);
        }
        kept.doc = Some(doc);
        news
    }

    /// What a person calls an enclosure.
    pub fn title<'a>(&'a self, id: &'a str) -> &'a str {
        let kept = self.enclosures.iter().find(|(other, _)| other == id).and_then(|(_, kept)| kept.doc.as_ref());
        kept.map(|doc| doc.title.as_str()).filter(|title| !title.is_empty()).unwrap_or(id)
    }

    /// Standing alarms, those that matter most first, then the newest.
    pub fn standing(&self) -> Vec<&AlarmDoc> {
        let mut standing: Vec<&AlarmDoc> = self.alarms.values().collect();
        standing.sort_by(|a, b| (a.rank(), &b.since).cmp(&(b.rank(), &a.since)));
        standing
    }
}

/// Writes the good values of `doc` into the histories, at this step.
fn remember(history: &mut BTreeMap<String, History>, doc: &StateDoc, step: i64) {
    for (name, probe) in &doc.probes.0 {
        let Some(value) = probe.value.filter(|_| probe.quality == "good") else { continue };
        let past = history.entry(name.clone()).or_default();
        match past.back_mut() {
            Some((last, kept)) if *last >= step => *kept = value,
            _ => past.push_back((step, value)),
        }
        if past.len() > HISTORY_STEPS {
            past.pop_front();
        }
    }
}

/// A time as documents write it.
pub(super) fn parsed(text: &str) -> Option<DateTime<FixedOffset>> {
    DateTime::parse_from_rfc3339(text).ok()
}

/// Documents for tests, as the daemon would write them.
#[cfg(test)]
pub(super) mod sample {
    use super::Model;

    /// A basker at half past nine, its heat on and its UVB in band.
    pub const BASKER: &str = r#"{"enclosure":"dragon","title":"Bearded dragon","care":"desert-basker",
        "at":"2026-04-18T09:30:00+01:00",
        "day":{"phase":"day","lights_on":"2026-04-18T06:45:00+01:00","lights_off":"2026-04-18T19:15:00+01:00"},
        "lamps":{
            "heat":{"fitting":"halogen","wanted":1.0,"reported":1.0,"reason":"basking at 36.1 °C, target 40.0 °C","target":40.0,"warms":"basking"},
            "uvb":{"fitting":"fluorescent-uvb","wanted":1.0,"reported":0.0,"reason":"day","target":null},
            "sky":{"fitting":"led","wanted":0.4,"reported":0.4,"reason":"dawn or dusk","target":null}},
        "probes":{
            "basking":{"value":36.1,"unit":"°C","spot":"basking","measures":"temperature","age_s":12.0,"quality":"good"},
            "cool":{"value":24.2,"unit":"°C","spot":"cool","measures":"temperature","age_s":200.0,"quality":"stale"},
            "basking-uv":{"value":4.1,"unit":"","spot":"basking","measures":"uvi","age_s":30.0,"quality":"good"}},
        "band":{"zone":3,"low":2.9,"high":7.4,"ceiling":8.0},
        "interlocks":{"heat":{"state":"clear","cut":46.0,"limit":50.0,"why":null}},
        "alarms":["probe-silent"]}"#;

    /// The same enclosure an hour after dusk, its guard tripped.
    pub const NIGHT: &str = r#"{"enclosure":"dragon","title":"Bearded dragon","care":"desert-basker",
        "at":"2026-04-18T20:15:00+01:00",
        "day":{"phase":"night","lights_on":"2026-04-18T06:45:00+01:00","lights_off":"2026-04-18T19:15:00+01:00"},
        "lamps":{"heat":{"fitting":"halogen","wanted":0.0,"reported":0.0,"reason":"guard: tripped at 47.0 °C","target":22.0,"warms":"basking"}},
        "probes":{"basking":{"value":47.0,"unit":"°C","spot":"basking","measures":"temperature","age_s":5.0,"quality":"good"}},
        "band":null,
        "interlocks":{"heat":{"state":"tripped","cut":46.0,"limit":50.0,"why":"47.0 °C is at or above the cut of 46.0 °C"}},
        "alarms":[]}"#;

    /// An alarm about its cool probe.
    pub const SILENT: &str = r#"{"kind":"probe-silent","priority":"high","state":"unacknowledged",
        "since":"2026-04-18T09:12:00+01:00","text":"Bearded dragon: probe cool has said nothing since 09:09. Look at its cable and battery.",
        "subjects":["cool"],"enclosure":"dragon"}"#;

    /// A model with an alarm, and a second enclosure not heard of yet.
    pub fn model() -> Model {
        let mut model = Model::new("pump-house", ["dragon", "skink"]);
        model.take("lampwarden/pump-house/status", b"online");
        model.take("lampwarden/pump-house/dragon/state", BASKER.as_bytes());
        model.take("lampwarden/pump-house/alarms/dragon/probe-silent", SILENT.as_bytes());
        model
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn documents_become_news_once() {
        let mut model = Model::new("pump-house", []);
        let state = "lampwarden/pump-house/dragon/state";
        let news = model.take(state, sample::BASKER.as_bytes());
        assert_eq!(news.len(), 3, "three lamps came on: {news:?}");
        assert!(matches!(&news[0], News::Switched { lamp, to, .. } if lamp == "heat" && *to == 1.0), "in their order");
        assert_eq!(model.take(state, sample::BASKER.as_bytes()), []);
        let alarm = "lampwarden/pump-house/alarms/dragon/probe-silent";
        assert!(matches!(model.take(alarm, sample::SILENT.as_bytes()).as_slice(), [News::Raised(_)]));
        assert_eq!(model.take(alarm, sample::SILENT.as_bytes()), []);
        assert_eq!(model.take(alarm, b"").len(), 1);
        assert_eq!(model.take(alarm, b""), []);
        assert_eq!(model.title("dragon"), "Bearded dragon");
    }

    #[test]
    fn nothing_on_any_topic_upsets_it() {
        let mut model = sample::model();
        for topic in [
            "",
            "lampwarden",
            "lampwarden/pump-house/",
            "lampwarden/pump-house/dragon/state",
            "lampwarden/pump-house/alarms/dragon/x",
            "lampwarden/pump-house/a/b/c/d",
            "lampwarden/other/dragon/state",
        ] {
            for payload in [&b""[..], b"\xff", b"[]", b"null", b"{\"lamps\":3}", b"{\"at\":\"soon\"}", b"{}"] {
                model.take(topic, payload);
            }
        }
        assert_eq!(model.enclosures.len(), 2);
    }

    #[test]
    fn history_keeps_one_good_value_for_each_step_and_a_day_of_them() {
        let mut model = Model::new("s", []);
        for minute in 0..3000_i64 {
            let at = chrono::DateTime::from_timestamp(1_776_470_400 + 60 * minute, 0).expect("a time").to_rfc3339();
            let doc = format!(
                r#"{{"at":"{at}","probes":{{"b":{{"value":{minute},"measures":"temperature","quality":"good"}},
                    "c":{{"value":1,"quality":"stale"}}}}}}"#
            );
            model.take("lampwarden/s/e/state", doc.as_bytes());
        }
        let history = &model.enclosures[0].1.history;
        assert_eq!(history["b"].len(), 288);
        assert_eq!(history["b"].back().map(|(_, value)| *value), Some(2999.0));
        assert!(!history.contains_key("c"));
    }
}
