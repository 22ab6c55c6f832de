//! Quiet hours.

use std::time::Duration;

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::settings::Hours;

/// How much longer it is quiet for somebody with these hours; zero where they may be disturbed.
pub(super) fn quiet_for(hours: Option<Hours>, zone: Tz, wall: DateTime<Utc>) -> Duration {
    let Some(Hours { from, to }) = hours else { return Duration::ZERO };
    let time = wall.with_timezone(&zone).time();
    let is_open = if from < to { from <= time && time < to } else { from <= time || time < to };
    if is_open {
        return Duration::ZERO;
    }
    until(time, from)
}

/// From one time of day to the next `to`. A change of the clock between makes this an hour wrong; it is looked at again
/// then, and what lies within the hour is told.
fn until(time: NaiveTime, to: NaiveTime) -> Duration {
    let ahead = to - time;
    let ahead = if ahead <= TimeDelta::zero() { ahead + TimeDelta::days(1) } else { ahead };
    ahead.to_std().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quiet_hours_may_lie_over_midnight() {
        let time = |h, m| NaiveTime::from_hms_opt(h, m, 0).expect("a time of day");
        let check = |from, to, wall: &str, minutes: u64| {
            let hours = Some(Hours { from, to });
            let wall = wall.parse().expect("a time");
            let quiet = quiet_for(hours, chrono_tz::Europe::Lisbon, wall);
            assert_eq!(quiet, Duration::from_secs(60 * minutes), "{wall}");
        };
        // Lisbon is an hour ahead of UTC in July and not in January.
        check(time(7, 0), time(22, 0), "2026-07-01T06:00:00Z", 0);
        check(time(7, 0), time(22, 0), "2026-07-01T05:59:00Z", 1);
        check(time(7, 0), time(22, 0), "2026-01-01T06:00:00Z", 60);
        check(time(7, 0), time(22, 0), "2026-07-01T21:00:00Z", 9 * 60);
        check(time(18, 0), time(6, 0), "2026-01-01T23:00:00Z", 0);
        check(time(18, 0), time(6, 0), "2026-01-01T06:00:00Z", 12 * 60);
        assert_eq!(quiet_for(None, chrono_tz::UTC, DateTime::UNIX_EPOCH), Duration::ZERO);
    }
}
