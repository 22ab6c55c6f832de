//! Moments of a story as a keeper writes them.

use std::time::Duration;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;

use crate::time::parse_span;

/// How a moment is written, for findings.
pub(super) const HOW: &str = "write \"12:00\" for the next such time after the start, \"day 3 12:00\", a date and time \
                              as \"2026-03-29 12:00\", or \"+1h30m\" after the start";

/// The start of a story: a date and a time of day at the site.
pub(super) fn start(text: &str, zone: Tz) -> Option<DateTime<Utc>> {
    let (date, time) = text.split_once([' ', 'T'])?;
    at(zone, date.parse().ok()?, time_of_day(time)?)
}

/// A moment as the time since `start`; none where it is not written as [`HOW`] says, lies before the start, or falls
/// into the hour that a spring night skips.
pub(super) fn parse(text: &str, start: DateTime<Utc>, zone: Tz) -> Option<Duration> {
    if let Some(span) = text.strip_prefix('+') {
        return parse_span(span);
    }
    let first = start.with_timezone(&zone).date_naive();
    let moment = if let Some(rest) = text.strip_prefix("day ") {
        let (day, time) = rest.split_once(' ')?;
        let day: u64 = day.parse().ok().filter(|day| *day > 0)?;
        at(zone, first.checked_add_days(chrono::Days::new(day - 1))?, time_of_day(time)?)?
    } else if let Some((date, time)) = text.split_once([' ', 'T']) {
        at(zone, date.parse().ok()?, time_of_day(time)?)?
    } else {
        let time = time_of_day(text)?;
        let today = at(zone, first, time).filter(|moment| *moment >= start);
        today.or_else(|| at(zone, first.succ_opt()?, time))?
    };
    (moment - start).to_std().ok()
}

/// `HH:MM`, or with `:SS`.
fn time_of_day(text: &str) -> Option<NaiveTime> {
    let digits = |part: &str| part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
    let parts: Vec<&str> = text.split(':').collect();
    if !(2..=3).contains(&parts.len()) || !parts.iter().all(|part| digits(part)) {
        return None;
    }
    let number = |at: usize| parts.get(at).map_or(Some(0), |part| part.parse::<u32>().ok());
    NaiveTime::from_hms_opt(number(0)?, number(1)?, number(2)?)
}

/// A local date and time; the first of two where an autumn night has it twice.
fn at(zone: Tz, date: NaiveDate, time: NaiveTime) -> Option<DateTime<Utc>> {
    zone.from_local_datetime(&date.and_time(time)).earliest().map(|local| local.to_utc())
}

/// A moment of a story as a person reads it: the day, and the time at the site.
pub(super) fn spoken(start: DateTime<Utc>, zone: Tz, at_ms: u64) -> String {
    let since = TimeDelta::milliseconds(i64::try_from(at_ms).unwrap_or(i64::MAX / 2));
    let first = start.with_timezone(&zone).date_naive();
    let local = (start + since).with_timezone(&zone);
    let day = (local.date_naive() - first).num_days() + 1;
    format!("day {day} {}", local.format("%H:%M:%S"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_read_as_they_are_written() {
        let zone = chrono_tz::Europe::Lisbon;
        // Lisbon skips from 01:00 to 02:00 on 29 March 2026 (last Sunday of March, EU directive 2000/84/EC).
        let begin = start("2026-03-28 06:00", zone).expect("it exists");
        let check = |text: &str, expected: Option<u64>| {
            assert_eq!(parse(text, begin, zone), expected.map(Duration::from_secs), "{text}");
        };
        check("+1h30m", Some(5400));
        check("06:00", Some(0));
        check("12:00", Some(6 * 3600));
        check("05:59:30", Some(23 * 3600 - 30));
        check("day 1 07:00", Some(3600));
        check("day 2 07:00", Some(24 * 3600));
        check("2026-03-29 03:00", Some(20 * 3600));
        check("2026-03-29 01:30", None);
        for wrong in ["", "noon", "day 0 12:00", "day 12:00", "7:00", "12:00:5", "25:00", "2026-03-27 12:00", "+", "+1"]
        {
            check(wrong, None);
        }
    }

    #[test]
    fn moments_are_spoken_by_day_and_local_time() {
        let zone = chrono_tz::Europe::Lisbon;
        let begin = start("2026-03-28 06:00", zone).expect("it exists");
        assert_eq!(spoken(begin, zone, 1000), "day 1 06:00:01");
        assert_eq!(spoken(begin, zone, 23 * 3_600_000), "day 2 06:00:00", "the night was an hour short");
    }
}
