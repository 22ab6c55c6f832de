//! What was different today, for the digest.

use std::collections::VecDeque;

use chrono::{DateTime, TimeDelta, Utc};

use crate::control::{AlarmNotice, AlarmState};
use crate::notify::first_sentence;
use crate::settings::{EnclosureIx, Settings};

/// No more is remembered of a day; a guess.
const NOTED_MAX: usize = 200;

/// What was different since the last digest.
#[derive(Debug, Default)]
pub(super) struct Diary {
    noted: VecDeque<(DateTime<Utc>, String)>,
    forgotten: usize,
}

impl Diary {
    /// An alarm was raised or has ended.
    pub(super) fn note(&mut self, at: DateTime<Utc>, settings: &Settings, notice: &AlarmNotice) {
        let what = match notice.state {
            AlarmState::Unacknowledged => first_sentence(&notice.text),
            AlarmState::Normal => {
                let enclosure = notice.enclosure.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix));
                let place = enclosure.map_or(settings.site.name.as_str(), |enclosure| &enclosure.title);
                format!("{place}: {} is over", notice.kind)
            }
            _ => return,
        };
        if self.noted.iter().rev().take(NOTED_MAX).any(|(_, known)| *known == what) {
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
