//! What was different today, for the digest.

use std::collections::VecDeque;

use chrono::{DateTime, TimeDelta, Utc};

use crate::control::{AlarmNotice, AlarmState};
use crate::journal::PastAlarm;
use crate::notify::first_sentence;
use crate::settings::{Enclosure, EnclosureIx, Settings};

/// No more is remembered of a day; a guess.
const NOTED_MAX: usize = 200;

/// What was different since the last digest.
#[derive(Debug, Default)]
pub(super) struct Diary {
    noted: VecDeque<(DateTime<Utc>, String)>,
    forgotten: usize,
}

impl Diary {
    /// With what the journal has of the last day.
    pub(super) fn recalled(settings: &Settings, day: &[PastAlarm]) -> Diary {
        let mut diary = Diary::default();
        for past in day {
            if past.state == AlarmState::Normal.word() {
                let enclosure = settings.enclosures.iter().find(|it| Some(&it.id) == past.enclosure.as_ref());
                diary.put(past.at, over(settings, enclosure, &past.kind));
            } else {
                diary.put(past.at, first_sentence(&past.text));
            }
        }
        diary
    }

    /// An alarm was raised or has ended.
    pub(super) fn note(&mut self, at: DateTime<Utc>, settings: &Settings, notice: &AlarmNotice) {
        match notice.state {
            _ if notice.aside.is_some() => {}
            AlarmState::Unacknowledged => self.put(at, first_sentence(&notice.text)),
            AlarmState::Normal => {
                let enclosure = notice.enclosure.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix));
                self.put(at, over(settings, enclosure, notice.kind.name()));
            }
            _ => {}
        }
    }

    fn put(&mut self, at: DateTime<Utc>, what: String) {
        if self.noted.iter().any(|(_, known)| *known == what) {
            return;
        }
        self.noted.push_back((at, what));
        if self.noted.len() > NOTED_MAX {
            self.noted.pop_front();
            self.forgotten += 1;
        }
    }

    /// The last day's lines, oldest first, with times as `zone` has them; it is empty afterwards.
    pub(super) fn take(&mut self, now: DateTime<Utc>, zone: chrono_tz::Tz) -> Vec<String> {
        let recent = self.noted.iter().filter(|(at, _)| now - *at <= TimeDelta::days(1));
        let line = |(at, what): &(DateTime<Utc>, String)| format!("{} {what}", at.with_timezone(&zone).format("%H:%M"));
        let mut lines: Vec<_> = recent.map(line).collect();
        if self.forgotten > 0 {
            lines.insert(0, format!("{} earlier alarms are not listed", self.forgotten));
        }
        self.clear();
        lines
    }

    /// Forgets everything.
    pub(super) fn clear(&mut self) {
        *self = Diary::default();
    }
}

fn over(settings: &Settings, enclosure: Option<&Enclosure>, kind: &str) -> String {
    let place = enclosure.map_or(settings.site.name.as_str(), |enclosure| &enclosure.title);
    format!("{place}: {kind} is over")
}
