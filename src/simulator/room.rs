//! Temperature of the room the enclosures stand in: day, season, weather and heat waves.
//!
//! It runs in straight lines between knots, so that the thermal networks of the enclosures can be solved exactly. What
//! the knots stand on is a smooth model, or the hours of a weather record.

use chrono::{DateTime, Utc};

use crate::settings::Place;
use crate::units::{Celsius, Kelvin};

use super::active::millis;
use super::fault::{Fault, TimedFault};
use super::random::Pcg32;

/// How the room's temperature runs. The defaults are guesses at a lived-in room with background heating.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Climate {
    /// Mean over the year.
    pub mean: Celsius,
    /// Half the difference between the warmest and the coldest day of the year.
    pub season: Kelvin,
    /// Half the difference between the warmest and the coldest hour of a day.
    pub day: Kelvin,
    /// Greatest departure by people and doors.
    pub wander: Kelvin,
    /// Standard deviation of a day's mean by the weather, which carries over from day to day.
    pub weather: Kelvin,
}

impl Default for Climate {
    fn default() -> Climate {
        // All guesses.
        Climate {
            mean: Celsius(20.5),
            season: Kelvin(2.0),
            day: Kelvin(1.2),
            wander: Kelvin(0.5),
            weather: Kelvin(0.4),
        }
    }
}

/// Where the room's temperature comes from.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Weather {
    /// The [`Climate`], with its weather drawn from the seed.
    #[default]
    Drawn,
    /// A record of hours, °C, straight lines between them: an unheated room that follows it. Before its first and after
    /// its last hour it holds still.
    Hourly {
        /// When the first hour was measured.
        first: DateTime<Utc>,
        /// One temperature an hour, °C.
        celsius: Vec<f32>,
    },
}

/// Warmest hour of the day by mean solar time, and warmest day of the year in the north: guesses that follow common
/// experience, a few hours after noon and a few weeks after the solstice.
const WARMEST_HOUR: f64 = 16.0;
const WARMEST_DAY: f64 = 205.0;

/// Periods of the wandering part in hours: guesses without a common divisor, so that no two days are alike.
const WANDER_HOURS: [f64; 3] = [7.3, 31.0, 173.0];

/// From knot to knot of the model, ms: a quarter of an hour. A daily swing of ±1.2 K departs from its straight lines by
/// at most h²/8·max|f''| = 900²/8·1.2·(2π/86 400)² = 0.0006 K.
const KNOT: i64 = 900_000;
/// Knots of a day.
const KNOTS: i64 = DAY / KNOT;
/// From knot to knot of a record, ms.
const HOUR: i64 = 3_600_000;
/// Milliseconds of a day.
const DAY: i64 = 86_400_000;
/// Days of a year of mean length: the season may be a day off, which the room does not mind.
const YEAR: f64 = 365.25;

/// How much of a day's weather is left the day after: a guess after common experience of daily means.
const CARRIED: f64 = 0.7;
/// Days of weather that still count.
const REMEMBERED: i64 = 12;
/// The stream of day 0, 1970-01-01. Days have one each, far from those of probes.
const WEATHER_STREAM: u64 = 1 << 61;

/// How fast an open window cools a room, and how fast heating brings it back, ms: guesses.
const WINDOW_COOLS: u64 = 15 * 60_000;
const WINDOW_WARMS: u64 = 60 * 60_000;

/// Waves of the model: the season, the day and those of the wandering part.
const WAVES: usize = 2 + WANDER_HOURS.len();

/// Cosine and sine of an angle.
type Turn = (f64, f64);

/// Cosine and sine of so many whole turns.
fn turn(turns: f64) -> Turn {
    let angle = std::f64::consts::TAU * turns;
    (libm::cos(angle), libm::sin(angle))
}

/// How often each wave goes round in `days`.
fn rounds(days: f64) -> [f64; WAVES] {
    let [a, b, c] = WANDER_HOURS.map(|period| 24.0 * days / (std::f64::consts::TAU * period));
    [days / YEAR, days, a, b, c]
}

