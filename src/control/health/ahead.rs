//! Burn hours to come: on which date a lamp will have burnt so many more hours.
//!
//! The day lengths of the almanac are taken once a week and joined by straight lines; they are kept for the enclosure, so
//! that a forecast each day plans a new date once a week.

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::control::photoperiod::plan;
use crate::settings::{Photoperiod, Place, When, Window};

/// From one day length to the next.
const STEP_DAYS: u32 = 7;
/// No date farther off is told: 104 weeks, which are more than a lamp lasts.
const STEPS_MAX: usize = 104;

/// Day lengths of an enclosure in the weeks to come.
#[derive(Clone, Debug)]
pub struct DayLengths {
    photoperiod: Photoperiod,
    timezone: Tz,
    place: Place,
    /// First date of `hours`.
    from: Option<NaiveDate>,
    /// Day length, in hours, of that date and of each seventh after it.
    hours: Vec<f32>,
}

impl DayLengths {
    /// For `photoperiod` at a site. Nothing is planned before it is asked for.
    pub fn new(photoperiod: Photoperiod, timezone: Tz, place: Place) -> DayLengths {
        DayLengths { photoperiod, timezone, place, from: None, hours: Vec::new() }
    }

    /// The local date at `wall`.
    pub fn date_at(&self, wall: DateTime<Utc>) -> NaiveDate {
        wall.with_timezone(&self.timezone).date_naive()
    }

    /// Day length in hours, `step` weeks after the first.
    fn length(&mut self, first: NaiveDate, step: usize) -> f64 {
        while self.hours.len() <= step {
            let days = Days::new(self.hours.len() as u64 * u64::from(STEP_DAYS));
            let plan =
                first.checked_add_days(days).and_then(|date| plan(&self.photoperiod, self.timezone, self.place, date));
            // A date that does not exist has the day length of the week before.
            let length = plan.map(|plan| plan.day_length().num_seconds() as f32 / 3600.0);
            self.hours.push(length.or(self.hours.last().copied()).unwrap_or(12.0));
        }
        f64::from(self.hours[step])
    }

    /// How many days after `today` a lamp with this window has burnt `hours` more, where it burns `share` of the time its
    /// window is open. None where that is more than two years off, or never.
    pub fn days_until(&mut self, window: &Window, share: f64, today: NaiveDate, hours: f64) -> Option<f64> {
        if !(hours > 0.0) {
            return hours.is_finite().then_some(0.0);
        }
        let since = |from: NaiveDate| (today - from).num_days();
        let stale = |from: NaiveDate| !(0..364).contains(&since(from));
        if self.from.is_none_or(stale) {
            self.from = Some(today);
            self.hours.clear();
        }
        let from = self.from?;
        let mut place = since(from) as f64 / f64::from(STEP_DAYS);
        let (mut days, mut left) = (0.0, hours);
        while days < STEPS_MAX as f64 * f64::from(STEP_DAYS) {
            let step = place as usize;
            let (near, far) = (self.length(from, step), self.length(from, step + 1));
            let daily = |at: f64| (share * open_hours(window, near + (far - near) * (at - step as f64))).max(0.0);
            // The hours of a day change linearly over the rest of this week: the middle of the rest stands for all of it.
            let rest = (step + 1) as f64 - place;
            let (mean, span) = (daily(place + rest / 2.0), rest * f64::from(STEP_DAYS));
            if mean * span >= left {
                return Some(days + left / mean);
            }
            left -= mean * span;
            days += span;
            place = (step + 1) as f64;
        }
        None
    }

    /// The date so many days after `today`.
    pub fn date_after(today: NaiveDate, days: f64) -> Option<NaiveDate> {
        today.checked_add_signed(TimeDelta::try_days(days.floor() as i64)?)
    }

    /// Hours that the window of a lamp is open on `date`; none beyond the calendar.
    pub fn open_on(&self, window: &Window, date: NaiveDate) -> Option<f64> {
        let plan = plan(&self.photoperiod, self.timezone, self.place, date)?;
        Some(open_hours(window, plan.day_length().num_seconds() as f64 / 3600.0))
    }
}

