//! The journal as a recording: its minutes as the messages they may have come from.

use std::collections::BTreeMap;
use std::io;

use chrono::{DateTime, Utc};
use rusqlite::Row;

use super::samples::{Stored, minute, moment};
use super::{Act, COMMISSIONING, Failure, HOUR_MINUTES, MINUTE_MS, Reader, Sample, Series, Whose, Window};
use crate::message::topics::SITE;
use crate::message::{payload_of, takes_reason};
use crate::settings::{Measures, Probe, Settings};

/// What the journal knows of an act beside what was done: who, and by which key it was sent once.
const UNSPOKEN: [&str; 2] = ["by", "key"];

/// A minute is told by so many messages at most; a probe that says more is as well told by these. Our choice.
pub const SAID_AT_MOST: u64 = 60;

/// Whose minutes they are, and how its payloads look.
struct Voice<'a> {
    series: Series,
    probe: &'a Probe,
    /// The mean of the minute before.
    before: Option<f64>,
}

/// What a probe may have said in a minute.
type Said<'a> = (&'a Probe, Vec<f64>);

/// What was told in all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recorded {
    /// Minutes told.
    pub minutes: u64,
    /// Series of the journal that the configuration has no probe for.
    pub unknown: usize,
}

impl Reader {
    /// Hands over the journal as the lines of a recording, in order of time, until `act` wants no more: of each minute
    /// as many messages as it had good readings, with its mean, its lowest and its highest; and what the keeper did.
    pub fn recording(
        &self,
        settings: &Settings,
        mut act: impl FnMut(&[u8]) -> io::Result<bool>,
    ) -> Result<Recorded, Failure> {
        let (mut voices, unknown) = self.voices(settings)?;
        let mut recorded = Recorded { minutes: 0, unknown };
        let mut next = i64::MIN;
        while let Some(first) = self.first_from(&voices, next)? {
            let from = first.div_euclid(HOUR_MINUTES) * HOUR_MINUTES;
            let from = from.max(next);
            // To the end of the hour in which the next thing happened.
            next = (first.div_euclid(HOUR_MINUTES) + 1) * HOUR_MINUTES;
            let mut lines: Vec<(i64, String)> = Vec::new();
            // Probes that share a topic speak in one message.
            let mut minutes: BTreeMap<(DateTime<Utc>, &str), Vec<Said<'_>>> = BTreeMap::new();
            for (place, sample) in self.hour_of(&voices, from, next)? {
                let Some(voice) = voices.get_mut(place) else { continue };
                let Some(values) = voice.values(&sample) else { continue };
                recorded.minutes += 1;
                minutes.entry((sample.at, &voice.probe.topic)).or_default().push((voice.probe, values));
            }
            minutes.iter().for_each(|((at, topic), said)| tell(*at, topic, said, &mut lines));
            self.acts(None, window(from, next), |done| {
                let at = done.at.timestamp_millis();
                lines.extend(spoken(done).map(|line| (at, line)));
                Ok(())
            })?;
            lines.sort_by_key(|(at, _)| *at);
            for (_, line) in lines {
                if !act(line.as_bytes())? {
                    return Ok(recorded);
                }
            }
        }
        Ok(recorded)
    }

