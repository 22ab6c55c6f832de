//! Where the sun is, and when it rises and sets.
//!
//! The position is the low-precision one of Meeus, *Astronomical Algorithms* (2nd ed.), chapter 25, good to 0.01°. Rise
//! and set take their first estimate from the `sunrise` crate, which holds the declination of noon for the whole day
//! and so errs by up to three minutes at high latitudes, and are then refined with the declination and the equation of
//! time of the event itself. `tests/sun.rs` holds the result within 15 s of an independent ephemeris.
//!
//! Rise and set mean what almanacs mean: the sun's centre 50′ below the geometric horizon. Real refraction at the
//! horizon varies by more than the seconds counted here.

use chrono::{DateTime, Datelike, TimeDelta, Utc};
use sunrise::{Coordinates, SolarDay, SolarEvent};

use crate::units::Degrees;

/// Elevation of the sun's centre at rise and set: 34′ of refraction and 16′ of semidiameter (USNO, *Almanac for
/// Computers*, 1990: official zenith 90°50′).
pub const RISE_AND_SET: Degrees = Degrees(-50.0 / 60.0);

/// Terrestrial Time less UTC in seconds: 32.184 s to TAI by definition and the 37 leap seconds since 2017 (IERS
/// Bulletin C). A minute of it moves an event by a fifth of a second, so the drift over the centuries is left out.
const TT_MINUS_UTC_S: f64 = 69.184;

/// The epoch J2000.0, 2000-01-01 12:00, in seconds since 1970 as Unix time counts them.
const J2000_S: f64 = 946_728_000.0;

const DAY_S: f64 = 86_400.0;
const HALF_DAY_S: f64 = 43_200.0;
/// The mean sun moves through 1° of hour angle in 4 min.
const S_PER_DEGREE: f64 = 240.0;
/// An event has settled once a pass moves it by less than this.
const SETTLED_S: f64 = 0.001;
/// Passes before an event is taken as it is. Two or three settle it; a sun that grazes the horizon is halved into place.
const PASSES_MAX: u32 = 64;

/// The sun as the Earth's centre sees it, referred to the true equinox of the date.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SunPosition {
    /// Apparent ecliptic longitude, 0..360°.
    pub apparent_longitude: Degrees,
    /// Apparent right ascension, 0..360°.
    pub right_ascension: Degrees,
    /// Apparent declination, north positive.
    pub declination: Degrees,
    /// Equation of time, apparent less mean solar time, as an hour angle: 1° is 4 min.
    pub equation_of_time: Degrees,
}

/// The sun as a place on Earth sees it, without refraction and parallax.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SunSeen {
    /// Of its centre above the geometric horizon.
    pub elevation: Degrees,
    /// From north through east, 0..360°.
    pub azimuth: Degrees,
}

/// The sun of one day at one place: everything around one transit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SunDay {
    /// Solar noon, to the whole second.
    pub transit: DateTime<Utc>,
    /// What the sun does in the twelve hours on each side of it.
    pub sun: Sun,
}

/// What the sun does in the twelve hours on each side of a transit. Times are to the whole second.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sun {
    /// It is up at noon.
    Up {
        /// Sunrise; none where it has been up since the midnight before.
        rise: Option<DateTime<Utc>>,
        /// Sunset; none where it stays up past the midnight after.
        set: Option<DateTime<Utc>>,
    },
    /// It is down even at noon: polar night.
    Down,
}

impl SunDay {
    /// From when until when the sun is up, within twelve hours of noon; none in polar night. In polar day these are the
    /// twelve hours on each side.
    pub fn up(&self) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        let half = TimeDelta::seconds(HALF_DAY_S as i64);
        match self.sun {
            Sun::Up { rise, set } => Some((rise.unwrap_or(self.transit - half), set.unwrap_or(self.transit + half))),
            Sun::Down => None,
        }
    }
}

/// The sun's position at `at`.
pub fn position(at: DateTime<Utc>) -> SunPosition {
    position_at(unix_seconds(at))
}

