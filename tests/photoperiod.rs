//! Photoperiods across the edges of clocks, calendars and the polar circles, and [`DayClock`] against brute force.

use std::time::Duration;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use chrono_tz::{TZ_VARIANTS, Tz};
use lampwarden::control::photoperiod::{DayClock, DayPlan, Lights, plan};
use lampwarden::science::seasonal::Seasonal;
use lampwarden::science::sun::{RISE_AND_SET, seen_from};
use lampwarden::settings::{Clamp, Photoperiod, Place, Season, When, Window};
use lampwarden::units::{Degrees, Level};
use proptest::prelude::*;

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap_or_else(|_| panic!("{text}"))
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap_or_else(|_| panic!("{text}"))
}

fn time(text: &str) -> NaiveTime {
    text.parse().unwrap_or_else(|_| panic!("{text}"))
}

fn place(latitude: f64, longitude: f64) -> Place {
    Place { latitude: Degrees(latitude), longitude: Degrees(longitude) }
}

fn hours(hours: f64) -> Duration {
    Duration::from_secs_f64(hours * 3600.0)
}

fn clock(on: &str, off: &str) -> Photoperiod {
    Photoperiod::Clock { on: time(on), off: time(off) }
}

const LISBON: Place = Place { latitude: Degrees(38.72), longitude: Degrees(-9.14) };
const TROMSO: Place = Place { latitude: Degrees(69.6492), longitude: Degrees(18.9553) };

fn planned(photoperiod: &Photoperiod, zone: Tz, place: Place, on: &str) -> DayPlan {
    plan(photoperiod, zone, place, date(on)).unwrap_or_else(|| panic!("no plan for {on} in {zone}"))
}

/// Checks lights on and off of a `clock` photoperiod.
#[track_caller]
fn check_clock(zone: Tz, day: &str, (on, off): (&str, &str), expected: (&str, &str)) {
    let plan = planned(&clock(on, off), zone, LISBON, day);
    assert_eq!(plan.lights, Lights::Span { on: utc(expected.0), off: utc(expected.1) }, "{zone} {day}");
}

#[test]
fn a_time_in_a_gap_is_the_first_instant_after_it_and_one_that_comes_twice_the_earlier() {
    // IANA time zone database 2025b: the transitions of each zone and year, in UTC.
    let cases = [
        // One hour.
        (Tz::Europe__London, "2025-03-30", "01:30", "2025-03-30T01:00:00Z"),
        (Tz::Europe__London, "2025-10-26", "01:30", "2025-10-26T00:30:00Z"),
        (Tz::America__New_York, "2025-03-09", "02:30", "2025-03-09T07:00:00Z"),
        (Tz::America__New_York, "2025-11-02", "01:30", "2025-11-02T05:30:00Z"),
        (Tz::Pacific__Chatham, "2025-09-28", "03:00", "2025-09-27T14:00:00Z"),
        (Tz::Pacific__Chatham, "2025-04-06", "03:00", "2025-04-05T13:15:00Z"),
        // Half an hour.
        (Tz::Australia__Lord_Howe, "2025-10-05", "02:15", "2025-10-04T15:30:00Z"),
        (Tz::Australia__Lord_Howe, "2025-04-06", "01:45", "2025-04-05T14:45:00Z"),
        // Two hours.
        (Tz::Antarctica__Troll, "2025-03-30", "02:00", "2025-03-30T01:00:00Z"),
        (Tz::Antarctica__Troll, "2025-10-26", "02:00", "2025-10-26T00:00:00Z"),
        // Summer time that is taken back for Ramadan.
        (Tz::Africa__Casablanca, "2025-02-23", "02:30", "2025-02-23T01:30:00Z"),
        (Tz::Africa__Casablanca, "2025-04-06", "02:30", "2025-04-06T02:00:00Z"),
        // Gaps at midnight and a minute after it, and a midnight that comes twice.
        (Tz::America__St_Johns, "2010-03-14", "00:30", "2010-03-14T03:31:00Z"),
        (Tz::America__Sao_Paulo, "2018-11-04", "00:00", "2018-11-04T03:00:00Z"),
        (Tz::Asia__Tehran, "2022-03-22", "00:30", "2022-03-21T20:30:00Z"),
        (Tz::Asia__Tehran, "2022-09-21", "23:30", "2022-09-21T19:00:00Z"),
        // No change at all.
        (Tz::America__Phoenix, "2025-03-09", "02:30", "2025-03-09T09:30:00Z"),
        (Tz::Australia__Darwin, "2025-10-05", "02:30", "2025-10-04T17:00:00Z"),
    ];
    for (zone, day, on, expected) in cases {
        let (found, _) = planned(&clock(on, "23:45"), zone, LISBON, day).span().expect("a day");
        assert_eq!(found, utc(expected), "{zone} {day} {on}");
    }
}

