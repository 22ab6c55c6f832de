//! How well the alarms serve, by what the journal holds of them.

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::journal::read::{Failure, Reader, Window};
use crate::notify::metrics::{Change, Metrics, Tally};

/// An alarm that stands has been written at the last start, which is hardly longer ago; a guess.
const BEFORE: TimeDelta = TimeDelta::days(31);

/// The figures of the alarms in a window, by which ISA-18.2 / IEC 62682 judge them; dates are those of `zone`.
pub(crate) fn alarm_metrics(reader: &Reader, window: Window, zone: Tz) -> Result<Metrics, Failure> {
    let mut tally = Tally::new(window.from, zone);
    let from = window.from.checked_sub_signed(BEFORE).unwrap_or(DateTime::<Utc>::MIN_UTC);
    reader.alarms(None, Window { from, ..window }, |alarm| {
        tally.take(&Change {
            at: alarm.at,
            enclosure: alarm.enclosure.as_deref(),
            kind: &alarm.kind,
            priority: &alarm.priority,
            standing: &alarm.state,
        });
        Ok(())
    })?;
    Ok(tally.metrics(window.until))
}
