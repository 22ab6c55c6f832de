//! What has happened, in words: one line for each change, without the chatter of pulsed and dimmed lamps.

use std::collections::{BTreeMap, VecDeque};

use chrono::{DateTime, FixedOffset, Timelike};

use super::model::{Model, News};
use super::parts::{percent, value_text};

/// A change of level worth a line where the lamp stays on. A guess.
const WORTH_TELLING: f64 = 0.25;
/// A level that counts as fully on.
const FULL: f64 = 0.995;
/// Switchings of one lamp within half an hour of simulated time after which they are counted and no longer told. A guess.
const TOLD_PER_LAMP: usize = 6;
/// That half hour, s.
const WINDOW: i64 = 1800;

/// One line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Told {
    /// Simulated time, `HH:MM`.
    pub time: String,
    /// Whether somebody should look.
    pub alarm: bool,
    /// What happened.
    pub text: String,
}

/// What has been told of a lamp.
#[derive(Clone, Debug, Default)]
struct Lamp {
    /// Level last told.
    level: f64,
    /// When it changed lately in a way worth a line, s since 1970.
    changed: VecDeque<i64>,
    /// Switchings since the last summary that were not told.
    untold: u32,
}

/// Turns news into lines.
#[derive(Clone, Debug, Default)]
pub(super) struct Teller {
    /// Lamps by enclosure and name.
    lamps: BTreeMap<(String, String), Lamp>,
    /// Hour of the last summary: date and hour.
    hour: Option<(chrono::NaiveDate, u32)>,
}

impl Teller {
    /// The line for `news`; none where it is chatter.
    pub fn tell(&mut self, model: &Model, news: &News, now: DateTime<FixedOffset>) -> Option<Told> {
        let (alarm, text) = match news {
            News::Status(status) => (status != "online", format!("daemon {status}")),
            News::Switched { enclosure, lamp, from, to, reason } => {
                let word = self.switched(enclosure, lamp, *from, *to, now.timestamp())?;
                (false, format!("{}: {lamp} {word} ({reason})", model.title(enclosure)))
            }
            News::Raised(alarm) => {
                let text = alarm.placed(model.title(&alarm.enclosure));
                (true, format!("ALARM {} {} | {text}", alarm.priority, alarm.kind))
            }
            News::Cleared { enclosure, kind } => (false, format!("cleared {kind} | {}", model.title(enclosure))),
        };
        Some(Told { time: now.format("%H:%M").to_string(), alarm, text })
    }

    /// The word for a lamp's new level; none where the lamp has said enough.
    fn switched(&mut self, enclosure: &str, name: &str, from: f64, to: f64, now: i64) -> Option<String> {
        let lamp = self.lamps.entry((enclosure.to_owned(), name.to_owned())).or_default();
        let turned = (from > 0.0) != (to > 0.0);
        let filled = to >= FULL && lamp.level < FULL;
        while lamp.changed.front().is_some_and(|at| *at + WINDOW <= now) {
            lamp.changed.pop_front();
        }
        if !turned && !filled && (to - lamp.level).abs() < WORTH_TELLING {
            return None;
        }
        lamp.changed.push_back(now);
        lamp.level = to;
        if lamp.changed.len() > TOLD_PER_LAMP {
            lamp.untold += u32::from(turned);
            return None;
        }
        Some(match to {
            level if level <= 0.0 => "off".to_owned(),
            level if level >= FULL => "on".to_owned(),
            level => percent(level),
        })
    }

    /// A summary as each simulated hour begins; none in between.
    pub fn hourly(&mut self, model: &Model, now: DateTime<FixedOffset>) -> Option<Told> {
        let hour = (now.date_naive(), now.hour());
        let before = self.hour.replace(hour);
        if before.is_none_or(|before| before == hour) {
            return None;
        }
        let enclosures: Vec<String> = model
            .enclosures
            .iter()
            .filter_map(|(id, kept)| Some(self.summary(model, id, kept.doc.as_ref()?)))
            .collect();
        let alarms = match model.alarms.len() {
            0 => "no alarm".to_owned(),
            1 => "1 alarm".to_owned(),
            n => format!("{n} alarms"),
        };
        self.lamps.values_mut().for_each(|lamp| lamp.untold = 0);
        let text = format!("-- {}; {alarms}", enclosures.join("; "));
        Some(Told { time: now.format("%H:%M").to_string(), alarm: false, text })
    }

