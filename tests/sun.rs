//! The sun against a year of an independent ephemeris at six latitudes: every date must be there, and every rise,
//! transit and set must agree within 15 s. The table's own header says how it was made.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;
use lampwarden::control::photoperiod::{DayPlan, Lights, plan};
use lampwarden::science::sun::{Sun, sun_day};
use lampwarden::settings::{Clamp, Photoperiod, Place, Season};
use lampwarden::units::Degrees;

const YEAR: i32 = 2028;
const TOLERANCE: TimeDelta = TimeDelta::seconds(15);
/// Latitude and longitude in degrees, and the whole-hour zone nearest to that longitude. `Etc` counts west positive.
const PLACES: [(i32, i32, Tz); 6] = [
    (-65, 140, Tz::Etc__GMTMinus9),
    (-35, -71, Tz::Etc__GMTPlus5),
    (0, 37, Tz::Etc__GMTMinus2),
    (35, 135, Tz::Etc__GMTMinus9),
    (52, -8, Tz::Etc__GMTPlus1),
    (65, -148, Tz::Etc__GMTPlus10),
];

#[derive(Clone, Copy)]
struct Row {
    rise: DateTime<Utc>,
    transit: DateTime<Utc>,
    set: DateTime<Utc>,
}

fn table() -> BTreeMap<(i32, i32, NaiveDate), Row> {
    let text = include_str!("fixtures/ephemeris.csv");
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    assert_eq!(lines.next(), Some("latitude,longitude,date,rise,transit,set"));
    let mut table = BTreeMap::new();
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let [latitude, longitude, date, rise, transit, set] = fields[..] else { panic!("{line}") };
        let whole = |text: &str| text.parse::<i32>().expect(line);
        let time = |text: &str| text.parse::<DateTime<Utc>>().expect(line);
        let key = (whole(latitude), whole(longitude), date.parse().expect(line));
        let row = Row { rise: time(rise), transit: time(transit), set: time(set) };
        assert!(table.insert(key, row).is_none(), "twice: {line}");
    }
    table
}

/// Hands every row of the year to `check`, and fails where one is missing or one too many.
fn for_every_row(mut check: impl FnMut(Place, Tz, NaiveDate, Row)) {
    let mut table = table();
    for (latitude, longitude, zone) in PLACES {
        let place = Place { latitude: Degrees(f64::from(latitude)), longitude: Degrees(f64::from(longitude)) };
        let first = NaiveDate::from_ymd_opt(YEAR, 1, 1).expect("a date");
        for date in first.iter_days().take_while(|date| date.year() == YEAR) {
            let row = table.remove(&(latitude, longitude, date));
            check(place, zone, date, row.unwrap_or_else(|| panic!("no row for {latitude},{longitude},{date}")));
        }
    }
    assert!(table.is_empty(), "rows that do not belong there: {:?}", table.keys());
}

#[track_caller]
fn near(found: DateTime<Utc>, expected: DateTime<Utc>, what: &str) {
    assert!((found - expected).abs() <= TOLERANCE, "{what}: {found}, the ephemeris says {expected}");
}

fn lights(plan: &DayPlan) -> (DateTime<Utc>, DateTime<Utc>) {
    match plan.lights {
        Lights::Span { on, off } => (on, off),
        other => panic!("{other:?} on {}", plan.date),
    }
}

#[test]
fn the_sun_keeps_within_15_s_of_the_ephemeris_for_a_year_at_six_latitudes() {
    for_every_row(|place, _, date, row| {
        // Any moment within half a day of the transit must find it.
        let about = row.transit + TimeDelta::hours(i64::from(date.day0()) % 23 - 11);
        let day = sun_day(place.latitude, place.longitude, about);
        let Sun::Up { rise: Some(rise), set: Some(set) } = day.sun else { panic!("{day:?} on {date}") };
        let what = format!("{place:?} {date}");
        near(rise, row.rise, &what);
        near(day.transit, row.transit, &what);
        near(set, row.set, &what);
    });
}

#[test]
fn a_plan_that_follows_the_site_is_the_sun_of_its_civil_date() {
    for_every_row(|place, zone, date, row| {
        let plan = plan(&Photoperiod::Site { clamp: Clamp::NONE }, zone, place, date).expect("a date");
        let what = format!("{place:?} {date}");
        let (on, off) = lights(&plan);
        near(on, row.rise, &what);
        near(off, row.set, &what);
        assert_eq!((plan.sunrise, plan.sunset), (Some(on), Some(off)));
    });
}

#[test]
fn a_plan_that_follows_a_latitude_has_its_day_length_about_its_own_noon() {
    for_every_row(|place, zone, date, row| {
        let noon = NaiveTime::from_hms_opt(13, 0, 0).expect("a time");
        let clamp = Clamp::NONE;
        let follow = Photoperiod::Latitude { latitude: place.latitude, season: Season::Origin, noon, clamp };
        let plan = plan(&follow, zone, place, date).expect("a date");
        let (on, off) = lights(&plan);
        // The day is as long as the ephemeris has it, an error of 15 s allowed at each end, halved on each side of 13:00.
        let middle = date.and_time(noon).and_local_timezone(zone).unwrap().to_utc();
        let half = (row.set - row.rise) / 2;
        let what = format!("{place:?} {date}");
        near(on, middle - half, &what);
        near(off, middle + half, &what);
    });
}

#[test]
fn a_plan_for_the_local_season_has_the_day_length_of_half_a_year_away() {
    // Half a tropical year is 182.62 days, so the day length lies between those of 182 and 183 days on.
    let table = table();
    let (latitude, longitude) = (-35, -71);
    for day in 1..=180 {
        let date = NaiveDate::from_yo_opt(YEAR, day).expect("a date");
        let length = |days: i64| {
            let row = table[&(latitude, longitude, date + TimeDelta::days(days))];
            row.set - row.rise
        };
        let follow = Photoperiod::Latitude {
            latitude: Degrees(-35.0),
            season: Season::Local,
            noon: NaiveTime::from_hms_opt(12, 0, 0).expect("a time"),
            clamp: Clamp { shortest: Duration::ZERO, longest: Duration::from_secs(86_400) },
        };
        let north = Place { latitude: Degrees(51.5), longitude: Degrees(-71.0) };
        let (on, off) = lights(&plan(&follow, Tz::Etc__GMTPlus5, north, date).expect("a date"));
        let (a, b) = (length(182), length(183));
        let slack = TimeDelta::seconds(15);
        assert!(a.min(b) - slack <= off - on && off - on <= a.max(b) + slack, "{date}: {}", off - on);
    }
}