#[test]
fn a_clock_day_that_ends_before_it_begins_ends_on_the_next_date() {
    let zone = Tz::Europe__London;
    check_clock(zone, "2024-02-28", ("20:00", "06:00"), ("2024-02-28T20:00:00Z", "2024-02-29T06:00:00Z"));
    check_clock(zone, "2024-02-29", ("20:00", "06:00"), ("2024-02-29T20:00:00Z", "2024-03-01T06:00:00Z"));
    check_clock(zone, "2023-12-31", ("12:00", "00:00"), ("2023-12-31T12:00:00Z", "2024-01-01T00:00:00Z"));
    check_clock(zone, "2100-02-28", ("20:00", "06:00"), ("2100-02-28T20:00:00Z", "2100-03-01T06:00:00Z"));
    // The night of the change is an hour shorter.
    check_clock(zone, "2025-03-29", ("20:00", "06:00"), ("2025-03-29T20:00:00Z", "2025-03-30T05:00:00Z"));
}

#[test]
fn a_clock_day_inside_a_gap_is_none() {
    let plan = planned(&clock("01:15", "01:45"), Tz::Europe__London, LISBON, "2025-03-30");
    assert_eq!((plan.lights, plan.day_length()), (Lights::AllNight, TimeDelta::zero()));
}

#[test]
fn a_date_that_was_left_out_has_no_plan_and_its_neighbour_ends_where_it_would_have_begun() {
    // IANA: Samoa went from UTC−10 to UTC+14 at the end of 29 December 2011 local.
    let zone = Tz::Pacific__Apia;
    assert_eq!(plan(&clock("08:00", "20:00"), zone, LISBON, date("2011-12-30")), None);
    check_clock(zone, "2011-12-29", ("20:00", "06:00"), ("2011-12-30T06:00:00Z", "2011-12-30T10:00:00Z"));
    check_clock(zone, "2011-12-31", ("08:00", "20:00"), ("2011-12-30T18:00:00Z", "2011-12-31T06:00:00Z"));
    let mut days = DayClock::new(clock("08:00", "20:00"), zone, LISBON);
    let night = days.at(utc("2011-12-30T12:00:00Z"));
    assert!(!night.is_day);
    assert_eq!((night.since, night.until), (Some(utc("2011-12-30T06:00:00Z")), Some(utc("2011-12-30T18:00:00Z"))));
    assert_eq!(night.today.map(|plan| plan.date), Some(date("2011-12-31")));
}

#[test]
fn a_day_length_is_elapsed_time_whatever_the_clock_does_meanwhile() {
    let twelve = Clamp { shortest: hours(12.0), longest: hours(12.0) };
    let follow = |noon: &str| Photoperiod::Latitude {
        latitude: Degrees(-18.9),
        season: Season::Origin,
        noon: time(noon),
        clamp: twelve,
    };
    // London goes forward at 01:00 UTC on 30 March 2025 and back on 26 October: 06:30 UTC is inside neither day's change.
    for (day, noon, middle) in [
        ("2025-03-30", "13:00", "2025-03-30T12:00:00Z"),
        ("2025-03-30", "05:00", "2025-03-30T04:00:00Z"),
        ("2025-10-26", "13:00", "2025-10-26T13:00:00Z"),
        ("2025-10-26", "03:00", "2025-10-26T03:00:00Z"),
    ] {
        let (on, off) = planned(&follow(noon), Tz::Europe__London, LISBON, day).span().expect("a day");
        assert_eq!(on, utc(middle) - TimeDelta::hours(6), "{day} {noon}");
        assert_eq!(off, utc(middle) + TimeDelta::hours(6), "{day} {noon}");
    }
}

