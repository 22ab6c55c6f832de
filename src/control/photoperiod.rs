//! When it is day.
//!
//! [`plan`] says what one local date brings, [`DayClock`] what is in force at a moment: it asks what should be on now
//! and never waits for an edge, so neither a clock that jumps nor a local hour that is missing or comes twice can leave
//! a lamp on. The rules:
//!
//! - A local time inside a gap of the clock means the first valid instant after it; one that comes twice means the
//!   earlier. A `clock` day that lies wholly inside a gap is no day.
//! - A date that does not exist in the zone has no plan. Nor has one outside the years 1 to 9999.
//! - A day length is real elapsed time: a change of the clock inside a day makes it neither longer nor shorter. Only
//!   `clock`, whose two times are both local, gains or loses the hour.
//! - The sun of a date is that around the solar transit nearest to 12:00 local of that date. Sunset, and lights off, may
//!   fall after midnight. (Where the zone's noon is the place's midnight, half the Earth away, two transits are as near,
//!   and either may be taken.)
//! - `latitude` takes the day length at that latitude and the site's longitude; for the local season, half a tropical
//!   year on, where the site lies in the other hemisphere.
//! - `table` gives the day lengths of the middles of the months (for 31 days the noon of the 16th); between them it is
//!   interpolated linearly by the noon of the date, over the year's end and with February as long as it is.
//! - `year` gives the day lengths of dated or monthly points, on each date that of its noon, smooth between them and never
//!   beyond its neighbours ([`Seasonal`](crate::science::seasonal::Seasonal)).
//! - A year that runs late by some days takes on each date the day length of so many days before, for `latitude`, `table`
//!   and `year`.
//! - In a cooling season the day length goes from its own to that of the stay and back, about the same middle ([`Course`]).
//!   Lamps that give UV may have shorter days of their own, about the same middle too.
//! - A day of 24 h, as in polar day, is [`Lights::AllDay`], one of 0 h, as in polar night, [`Lights::AllNight`]: after the
//!   limits, so that `shortest` gives an animal a day even then. On a day on which the sun rises but stays up past
//!   midnight, the day ends twelve hours after its transit, where the next begins.

mod course;
mod dayclock;
mod local;
mod plans;
mod window;

pub use course::{Course, Phase};
pub use dayclock::{DayClock, Daylight, Season as DaySeason};
pub use plans::Plans;
pub use window::Opening;

use std::time::Duration;

use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::science::sun::{Sun, SunDay, sun_day};
use crate::settings::{Clamp, Photoperiod, Place, Program, Season, season_place};
use crate::units::Degrees;

/// The longest day.
const WHOLE_DAY: TimeDelta = TimeDelta::hours(24);

/// Half a tropical year of 365.242190 days (the mean one of J2000.0; from memory), in seconds.
const HALF_TROPICAL_YEAR: TimeDelta = TimeDelta::seconds(15_778_463);

/// The plan of one local date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DayPlan {
    /// The local date.
    pub date: NaiveDate,
    /// When lights are on.
    pub lights: Lights,
    /// The middle of the day: solar noon, the photoperiod's `noon`, or half-way between its two times.
    pub middle: DateTime<Utc>,
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

impl DayPlan {
    /// How long the day is, 0..=24 h (a `clock` day over a change of the clock may exceed it by the change).
    pub fn day_length(&self) -> TimeDelta {
        match self.lights {
            Lights::Span { on, off } => off - on,
            Lights::AllDay => WHOLE_DAY,
            Lights::AllNight => TimeDelta::zero(),
        }
    }

    /// Lights on and off; none where the lights of this date do not change.
    pub fn span(&self) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        match self.lights {
            Lights::Span { on, off } => Some((on, off)),
            Lights::AllDay | Lights::AllNight => None,
        }
    }
}

