//! When it is day.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

use crate::settings::{Photoperiod, Place};

/// The plan of one local date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DayPlan {
    /// The local date.
    pub date: NaiveDate,
    /// When lights are on.
    pub lights: Lights,
    /// The site's sunrise of that date; none where there is none.
    pub sunrise: Option<DateTime<Utc>>,
    /// The site's sunset of that date; it may fall after midnight. None where there is none.
    pub sunset: Option<DateTime<Utc>>,
}

/// When lights are on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lights {
    /// From `on` until `off`, `on < off`.
    Span {
        /// Lights on.
        on: DateTime<Utc>,
        /// Lights off.
        off: DateTime<Utc>,
    },
    /// From the start of the date to its end, joined to its neighbours.
    AllDay,
    /// Not at all.
    AllNight,
}

/// The plan of `date` by `timezone`'s calendar; none where that date does not exist there.
pub fn plan(photoperiod: &Photoperiod, timezone: Tz, place: Place, date: NaiveDate) -> Option<DayPlan> {
    let _ = (photoperiod, timezone, place);
    Some(DayPlan { date, lights: Lights::AllNight, sunrise: None, sunset: None })
}
