//! How much UV has arrived at a probe over a day, and when in the day.

use std::time::Duration;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Timelike as _, Utc};
use chrono_tz::Tz;

use crate::time::Mono;
use crate::units::Uvi;

/// A day is kept in so many parts of equal length.
pub const PARTS: usize = 48;

/// One local day at a probe.
#[derive(Clone, Debug, PartialEq)]
pub struct UvDay {
    /// Its date at the site.
    pub date: NaiveDate,
    /// UVI times hours in each half hour of the wall clock from midnight on.
    pub parts: [f32; PARTS],
    /// For how long the probe was heard.
    pub heard: Duration,
}

impl UvDay {
    fn new(date: NaiveDate) -> UvDay {
        UvDay { date, parts: [0.0; PARTS], heard: Duration::ZERO }
    }

    /// UVI times hours, of the whole day so far.
    pub fn uvi_hours(&self) -> f64 {
        self.parts.iter().map(|&part| f64::from(part)).sum()
    }
}

/// The dose of today and of yesterday.
#[derive(Clone, Debug, Default)]
pub(super) struct Dose {
    today: Option<Box<UvDay>>,
    yesterday: Option<Box<UvDay>>,
    /// The half hour under way: which, and when it ends.
    part: Option<(usize, DateTime<Utc>)>,
    last: Option<(Mono, f64)>,
}

impl Dose {
    /// Takes in a calibrated reading. Between two readings further apart than `stale` nothing is reckoned.
    pub(super) fn reading(&mut self, now: Mono, wall: DateTime<Utc>, timezone: Tz, uvi: Uvi, stale: Duration) {
        let last = self.last.replace((now, uvi.0));
        let Some((before, earlier)) = last.filter(|&(before, _)| now.since(before) <= stale) else { return };
        if !self.part.is_some_and(|(_, ends)| wall < ends && wall + HALF_HOUR >= ends) {
            self.turn(wall, timezone);
        }
        let (Some((part, _)), Some(today)) = (self.part, &mut self.today) else { return };
        let span = now.since(before);
        // The trapezoid between two readings goes to the half hour of the later one.
        let dose = 0.5 * (earlier + uvi.0) * span.as_secs_f64() / 3600.0;
        today.parts[part] += dose as f32;
        today.heard += span;
    }

    /// Another half hour, and perhaps another day.
    fn turn(&mut self, wall: DateTime<Utc>, timezone: Tz) {
        let local = wall.with_timezone(&timezone);
        let (date, time) = (local.date_naive(), local.time());
        let seconds = time.num_seconds_from_midnight() as usize;
        let part = (seconds / HALF_HOUR_S).min(PARTS - 1);
        let left = HALF_HOUR_S - seconds % HALF_HOUR_S;
        self.part = Some((part, wall + chrono::TimeDelta::seconds(left as i64)));
        if self.today.as_ref().is_none_or(|today| today.date != date) {
            self.yesterday = self.today.take();
            self.today = Some(Box::new(UvDay::new(date)));
        }
    }

    /// Today so far, and the day before it where that was seen.
    pub(super) fn days(&self) -> (Option<&UvDay>, Option<&UvDay>) {
        let today = self.today.as_deref();
        let before = today.and_then(|today| today.date.checked_sub_days(Days::new(1)));
        (today, self.yesterday.as_deref().filter(|yesterday| Some(yesterday.date) == before))
    }
}

const HALF_HOUR_S: usize = 1800;
const HALF_HOUR: chrono::TimeDelta = chrono::TimeDelta::seconds(1800);

/// The middle of part `part` of a day, by the wall clock.
pub fn middle_of(part: usize) -> NaiveTime {
    let seconds = (part.min(PARTS - 1) * HALF_HOUR_S + HALF_HOUR_S / 2) as u32;
    NaiveTime::from_num_seconds_from_midnight_opt(seconds, 0).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::uv::{ErythemalIrradiance, Sed};

    #[test]
    fn four_hours_at_uvi_3_are_twelve_uvi_hours_and_10_8_sed() {
        let mut dose = Dose::default();
        let start: DateTime<Utc> = "2026-03-02T06:00:00Z".parse().expect("a time");
        for minute in 0..=14 * 60 {
            let now = Mono::from_secs(minute * 60);
            let uvi = if (120..360).contains(&minute) { 3.0 } else { 0.0 };
            let wall = start + now.since_start();
            dose.reading(now, wall, chrono_tz::UTC, Uvi(uvi), Duration::from_secs(180));
        }
        let (today, yesterday) = dose.days();
        let today = today.expect("seen");
        assert!((today.uvi_hours() - 12.0).abs() < 0.01, "{today:?}");
        assert_eq!((today.heard, yesterday), (Duration::from_secs(14 * 3600), None));
        assert_eq!(today.parts[15], 0.0);
        assert!((today.parts[16] - 1.5).abs() < 0.06, "from eight to half past");
        // 1 SED = 100 J/m² (ISO/CIE 17166), and UVI 1 for an hour is 0.025 W/m² · 3600 s = 90 J/m².
        let Sed(sed) = ErythemalIrradiance::of(Uvi(3.0)).dose(Duration::from_secs(4 * 3600));
        assert!((sed - 10.8).abs() < 1e-9);
    }

    #[test]
    fn a_silent_probe_adds_nothing_and_midnight_begins_a_new_day() {
        let mut dose = Dose::default();
        let start: DateTime<Utc> = "2026-03-02T23:00:00Z".parse().expect("a time");
        for minute in [0, 1, 30, 31, 70, 71] {
            let now = Mono::from_secs(minute * 60);
            dose.reading(now, start + now.since_start(), chrono_tz::UTC, Uvi(6.0), Duration::from_secs(180));
        }
        let (today, yesterday) = dose.days();
        assert!((yesterday.expect("seen").uvi_hours() - 0.2).abs() < 1e-6);
        assert!((today.expect("seen").uvi_hours() - 0.1).abs() < 1e-6);
    }
}