/// A room with its weather drawn. Moments are milliseconds since the world began.
#[derive(Clone, Debug)]
pub(super) struct Room {
    /// How its temperature runs.
    climate: Climate,
    /// Where it comes from.
    weather: Weather,
    /// Wall time at which the world began.
    start: DateTime<Utc>,
    /// East positive, degrees: sets mean solar time.
    longitude: f64,
    /// Whether the year runs the southern way.
    south: bool,
    /// Phases of the wandering part, radians.
    phases: [f64; 3],
    /// How far each wave of the model turns from a day's beginning to each of its knots.
    turns: Vec<[Turn; WAVES]>,
    /// What the weather is drawn from.
    seed: u64,
    /// What faults add.
    swells: Vec<Swell>,
}

/// Something added to the temperature: it rises evenly, stays and falls evenly.
#[derive(Clone, Copy, Debug)]
struct Swell {
    /// Beginning, reached height, end of the height and end, ms. Where two are the same it jumps.
    corners: [u64; 4],
    /// Height, K.
    height: f64,
}

impl Swell {
    /// One that rises within `rise` ms and falls within `fall` ms, from `at` until `until`. Where it ends before it has
    /// risen it turns back from where it is.
    fn new(timed: &TimedFault, by: f64, rise: u64, fall: u64) -> Swell {
        let (at, until) = (millis(timed.at), timed.until.map_or(u64::MAX, millis));
        let length = until.saturating_sub(at);
        let share = if length < rise { length as f64 / rise as f64 } else { 1.0 };
        let full = at.saturating_add(rise).min(until).max(at);
        Swell { corners: [at, full, until.max(full), until.max(full).saturating_add(fall)], height: by * share }
    }

    /// Value (K), slope (K/ms) and next corner at `now`; at a corner, those after it.
    fn at(&self, now: u64) -> (f64, f64, u64) {
        let [from, full, fade, gone] = self.corners;
        let passed = |since: u64| now.saturating_sub(since) as f64;
        if now < from {
            (0.0, 0.0, from)
        } else if now < full {
            let slope = self.height / (full - from) as f64;
            (slope * passed(from), slope, full)
        } else if now < fade {
            (self.height, 0.0, fade)
        } else if now < gone {
            let slope = -self.height / (gone - fade) as f64;
            (self.height + slope * passed(fade), slope, gone)
        } else {
            (0.0, 0.0, u64::MAX)
        }
    }
}

/// What was computed last, to spare doing it again.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cursor {
    /// The knot before, and the values (°C) at it and at the one after.
    knot: (i64, f64, f64),
    /// A day, and the weather (K) on it and on the one after.
    day: (i64, f64, f64),
    /// A day, and where each wave of the model stands as it begins.
    waves: (i64, [Turn; WAVES]),
}

impl Default for Cursor {
    fn default() -> Cursor {
        Cursor { knot: (i64::MIN, 0.0, 0.0), day: (i64::MIN, 0.0, 0.0), waves: (i64::MIN, [(0.0, 0.0); WAVES]) }
    }
}

/// A straight piece of the room's temperature.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Piece {
    /// Where it begins, ms.
    pub from: u64,
    /// Where it ends, ms.
    pub until: u64,
    /// Temperature at its beginning, °C.
    pub value: f64,
    /// How it changes, K/s.
    pub slope: f64,
}

impl Room {
    /// A room at `place` from `start` on, whose weather comes from `seed` and which suffers those of `faults` that are
    /// about rooms.
    pub fn new(
        (climate, weather): (Climate, Weather),
        place: Place,
        start: DateTime<Utc>,
        seed: u64,
        faults: &[TimedFault],
    ) -> Room {
        let mut generator = Pcg32::new(seed, 0);
        let swells = faults.iter().filter_map(|timed| {
            let (by, rise, fall) = match timed.fault {
                Fault::RoomWarms(by) => (by.0, 0, 0),
                Fault::HeatWave(by, ramp) => (by.0, millis(ramp), millis(ramp)),
                Fault::WindowOpens(by) => (-by.0, WINDOW_COOLS, WINDOW_WARMS),
                _ => return None,
            };
            Some(Swell::new(timed, by, rise, fall))
        });
        Room {
            climate,
            weather,
            start,
            longitude: place.longitude.0,
            south: place.latitude.0 < 0.0,
            phases: WANDER_HOURS.map(|_| std::f64::consts::TAU * generator.unit()),
            turns: (0..KNOTS).map(|knot| rounds(knot as f64 / KNOTS as f64).map(turn)).collect(),
            seed,
            swells: swells.collect(),
        }
    }