/// How the sun is seen at `at` from `latitude` (north positive) and `longitude` (east positive).
pub fn seen_from(latitude: Degrees, longitude: Degrees, at: DateTime<Utc>) -> SunSeen {
    let at = unix_seconds(at);
    let position = position_at(at);
    let hour = hour_angle(longitude, at, position).radians();
    let (latitude_rad, declination) = (latitude.radians(), position.declination.radians());
    // Meeus eq. 13.5, which counts from south.
    let from_south = libm::atan2(
        libm::sin(hour),
        libm::cos(hour) * libm::sin(latitude_rad) - libm::tan(declination) * libm::cos(latitude_rad),
    );
    SunSeen {
        elevation: elevation(latitude, longitude, at),
        azimuth: Degrees((from_south.to_degrees() + 180.0).rem_euclid(360.0)),
    }
}

/// The sun's day around the transit nearest to `noon`, at `latitude` (north positive, −90..=90) and `longitude` (east
/// positive, −180..=180). A place off the globe sees no sun. Years outside 1..=9999 are taken as the nearest of them.
pub fn sun_day(latitude: Degrees, longitude: Degrees, noon: DateTime<Utc>) -> SunDay {
    if !(latitude.0.abs() <= 90.0 && longitude.0.abs() <= 180.0) {
        return SunDay { transit: noon, sun: Sun::Down };
    }
    let place = Seen { latitude, longitude };
    let transit = place.transit_near(unix_seconds(within_calendar(noon)));
    let sun = if place.elevation(transit) > RISE_AND_SET.0 {
        let (rise, set) = first_estimate(latitude, longitude, transit);
        Sun::Up {
            rise: place.crossing(transit, -1.0, rise).map(whole_second),
            set: place.crossing(transit, 1.0, set).map(whole_second),
        }
    } else {
        Sun::Down
    };
    SunDay { transit: whole_second(transit), sun }
}

/// A place in degrees; its times are in seconds since 1970.
#[derive(Clone, Copy)]
struct Seen {
    latitude: Degrees,
    longitude: Degrees,
}

impl Seen {
    /// The transit nearest to `near`: the hour angle is stepped to zero, with the equation of time of each step.
    fn transit_near(self, near: f64) -> f64 {
        (0..3).fold(near, |at, _| at - hour_angle(self.longitude, at, position_at(at)).0 * S_PER_DEGREE)
    }

    fn elevation(self, at: f64) -> f64 {
        elevation(self.latitude, self.longitude, at).0
    }

    /// When the sun crosses the horizon between `transit`, when it is up, and the midnight before (`side` −1) or after
    /// (`side` 1); none where it is up at that midnight. Each pass takes the declination and the equation of time of
    /// the pass before; the bracket holds it where the sun only grazes the horizon and the passes alone would run off.
    fn crossing(self, transit: f64, side: f64, estimate: Option<f64>) -> Option<f64> {
        let (mut up, mut down) = (transit, transit + side * HALF_DAY_S);
        if self.elevation(down) > RISE_AND_SET.0 {
            return None;
        }
        let between = |t: f64, a: f64, b: f64| a.min(b) < t && t < a.max(b);
        let mut at = estimate.filter(|&t| between(t, up, down)).unwrap_or((up + down) / 2.0);
        for _ in 0..PASSES_MAX {
            if self.elevation(at) > RISE_AND_SET.0 {
                up = at;
            } else {
                down = at;
            }
            let pass = self.hour_angle_at_horizon(at).map(|hour| {
                let drift = position_at(at).equation_of_time.0 - position_at(transit).equation_of_time.0;
                transit + (side * hour - drift) * S_PER_DEGREE
            });
            let next = pass.filter(|&t| between(t, up, down)).unwrap_or((up + down) / 2.0);
            let moved = (next - at).abs();
            at = next;
            if moved < SETTLED_S {
                break;
            }
        }
        Some(at)
    }