#[test]
fn sunset_may_fall_after_midnight() {
    // ephem 4.2.1: Reykjavik, 21 June 2025, sunset 00:03:50 UTC of the next day.
    let site = Photoperiod::Site { clamp: Clamp::NONE };
    let plan = planned(&site, Tz::Atlantic__Reykjavik, place(64.1466, -21.9426), "2025-06-21");
    let set = plan.sunset.expect("a sunset");
    assert!((set - utc("2025-06-22T00:03:50Z")).abs() <= TimeDelta::seconds(15), "{set}");
    assert_eq!(plan.span().expect("a day").1, set);
}

#[test]
fn polar_day_and_night_are_whole_dates_unless_the_limits_forbid_it() {
    let site = |shortest: f64, longest: f64| Photoperiod::Site {
        clamp: Clamp { shortest: hours(shortest), longest: hours(longest) },
    };
    // ephem 4.2.1: in Tromsø the sun never sets on 21 June 2025 and never rises on 21 December 2025.
    for (photoperiod, day, lights, length) in [
        (site(0.0, 24.0), "2025-06-21", Some(Lights::AllDay), 24.0),
        (site(0.0, 24.0), "2025-12-21", Some(Lights::AllNight), 0.0),
        (site(6.0, 18.0), "2025-06-21", None, 18.0),
        (site(6.0, 18.0), "2025-12-21", None, 6.0),
    ] {
        let plan = planned(&photoperiod, Tz::Europe__Oslo, TROMSO, day);
        assert_eq!(plan.day_length().num_seconds() as f64, length * 3600.0, "{day}");
        assert_eq!((plan.sunrise, plan.sunset), (None, None));
        match lights {
            Some(lights) => assert_eq!(plan.lights, lights, "{day}"),
            None => {
                let (on, off) = plan.span().expect("a day");
                assert!(((on + (off - on) / 2) - plan.middle).num_seconds().abs() <= 1, "{day}");
            }
        }
    }
}

#[test]
fn polar_day_has_no_end_and_a_night_before_it_has_one() {
    let mut days = DayClock::new(Photoperiod::Site { clamp: Clamp::NONE }, Tz::Europe__Oslo, TROMSO);
    let june = days.at(utc("2025-06-21T22:30:00Z"));
    assert_eq!((june.is_day, june.since, june.until), (true, None, None));
    assert_eq!(june.holds_until, utc("2025-06-22T22:00:00Z"));
    let december = days.at(utc("2025-12-21T11:00:00Z"));
    assert_eq!((december.is_day, december.since, december.until), (false, None, None));
    // Between them every night has a dawn and every day a dusk, and they touch.
    let mut now = utc("2025-08-10T00:00:00Z");
    for _ in 0..100 {
        let light = days.at(now);
        let until = light.until.expect("an end");
        assert_eq!(days.at(until).since, Some(until));
        assert_ne!(days.at(until).is_day, light.is_day);
        now = until;
    }
}

#[test]
fn a_day_clock_joins_days_that_touch() {
    // 14:00 to 14:00 would be refused; a minute less leaves a night of a minute.
    let mut days = DayClock::new(clock("14:00", "13:59"), Tz::UTC, LISBON);
    let night = days.at(utc("2026-03-01T13:59:30Z"));
    assert_eq!((night.is_day, night.holds_until), (false, utc("2026-03-01T14:00:00Z")));
    let day = days.at(utc("2026-03-01T14:00:00Z"));
    assert_eq!((day.since, day.until), (Some(utc("2026-03-01T14:00:00Z")), Some(utc("2026-03-02T13:59:00Z"))));
    // A table of 24 h is one day without end.
    let always = Photoperiod::Table { months: [hours(24.0); 12], noon: time("13:00") };
    let light = DayClock::new(always, Tz::Europe__London, LISBON).at(utc("2025-10-26T00:30:00Z"));
    assert_eq!((light.is_day, light.since, light.until), (true, None, None));
}