/// For how many hours of a day of `length` hours the window is open.
fn open_hours(window: &Window, length: f64) -> f64 {
    let stages = (window.after_dawn + window.before_dusk).as_secs_f64() / 3600.0;
    // Where day or night lasts all day there are no dawn and dusk to count from.
    let by_day = if length >= 24.0 { 24.0 } else { (length - stages).max(0.0) };
    match window.when {
        When::Day => by_day,
        When::Night => (24.0 - by_day).max(0.0),
        When::Always => 24.0,
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use chrono::NaiveTime;

    use super::*;
    use crate::settings::{Clamp, Season};
    use crate::units::{Degrees, Level};

    const NOWHERE: Place = Place { latitude: Degrees(51.5), longitude: Degrees(0.0) };

    fn window(when: When, after_dawn: u64, before_dusk: u64) -> Window {
        let hours = |hours| Duration::from_secs(hours * 3600);
        Window {
            when,
            after_dawn: hours(after_dawn),
            before_dusk: hours(before_dusk),
            ramp: Duration::ZERO,
            level: Level::FULL,
        }
    }

    fn clock(on: u32, off: u32) -> DayLengths {
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).expect("a time");
        DayLengths::new(Photoperiod::Clock { on: at(on), off: at(off) }, Tz::UTC, NOWHERE)
    }

    fn latitude(latitude: f64) -> DayLengths {
        let noon = NaiveTime::from_hms_opt(13, 0, 0).expect("a time");
        let photoperiod =
            Photoperiod::Latitude { latitude: Degrees(latitude), season: Season::Origin, noon, clamp: Clamp::NONE };
        DayLengths::new(photoperiod, Tz::UTC, NOWHERE)
    }

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn steady_days_are_divided() {
        // Arithmetic: a window of 12 h less 2 h of stages gives 10 h a day.
        let today = date("2027-03-01");
        for (when, share, hours, days) in [
            (When::Day, 1.0, 100.0, 10.0),
            (When::Day, 0.5, 100.0, 20.0),
            (When::Night, 1.0, 140.0, 10.0),
            (When::Always, 1.0, 240.0, 10.0),
            (When::Day, 1.0, 2005.0, 200.5),
            (When::Day, 1.0, 0.0, 0.0),
            (When::Day, 1.0, -5.0, 0.0),
        ] {
            let found = clock(7, 19).days_until(&window(when, 1, 1), share, today, hours).expect("it burns");
            assert!((found - days).abs() < 1e-9, "{when:?} {hours}: {found}");
        }
        assert_eq!(clock(7, 19).days_until(&window(When::Day, 1, 1), 1.0, today, 8000.0), None, "over two years");
        assert_eq!(clock(7, 19).days_until(&window(When::Day, 6, 6), 1.0, today, 1.0), None, "it never burns");
        assert_eq!(clock(7, 19).days_until(&window(When::Day, 0, 0), 1.0, today, f64::NAN), None);
    }

    #[test]
    fn weekly_steps_agree_with_every_day_of_the_almanac() {
        for (place, start) in [(60.0, "2027-01-10"), (-33.0, "2027-06-01"), (10.0, "2027-09-20")] {
            let (mut ahead, today) = (latitude(place), date(start));
            let window = window(When::Day, 1, 1);
            for hours in [30.0, 400.0, 1500.0, 3000.0] {
                let (mut burnt, mut by_day) = (0.0, 0.0);
                for day in today.iter_days() {
                    let open = ahead.open_on(&window, day).expect("a date");
                    if burnt + open >= hours {
                        by_day += (hours - burnt) / open;
                        break;
                    }
                    burnt += open;
                    by_day += 1.0;
                }
                let found = ahead.days_until(&window, 1.0, today, hours).expect("within two years");
                assert!((found - by_day).abs() < 0.5, "{place}° {hours} h: {found} days, by day {by_day}");
            }
        }
    }

    #[test]
    fn a_later_day_is_answered_from_what_is_known_and_the_years_go_on() {
        let (mut ahead, window) = (latitude(45.0), window(When::Day, 0, 0));
        for day in date("2027-01-01").iter_days().take(800).step_by(3) {
            let (kept, anew) =
                (ahead.days_until(&window, 1.0, day, 700.0), latitude(45.0).days_until(&window, 1.0, day, 700.0));
            let (kept, anew) = (kept.expect("it burns"), anew.expect("it burns"));
            assert!((kept - anew).abs() < 0.2, "{day}: {kept} {anew}");
            assert!(ahead.hours.len() <= 52 + STEPS_MAX + 2);
        }
        // A clock that is set back is answered too.
        assert!(ahead.days_until(&window, 1.0, date("2020-01-01"), 700.0).is_some());
    }
}