    /// Hour angle in degrees, 0..=180, at which a sun of the declination at `at` crosses the horizon (Meeus eq. 15.1);
    /// none where it would not.
    fn hour_angle_at_horizon(self, at: f64) -> Option<f64> {
        let (latitude, declination) = (self.latitude.radians(), position_at(at).declination.radians());
        let cosine = (libm::sin(RISE_AND_SET.radians()) - libm::sin(latitude) * libm::sin(declination))
            / (libm::cos(latitude) * libm::cos(declination));
        (cosine.abs() <= 1.0).then(|| libm::acos(cosine).to_degrees())
    }
}

/// Rise and set around `transit` by the `sunrise` crate, in seconds since 1970.
fn first_estimate(latitude: Degrees, longitude: Degrees, transit: f64) -> (Option<f64>, Option<f64>) {
    // The crate counts its days by local mean solar time.
    let date = whole_second(transit + longitude.0 * S_PER_DEGREE).date_naive();
    let Some(place) = Coordinates::new(latitude.0, longitude.0) else { return (None, None) };
    let day = SolarDay::new(place, date);
    let event = |event| day.event_time(event).map(unix_seconds);
    (event(SolarEvent::Sunrise), event(SolarEvent::Sunset))
}

/// Position at `at` seconds since 1970: Meeus chapter 25 (low precision, apparent place) and equation 28.1.
fn position_at(at: f64) -> SunPosition {
    position_of_century((at + TT_MINUS_UTC_S - J2000_S) / (36_525.0 * DAY_S))
}

/// Position `t` Julian centuries of Terrestrial Time after J2000.0. The numbers are those of Meeus, equations 25.2 and
/// 25.3, the equation of the centre and the apparent place of the same chapter, and equation 22.2.
fn position_of_century(t: f64) -> SunPosition {
    let mean_longitude = 280.46646 + t * (36000.76983 + t * 0.000_303_2);
    let mean_anomaly = (357.52911 + t * (35999.05029 - t * 0.000_153_7)).to_radians();
    let centre = (1.914_602 - t * (0.004_817 + t * 0.000_014)) * libm::sin(mean_anomaly)
        + (0.019_993 - t * 0.000_101) * libm::sin(2.0 * mean_anomaly)
        + 0.000_289 * libm::sin(3.0 * mean_anomaly);
    let node = (125.04 - 1934.136 * t).to_radians();
    let nutation = -0.00478 * libm::sin(node);
    let longitude = mean_longitude + centre - 0.00569 + nutation;
    let mean_obliquity = 23.0 + 26.0 / 60.0 + (21.448 - t * (46.8150 + t * (0.00059 - t * 0.001813))) / 3600.0;
    let obliquity = (mean_obliquity + 0.00256 * libm::cos(node)).to_radians();

    let (sin_longitude, cos_longitude) = (libm::sin(longitude.to_radians()), libm::cos(longitude.to_radians()));
    let right_ascension = libm::atan2(libm::cos(obliquity) * sin_longitude, cos_longitude).to_degrees();
    let equation = mean_longitude - 0.005_718_3 - right_ascension + nutation * libm::cos(obliquity);
    SunPosition {
        apparent_longitude: Degrees(longitude.rem_euclid(360.0)),
        right_ascension: Degrees(right_ascension.rem_euclid(360.0)),
        declination: Degrees(libm::asin(libm::sin(obliquity) * sin_longitude).to_degrees()),
        equation_of_time: Degrees(half_turn(equation)),
    }
}

/// Local hour angle of the sun, −180..180°, zero at transit: mean solar time plus the equation of time. UTC stands for
/// UT1, from which it is kept within 0.9 s.
fn hour_angle(longitude: Degrees, at: f64, position: SunPosition) -> Degrees {
    let mean_sun = (at.rem_euclid(DAY_S) - HALF_DAY_S) / S_PER_DEGREE;
    Degrees(half_turn(mean_sun + longitude.0 + position.equation_of_time.0))
}