#[test]
fn beyond_the_calendar_it_is_night_and_nothing_fails() {
    let mut days = DayClock::new(clock("08:00", "20:00"), Tz::Europe__London, LISBON);
    for now in [DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC, utc("0001-06-01T12:00:00Z")] {
        let light = days.at(now);
        assert_eq!((light.is_day, light.today, light.holds_until >= now), (false, None, true));
        assert!(!days.window(&window(When::Day, 0, 0, 0), now).open);
    }
    for day in [NaiveDate::MIN, NaiveDate::MAX, date("0000-12-31")] {
        assert_eq!(plan(&clock("08:00", "20:00"), Tz::UTC, LISBON, day), None);
    }
}

/// A window with stages and ramp in minutes.
fn window(when: When, after_dawn: u64, before_dusk: u64, ramp: u64) -> Window {
    let minutes = |minutes: u64| Duration::from_secs(minutes * 60);
    Window {
        when,
        after_dawn: minutes(after_dawn),
        before_dusk: minutes(before_dusk),
        ramp: minutes(ramp),
        level: Level::FULL,
    }
}

#[test]
fn windows_open_and_ramp_by_their_stages() {
    // Day from 08:00 to 20:00 UTC on 1 March 2026; times in the table are of that date.
    let mut days = DayClock::new(clock("08:00", "20:00"), Tz::UTC, LISBON);
    let at = |text: &str| utc(&format!("2026-03-01T{text}:00Z"));
    let plain = window(When::Day, 0, 0, 0);
    let staged = window(When::Day, 60, 90, 0);
    let ramped = window(When::Day, 0, 0, 30);
    let night = window(When::Night, 60, 90, 0);
    let night_ramped = window(When::Night, 0, 0, 60);
    let short = window(When::Day, 330, 330, 60);
    for (window, now, open, share, next) in [
        (plain, "07:59", false, 0.0, "08:00"),
        (plain, "08:00", true, 1.0, "20:00"),
        (plain, "19:59", true, 1.0, "20:00"),
        (staged, "08:59", false, 0.0, "09:00"),
        (staged, "09:00", true, 1.0, "18:30"),
        (ramped, "08:00", true, 0.0, "08:30"),
        (ramped, "08:15", true, 0.5, "08:30"),
        (ramped, "08:30", true, 1.0, "19:30"),
        (ramped, "19:45", true, 0.5, "20:00"),
        // The complement of a lamp of the day with the same stages.
        (night, "08:59", true, 1.0, "09:00"),
        (night, "09:00", false, 0.0, "18:30"),
        (night, "18:30", true, 1.0, "24:00"),
        (night_ramped, "07:30", true, 0.5, "08:00"),
        (night_ramped, "20:15", true, 0.25, "21:00"),
        // One hour is too short for two ramps of one: half-way up, then down.
        (short, "13:45", true, 0.25, "14:00"),
        (short, "14:00", true, 0.5, "14:30"),
        (short, "14:15", true, 0.25, "14:30"),
        (window(When::Day, 360, 360, 0), "14:00", false, 0.0, "24:00"),
        (window(When::Night, 360, 360, 0), "14:00", true, 1.0, "24:00"),
        (window(When::Always, 60, 60, 60), "03:00", true, 1.0, "24:00"),
    ] {
        let opening = days.window(&window, at(now));
        let next = if next == "24:00" { utc("2026-03-02T00:00:00Z") } else { at(next) };
        assert_eq!((opening.open, opening.share, opening.next), (open, share, next), "{window:?} at {now}");
        assert_eq!(opening.is_ramping(), open && share < 1.0);
    }
}

#[test]
fn windows_keep_their_stages_over_midnight_and_over_changes_of_the_clock() {
    let mut days = DayClock::new(clock("20:00", "06:00"), Tz::Europe__London, LISBON);
    let staged = window(When::Day, 30, 30, 0);
    let opening = days.window(&staged, utc("2025-03-30T00:30:00Z"));
    assert_eq!(opening.since, Some(utc("2025-03-29T20:30:00Z")));
    assert_eq!(opening.until, Some(utc("2025-03-30T04:30:00Z")));
}