    /// One enclosure in a few words: what its basking spot says, and how often lamps switched untold.
    fn summary(&self, model: &Model, id: &str, doc: &super::model::StateDoc) -> String {
        let mut words = vec![doc.day.phase.clone()];
        words.extend(doc.headline().map(value_text));
        for ((enclosure, name), lamp) in &self.lamps {
            if enclosure == id && lamp.untold > 0 {
                let times = if lamp.untold == 1 { "once".to_owned() } else { format!("{} times", lamp.untold) };
                words.push(format!("{name} switched {times} more"));
            }
        }
        format!("{} {}", model.title(id), words.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::super::model::{parsed, sample};
    use super::*;

    fn at(time: &str) -> DateTime<FixedOffset> {
        parsed(&format!("2026-04-18T{time}+01:00")).expect("a time")
    }

    fn lines(teller: &mut Teller, model: &mut Model, topic: &str, payload: &str, time: &str) -> Vec<String> {
        let news = model.take(&format!("lampwarden/pump-house/{topic}"), payload.as_bytes());
        let told = news.iter().filter_map(|news| teller.tell(model, news, at(time)));
        told.map(|told| format!("{} {}", told.time, told.text)).collect()
    }

    #[test]
    fn switches_and_alarms_become_lines() {
        let (mut teller, mut model) = (Teller::default(), Model::new("pump-house", []));
        assert_eq!(
            lines(&mut teller, &mut model, "dragon/state", sample::BASKER, "09:30:00"),
            [
                "09:30 Bearded dragon: heat on (basking at 36.1 °C, target 40.0 °C)",
                "09:30 Bearded dragon: uvb on (day)",
                "09:30 Bearded dragon: sky 40 % (dawn or dusk)",
            ]
        );
        assert_eq!(
            lines(&mut teller, &mut model, "alarms/dragon/probe-silent", sample::SILENT, "09:31:00"),
            [
                "09:31 ALARM high probe-silent | Bearded dragon: probe cool has said nothing since 09:09. Look at its cable \
                 and battery."
            ]
        );
        assert_eq!(
            lines(&mut teller, &mut model, "alarms/dragon/probe-silent", "", "09:40:00"),
            ["09:40 cleared probe-silent | Bearded dragon"]
        );
        assert_eq!(lines(&mut teller, &mut model, "status", "online", "09:41:00"), ["09:41 daemon online"]);
    }

    #[test]
    fn a_pulsed_lamp_is_counted_and_not_told_each_time() {
        let (mut teller, mut model) = (Teller::default(), Model::new("pump-house", []));
        teller.hourly(&model, at("08:59:00"));
        let mut told = 0;
        for minute in 0..20 {
            let doc = format!(
                r#"{{"title":"Python","day":{{"phase":"night"}},"lamps":{{"ceramic":{{"wanted":{}}}}}}}"#,
                1 - minute % 2
            );
            told += lines(&mut teller, &mut model, "python/state", &doc, &format!("09:{minute:02}:00")).len();
        }
        assert_eq!(told, 6);
        let summary = teller.hourly(&model, at("10:00:01")).expect("an hour has begun");
        assert_eq!(summary.text, "-- Python night, ceramic switched 14 times more; no alarm");
        assert_eq!(teller.hourly(&model, at("10:30:00")), None);
    }

    #[test]
    fn a_dimmed_lamp_is_told_in_large_steps() {
        let (mut teller, mut model) = (Teller::default(), Model::new("pump-house", []));
        let mut told = Vec::new();
        for percent in [2, 10, 20, 30, 40, 60, 80, 100] {
            let doc =
                format!(r#"{{"lamps":{{"sky":{{"wanted":{},"reason":"dawn or dusk"}}}}}}"#, f64::from(percent) / 100.0);
            let time = format!("06:{:02}:00", percent / 2);
            told.extend(lines(&mut teller, &mut model, "frog/state", &doc, &time));
        }
        let expected = ["06:01 frog: sky 2 %", "06:15 frog: sky 30 %", "06:30 frog: sky 60 %", "06:50 frog: sky on"];
        assert_eq!(told, expected.map(|line| format!("{line} (dawn or dusk)")));
    }
}
