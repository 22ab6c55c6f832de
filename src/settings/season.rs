//! A year of a care sheet: what changes with the season, and a cooling season.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{Days, NaiveDate};

use super::Target;
use crate::science::seasonal::{Seasonal, place_of_date};
use crate::units::{Celsius, Kelvin};

/// What of a care sheet changes over the year, and a cooling season.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Program {
    /// How many days later than the calendar its year runs.
    pub shift: u32,
    /// For how many hours of the day lamps give UV, about its middle; none: as long as their windows.
    pub uv_hours: Option<Seasonal>,
    /// How much cooler nights are than days, K; none: the sheet's own nights.
    pub night_drop: Option<Seasonal>,
    /// Targets by day, °C, by spot; where a spot has none, the sheet's own.
    pub day: BTreeMap<&'static str, Seasonal>,
    /// The cooling season (brumation).
    pub cooling: Option<Cooling>,
}

/// A cooling season: a way down, a stay and a way up.
#[derive(Clone, Debug, PartialEq)]
pub struct Cooling {
    /// Month and day on which the way down begins.
    pub start: (u32, u32),
    /// Days of the way down, at least one.
    pub down: u32,
    /// Days of the stay.
    pub stay: u32,
    /// Days of the way up, at least one.
    pub up: u32,
    /// Day length during the stay; none: as without it.
    pub day_length: Option<Duration>,
    /// Hours of UV during the stay; none: as without it.
    pub uv_hours: Option<Duration>,
    /// Targets during the stay, by spot; where a spot has none, as without it.
    pub spots: BTreeMap<&'static str, Target>,
    /// The spot whose temperature tells whether it is cold enough.
    pub spot: &'static str,
    /// It does not begin before the coolest hour of a day has been at or below this; none: it asks for nothing.
    pub start_below: Option<Celsius>,
    /// The stay is broken off when the spot has been above this …
    pub break_above: Option<Celsius>,
    /// … for so many hours without a break.
    pub break_after: u32,
}

/// What one spot is held at over the year.
#[derive(Clone, Debug, PartialEq)]
pub struct SpotYear {
    /// How many days later than the calendar its year runs.
    pub shift: u32,
    /// By day, °C.
    pub day: Option<Seasonal>,
    /// How much cooler by night, K.
    pub night_drop: Option<Seasonal>,
    /// During the stay of a cooling season.
    pub cooled: Option<Target>,
}

impl Program {
    /// What a spot is held at over the year; none where that is always the same.
    pub fn of_spot(&self, spot: &str) -> Option<SpotYear> {
        let year = SpotYear {
            shift: self.shift,
            day: self.day.get(spot).cloned(),
            night_drop: self.night_drop.clone(),
            cooled: self.cooling.as_ref().and_then(|cooling| cooling.spots.get(spot).copied()),
        };
        (year.day.is_some() || year.night_drop.is_some() || year.cooled.is_some()).then_some(year)
    }

    /// Hours of UV on a date, so deep in a cooling season (0..=1); none: as long as the day.
    pub fn uv_hours_on(&self, date: NaiveDate, depth: f64, day_length: f64) -> Option<f64> {
        let usual = self.uv_hours.as_ref().map(|hours| hours.at(season_place(date, self.shift)));
        let cooled =
            self.cooling.as_ref().and_then(|cooling| cooling.uv_hours).map(|hours| hours.as_secs_f64() / 3600.0);
        match cooled.filter(|_| depth > 0.0) {
            Some(cooled) => Some(between(usual.unwrap_or(day_length), cooled, depth)),
            None => usual,
        }
    }
}

impl Cooling {
    /// The planned season whose beginning is nearest to a date, its year running `shift` days late: the date on which its
    /// way down begins.
    pub fn nearest_start(&self, date: NaiveDate, shift: u32) -> Option<NaiveDate> {
        use chrono::Datelike as _;
        let year = date.year();
        let start = |year: i32| {
            let (month, day) = self.start;
            // 29 February is the 28th where there is none.
            let start = NaiveDate::from_ymd_opt(year, month, day).or(NaiveDate::from_ymd_opt(year, month, day - 1))?;
            start.checked_add_days(Days::new(u64::from(shift)))
        };
        let starts = (year - 2..=year + 1).filter_map(start);
        starts.min_by_key(|start| (*start - date).num_days().abs())
    }
}