/// Geometric elevation at `at` seconds since 1970 (Meeus eq. 13.6).
fn elevation(latitude: Degrees, longitude: Degrees, at: f64) -> Degrees {
    let position = position_at(at);
    let (latitude, declination) = (latitude.radians(), position.declination.radians());
    let hour = hour_angle(longitude, at, position).radians();
    let sine =
        libm::sin(latitude) * libm::sin(declination) + libm::cos(latitude) * libm::cos(declination) * libm::cos(hour);
    Degrees(libm::asin(sine.clamp(-1.0, 1.0)).to_degrees())
}

/// The same angle within −180..180°.
fn half_turn(degrees: f64) -> f64 {
    (degrees + 180.0).rem_euclid(360.0) - 180.0
}

fn unix_seconds(at: DateTime<Utc>) -> f64 {
    at.timestamp() as f64 + f64::from(at.timestamp_subsec_nanos()) * 1e-9
}

/// Seconds since 1970 as a moment, rounded to the second.
fn whole_second(at: f64) -> DateTime<Utc> {
    // `as` saturates, and every caller is within the years of `within_calendar`.
    DateTime::from_timestamp((at + 0.5).floor() as i64, 0).unwrap_or_default()
}

/// `at`, or the nearest moment of the years 1 to 9999, beyond which calendar arithmetic could overflow.
fn within_calendar(at: DateTime<Utc>) -> DateTime<Utc> {
    const FIRST: i64 = -62_135_596_800; // 0001-01-01T00:00:00Z
    const LAST: i64 = 253_402_300_799; // 9999-12-31T23:59:59Z
    if (1..=9999).contains(&at.year()) {
        at
    } else {
        DateTime::from_timestamp(at.timestamp().clamp(FIRST, LAST), 0).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().expect("a test's own time")
    }

    #[track_caller]
    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} is not within {tolerance} of {expected}");
    }

    #[test]
    fn position_agrees_with_the_worked_example_of_meeus() {
        // Meeus, Astronomical Algorithms, example 25.a: 1992 October 13.0 TD, T = −0.072183436.
        let sun = position_of_century(-0.072_183_436);
        near(sun.apparent_longitude.0, 199.90895, 1e-5);
        near(sun.right_ascension.0, 198.38083, 1e-5);
        near(sun.declination.0, -7.78507, 1e-5);
        // Example 28.a, from memory: equation of time 3.427351° at the same moment, by the full theory.
        near(sun.equation_of_time.0, 3.427351, 0.005);
    }

    #[test]
    fn position_agrees_with_the_worked_example_of_nrel() {
        // Reda & Andreas, NREL/TP-560-34302, expected output of the SPA tester: 2003-10-17 12:30:30 −07:00,
        // 39.742476 N, 105.1786 W, 820 mbar, 11 °C. Our theory claims 0.01°.
        let at = utc("2003-10-17T19:30:30Z");
        let sun = position(at);
        near(sun.right_ascension.0, 202.22741, 0.01);
        near(sun.declination.0, -9.31434, 0.003);
        near(sun.equation_of_time.0 * 4.0, 14.641503, 0.04);
        let seen = seen_from(Degrees(39.742476), Degrees(-105.1786), at);
        near(seen.azimuth.0, 194.340241, 0.01);
        // Elevation without refraction 39.872046°; with it, by the same report's formula, zenith 50.111622°.
        near(seen.elevation.0, 39.872046, 0.01);
        let e0 = seen.elevation.0;
        let refraction =
            820.0 / 1010.0 * 283.0 / (273.0 + 11.0) * 1.02 / (60.0 * ((e0 + 10.3 / (e0 + 5.11)).to_radians()).tan());
        near(90.0 - e0 - refraction, 50.111622, 0.01);
    }

    /// Checks rise, transit and set around the transit nearest to `noon`, each within `tolerance_s`.
    #[track_caller]
    fn check_day(latitude: f64, longitude: f64, noon: &str, expected: [Option<&str>; 3], tolerance_s: i64) {
        let day = sun_day(Degrees(latitude), Degrees(longitude), utc(noon));
        let Sun::Up { rise, set } = day.sun else { panic!("polar night at {latitude} on {noon}") };
        for (found, expected) in [rise, Some(day.transit), set].into_iter().zip(expected) {
            if let Some(expected) = expected {
                let off = (found.expect("an event") - utc(expected)).num_seconds().abs();
                assert!(off <= tolerance_s, "{found:?}, published {expected}");
            }
        }
    }

    #[test]
    fn golden_agrees_with_the_published_values_of_nrel() {
        // SPA reckons by UTC days, so its "sunset of the 17th" (17:20:19) is the evening of the 16th in Golden: the
        // published sunrise belongs to the 17th, the published sunset to the 16th.
        let golden = (39.742476, -105.1786);
        check_day(golden.0, golden.1, "2003-10-17T19:00:00Z", [Some("2003-10-17T06:12:43-07:00"), None, None], 15);
        check_day(golden.0, golden.1, "2003-10-16T19:00:00Z", [None, None, Some("2003-10-16T17:20:19-07:00")], 15);
        // NREL's web calculator for the same place, as pvlib's tests quote it. In January the sun sets before midnight
        // UTC, so that sunset belongs to its own date; in August it is again the evening before.
        let january = ["07:21:55", "12:04:45", "16:47:43"].map(|time| format!("2015-01-02T{time}-07:00"));
        let january = january.each_ref().map(|time| Some(time.as_str()));
        check_day(golden.0, golden.1, "2015-01-02T19:00:00Z", january, 15);
        let august = [Some("2015-08-02T05:00:27-07:00"), Some("2015-08-02T12:06:58-07:00"), None];
        check_day(golden.0, golden.1, "2015-08-02T19:00:00Z", august, 15);
        check_day(golden.0, golden.1, "2015-08-01T19:00:00Z", [None, None, Some("2015-08-01T19:13:58-07:00")], 15);
    }

    #[test]
    fn cities_agree_with_an_independent_ephemeris() {
        // ephem 4.2.1, horizon −50′, civil dates of 2025, good to 2 s.
        let cases = [
            (51.4769, 0.0, "2025-01-15T07:58:36Z", "2025-01-15T16:20:46Z"),
            (51.4769, 0.0, "2025-03-20T06:02:20Z", "2025-03-20T18:13:22Z"),
            (51.4769, 0.0, "2025-06-21T03:42:47Z", "2025-06-21T20:20:54Z"),
            (51.4769, 0.0, "2025-09-22T05:46:22Z", "2025-09-22T17:57:54Z"),
            (51.4769, 0.0, "2025-12-21T08:03:12Z", "2025-12-21T15:53:09Z"),
            (-23.698, 133.8807, "2025-01-15T06:00:41+09:30", "2025-01-15T19:26:45+09:30"),
            (-23.698, 133.8807, "2025-03-20T06:38:02+09:30", "2025-03-20T18:45:29+09:30"),
            (-23.698, 133.8807, "2025-06-21T07:16:03+09:30", "2025-06-21T17:56:26+09:30"),
            (-23.698, 133.8807, "2025-09-22T06:24:18+09:30", "2025-09-22T18:30:31+09:30"),
            (-23.698, 133.8807, "2025-12-21T05:44:25+09:30", "2025-12-21T19:20:31+09:30"),
            (-18.8792, 47.5079, "2025-01-15T05:25:11+03:00", "2025-01-15T18:33:27+03:00"),
            (-18.8792, 47.5079, "2025-03-20T05:53:47+03:00", "2025-03-20T18:00:40+03:00"),
            (-18.8792, 47.5079, "2025-06-21T06:21:59+03:00", "2025-06-21T17:21:36+03:00"),
            (-18.8792, 47.5079, "2025-09-22T05:39:34+03:00", "2025-09-22T17:45:59+03:00"),
            (-18.8792, 47.5079, "2025-12-21T05:09:58+03:00", "2025-12-21T18:26:12+03:00"),
            (-0.1807, -78.4678, "2025-01-15T06:19:30-05:00", "2025-01-15T18:27:21-05:00"),
            (-0.1807, -78.4678, "2025-03-20T06:17:55-05:00", "2025-03-20T18:24:24-05:00"),
            (-0.1807, -78.4678, "2025-06-21T06:12:24-05:00", "2025-06-21T18:19:08-05:00"),
            (-0.1807, -78.4678, "2025-09-22T06:03:12-05:00", "2025-09-22T18:09:40-05:00"),
            (-0.1807, -78.4678, "2025-12-21T06:08:06-05:00", "2025-12-21T18:16:13-05:00"),
            (33.4484, -112.074, "2025-01-15T07:32:11-07:00", "2025-01-15T17:43:50-07:00"),
            (33.4484, -112.074, "2025-03-20T06:31:27-07:00", "2025-03-20T18:40:11-07:00"),
            (33.4484, -112.074, "2025-06-21T05:19:02-07:00", "2025-06-21T19:41:23-07:00"),
            (33.4484, -112.074, "2025-09-22T06:16:42-07:00", "2025-09-22T18:24:24-07:00"),
            (33.4484, -112.074, "2025-12-21T07:28:34-07:00", "2025-12-21T17:24:41-07:00"),
            (64.1466, -21.9426, "2025-03-20T07:27:46Z", "2025-03-20T19:44:06Z"),
            (64.1466, -21.9426, "2025-06-21T02:55:13Z", "2025-06-22T00:03:50Z"),
            (64.1466, -21.9426, "2025-12-21T11:22:30Z", "2025-12-21T15:29:27Z"),
            (69.6492, 18.9553, "2025-03-20T05:42:50+01:00", "2025-03-20T18:02:27+01:00"),
        ];
        for (latitude, longitude, rise, set) in cases {
            let noon = utc(rise) + (utc(set) - utc(rise)) / 2;
            check_day(latitude, longitude, &noon.to_rfc3339(), [Some(rise), None, Some(set)], 15);
        }
    }

    #[test]
    fn polar_day_and_polar_night_are_told_apart() {
        // ephem 4.2.1 for Tromsø 2025: always up on 21 June, never up on 21 December.
        let day = |noon: &str| sun_day(Degrees(69.6492), Degrees(18.9553), utc(noon));
        assert_eq!(day("2025-06-21T11:00:00Z").sun, Sun::Up { rise: None, set: None });
        assert_eq!(day("2025-12-21T11:00:00Z").sun, Sun::Down);
        let (from, to) = day("2025-06-21T11:00:00Z").up().expect("polar day");
        assert_eq!(to - from, TimeDelta::hours(24));
        assert_eq!(day("2025-12-21T11:00:00Z").up(), None);
        // At the poles the sun rises and sets once a year.
        assert_eq!(
            sun_day(Degrees(90.0), Degrees(0.0), utc("2025-06-21T12:00:00Z")).sun,
            day("2025-06-21T11:00:00Z").sun
        );
        assert_eq!(sun_day(Degrees(-90.0), Degrees(0.0), utc("2025-06-21T12:00:00Z")).sun, Sun::Down);
    }

    #[test]
    fn entering_polar_day_the_sun_rises_and_does_not_set() {
        let days: Vec<Sun> = (0..10)
            .map(|day| {
                sun_day(Degrees(69.6492), Degrees(18.9553), utc("2025-05-14T11:00:00Z") + TimeDelta::days(day)).sun
            })
            .collect();
        let first_without_set = days.iter().position(|sun| matches!(sun, Sun::Up { set: None, .. })).expect("one");
        assert!(days[..first_without_set].iter().all(|sun| matches!(sun, Sun::Up { rise: Some(_), set: Some(_) })));
        assert!(days[first_without_set + 1..].iter().all(|sun| *sun == Sun::Up { rise: None, set: None }));
    }

    #[test]
    fn the_first_estimate_counts_elevation_downwards() {
        // The crate's documentation says elevation and its code means depression: +6° in the morning is civil dawn,
        // when the sun is 6° below the horizon. We ask it for rise and set alone; should this change, look again.
        let place = Coordinates::new(38.72, -9.14).expect("on the globe");
        let day = SolarDay::new(place, utc("2026-03-01T00:00:00Z").date_naive());
        let six = |sign: f64| SolarEvent::Elevation { elevation: (sign * 6.0_f64).to_radians(), morning: true };
        let dawn = day.event_time(SolarEvent::Dawn(sunrise::DawnType::Civil));
        assert!(dawn.is_some());
        assert_eq!(day.event_time(six(1.0)), dawn);
        assert!(day.event_time(six(-1.0)) > day.event_time(SolarEvent::Sunrise));
    }

    #[test]
    fn day_lengths_agree_with_the_cbm_model_within_its_own_error() {
        // Forsythe et al. 1995, Ecol. Model. 80:87-95, day length by the sunrise definition; the formula from memory,
        // hours as computed from it for days 1, 80, 172, 266 and 355. The model belongs to no particular year: its
        // equinoxes are up to a day and a half from those of 2025, and the minutes allowed are that much change of day
        // length at each latitude.
        let cases: [(f64, f64, [f64; 5]); 8] = [
            (0.0, 1.0, [12.1208, 12.1111, 12.1211, 12.1111, 12.1211]),
            (23.5, 2.5, [10.7106, 12.1164, 13.5840, 12.1359, 10.6853]),
            (35.0, 3.5, [9.8401, 12.1280, 14.5129, 12.1594, 9.7981]),
            (-35.0, 3.5, [14.4688, 12.1433, 9.7975, 12.1119, 14.5123]),
            (45.0, 5.0, [8.8260, 12.1462, 15.6183, 12.1911, 8.7628]),
            (52.0, 6.0, [7.8264, 12.1664, 16.7349, 12.2239, 7.7395]),
            (60.0, 8.0, [6.0097, 12.2032, 18.8703, 12.2810, 5.8670]),
            (65.0, 10.0, [3.8431, 12.2394, 22.0498, 12.3357, 3.5774]),
        ];
        for (latitude, minutes, hours) in cases {
            for (day, expected) in [1, 80, 172, 266, 355].into_iter().zip(hours) {
                let noon = utc("2025-01-01T12:00:00Z") + TimeDelta::days(day - 1);
                let (rise, set) = sun_day(Degrees(latitude), Degrees(0.0), noon).up().expect("below the polar circle");
                near((set - rise).num_seconds() as f64 / 3600.0, expected, minutes / 60.0);
            }
        }
    }

    #[test]
    fn a_day_length_never_jumps_from_one_date_to_the_next() {
        // By the ephemeris of tests/sun.rs the steepest change in a year is 452 s a day, at 65° south; a minute more is
        // allowed, for years other than that one and for our own 15 s at each end.
        for latitude in (-65..=65).step_by(5) {
            let mut before = None;
            for day in 0..1500 {
                let noon = utc("2023-12-01T12:00:00Z") + TimeDelta::days(day);
                let (rise, set) = sun_day(Degrees(f64::from(latitude)), Degrees(0.0), noon).up().expect("a day");
                let length = (set - rise).num_seconds();
                if let Some(before) = before.replace(length) {
                    assert!((length - before).abs() <= 512, "{latitude}° {noon}: {before} s, then {length} s");
                }
            }
        }
    }

    #[test]
    fn no_place_and_no_time_is_too_strange() {
        for latitude in [-90.0, -89.99, -66.6, 0.0, 66.56, 90.0, 91.0, f64::NAN, f64::INFINITY] {
            for longitude in [-180.0, 0.0, 180.0, 180.1, f64::NAN] {
                for at in [DateTime::<Utc>::MIN_UTC, DateTime::UNIX_EPOCH, DateTime::<Utc>::MAX_UTC] {
                    let day = sun_day(Degrees(latitude), Degrees(longitude), at);
                    if let Sun::Up { rise, set } = day.sun {
                        assert!(rise.is_none_or(|rise| rise <= day.transit), "{latitude} {longitude} {at}");
                        assert!(set.is_none_or(|set| set >= day.transit), "{latitude} {longitude} {at}");
                    }
                }
            }
        }
    }
}