/// A plan as it is so deep in a cooling season.
pub(super) fn cooled(plan: DayPlan, program: &Program, depth: f64) -> DayPlan {
    let stay = program.cooling.as_ref().and_then(|cooling| cooling.day_length).filter(|_| depth > 0.0);
    match stay {
        Some(stay) => {
            let (own, stay) = (plan.day_length().as_seconds_f64(), stay.as_secs_f64());
            with_length(plan, own + (stay - own) * depth)
        }
        None => plan,
    }
}

/// The plan of lamps that give UV, whose days are no longer than the program says.
pub(super) fn uv_of(plan: DayPlan, program: &Program, depth: f64) -> DayPlan {
    let own = plan.day_length().as_seconds_f64();
    match program.uv_hours_on(plan.date, depth, own / 3600.0) {
        Some(hours) if hours * 3600.0 < own => with_length(plan, hours * 3600.0),
        _ => plan,
    }
}

/// The plan with lights for so many seconds, about the middle of those it has.
fn with_length(plan: DayPlan, seconds: f64) -> DayPlan {
    let middle = plan.span().map_or(plan.middle, |(on, off)| on + (off - on) / 2);
    let length = TimeDelta::seconds(seconds.round().clamp(0.0, 86_400.0) as i64);
    DayPlan { lights: centred(middle, length), ..plan }
}

/// The plan of `date` by `timezone`'s calendar; none where that date does not exist there.
pub fn plan(photoperiod: &Photoperiod, timezone: Tz, place: Place, date: NaiveDate) -> Option<DayPlan> {
    match photoperiod {
        Photoperiod::Later { by, of } => plan_late(of, timezone, place, date, *by),
        own => plan_late(own, timezone, place, date, 0),
    }
}

fn plan_late(photoperiod: &Photoperiod, timezone: Tz, place: Place, date: NaiveDate, late: u32) -> Option<DayPlan> {
    if !(1..=9999).contains(&date.year()) || !local::date_exists(timezone, date) {
        return None;
    }
    let at = |date: NaiveDate, time: NaiveTime| local::instant(timezone, date.and_time(time));
    let sun = sun_day(place.latitude, place.longitude, at(date, local::NOON)?);
    let (middle, lights) = match photoperiod {
        Photoperiod::Clock { on, off } => {
            let off_date = if off > on { date } else { date.checked_add_days(Days::new(1))? };
            let (on, off) = (at(date, *on)?, at(off_date, *off)?);
            (on + (off - on) / 2, span(on, off))
        }
        Photoperiod::Site { clamp } => (sun.transit, lights_of_sun(sun, *clamp)),
        Photoperiod::Latitude { latitude, season, noon, clamp } => {
            let noon = at(date, *noon)?;
            let shifted = *season == Season::Local && hemispheres_differ(*latitude, place.latitude);
            let day = if shifted { noon + HALF_TROPICAL_YEAR } else { noon } - TimeDelta::days(i64::from(late));
            (noon, centred(noon, clamped(length_of(sun_day(*latitude, place.longitude, day)), *clamp)))
        }
        Photoperiod::Table { months, noon } => {
            let noon = at(date, *noon)?;
            let then = date.checked_sub_days(Days::new(u64::from(late)))?;
            (noon, centred(noon, clamped(interpolated(months, then), Clamp::NONE)))
        }
        Photoperiod::Year { lengths, noon } => {
            let noon = at(date, *noon)?;
            let length = TimeDelta::seconds((lengths.at(season_place(date, late)) * 3600.0).round() as i64);
            (noon, centred(noon, clamped(length, Clamp::NONE)))
        }
        // Nobody runs late twice.
        Photoperiod::Later { of, .. } => return plan_late(of, timezone, place, date, late),
    };
    let (sunrise, sunset) = match sun.sun {
        Sun::Up { rise, set } => (rise, set),
        Sun::Down => (None, None),
    };
    Some(DayPlan { date, lights, middle, sunrise, sunset })
}