impl SpotYear {
    /// The target on a date, so deep in a cooling season (0..=1); `base`: the care sheet's own.
    pub fn target(&self, base: Target, date: NaiveDate, depth: f64) -> Target {
        let place = season_place(date, self.shift);
        let day = self.day.as_ref().map_or(base.day, |curve| Celsius(curve.at(place)));
        let drop = self.night_drop.as_ref().map(|curve| Kelvin(curve.at(place)));
        let night = drop.map_or(base.night, |drop| day - drop);
        match self.cooled.filter(|_| depth > 0.0) {
            Some(cooled) => Target {
                day: Celsius(between(day.0, cooled.day.0, depth)),
                night: Celsius(between(night.0, cooled.night.0, depth)),
            },
            None => Target { day, night },
        }
    }

    /// The highest target of the year.
    pub fn highest(&self, base: Target) -> Celsius {
        let day = self.day.as_ref().map_or(base.day, |curve| Celsius(curve.range().1));
        let night = if self.night_drop.is_some() { day } else { base.night };
        let cooled = self.cooled.map_or(f64::NEG_INFINITY, |cooled| cooled.day.0.max(cooled.night.0));
        Celsius(day.0.max(night.0).max(cooled))
    }
}

/// The place in the year of a date of a season that runs late.
pub fn season_place(date: NaiveDate, shift: u32) -> f64 {
    place_of_date(date) - f64::from(shift)
}

/// From `one` to `other`.
fn between(one: f64, other: f64, share: f64) -> f64 {
    one + (other - one) * share
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn the_nearest_season_is_the_one_that_is_on_or_comes_next() {
        let cooling = Cooling {
            start: (11, 15),
            down: 28,
            stay: 56,
            up: 28,
            day_length: None,
            uv_hours: None,
            spots: BTreeMap::new(),
            spot: "cool",
            start_below: None,
            break_above: None,
            break_after: 48,
        };
        for (at, shift, expected) in [
            ("2026-11-15", 0, "2026-11-15"),
            ("2027-02-20", 0, "2026-11-15"),
            ("2027-07-01", 0, "2027-11-15"),
            ("2027-01-10", 60, "2027-01-14"),
            ("2026-12-30", 300, "2026-09-11"),
        ] {
            assert_eq!(cooling.nearest_start(date(at), shift), Some(date(expected)), "{at} {shift}");
        }
        let leap = Cooling { start: (2, 29), ..cooling };
        assert_eq!(leap.nearest_start(date("2027-02-01"), 0), Some(date("2027-02-28")));
        assert_eq!(leap.nearest_start(date("2028-02-01"), 0), Some(date("2028-02-29")));
    }

    #[test]
    fn targets_go_by_the_year_and_by_the_depth_of_the_cooling() {
        let base = Target { day: Celsius(32.0), night: Celsius(22.0) };
        let curve = |points: &[(f64, f64)]| Seasonal::new(points);
        let cooled = Some(Target { day: Celsius(12.0), night: Celsius(8.0) });
        let year = SpotYear { shift: 0, day: curve(&[(0.0, 30.0)]), night_drop: curve(&[(0.0, 6.0)]), cooled };
        let check = |year: &SpotYear, depth, day, night| {
            let target = year.target(base, date("2026-12-01"), depth);
            assert_eq!((target.day.0, target.night.0), (day, night), "{depth}");
        };
        check(&year, 0.0, 30.0, 24.0);
        check(&year, 0.5, 21.0, 16.0);
        check(&year, 1.0, 12.0, 8.0);
        check(&SpotYear { night_drop: None, ..year.clone() }, 0.0, 30.0, 22.0);
        check(&SpotYear { cooled: None, ..year.clone() }, 1.0, 30.0, 24.0);
        assert_eq!(year.highest(base), Celsius(30.0));
        assert_eq!(SpotYear { day: None, ..year }.highest(base), Celsius(32.0));
    }
}