    /// The straight piece that `now` lies in, from `now` on.
    pub fn piece(&self, now: u64, cursor: &mut Cursor) -> Piece {
        let span = if matches!(self.weather, Weather::Hourly { .. }) { HOUR } else { KNOT };
        // Knots stand at round times of the wall clock, or at the hours of the record.
        let origin = match &self.weather {
            Weather::Hourly { first, .. } => first.timestamp_millis(),
            Weather::Drawn => 0,
        };
        let wall = self.start.timestamp_millis().saturating_add_unsigned(now) - origin;
        let knot = wall.div_euclid(span);
        if cursor.knot.0 != knot {
            let left = if cursor.knot.0 == knot - 1 { cursor.knot.2 } else { self.knot(knot, cursor) };
            cursor.knot = (knot, left, self.knot(knot + 1, cursor));
        }
        let (_, left, right) = cursor.knot;
        let into = wall - knot * span;
        let mut slope = (right - left) / span as f64;
        let mut value = left + slope * into as f64;
        let mut until = now.saturating_add_signed(span - into);
        for swell in &self.swells {
            let (height, rate, corner) = swell.at(now);
            value += height;
            slope += rate;
            until = until.min(corner);
        }
        Piece { from: now, until, value, slope: slope * 1000.0 }
    }

    /// The temperature at `now`.
    #[cfg(test)]
    fn at(&self, now: u64) -> f64 {
        self.piece(now, &mut Cursor::default()).value
    }

    /// The temperature (°C) at a knot, without what faults add.
    fn knot(&self, knot: i64, cursor: &mut Cursor) -> f64 {
        match &self.weather {
            Weather::Drawn => self.model(knot, cursor),
            Weather::Hourly { celsius, .. } => {
                let last = celsius.len().saturating_sub(1);
                let hour = usize::try_from(knot.max(0)).unwrap_or(last).min(last);
                celsius.get(hour).map_or(self.climate.mean.0, |celsius| f64::from(*celsius))
            }
        }
    }

    /// Where each wave of the model stands as a day begins: the season from its warmest day, the day from its warmest
    /// hour by mean solar time, the wandering from anywhere, its periods being those of radians.
    fn waves(&self, day: i64) -> [Turn; WAVES] {
        let days = rounds(day as f64);
        let season = (day as f64 % YEAR - WARMEST_DAY) / YEAR + if self.south { 0.5 } else { 0.0 };
        let hour = self.longitude / 360.0 - WARMEST_HOUR / 24.0;
        let wander = |i: usize| turn((days[2 + i] + self.phases[i] / std::f64::consts::TAU).fract());
        [turn(season), turn(hour), wander(0), wander(1), wander(2)]
    }

    /// The temperature (°C) of the model at a knot, whose waves are those of its day turned on: the cosine and the sine
    /// of a sum need no other functions than those of its parts.
    fn model(&self, knot: i64, cursor: &mut Cursor) -> f64 {
        let (day, into) = (knot.div_euclid(KNOTS), knot.rem_euclid(KNOTS));
        if cursor.waves.0 != day {
            cursor.waves = (day, self.waves(day));
        }
        let on = &self.turns[into as usize];
        let cosine = |i: usize| cursor.waves.1[i].0 * on[i].0 - cursor.waves.1[i].1 * on[i].1;
        let sine = |i: usize| cursor.waves.1[i].1 * on[i].0 + cursor.waves.1[i].0 * on[i].1;
        let (season, hour, wander) = (cosine(0), cosine(1), (sine(2) + sine(3) + sine(4)) / WANDER_HOURS.len() as f64);
        self.climate.mean.0
            + self.climate.season.0 * season
            + self.climate.day.0 * hour
            + self.climate.wander.0 * wander
            + self.climate.weather.0 * self.weather_at(day, into as f64 / KNOTS as f64, cursor)
    }

    /// The weather as a multiple of its standard deviation, from day to day in straight lines.
    fn weather_at(&self, day: i64, into: f64, cursor: &mut Cursor) -> f64 {
        if self.climate.weather.0 == 0.0 {
            return 0.0;
        }
        if cursor.day.0 != day {
            let left = if cursor.day.0 == day - 1 { cursor.day.2 } else { self.weather_of(day) };
            cursor.day = (day, left, self.weather_of(day + 1));
        }
        cursor.day.1 + (cursor.day.2 - cursor.day.1) * into
    }

