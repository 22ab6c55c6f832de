//! The course of a cooling season: how deep in it each date is.

use chrono::{Days, NaiveDate};

use crate::science::seasonal::eased;
use crate::settings::Cooling;

/// A cooling season that has begun. How deep a date is in it follows from this alone, so a restart changes nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Course {
    /// The first day of the way down.
    pub begun: NaiveDate,
    /// Days on which the way down stood still.
    pub held: u32,
    /// The way down stands still since then.
    pub held_since: Option<NaiveDate>,
    /// The first day of the way up, from wherever the way down has come to.
    pub up_from: NaiveDate,
    /// Days of the whole way down.
    pub down: u32,
    /// Days of the whole way up: one from half-way takes half as long.
    pub up: u32,
}

/// Where a date lies in a cooling season.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Before it.
    Before,
    /// On the way down.
    Down,
    /// As cold as it gets.
    Stay,
    /// On the way up.
    Up,
    /// After it.
    Over,
}

impl Phase {
    /// The words for it.
    pub const fn word(self) -> &'static str {
        match self {
            Phase::Before => "not begun",
            Phase::Down => "way down",
            Phase::Stay => "stay",
            Phase::Up => "way up",
            Phase::Over => "over",
        }
    }
}

impl Course {
    /// The course of a season that begins as planned on `start` and is neither held back nor broken off.
    pub fn planned(cooling: &Cooling, start: NaiveDate) -> Course {
        Course::begun(cooling, start, start)
    }

    /// The course of a season planned for `start` that begins on `begun`. Its way up begins when it was planned to: who
    /// begins late stays less long, and spring comes when it does.
    pub fn begun(cooling: &Cooling, start: NaiveDate, begun: NaiveDate) -> Course {
        let cold = u64::from(cooling.down) + u64::from(cooling.stay);
        let up_from = start.checked_add_days(Days::new(cold)).unwrap_or(start);
        Course { begun, held: 0, held_since: None, up_from, down: cooling.down, up: cooling.up }
    }

    /// The course of a season planned for `start` that is called off before it begins: no date is in it.
    pub fn called_off(cooling: &Cooling, start: NaiveDate) -> Course {
        Course { up_from: start, ..Course::planned(cooling, start) }
    }

    /// Days gone on the way down by the morning of a date.
    fn gone(&self, date: NaiveDate) -> f64 {
        let until = self.held_since.map_or(date, |since| since.min(date)).min(self.up_from);
        let days = (until - self.begun).num_days() - i64::from(self.held);
        days.max(0) as f64
    }

    /// How deep it is when the way up begins, 0..=1.
    fn deepest(&self) -> f64 {
        eased(self.gone(self.up_from) / f64::from(self.down.max(1)))
    }

    /// Days that the way up takes.
    fn way_up(&self) -> f64 {
        (f64::from(self.up.max(1)) * self.deepest()).max(1.0)
    }

    /// How deep in the season a date is: 0 outside, 1 during the stay.
    pub fn depth(&self, date: NaiveDate) -> f64 {
        if date < self.begun {
            return 0.0;
        }
        if date < self.up_from {
            return eased(self.gone(date) / f64::from(self.down.max(1)));
        }
        let back = (date - self.up_from).num_days() as f64 / self.way_up();
        self.deepest() * (1.0 - eased(back))
    }

    /// Where a date lies in it.
    pub fn phase(&self, date: NaiveDate) -> Phase {
        if date < self.begun {
            Phase::Before
        } else if date < self.up_from {
            if self.gone(date) < f64::from(self.down.max(1)) { Phase::Down } else { Phase::Stay }
        } else if ((date - self.up_from).num_days() as f64) < self.way_up() && self.deepest() > 0.0 {
            Phase::Up
        } else {
            Phase::Over
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn date(day: i64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 11, 15).expect("a date") + chrono::TimeDelta::days(day)
    }

    const PLANNED: (u32, u32, u32) = (20, 30, 10);

    fn planned() -> Course {
        let (down, stay, up) = PLANNED;
        Course { begun: date(0), held: 0, held_since: None, up_from: date(i64::from(down + stay)), down, up }
    }

    #[test]
    fn it_goes_down_stays_and_goes_up() {
        let course = planned();
        // By hand: t²(3 − 2t) at the half and the quarters of the ways.
        for (day, depth, phase) in [
            (-1, 0.0, Phase::Before),
            (0, 0.0, Phase::Down),
            (5, 0.15625, Phase::Down),
            (10, 0.5, Phase::Down),
            (15, 0.84375, Phase::Down),
            (20, 1.0, Phase::Stay),
            (49, 1.0, Phase::Stay),
            (50, 1.0, Phase::Up),
            (55, 0.5, Phase::Up),
            (60, 0.0, Phase::Over),
            (200, 0.0, Phase::Over),
        ] {
            assert_eq!((course.depth(date(day)), course.phase(date(day))), (depth, phase), "day {day}");
        }
    }

    #[test]
    fn held_on_the_way_down_it_stands_still_and_ends_when_it_was_to() {
        let held = Course { held_since: Some(date(10)), ..planned() };
        assert!((10..50).all(|day| held.depth(date(day)) == 0.5));
        assert_eq!(held.phase(date(49)), Phase::Down);
        // From half-way up again, in half the time.
        assert_eq!((held.depth(date(50)), held.depth(date(55))), (0.5, 0.0));
        let resumed = Course { held: 8, held_since: None, ..planned() };
        assert_eq!((resumed.depth(date(18)), resumed.depth(date(28))), (0.5, 1.0));
    }

    #[test]
    fn broken_off_it_goes_up_from_where_it_is() {
        let broken = Course { up_from: date(10), ..planned() };
        assert_eq!([10, 15].map(|day| broken.depth(date(day))), [0.5, 0.0]);
        let at_once = Course { up_from: date(0), ..planned() };
        assert_eq!((at_once.depth(date(0)), at_once.phase(date(0))), (0.0, Phase::Over));
    }

    proptest! {
        /// Whatever a person does, no day is deeper or shallower than its neighbour by more than the steeper way allows.
        #[test]
        fn no_day_jumps(down in 1_u32..60, stay in 0_u32..90, up in 1_u32..60, held in 0_u32..30, broken in 0_i64..200) {
            let up_from = date(broken.min(i64::from(down + stay)));
            let course = Course { begun: date(0), held, held_since: None, up_from, down, up };
            let steepest = 1.5 / f64::from(down.min(up)) + 1e-9;
            for day in -2..300 {
                let change = course.depth(date(day + 1)) - course.depth(date(day));
                prop_assert!(change.abs() <= steepest.max(course.deepest().min(1.5 / f64::from(down.min(up)))), "day {}: {}", day, change);
                prop_assert!((0.0..=1.0).contains(&course.depth(date(day))));
            }
        }
    }
}
