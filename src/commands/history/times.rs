//! Times as a keeper writes them.

use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, TimeZone as _, Utc};
use chrono_tz::Tz;

use crate::journal::read::begin_of;

/// Which end of a span a time stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Edge {
    /// A date alone is its beginning.
    Begin,
    /// A date alone is its end.
    End,
}

/// How a local time may be written, beside a date alone.
pub(super) const LOCAL: [&str; 4] = ["%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S"];

/// A date or a time of the site, or RFC 3339; errors are sentences.
pub(super) fn moment(text: &str, zone: Tz, edge: Edge) -> Result<DateTime<Utc>, String> {
    if let Ok(at) = DateTime::parse_from_rfc3339(text) {
        return Ok(at.to_utc());
    }
    if let Ok(date) = text.parse::<NaiveDate>() {
        let date = match edge {
            Edge::Begin => Some(date),
            Edge::End => date.checked_add_days(Days::new(1)),
        };
        return date.map(|date| begin_of(date, zone)).ok_or_else(|| format!("{text}: a date too far away"));
    }
    let local = LOCAL.iter().find_map(|format| NaiveDateTime::parse_from_str(text, format).ok());
    let local = local.ok_or_else(|| {
        format!("{text:?} is no time: write 2026-03-01, \"2026-03-01 08:00\", or RFC 3339 with an offset")
    })?;
    let at = zone.from_local_datetime(&local);
    let at = match edge {
        Edge::Begin => at.earliest(),
        Edge::End => at.latest(),
    };
    at.map(|at| at.to_utc()).ok_or_else(|| format!("{text}: the clocks of {zone} skipped this time"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_the_sites_and_a_last_date_is_meant_whole() {
        let check = |text: &str, edge, expected: &str| {
            let at = moment(text, Tz::Europe__Lisbon, edge);
            assert_eq!(at.map(|at| at.to_rfc3339()), Ok(expected.to_owned()), "{text}");
        };
        check("2026-07-01", Edge::Begin, "2026-06-30T23:00:00+00:00");
        check("2026-07-01", Edge::End, "2026-07-01T23:00:00+00:00");
        check("2026-01-01 08:00", Edge::Begin, "2026-01-01T08:00:00+00:00");
        check("2026-07-01T08:00:30+02:00", Edge::End, "2026-07-01T06:00:30+00:00");
        // The IANA database: clocks in Lisbon went back at 01:00 UTC on 25 October 2026, and forward at 01:00 on 29
        // March.
        check("2026-10-25 01:30", Edge::Begin, "2026-10-25T00:30:00+00:00");
        check("2026-10-25 01:30", Edge::End, "2026-10-25T01:30:00+00:00");
        assert!(moment("2026-03-29 01:30", Tz::Europe__Lisbon, Edge::Begin).is_err_and(|why| why.contains("skipped")));
        assert!(moment("8 o'clock", Tz::UTC, Edge::Begin).is_err_and(|why| why.contains("2026-03-01")));
    }
}