/// From sunrise to sunset where the limits let it, else as long as they let it about solar noon.
fn lights_of_sun(day: SunDay, clamp: Clamp) -> Lights {
    let length = length_of(day);
    let allowed = clamped(length, clamp);
    match day.up() {
        Some((rise, set)) if allowed == length && length < WHOLE_DAY => span(rise, set),
        _ => centred(day.transit, allowed),
    }
}

/// How long the sun is up, 0..=24 h.
fn length_of(day: SunDay) -> TimeDelta {
    day.up().map_or(TimeDelta::zero(), |(rise, set)| set - rise)
}

fn hemispheres_differ(a: Degrees, b: Degrees) -> bool {
    a.0 * b.0 < 0.0
}

/// `length` within the limits and within 0..=24 h.
fn clamped(length: TimeDelta, clamp: Clamp) -> TimeDelta {
    let limit = |limit: Duration| TimeDelta::from_std(limit).unwrap_or(WHOLE_DAY).min(WHOLE_DAY);
    length.min(limit(clamp.longest)).max(limit(clamp.shortest)).max(TimeDelta::zero())
}

/// A day of `length` with its middle at `middle`, to the nearest second: the length is kept exactly.
fn centred(middle: DateTime<Utc>, length: TimeDelta) -> Lights {
    if length >= WHOLE_DAY {
        return Lights::AllDay;
    }
    let on = middle - TimeDelta::seconds(length.num_seconds() / 2);
    span(on, on + length)
}

fn span(on: DateTime<Utc>, off: DateTime<Utc>) -> Lights {
    if on < off { Lights::Span { on, off } } else { Lights::AllNight }
}

/// The day length of `date` between those of the middles of the months, to the second. Times are counted in half days,
/// so that the middle of every month is a whole number.
fn interpolated(months: &[Duration; 12], date: NaiveDate) -> TimeDelta {
    let (year, month0) = (date.year(), date.month0());
    let in_month = half_days(year, month0);
    // The noon of the date and the middle of its month, in half days since the month began.
    let (noon, middle) = (i64::from(date.day0()) * 2 + 1, in_month / 2);
    let (from, to, since, between) = if noon >= middle {
        let next = (month0 + 1) % 12;
        let next_year = year + i32::from(next == 0);
        (month0, next, noon - middle, in_month - middle + half_days(next_year, next) / 2)
    } else {
        let before = (month0 + 11) % 12;
        let before_length = half_days(year - i32::from(before == 11), before);
        let since_middle = before_length - before_length / 2;
        (before, month0, since_middle + noon, since_middle + middle)
    };
    // Seconds above 24 h are refused by the configuration; held here so that no sum can overflow.
    let seconds = |month: u32| months[month as usize].as_secs().min(86_400) as i64;
    let (start, change) = (seconds(from), seconds(to) - seconds(from));
    TimeDelta::seconds(start + (2 * change * since + between).div_euclid(2 * between))
}

