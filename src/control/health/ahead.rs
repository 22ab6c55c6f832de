//! Burn hours to come: on which date a lamp will have burnt so many more hours.
//!
//! The day lengths of the almanac, cooling seasons among them, are taken once a week and joined by straight lines; they are
//! kept for the enclosure, so that a forecast each day plans a new date once a week.

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};

use crate::control::photoperiod::{Course, DayPlan, Plans};
use crate::settings::{When, Window};

/// From one day length to the next.
const STEP_DAYS: u32 = 7;
/// No date farther off is told: 104 weeks, which are more than a lamp lasts.
const STEPS_MAX: usize = 104;

/// Day lengths of an enclosure in the weeks to come.
#[derive(Clone, Debug)]
pub struct DayLengths {
    plans: Plans,
    /// First date of `hours`.
    from: Option<NaiveDate>,
    /// Day lengths, in hours, of that date and of each seventh after it.
    hours: Vec<Lengths>,
}

/// Day lengths of one date, hours.
#[derive(Clone, Copy, Debug)]
struct Lengths {
    /// That of everything.
    all: f32,
    /// That of lamps that give UV.
    uv: f32,
}

impl Lengths {
    /// Where a date does not exist.
    const UNKNOWN: Lengths = Lengths { all: 12.0, uv: 12.0 };

    fn of(plans: &Plans, date: NaiveDate) -> Option<Lengths> {
        let hours = |plan: DayPlan| plan.day_length().num_seconds() as f32 / 3600.0;
        Some(Lengths { all: hours(plans.on(date)?), uv: hours(plans.uv_on(date)?) })
    }

    /// Those that a lamp with this window goes by; `uv`: whether it gives UV.
    fn by(self, window: &Window, uv: bool) -> f64 {
        f64::from(if uv && window.when == When::Day { self.uv } else { self.all })
    }
}

impl DayLengths {
    /// Nothing is planned before it is asked for.
    pub fn new(plans: Plans) -> DayLengths {
        DayLengths { plans, from: None, hours: Vec::new() }
    }

    /// The cooling season is to be reckoned with like this from now on.
    pub fn set_course(&mut self, foreseen: Option<Course>) {
        if self.plans.set_course(foreseen) {
            self.from = None;
        }
    }

    /// The local date at `wall`.
    pub fn date_at(&self, wall: DateTime<Utc>) -> NaiveDate {
        wall.with_timezone(&self.plans.timezone()).date_naive()
    }

    /// Day lengths `step` weeks after the first.
    fn lengths(&mut self, first: NaiveDate, step: usize) -> Lengths {
        while self.hours.len() <= step {
            let days = Days::new(self.hours.len() as u64 * u64::from(STEP_DAYS));
            let lengths = first.checked_add_days(days).and_then(|date| Lengths::of(&self.plans, date));
            // A date that does not exist has the day lengths of the week before.
            self.hours.push(lengths.or(self.hours.last().copied()).unwrap_or(Lengths::UNKNOWN));
        }
        self.hours[step]
    }

    /// How many days after `today` a UV lamp with this window has burnt `hours` more, where it burns `share` of the time its
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
            let (near, far) =
                (self.lengths(from, step).by(window, true), self.lengths(from, step + 1).by(window, true));
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

    /// Hours that the window of a lamp is open on `date`; none beyond the calendar. `uv`: whether it gives UV.
    pub fn open_on(&self, window: &Window, uv: bool, date: NaiveDate) -> Option<f64> {
        Some(open_hours(window, Lengths::of(&self.plans, date)?.by(window, uv)))
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
    use std::collections::BTreeMap;
    use std::sync::Arc;
    use std::time::Duration;

    use chrono::NaiveTime;
    use chrono_tz::Tz;

    use super::*;
    use crate::settings::{Care, Clamp, Cooling, Photoperiod, Place, Program, Season};
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
        days(Photoperiod::Clock { on: at(on), off: at(off) }, None)
    }

    fn latitude(latitude: f64) -> DayLengths {
        let noon = NaiveTime::from_hms_opt(13, 0, 0).expect("a time");
        let photoperiod =
            Photoperiod::Latitude { latitude: Degrees(latitude), season: Season::Origin, noon, clamp: Clamp::NONE };
        days(photoperiod, None)
    }

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn days(photoperiod: Photoperiod, cooling: Option<Cooling>) -> DayLengths {
        let program = cooling.map(|cooling| Arc::new(Program { cooling: Some(cooling), ..Program::default() }));
        let care = Care { name: "any".to_owned(), photoperiod, uv: None, program };
        DayLengths::new(Plans::new(&care, Tz::UTC, NOWHERE))
    }

    /// From 1 November on: 20 days down, 40 of stay with days of 8 h and no UV, 20 days up.
    fn cooled() -> DayLengths {
        let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).expect("a time");
        let cooling = Cooling {
            start: (11, 1),
            down: 20,
            stay: 40,
            up: 20,
            day_length: Some(Duration::from_secs(8 * 3600)),
            uv_hours: Some(Duration::ZERO),
            spots: BTreeMap::new(),
            spot: "cool",
            start_below: None,
            break_above: None,
            break_after: 48,
        };
        days(Photoperiod::Clock { on: at(7), off: at(19) }, Some(cooling))
    }

    #[test]
    fn a_cooling_season_puts_off_what_burns_by_day() {
        let (window, today) = (window(When::Day, 0, 0), date("2027-10-22"));
        let after = |ahead: &mut DayLengths, hours| ahead.days_until(&window, 1.0, today, hours).expect("it burns");
        // By hand: 120 h are gone on the tenth day, the eve of the season. The two ways are mirror images about their
        // middles, where the days of UV lamps are half as long, so each of them burns 20 days of 6 h: 120 and 240 h more.
        let mut ahead = cooled();
        assert!((after(&mut ahead, 96.0) - 8.0).abs() < 0.5);
        assert!((after(&mut ahead, 120.0 + 240.0 + 120.0) - 100.0).abs() < 2.0, "{}", after(&mut ahead, 480.0));
        // Called off, it puts nothing off.
        let care = ahead.plans.course(today).expect("a season");
        ahead.set_course(Some(Course { up_from: care.begun, ..care }));
        assert!((after(&mut ahead, 480.0) - 40.0).abs() < 1e-9);
        // What burns by night burns the longer.
        let by_night = Window { when: When::Night, ..window };
        let night = cooled().days_until(&by_night, 1.0, date("2027-11-21"), 160.0).expect("it burns");
        assert!((night - 10.0).abs() < 0.5, "16 h a night: {night}");
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
                    let open = ahead.open_on(&window, true, day).expect("a date");
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
