//! Temperature of the room the enclosures stand in, by day and season.

use chrono::{DateTime, Datelike, Timelike, Utc};

use crate::settings::Place;
use crate::units::{Celsius, Kelvin};

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
    /// Greatest departure by weather and people.
    pub wander: Kelvin,
}

impl Default for Climate {
    fn default() -> Climate {
        // All guesses.
        Climate { mean: Celsius(20.5), season: Kelvin(2.0), day: Kelvin(1.2), wander: Kelvin(0.6) }
    }
}

/// Warmest hour of the day by mean solar time, and warmest day of the year in the north: guesses that follow common
/// experience, a few hours after noon and a few weeks after the solstice.
const WARMEST_HOUR: f64 = 16.0;
const WARMEST_DAY: f64 = 205.0;

/// Periods of the wandering part in hours: guesses without a common divisor, so that no two days are alike.
const WANDER_HOURS: [f64; 3] = [7.3, 31.0, 173.0];

/// A room with its weather drawn.
#[derive(Clone, Debug)]
pub struct Room {
    /// How its temperature runs.
    climate: Climate,
    /// East positive, degrees: sets mean solar time.
    longitude: f64,
    /// Whether the year runs the southern way.
    south: bool,
    /// Phases of the wandering part, radians.
    phases: [f64; 3],
    /// What faults add at the moment.
    extra: Kelvin,
}

impl Room {
    /// A room at `place` whose weather comes from `generator`.
    pub fn new(climate: Climate, place: Place, generator: &mut Pcg32) -> Room {
        let phases = WANDER_HOURS.map(|_| std::f64::consts::TAU * generator.unit());
        Room { climate, longitude: place.longitude.0, south: place.latitude.0 < 0.0, phases, extra: Kelvin(0.0) }
    }

    /// Warms the room by `extra` until told otherwise: a heat wave, or heating that has failed.
    pub fn set_extra(&mut self, extra: Kelvin) {
        self.extra = extra;
    }

    /// The temperature at `wall`.
    pub fn at(&self, wall: DateTime<Utc>) -> Celsius {
        let hours = f64::from(wall.num_seconds_from_midnight()) / 3600.0 + f64::from(wall.nanosecond()) / 3.6e12;
        let solar = hours + self.longitude / 15.0;
        let day = f64::from(wall.ordinal0()) + hours / 24.0;
        let turn = |x: f64| libm::cos(std::f64::consts::TAU * x);
        let season = turn((day - WARMEST_DAY) / 365.25) * if self.south { -1.0 } else { 1.0 };
        // Hours since a fixed date, so that the wandering part runs on across midnights.
        let since = wall.timestamp_millis() as f64 / 3.6e6;
        let wander = WANDER_HOURS.iter().zip(self.phases).map(|(period, phase)| libm::sin(since / period + phase));
        let departure = self.climate.season.0 * season
            + self.climate.day.0 * turn((solar - WARMEST_HOUR) / 24.0)
            + self.climate.wander.0 * wander.sum::<f64>() / WANDER_HOURS.len() as f64
            + self.extra.0;
        self.climate.mean + Kelvin(departure)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Degrees;
    use chrono::TimeZone;

    fn room(latitude: f64) -> Room {
        let climate = Climate { wander: Kelvin(0.0), ..Climate::default() };
        let place = Place { latitude: Degrees(latitude), longitude: Degrees(0.0) };
        Room::new(climate, place, &mut Pcg32::new(1, 1))
    }

    fn mean_of_day(room: &Room, month: u32) -> f64 {
        let hour = |h| Utc.with_ymd_and_hms(2026, month, 15, h, 0, 0).single().expect("a plain UTC time");
        (0..24).map(|h| room.at(hour(h)).0).sum::<f64>() / 24.0
    }

    #[test]
    fn afternoons_are_warmer_than_mornings_and_july_than_january() {
        let north = room(50.0);
        let at = |h| north.at(Utc.with_ymd_and_hms(2026, 4, 18, h, 0, 0).single().expect("a plain UTC time")).0;
        assert!(at(16) - at(4) > 2.0, "the whole daily swing of 2 · 1.2 K, nearly");
        assert!(mean_of_day(&north, 7) - mean_of_day(&north, 1) > 3.0);
        let south = room(-34.0);
        assert!(mean_of_day(&south, 1) - mean_of_day(&south, 7) > 3.0, "the southern year runs the other way");
    }

    #[test]
    fn a_room_stays_within_its_climate() {
        let climate = Climate::default();
        let place = Place { latitude: Degrees(50.0), longitude: Degrees(120.0) };
        let room = Room::new(climate, place, &mut Pcg32::new(3, 9));
        let reach = climate.season.0 + climate.day.0 + climate.wander.0;
        let start = Utc.with_ymd_and_hms(2026, 1, 1, 0, 0, 0).single().expect("a plain UTC time");
        for hour in 0..8760 {
            let departure = (room.at(start + chrono::TimeDelta::hours(hour)) - climate.mean).0;
            assert!(departure.abs() <= reach, "{departure} K at hour {hour}");
        }
    }
}