/// Half days in a month (0 to 11) of a year.
fn half_days(year: i32, month0: u32) -> i64 {
    let first = NaiveDate::from_ymd_opt(year, month0 + 1, 1);
    first.map_or(62, |first| i64::from(first.num_days_in_month()) * 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hours(hours: f64) -> Duration {
        Duration::from_secs_f64(hours * 3600.0)
    }

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a test's own date")
    }

    #[test]
    fn a_table_gives_its_own_values_in_the_middles_of_the_months() {
        // The rule itself: months of 31 days have their middle at the noon of the 16th, those of 30 days and February
        // of leap years between two noons, February of 28 days likewise.
        let months: [Duration; 12] = std::array::from_fn(|month| hours(8.0 + month as f64));
        for (month, text) in
            [(0, "2027-01-16"), (2, "2027-03-16"), (4, "2027-05-16"), (6, "2027-07-16"), (11, "2027-12-16")]
        {
            assert_eq!(interpolated(&months, date(text)), TimeDelta::hours(8 + month), "{text}");
        }
        // 29 days: the middle is the noon of 15 February. 28 days: midnight before the 15th, so noon is 1/59 of the way
        // from there to 16 March noon, 29.5 days on.
        assert_eq!(interpolated(&months, date("2028-02-15")), TimeDelta::hours(9));
        assert_eq!(interpolated(&months, date("2027-02-15")), TimeDelta::seconds(9 * 3600 + 61));
    }

    #[test]
    fn clocks_that_share_say_what_one_alone_says() {
        let place = Place { latitude: Degrees(64.13), longitude: Degrees(-21.9) };
        let site = || DayClock::new(Photoperiod::Site { clamp: Clamp::NONE }, Tz::Atlantic__Reykjavik, place);
        let (mut first, mut second) = (site(), site());
        assert!(second.share(&first));
        let begin = DateTime::from_timestamp(1_800_000_000, 0).expect("a moment");
        // Strides of 7 h 13 min that also go back, so that dates meet in every order.
        for n in 0_i32..400 {
            let at = |shift: i32| begin + TimeDelta::minutes(433) * (n * 37 % 400 + shift);
            for (clock, now) in [(&mut first, at(0)), (&mut second, at(1))] {
                assert_eq!(clock.at(now), site().at(now), "{now}");
            }
        }
        // One whose days are others goes its own way.
        let mut short = DayClock::new(Photoperiod::Site { clamp: Clamp::NONE }, Tz::Europe__Oslo, place);
        assert!(!short.share(&first));
    }

    #[test]
    fn a_table_is_continuous_over_the_year_end_and_leap_days() {
        let lengths = [9.0, 10.0, 11.5, 13.0, 14.5, 15.5, 15.0, 14.0, 12.5, 11.0, 9.5, 8.5];
        let months = lengths.map(hours);
        // The steepest of these months changes by 1.5 h over at least 29.5 days: under 184 s a day.
        let mut before = interpolated(&months, date("2023-12-31"));
        for day in date("2024-01-01").iter_days().take(1500) {
            let length = interpolated(&months, day);
            assert!((length - before).num_seconds().abs() <= 184, "{day}: {before} then {length}");
            before = length;
        }
        // By hand: 15 of the 31 days from 16 December, 8.5 h, to 16 January, 9 h.
        assert_eq!(interpolated(&months, date("2024-12-31")), TimeDelta::seconds(30_600 + 871));
    }

    #[test]
    fn limits_hold_to_the_second_and_centre_the_day() {
        let middle = DateTime::from_timestamp(1_800_000_000, 0).expect("a moment");
        let limits = |shortest: f64, longest: f64| Clamp { shortest: hours(shortest), longest: hours(longest) };
        for (length, clamp, expected) in [
            (TimeDelta::hours(8), limits(10.5, 13.5), TimeDelta::minutes(630)),
            (TimeDelta::hours(15), limits(10.5, 13.5), TimeDelta::minutes(810)),
            (TimeDelta::hours(12), limits(10.5, 13.5), TimeDelta::hours(12)),
            (TimeDelta::seconds(40_001), Clamp::NONE, TimeDelta::seconds(40_001)),
        ] {
            let Lights::Span { on, off } = centred(middle, clamped(length, clamp)) else { panic!("{length}") };
            assert_eq!(off - on, expected);
            assert!(((middle - on) - (off - middle)).num_seconds().abs() <= 1);
        }
        assert_eq!(centred(middle, clamped(WHOLE_DAY, Clamp::NONE)), Lights::AllDay);
        assert_eq!(centred(middle, clamped(TimeDelta::zero(), Clamp::NONE)), Lights::AllNight);
        let absurd = Clamp { shortest: Duration::MAX, longest: Duration::MAX };
        assert_eq!(clamped(TimeDelta::zero(), absurd), WHOLE_DAY);
    }
}