    /// The series of the configuration's probes, and how many others there are.
    fn voices<'a>(&self, settings: &'a Settings) -> Result<(Vec<Voice<'a>>, usize), Failure> {
        let all = self.series(Whose::default()).map_err(Failure::Journal)?;
        let mut unknown = 0;
        let mut voices: Vec<Voice<'a>> = Vec::new();
        for series in all {
            let enclosure = settings.enclosures.iter().find(|enclosure| enclosure.id == series.enclosure);
            let probe =
                enclosure.and_then(|enclosure| enclosure.probes.iter().find(|probe| probe.name == series.probe));
            let Some(probe) = probe.filter(|probe| is_of(probe, &series.quantity)) else {
                unknown += 1;
                continue;
            };
            match voices.last_mut() {
                // What the probe itself said stands behind what was made of it, in the order of the quantities.
                Some(last) if last.series.enclosure == series.enclosure && last.series.probe == series.probe => {
                    last.series = series;
                }
                _ => voices.push(Voice { series, probe, before: None }),
            }
        }
        Ok((voices, unknown))
    }

    /// The first minute from `minute` on in which anything happened.
    fn first_from(&self, voices: &[Voice<'_>], from: i64) -> Result<Option<i64>, Failure> {
        let read = || {
            let least = |a: Option<i64>, b: Option<i64>| [a, b].into_iter().flatten().min();
            let one = "SELECT min(minute) FROM minutes WHERE series = ?1 AND minute >= ?2";
            let mut statement = self.connection.prepare_cached(one)?;
            let mut first: Option<i64> = None;
            for voice in voices {
                first = least(first, statement.query_row((voice.series.id, from), |row| row.get(0))?);
            }
            let recent = "SELECT min(minute) FROM recent WHERE minute >= ?1";
            first = least(first, self.connection.prepare_cached(recent)?.query_row([from], |row| row.get(0))?);
            let act = "SELECT min(at_ms) FROM acts WHERE at_ms >= ?1";
            let from_ms = from.saturating_mul(MINUTE_MS);
            let act: Option<i64> = self.connection.prepare_cached(act)?.query_row([from_ms], |row| row.get(0))?;
            Ok(least(first, act.map(|ms| ms.div_euclid(MINUTE_MS))))
        };
        read().map_err(|error| self.broken(error))
    }

    /// The minutes from `from` until before `until`, each with the place of its voice.
    fn hour_of(&self, voices: &[Voice<'_>], from: i64, until: i64) -> Result<Vec<(usize, Sample)>, Failure> {
        let read = || {
            let mut found = Vec::new();
            let text = "SELECT minute, mean, low, high, good, bad FROM minutes
                        WHERE series = ?1 AND minute >= ?2 AND minute < ?3 ORDER BY minute";
            let mut statement = self.connection.prepare_cached(text)?;
            for (place, voice) in voices.iter().enumerate() {
                for stored in statement.query_map((voice.series.id, from, until), minute)? {
                    found.push((place, stored?.sample));
                }
            }
            let text = "SELECT minute, mean, low, high, good, bad, series FROM recent
                        WHERE minute >= ?1 AND minute < ?2 ORDER BY minute";
            let mut statement = self.connection.prepare_cached(text)?;
            let row = |row: &Row<'_>| -> rusqlite::Result<(Stored, i64)> { Ok((minute(row)?, row.get(6)?)) };
            for stored in statement.query_map((from, until), row)? {
                let (stored, series) = stored?;
                if let Some(place) = voices.iter().position(|voice| voice.series.id == series) {
                    found.push((place, stored.sample));
                }
            }
            Ok(found)
        };
        read().map_err(|error| self.broken(error))
    }
}

/// An act as a line of a recording; none where that knows no such act.
fn spoken(done: Act) -> Option<String> {
    // What was told late calibrated nothing, and a recording knows no reading but one that is told at once.
    if done.verb() == COMMISSIONING || done.words.contains_key("taken") {
        return None;
    }
    let is_part = takes_reason(done.verb());
    let mut words = done.words;
    UNSPOKEN.iter().for_each(|word| _ = words.remove(*word));
    if !is_part {
        words.remove("why");
    }
    let at = done.at.to_rfc3339_opts(chrono::SecondsFormat::Millis, true);
    words.insert("t".to_owned(), at.into());
    words.entry("enclosure").or_insert_with(|| SITE.into());
    Some(serde_json::Value::from(words).to_string())
}

/// Whether what is kept under `quantity` is what `probe` says.
fn is_of(probe: &Probe, quantity: &str) -> bool {
    let word = Measures::ALL.iter().find(|(measures, _)| *measures == probe.measures).map(|(_, word)| *word);
    word == Some(quantity) || (probe.measures == Measures::Uvi && quantity == "uvi-raw")
}

fn window(from: i64, until: i64) -> Window {
    let at = |minute: i64| moment(minute.saturating_mul(MINUTE_MS));
    Window { from: at(from), until: at(until) }
}

impl Voice<'_> {
    /// What the probe may have said in a minute; none where nothing was good.
    fn values(&mut self, sample: &Sample) -> Option<Vec<f64>> {
        let mean = sample.mean?;
        let rises = self.before.is_none_or(|before| mean >= before);
        self.before = Some(mean);
        Some(values(sample, mean, rises))
    }
}