    /// The weather of a day: what the days before have left, fading, and what it brings itself. An autoregressive
    /// process of the first order, cut where nothing is left, so that any day can be asked for alone.
    fn weather_of(&self, day: i64) -> f64 {
        let (mut sum, mut left) = (0.0, 1.0);
        let mut squares = 0.0;
        for before in 0..REMEMBERED {
            sum += left * Pcg32::new(self.seed, WEATHER_STREAM.wrapping_add_signed(day - before)).normal();
            squares += left * left;
            left *= CARRIED;
        }
        sum / f64::sqrt(squares)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Degrees;
    use chrono::{TimeDelta, TimeZone};
    use std::time::Duration;

    const MINUTE: u64 = 60_000;

    fn start() -> DateTime<Utc> {
        Utc.with_ymd_and_hms(2026, 1, 1, 0, 0, 0).single().expect("a plain UTC time")
    }

    fn room(climate: Climate, latitude: f64, faults: &[TimedFault]) -> Room {
        let place = Place { latitude: Degrees(latitude), longitude: Degrees(0.0) };
        Room::new((climate, Weather::Drawn), place, start(), 3, faults)
    }

    fn calm() -> Climate {
        Climate { wander: Kelvin(0.0), weather: Kelvin(0.0), ..Climate::default() }
    }

    fn still() -> Climate {
        Climate { season: Kelvin(0.0), day: Kelvin(0.0), ..calm() }
    }

    fn timed(at: u64, until: Option<u64>, fault: Fault) -> TimedFault {
        TimedFault { at: Duration::from_millis(at), until: until.map(Duration::from_millis), fault }
    }

    #[test]
    fn afternoons_are_warmer_than_mornings_and_july_than_january() {
        let day = |room: &Room, day: u64| (0..24).map(|h| room.at((24 * day + h) * 60 * MINUTE)).sum::<f64>() / 24.0;
        let (north, south) = (room(calm(), 50.0, &[]), room(calm(), -34.0, &[]));
        assert!(
            north.at(16 * 60 * MINUTE) - north.at(4 * 60 * MINUTE) > 2.3,
            "the whole daily swing of 2 · 1.2 K, nearly"
        );
        assert!(day(&north, 195) - day(&north, 14) > 3.0);
        assert!(day(&south, 14) - day(&south, 195) > 3.0, "the southern year runs the other way");
    }

    /// The model's formula, written down as it is meant: what any moment of the wall clock has, °C.
    fn formula(room: &Room, wall: i64) -> f64 {
        let (day, into) = (wall.div_euclid(DAY), wall.rem_euclid(DAY) as f64 / DAY as f64);
        let cosine = |x: f64| f64::cos(std::f64::consts::TAU * x);
        let season = cosine((day as f64 + into - 205.0) / 365.25) * if room.south { -1.0 } else { 1.0 };
        let hour = cosine((into * 24.0 + room.longitude / 15.0 - 16.0) / 24.0);
        let wander = [7.3, 31.0, 173.0].iter().zip(room.phases);
        let wander: f64 = wander.map(|(period, phase)| f64::sin(wall as f64 / 3.6e6 / period + phase)).sum();
        let (left, right) = (room.weather_of(day), room.weather_of(day + 1));
        let Climate { mean, season: year, day: daily, wander: wanders, weather } = room.climate;
        mean.0
            + year.0 * season
            + daily.0 * hour
            + wanders.0 * wander / 3.0
            + weather.0 * (left + (right - left) * into)
    }

    #[test]
    fn knots_stand_where_the_formula_says() {
        for latitude in [50.0, -34.0] {
            let mut room = room(Climate::default(), latitude, &[]);
            room.longitude = 117.0;
            let mut cursor = Cursor::default();
            for knot in (1_900_000..1_960_000).step_by(7) {
                // Angles of half a million radians leave doubles 10⁻¹⁰ of their sine.
                let (own, expected) = (room.model(knot, &mut cursor), formula(&room, knot * KNOT));
                assert!((own - expected).abs() < 1e-9, "{own} is not {expected}");
            }
        }
    }

    #[test]
    fn straight_pieces_join_and_follow_the_model() {
        let room = room(Climate::default(), 50.0, &[]);
        let mut cursor = Cursor::default();
        let mut piece = room.piece(12_345, &mut cursor);
        for _ in 0..5000 {
            let end = piece.value + piece.slope * (piece.until - piece.from) as f64 / 1000.0;
            let next = room.piece(piece.until, &mut cursor);
            assert!((next.value - end).abs() < 1e-9 && next.until > piece.until);
            let middle = piece.from.midpoint(piece.until);
            let line = piece.value + piece.slope * (middle - piece.from) as f64 / 1000.0;
            let wall = room.start.timestamp_millis() + middle as i64;
            // The bound of the daily swing and as much again for the quickest wandering.
            assert!((line - formula(&room, wall)).abs() < 0.002);
            piece = next;
        }
    }

    #[test]
    fn weather_has_its_deviation_and_carries_over() {
        let room = room(Climate::default(), 50.0, &[]);
        let days: Vec<f64> = (0..4000).map(|day| room.weather_of(day)).collect();
        let mean = days.iter().sum::<f64>() / 4000.0;
        let product = |lag: usize| days.windows(lag + 1).map(|w| w[0] * w[lag]).sum::<f64>() / 4000.0;
        // An autoregressive process of the first order has variance one, correlation 0.7 after a day and 0.7⁵ after
        // five (textbook); its mean over n days has a deviation of √((1 + 0.7)/(1 − 0.7)/n) = 0.038. Four of those.
        assert!(mean.abs() < 0.16, "{mean}");
        for (lag, expected) in [(0, 1.0), (1, 0.7), (5, 0.168)] {
            assert!((product(lag) - expected).abs() < 0.16, "{lag}: {}", product(lag));
        }
    }

    #[test]
    fn a_heat_wave_rises_stays_and_goes() {
        let hours = |h: u64| h * 60 * MINUTE;
        let wave = Fault::HeatWave(Kelvin(8.0), Duration::from_secs(7200));
        for (until, expected) in [
            (
                Some(hours(20)),
                vec![(9, 0.0), (10, 0.0), (11, 4.0), (12, 8.0), (19, 8.0), (20, 8.0), (21, 4.0), (22, 0.0)],
            ),
            (Some(hours(11)), vec![(11, 4.0), (12, 2.0), (13, 0.0)]),
            (None, vec![(1000, 8.0)]),
        ] {
            let room = room(still(), 50.0, &[timed(hours(10), until, wave)]);
            for (hour, by) in expected {
                assert!((room.at(hours(hour)) - 20.5 - by).abs() < 1e-9, "{until:?} {hour}");
            }
        }
    }

    #[test]
    fn jumps_and_windows_are_exact_in_time_and_add() {
        let faults = [
            timed(61_001, Some(200_003), Fault::RoomWarms(Kelvin(3.0))),
            timed(0, Some(60 * MINUTE), Fault::WindowOpens(Kelvin(6.0))),
        ];
        let room = room(still(), 50.0, &faults);
        let at = |ms| room.at(ms) - 20.5;
        assert!((at(61_001) - at(61_000) - 3.0).abs() < 0.001 && (at(200_002) - at(200_003) - 3.0).abs() < 0.001);
        assert_eq!((room.piece(61_000, &mut Cursor::default()).until, at(30 * MINUTE)), (61_001, -6.0));
        assert!((at(90 * MINUTE) + 3.0).abs() < 1e-9 && at(121 * MINUTE) == 0.0);
    }

    #[test]
    fn a_record_is_followed_in_straight_lines_and_held_at_its_ends() {
        let weather = Weather::Hourly { first: start() + TimeDelta::minutes(30), celsius: vec![10.0, 14.0, 12.0] };
        let place = Place { latitude: Degrees(50.0), longitude: Degrees(0.0) };
        let room = Room::new((still(), weather), place, start(), 1, &[]);
        for (minute, expected) in [(0, 10.0), (30, 10.0), (45, 11.0), (90, 14.0), (120, 13.0), (150, 12.0), (900, 12.0)]
        {
            assert!((room.at(minute * MINUTE) - expected).abs() < 1e-12, "{minute}");
        }
    }
}
