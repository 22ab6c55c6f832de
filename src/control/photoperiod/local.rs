//! Local times and dates as instants.

use chrono::{DateTime, Days, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, TimeZone, Utc};
use chrono_tz::{GapInfo, Tz};

/// 12:00.
pub(super) const NOON: NaiveTime = NaiveTime::MIN.overflowing_add_signed(chrono::TimeDelta::hours(12)).0;

/// The instant of `local` in `timezone`: inside a gap the first valid instant after it, where it comes twice the
/// earlier. It never falls as `local` rises. None beyond the ends of the calendar.
pub(super) fn instant(timezone: Tz, local: NaiveDateTime) -> Option<DateTime<Utc>> {
    match timezone.from_local_datetime(&local) {
        LocalResult::Single(only) => Some(only.to_utc()),
        LocalResult::Ambiguous(one, other) => Some(one.min(other).to_utc()),
        LocalResult::None => Some(GapInfo::new(&local, &timezone)?.end?.to_utc()),
    }
}

/// The first instant of `date`, or of the next date that exists.
pub(super) fn start_of(timezone: Tz, date: NaiveDate) -> Option<DateTime<Utc>> {
    instant(timezone, date.and_time(NaiveTime::MIN))
}

/// Whether `timezone` has any instant of `date`: places that crossed the date line have left one out.
pub(super) fn date_exists(timezone: Tz, date: NaiveDate) -> bool {
    start_of(timezone, date).is_some_and(|start| start.with_timezone(&timezone).date_naive() == date)
}

/// The date in force at `now`: the last to have begun. It differs from the calendar's only where a clock set back over
/// midnight repeats the end of the date before; there it stays, so that a date never comes twice.
pub(super) fn date_in_force(timezone: Tz, now: DateTime<Utc>) -> Option<NaiveDate> {
    let mut date = now.with_timezone(&timezone).date_naive();
    loop {
        let next = date.checked_add_days(Days::new(1))?;
        if start_of(timezone, next)? > now {
            return Some(date);
        }
        date = next;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noon_is_twelve() {
        assert_eq!(Some(NOON), NaiveTime::from_hms_opt(12, 0, 0));
    }

    #[test]
    fn a_date_that_a_clock_set_back_repeats_stays_begun() {
        // IANA: America/St_Johns 2010-11-07 00:01 −02:30 goes back to 2010-11-06 23:01 −03:30.
        let zone = Tz::America__St_Johns;
        for (utc, expected) in [
            ("2010-11-07T02:29:59Z", "2010-11-06"),
            ("2010-11-07T02:30:30Z", "2010-11-07"),
            ("2010-11-07T02:31:00Z", "2010-11-07"),
            ("2010-11-07T03:29:59Z", "2010-11-07"),
            ("2010-11-07T03:30:00Z", "2010-11-07"),
        ] {
            let now: DateTime<Utc> = utc.parse().expect("a test's own time");
            assert_eq!(date_in_force(zone, now).map(|date| date.to_string()).as_deref(), Some(expected), "{utc}");
        }
    }
}