/// The messages of one minute on one topic, evenly spread.
fn tell(at: DateTime<Utc>, topic: &str, said: &[Said<'_>], lines: &mut Vec<(i64, String)>) {
    let count = said.iter().map(|(_, values)| values.len()).max().unwrap_or(0);
    for nth in 0..count {
        let part = MINUTE_MS / count as i64;
        let at = at.timestamp_millis() + part * nth as i64 + part / 2;
        let values = said.iter().filter_map(|(probe, values)| {
            // One that said less says the same for longer.
            values.get(nth * values.len() / count).map(|value| (*probe, *value))
        });
        let message = serde_json::json!({
            "t": moment(at).to_rfc3339_opts(chrono::SecondsFormat::Millis, true),
            "topic": topic,
            "payload": payload_of(values),
        });
        lines.push((at, message.to_string()));
    }
}

/// Readings with the mean, the lowest and the highest of a minute, as many as it had.
fn values(sample: &Sample, mean: f64, rises: bool) -> Vec<f64> {
    let (low, high) = (sample.low.unwrap_or(mean), sample.high.unwrap_or(mean));
    let count = sample.good.clamp(1, SAID_AT_MOST) as usize;
    let mut values = match count {
        1 => vec![mean],
        2 => vec![low, high],
        _ => {
            // What the others must have been on the whole.
            let rest = ((mean * count as f64 - low - high) / (count as f64 - 2.0)).clamp(low, high.max(low));
            let mut values = vec![rest; count];
            (values[0], values[count - 1]) = (low, high);
            values
        }
    };
    if !rises {
        values.reverse();
    }
    values
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_messages_of_a_minute_have_its_mean_its_lowest_and_its_highest(
            readings in prop::collection::vec(-40.0..120.0f64, 1..60),
            rises in any::<bool>(),
        ) {
            let count = readings.len() as f64;
            let mean = readings.iter().sum::<f64>() / count;
            let low = readings.iter().copied().fold(f64::INFINITY, f64::min);
            let high = readings.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let (good, some) = (readings.len() as u64, Some);
            let at = DateTime::UNIX_EPOCH;
            let sample = Sample { at, mean: some(mean), low: some(low), high: some(high), good, bad: 0, covered: 1 };
            let told = values(&sample, mean, rises);
            prop_assert_eq!(told.len(), readings.len());
            prop_assert!((told.iter().sum::<f64>() / count - mean).abs() < 1e-9);
            if readings.len() > 1 {
                // To the bit: a guard's cut may lie on it.
                prop_assert_eq!(told.iter().copied().fold(f64::INFINITY, f64::min), low);
                prop_assert_eq!(told.iter().copied().fold(f64::NEG_INFINITY, f64::max), high);
                let first = if rises { low } else { high };
                prop_assert_eq!(told[0], first);
            }
        }
    }

    #[test]
    fn a_reason_is_spoken_where_it_is_a_part_of_what_is_asked_for() {
        let check = |act: &str, expected: Option<&str>| {
            let words = serde_json::from_str(act).expect("an object");
            let done = Act { at: DateTime::UNIX_EPOCH, enclosure: Some("e1".to_owned()), words };
            assert_eq!(spoken(done).as_deref(), expected, "{act}");
        };
        check(
            r#"{"act": "shelve", "enclosure": "e1", "kind": "lamp-dark", "for": "2h", "why": "at noon", "by": "anna"}"#,
            Some(
                r#"{"act":"shelve","enclosure":"e1","for":"2h","kind":"lamp-dark","t":"1970-01-01T00:00:00.000Z","why":"at noon"}"#,
            ),
        );
        check(
            r#"{"act": "reset", "why": "the cable was mended", "by": "anna", "key": "k"}"#,
            Some(r#"{"act":"reset","enclosure":"site","t":"1970-01-01T00:00:00.000Z"}"#),
        );
        check(r#"{"act": "meter-reading", "enclosure": "e1", "uvi": 3, "spot": "a", "taken": "…"}"#, None);
    }

    #[test]
    fn probes_of_one_topic_speak_in_one_message_evenly_over_the_minute() {
        let probe = |name: &str, pointer: &str| Probe {
            name: name.to_owned(),
            measures: Measures::Humidity,
            topic: "a".to_owned(),
            pointer: Some(pointer.to_owned()),
            stamp_pointer: None,
            unit: crate::settings::PayloadUnit::Kept,
            every: std::time::Duration::from_secs(30),
            stale: std::time::Duration::from_secs(90),
            spot: "basking".to_owned(),
            plausible: (0.0, 100.0),
            reject: Vec::new(),
            fastest: None,
        };
        let (one, other) = (probe("one", "/x"), probe("other", "/y"));
        let mut lines = Vec::new();
        tell(DateTime::UNIX_EPOCH, "a", &[(&one, vec![1.0, 2.0]), (&other, vec![7.0])], &mut lines);
        let expected = [
            (15_000, r#"{"payload":"{\"x\":1.0,\"y\":7.0}","t":"1970-01-01T00:00:15.000Z","topic":"a"}"#),
            (45_000, r#"{"payload":"{\"x\":2.0,\"y\":7.0}","t":"1970-01-01T00:00:45.000Z","topic":"a"}"#),
        ];
        assert_eq!(lines, expected.map(|(at, line)| (at, line.to_owned())));
    }
}