#[test]
fn in_polar_day_a_window_has_no_stages() {
    let mut days = DayClock::new(Photoperiod::Site { clamp: Clamp::NONE }, Tz::Europe__Oslo, TROMSO);
    let opening = days.window(&window(When::Day, 60, 60, 60), utc("2025-06-21T23:59:00Z"));
    assert_eq!((opening.open, opening.share, opening.until), (true, 1.0, None));
    assert!(!days.window(&window(When::Night, 60, 60, 60), utc("2025-06-21T23:59:00Z")).open);
}

fn any_time() -> impl Strategy<Value = NaiveTime> {
    (0..86_400_u32).prop_map(|s| NaiveTime::from_num_seconds_from_midnight_opt(s, 0).expect("a second of the day"))
}

#[test]
fn a_year_gives_its_points_on_their_days_and_smooth_days_between() {
    // Dates of the points themselves, in a common year and in a leap year; noon as it says.
    let points = [(0.0, 10.0), (171.0, 14.0)];
    let year = Photoperiod::Year { lengths: Seasonal::new(&points).expect("points"), noon: time("13:00") };
    for (date, expected) in [("2027-01-01", 10.0), ("2027-06-21", 14.0), ("2028-01-01", 10.0), ("2028-06-21", 14.0)] {
        let plan = plan(&year, Tz::UTC, TROMSO, date.parse().expect("a date")).expect("it exists");
        assert_eq!(plan.day_length(), TimeDelta::seconds((expected * 3600.0) as i64), "{date}");
        assert_eq!(plan.middle.format("%H:%M").to_string(), "13:00");
    }
    let length = |date: NaiveDate| plan(&year, Tz::UTC, TROMSO, date).expect("it exists").day_length();
    let first: NaiveDate = "2027-01-01".parse().expect("a date");
    for date in first.iter_days().take(800) {
        // Four hours over 171 days are 84 s a day; a cubic between two turns is at most half as steep again.
        let change = (length(date.succ_opt().expect("a date")) - length(date)).num_seconds().abs();
        assert!(change <= 127, "{date}: {change} s");
    }
}

#[test]
fn a_year_that_runs_late_is_the_same_year_later() {
    let noon = time("12:00");
    let latitude = Photoperiod::Latitude { latitude: Degrees(45.0), season: Season::Origin, noon, clamp: Clamp::NONE };
    let late = Photoperiod::Later { by: 90, of: Box::new(latitude.clone()) };
    let length = |of: &Photoperiod, date: &str| {
        let plan = plan(of, Tz::UTC, place(0.0, 0.0), date.parse().expect("a date")).expect("it exists");
        plan.day_length().num_minutes()
    };
    assert_eq!(length(&late, "2027-09-19"), length(&latitude, "2027-06-21"));
    assert_eq!(length(&late, "2027-03-21"), length(&latitude, "2026-12-21"));
}

fn any_clamp() -> impl Strategy<Value = Clamp> {
    prop_oneof![
        Just(Clamp::NONE),
        (0..=86_400_u64, 0..=86_400_u64).prop_map(|(a, b)| Clamp {
            shortest: Duration::from_secs(a.min(b)),
            longest: Duration::from_secs(a.max(b)),
        }),
    ]
}

fn any_photoperiod() -> impl Strategy<Value = Photoperiod> {
    prop_oneof![
        (any_time(), any_time())
            .prop_filter("on and off differ", |(on, off)| on != off)
            .prop_map(|(on, off)| Photoperiod::Clock { on, off }),
        any_clamp().prop_map(|clamp| Photoperiod::Site { clamp }),
        (-90.0..=90.0_f64, any::<bool>(), any_time(), any_clamp()).prop_map(|(latitude, local, noon, clamp)| {
            let season = if local { Season::Local } else { Season::Origin };
            Photoperiod::Latitude { latitude: Degrees(latitude), season, noon, clamp }
        }),
        (prop::array::uniform12(0..=86_400_u64), any_time())
            .prop_map(|(months, noon)| Photoperiod::Table { months: months.map(Duration::from_secs), noon }),
        (prop::collection::btree_map(0..365_u32, 0.0..=24.0_f64, 1..12), any_time()).prop_map(|(points, noon)| {
            let points: Vec<_> = points.into_iter().map(|(day, hours)| (f64::from(day), hours)).collect();
            Photoperiod::Year { lengths: Seasonal::new(&points).expect("points"), noon }
        }),
        (-90.0..=90.0_f64, any_time(), 0..365_u32).prop_map(|(latitude, noon, by)| {
            let (latitude, season) = (Degrees(latitude), Season::Origin);
            Photoperiod::Later {
                by,
                of: Box::new(Photoperiod::Latitude { latitude, season, noon, clamp: Clamp::NONE }),
            }
        }),
    ]
}

fn any_place() -> impl Strategy<Value = Place> {
    (-90.0..=90.0_f64, -180.0..=180.0_f64).prop_map(|(latitude, longitude)| place(latitude, longitude))
}

fn any_zone() -> impl Strategy<Value = Tz> {
    (0..TZ_VARIANTS.len()).prop_map(|index| TZ_VARIANTS[index])
}

/// Seconds of the years 1900 to 2200.
fn any_instant() -> impl Strategy<Value = DateTime<Utc>> {
    (utc("1900-01-01T00:00:00Z").timestamp()..utc("2200-01-01T00:00:00Z").timestamp())
        .prop_map(|seconds| DateTime::from_timestamp(seconds, 0).expect("within the calendar"))
}

/// Whether it is day at `now` by the plans of all dates around it, one by one.
fn is_day_by_brute_force(photoperiod: &Photoperiod, zone: Tz, place: Place, now: DateTime<Utc>) -> bool {
    let local = now.with_timezone(&zone).date_naive();
    let mut dates = (local - Days::new(5)).iter_days().take(11);
    dates.any(|date| {
        plan(photoperiod, zone, place, date).is_some_and(|plan| match plan.lights {
            Lights::Span { on, off } => on <= now && now < off,
            Lights::AllDay => {
                let reach = TimeDelta::minutes(12 * 60 + 1);
                date == local || (plan.middle - reach <= now && now < plan.middle + reach)
            }
            Lights::AllNight => false,
        })
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    #[test]
    fn every_plan_is_a_day_within_its_limits(
        photoperiod in any_photoperiod(), zone in any_zone(), place in any_place(), now in any_instant(),
    ) {
        let date = now.with_timezone(&zone).date_naive();
        let plan = plan(&photoperiod, zone, place, date).expect("a date some instant belongs to");
        prop_assert_eq!(plan.date, date);
        let length = plan.day_length();
        if let Lights::Span { on, off } = plan.lights {
            prop_assert!(on < off);
            prop_assert!(on <= plan.middle && plan.middle <= off);
        }
        match photoperiod {
            Photoperiod::Site { clamp } | Photoperiod::Latitude { clamp, .. } => {
                let limit = |limit| TimeDelta::from_std(limit).expect("at most a day");
                prop_assert!(limit(clamp.shortest) <= length && length <= limit(clamp.longest), "{}", length);
            }
            Photoperiod::Table { months, .. } => {
                let most = months.iter().max().expect("twelve").as_secs() as i64;
                let least = months.iter().min().expect("twelve").as_secs() as i64;
                prop_assert!((least..=most).contains(&length.num_seconds()));
            }
            Photoperiod::Year { lengths, .. } => {
                let (least, most) = lengths.range();
                let hours = length.num_seconds() as f64 / 3600.0;
                prop_assert!((least - 0.001..=most + 0.001).contains(&hours), "{}", hours);
            }
            Photoperiod::Later { .. } => prop_assert!(length <= TimeDelta::hours(24)),
            Photoperiod::Clock { .. } => prop_assert!(length < TimeDelta::hours(48)),
        }
        if let (Some(rise), Some(set)) = (plan.sunrise, plan.sunset) {
            prop_assert!(rise < set && set - rise <= TimeDelta::hours(24));
        }
    }

    #[test]
    fn a_day_clock_agrees_with_brute_force(
        photoperiod in any_photoperiod(), zone in any_zone(), place in any_place(), now in any_instant(),
        jumps in prop::collection::vec(-400_000..400_000_i64, 3),
    ) {
        let mut days = DayClock::new(photoperiod.clone(), zone, place);
        for now in jumps.into_iter().map(|jump| now + TimeDelta::seconds(jump)) {
            let light = days.at(now);
            prop_assert_eq!(light, DayClock::new(photoperiod.clone(), zone, place).at(now));
            let brute = |at| is_day_by_brute_force(&photoperiod, zone, place, at);
            prop_assert_eq!(light.is_day, brute(now));
            let second = TimeDelta::seconds(1);
            if matches!(photoperiod, Photoperiod::Clock { .. }) {
                prop_assert!(light.since.is_some() && light.until.is_some(), "{:?}", light);
            }
            if let Some(since) = light.since {
                prop_assert!(since <= now && brute(since) == light.is_day && brute(since - second) != light.is_day);
            }
            if let Some(until) = light.until {
                prop_assert!(until > now && brute(until) != light.is_day && brute(until - second) == light.is_day);
            }
            prop_assert!(light.holds_until > now && light.holds_until <= now + TimeDelta::hours(50));
            for share in [0.3, 0.999] {
                let within = (light.holds_until - now).num_seconds() as f64 * share;
                let later = now + TimeDelta::seconds(within as i64);
                prop_assert_eq!(brute(later), light.is_day);
                prop_assert_eq!(days.at(later).today, light.today);
            }
        }
    }

    #[test]
    fn following_the_site_it_is_day_while_the_sun_is_up(
        place in any_place(), zone in any_zone(), now in any_instant(),
    ) {
        let above = seen_from(place.latitude, place.longitude, now).elevation.0 - RISE_AND_SET.0;
        // A quarter of a degree off the horizon; nearer to the poles a sun that turns there within one day is taken as
        // noon has it.
        prop_assume!(above.abs() > 0.25);
        // A zone half the Earth away from the place has its noon at solar midnight, where no transit is the nearest.
        let local = now.with_timezone(&zone).naive_local().and_utc() - now;
        let apart = (local.num_seconds() as f64 / 240.0 - place.longitude.0 + 180.0).rem_euclid(360.0) - 180.0;
        prop_assume!(apart.abs() < 150.0);
        let light = DayClock::new(Photoperiod::Site { clamp: Clamp::NONE }, zone, place).at(now);
        prop_assert_eq!(light.is_day, above > 0.0);
    }

    #[test]
    fn a_window_says_when_it_changes(
        photoperiod in any_photoperiod(), zone in any_zone(), place in any_place(), now in any_instant(),
        (after_dawn, before_dusk, ramp) in (0..600_u64, 0..600_u64, 0..200_u64), night in any::<bool>(),
    ) {
        let mut days = DayClock::new(photoperiod, zone, place);
        let when = if night { When::Night } else { When::Day };
        let window = window(when, after_dawn, before_dusk, ramp);
        let opening = days.window(&window, now);
        prop_assert!((0.0..=1.0).contains(&opening.share));
        prop_assert!(opening.next > now);
        prop_assert!(opening.open || opening.share == 0.0);
        // The same stages the other way round: exactly one of the two lamps may be on.
        let other = Window { when: if night { When::Day } else { When::Night }, ..window };
        prop_assert_ne!(days.window(&other, now).open, opening.open);
        // Until `next` it stays open or shut, and its share keeps to one straight line.
        let at = |share: f64| now + TimeDelta::seconds(((opening.next - now).num_seconds() as f64 * share) as i64);
        let (middle, late) = (at(0.4), at(0.8));
        let (half, end) = (days.window(&window, middle), days.window(&window, late));
        prop_assert_eq!((half.open, end.open), (opening.open, opening.open));
        let slope = |from: DateTime<Utc>, to: DateTime<Utc>, rise: f64| rise / (to - from).num_seconds().max(1) as f64;
        let first = slope(now, middle, half.share - opening.share);
        let second = slope(middle, late, end.share - half.share);
        prop_assert!((first - second).abs() < 1e-6 || late <= now + TimeDelta::seconds(10), "{} {}", first, second);
        if let Some(until) = opening.until {
            prop_assert_ne!(days.window(&window, until).open, opening.open);
        }
    }
}
