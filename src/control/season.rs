//! A cooling season in one enclosure: when it begins, what holds it back, and what breaks it off.
//!
//! It is judged once an hour, by the spot that its care sheet names and what that read last, and whenever a person says
//! something. What follows from it for lamps is their business: day lengths and targets go by the [`Course`], date by date.
//!
//! - It begins on its day; within a week of it too, where the daemon did not run. Later it does not begin of itself: a
//!   configuration that is new in midwinter makes nobody cold at once.
//! - A person can hold it back, before it begins or on the way down, and let it go on. The way up comes when it was planned.
//! - It does not begin before the coolest hour of a day at its spot was cold enough.
//! - A person, or a spot that has been too warm for too long during the stay, breaks it off: the way up begins at once.
//!
//! Where the clock cannot be believed nothing begins and nothing ends.

use std::collections::VecDeque;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use crate::settings::{Cooling, EnclosureIx, Program};
use crate::units::Celsius;

use super::Controller;
use super::event::SeasonAct;
use super::photoperiod::{Course, Phase};
use super::record::SeasonRecord;
use super::trouble::Trouble;
use super::view::SeasonView;

/// A season begins this many days after its day at the latest, unless something holds it back; a guess.
const LATE: u64 = 7;
/// Hours of a day of readings.
const DAY: usize = 24;

impl SeasonRecord {
    /// The course it takes; none before it begins.
    fn course(&self, cooling: &Cooling) -> Option<Course> {
        Some(Course {
            begun: self.begun?,
            held: self.held_days,
            held_since: self.held_since,
            up_from: self.up_from?,
            down: cooling.down,
            up: cooling.up,
        })
    }

    /// The course to be reckoned with: that which it takes, or none of it where it was called off before it began. None
    /// where it is still to go as planned.
    pub fn foreseen(&self, cooling: &Cooling) -> Option<Course> {
        let called_off = || self.start.filter(|_| self.is_over).map(|start| Course::called_off(cooling, start));
        self.course(cooling).or_else(called_off)
    }
}

/// The cooling season of one enclosure.
#[derive(Clone, Debug)]
pub(super) struct Cooled {
    cooling: Cooling,
    shift: u32,
    record: SeasonRecord,
    /// What its spot read at the last full hours, oldest first.
    hours: VecDeque<f64>,
    /// When it is judged next; none: at once.
    next: Option<DateTime<Utc>>,
}

impl Cooled {
    /// Of a care sheet's program; none where it has no cooling season.
    pub(super) fn new(program: &Program) -> Option<Cooled> {
        let cooling = program.cooling.clone()?;
        let (record, hours) = (SeasonRecord::default(), VecDeque::new());
        Some(Cooled { cooling, shift: program.shift, record, hours, next: None })
    }

    /// The spot it goes by.
    pub(super) fn spot(&self) -> &'static str {
        self.cooling.spot
    }

    /// When it is judged next.
    pub(super) fn next(&self) -> Option<DateTime<Utc>> {
        self.next
    }

    /// Whether an hour has passed since it was judged, at `wall`.
    pub(super) fn is_due(&self, wall: DateTime<Utc>) -> bool {
        // One that is far ahead was set by a clock that has been put right.
        self.next.is_none_or(|next| wall >= next || next - wall > TimeDelta::hours(1))
    }

    /// Its course; none before it begins.
    pub(super) fn course(&self) -> Option<Course> {
        self.record.course(&self.cooling)
    }

    /// The course to be reckoned with: none where it is still to go as planned.
    pub(super) fn foreseen(&self) -> Option<Course> {
        self.record.foreseen(&self.cooling)
    }

    /// Takes up the season that a date belongs to.
    fn enter(&mut self, date: NaiveDate) {
        let Some(start) = self.cooling.nearest_start(date, self.shift) else { return };
        let ongoing = self.course().is_some_and(|course| !matches!(course.phase(date), Phase::Over));
        if self.record.start != Some(start) && !ongoing {
            let late = start.checked_add_days(Days::new(LATE)).is_some_and(|latest| date > latest);
            let ended = late.then(|| "it was over a week late when the daemon first knew of it".to_owned());
            self.record = SeasonRecord { start: Some(start), is_over: late, ended, ..SeasonRecord::default() };
            self.hours.clear();
        }
    }

    /// An hour has passed. `reading`: what its spot reads. Whether something is to be filed.
    pub(super) fn judge(&mut self, wall: DateTime<Utc>, zone: Tz, reading: Option<Celsius>) -> bool {
        let hour = TimeDelta::hours(1);
        let past = wall.timestamp().rem_euclid(3600);
        self.next = Some(
            wall - TimeDelta::seconds(past) - TimeDelta::nanoseconds(i64::from(wall.timestamp_subsec_nanos())) + hour,
        );
        let before = self.record.clone();
        let date = wall.with_timezone(&zone).date_naive();
        self.enter(date);
        match reading {
            Some(Celsius(value)) if value.is_finite() => {
                self.hours.push_back(value);
                if self.hours.len() > DAY {
                    self.hours.pop_front();
                }
            }
            // A day with holes tells nothing of its coolest hour.
            _ => self.hours.clear(),
        }
        self.begin_or_wait(date);
        self.look_at_the_stay(date, reading);
        if self.course().is_some_and(|course| course.phase(date) == Phase::Over) {
            self.record.is_over = true;
        }
        self.record != before
    }

    /// The coolest of the last day; none where that is not known.
    fn coolest(&self) -> Option<Celsius> {
        let coolest = self.hours.iter().copied().fold(f64::INFINITY, f64::min);
        (self.hours.len() == DAY).then_some(Celsius(coolest))
    }

    fn begin_or_wait(&mut self, date: NaiveDate) {
        let Some(start) = self.record.start.filter(|start| date >= *start) else { return };
        if self.record.is_over || self.record.begun.is_some() {
            return;
        }
        let course = Course::begun(&self.cooling, start, date);
        if date >= course.up_from {
            self.record.is_over = true;
            self.record.is_waiting = false;
            self.record.ended.get_or_insert_with(|| "it was held back until it was too late".to_owned());
            return;
        }
        if self.record.is_held {
            return;
        }
        if let Some(limit) = self.cooling.start_below {
            let cold = self.coolest().map(|coolest| coolest <= limit);
            // Until a day of readings is there nothing is said either way.
            if cold != Some(true) {
                self.record.is_waiting |= cold == Some(false);
                return;
            }
        }
        self.record.is_waiting = false;
        self.record.begun = Some(date);
        self.record.up_from = Some(course.up_from);
    }

    fn look_at_the_stay(&mut self, date: NaiveDate, reading: Option<Celsius>) {
        let stays = self.course().is_some_and(|course| course.phase(date) == Phase::Stay);
        let Some(limit) = self.cooling.break_above.filter(|_| stays) else {
            self.record.warm_hours = 0;
            return;
        };
        // Who cannot be heard is neither warm nor cool.
        let Some(reading) = reading else { return };
        self.record.warm_hours = if reading > limit { self.record.warm_hours + 1 } else { 0 };
        if self.record.warm_hours >= self.cooling.break_after {
            self.record.up_from = Some(date);
            self.record.broken_by_warmth = true;
            self.record.ended =
                Some(format!("the {} spot has been above {limit} for {} h", self.cooling.spot, self.record.warm_hours));
        }
    }

    /// A person says something. Whether it changes anything.
    pub(super) fn act(&mut self, act: SeasonAct, date: NaiveDate) -> bool {
        self.enter(date);
        let before = self.record.clone();
        let phase = self.phase(date);
        match (act, phase) {
            (SeasonAct::Hold, Phase::Before) => self.record.is_held = true,
            (SeasonAct::Hold, Phase::Down) => _ = self.record.held_since.get_or_insert(date),
            (SeasonAct::GoOn, Phase::Before) => self.record.is_held = false,
            (SeasonAct::GoOn, Phase::Down) => self.go_on(date),
            (SeasonAct::BreakOff, Phase::Before) => {
                self.record.is_over = true;
                (self.record.is_held, self.record.is_waiting) = (false, false);
                self.record.ended = Some("a person called it off".to_owned());
            }
            (SeasonAct::BreakOff, Phase::Down | Phase::Stay) => {
                self.go_on(date);
                self.record.up_from = Some(date);
                self.record.ended = Some("a person broke it off".to_owned());
            }
            (_, Phase::Stay | Phase::Up | Phase::Over) => {}
        }
        self.record != before
    }

    fn go_on(&mut self, date: NaiveDate) {
        if let Some(since) = self.record.held_since.take() {
            let held = (date - since).num_days().max(0);
            self.record.held_days += u32::try_from(held).unwrap_or(0);
        }
    }

    /// Where a date lies.
    pub(super) fn phase(&self, date: NaiveDate) -> Phase {
        match self.course() {
            _ if self.record.is_over => Phase::Over,
            Some(course) => course.phase(date),
            None => Phase::Before,
        }
    }

    /// What of it is to be told.
    pub(super) fn trouble(&self, date: NaiveDate) -> Option<Trouble> {
        let spot = self.cooling.spot;
        if self.record.is_waiting && !self.record.is_held {
            let limit = self.cooling.start_below?;
            return Some(Trouble::SeasonHeldBack { spot, coolest: self.coolest(), limit });
        }
        let going_up = self.phase(date) == Phase::Up;
        let limit = self.cooling.break_above.filter(|_| self.record.broken_by_warmth && going_up)?;
        Some(Trouble::SeasonBrokenOff { spot, limit, hours: self.cooling.break_after })
    }

    /// For the file.
    pub(super) fn record(&self) -> SeasonRecord {
        self.record.clone()
    }

    /// Takes up what was on file.
    pub(super) fn restore(&mut self, record: &SeasonRecord) {
        self.record = record.clone();
        self.next = None;
    }

    /// Carries on from the same enclosure under earlier settings.
    pub(super) fn adopt(&mut self, earlier: Cooled) {
        self.record = earlier.record;
        self.hours = earlier.hours;
        self.next = None;
    }

    /// How it stands on a date.
    pub(super) fn view(&self, date: Option<NaiveDate>) -> SeasonView {
        let depth = date.zip(self.course()).map_or(0.0, |(date, course)| course.depth(date));
        SeasonView {
            phase: date.map_or(Phase::Before, |date| self.phase(date)),
            depth,
            start: self.record.start,
            course: self.course(),
            foreseen: self.foreseen(),
            is_held: self.record.is_held || self.record.held_since.is_some(),
            is_waiting: self.record.is_waiting,
            why: self.record.ended.clone(),
        }
    }
}

impl Controller {
    /// The course of an enclosure's cooling season; none before it begins, or where there is none.
    pub fn course(&self, enclosure: EnclosureIx) -> Option<Course> {
        self.enclosures.get(enclosure.0)?.course()
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    fn program(start_below: Option<f64>, break_above: Option<f64>) -> Program {
        let cooling = Cooling {
            start: (11, 15),
            down: 20,
            stay: 30,
            up: 10,
            day_length: None,
            uv_hours: None,
            spots: BTreeMap::new(),
            spot: "cool",
            start_below: start_below.map(Celsius),
            break_above: break_above.map(Celsius),
            break_after: 48,
        };
        Program { cooling: Some(cooling), ..Program::default() }
    }

    fn noon(day: i64) -> DateTime<Utc> {
        date(day).and_hms_opt(12, 0, 0).expect("noon").and_utc()
    }

    fn date(day: i64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 11, 15).expect("a date") + TimeDelta::days(day)
    }

    /// Judges every hour from one day's noon to another's.
    fn pass(cooled: &mut Cooled, days: std::ops::Range<i64>, reading: Option<f64>) {
        let mut wall = noon(days.start);
        while wall < noon(days.end) {
            cooled.judge(wall, Tz::UTC, reading.map(Celsius));
            wall += TimeDelta::hours(1);
        }
    }

    fn cooled(start_below: Option<f64>, break_above: Option<f64>) -> Cooled {
        Cooled::new(&program(start_below, break_above)).expect("it has a cooling season")
    }

    fn depth(cooled: &Cooled, day: i64) -> f64 {
        cooled.course().map_or(0.0, |course| course.depth(date(day)))
    }

    #[test]
    fn left_alone_it_takes_its_course_and_comes_again_next_year() {
        let mut season = cooled(None, None);
        pass(&mut season, -100..25, Some(22.0));
        assert_eq!((depth(&season, 10), depth(&season, 25)), (0.5, 1.0));
        pass(&mut season, 25..70, Some(22.0));
        assert_eq!(season.phase(date(70)), Phase::Over);
        pass(&mut season, 70..375, Some(22.0));
        assert_eq!(depth(&season, 375), 0.5, "ten days into the next one");
    }

    #[test]
    fn a_configuration_that_is_new_in_midwinter_cools_nobody() {
        let mut season = cooled(None, None);
        pass(&mut season, 30..60, Some(5.0));
        assert_eq!((depth(&season, 35), season.phase(date(35))), (0.0, Phase::Over));
        // Within a week of its day the daemon may not have run: the way down takes all its time from now on.
        let mut season = cooled(None, None);
        pass(&mut season, 6..20, Some(5.0));
        assert_eq!(depth(&season, 16), 0.5);
    }

    #[test]
    fn a_warm_room_holds_it_back_until_a_night_was_cold_enough() {
        let mut season = cooled(Some(18.0), None);
        pass(&mut season, -3..5, Some(19.0));
        assert_eq!(depth(&season, 5), 0.0);
        assert!(matches!(season.trouble(date(5)), Some(Trouble::SeasonHeldBack { .. })));
        pass(&mut season, 5..7, Some(18.0));
        assert_eq!(season.trouble(date(7)), None);
        let begun = season.course().expect("it has begun").begun;
        assert_eq!(begun, date(5), "by the first cool hour of the day, which is a day with it");
        assert_eq!(season.course().expect("it has begun").up_from, date(50), "spring comes when it was to");
        // A room that never cools.
        let mut season = cooled(Some(18.0), None);
        pass(&mut season, -3..60, Some(21.0));
        assert_eq!((season.phase(date(60)), season.trouble(date(60))), (Phase::Over, None));
    }

    #[test]
    fn who_cannot_be_heard_begins_nothing_and_breaks_nothing_off() {
        let mut season = cooled(Some(18.0), Some(12.0));
        pass(&mut season, -3..10, None);
        assert_eq!((season.course(), season.trouble(date(10))), (None, None));
        let mut season = cooled(None, Some(12.0));
        pass(&mut season, -3..45, None);
        assert_eq!(season.phase(date(45)), Phase::Stay);
    }

    #[test]
    fn a_warm_room_breaks_the_stay_off_and_not_the_way_down() {
        let mut season = cooled(None, Some(12.0));
        pass(&mut season, -3..20, Some(15.0));
        assert_eq!(season.phase(date(19)), Phase::Down);
        // 48 hours of warmth from day 20 on, then the way up.
        pass(&mut season, 20..24, Some(15.0));
        assert_eq!(season.phase(date(23)), Phase::Up);
        assert!(matches!(season.trouble(date(23)), Some(Trouble::SeasonBrokenOff { hours: 48, .. })));
        assert_eq!(depth(&season, 40), 0.0);
        // One cool hour begins the count anew.
        let mut season = cooled(None, Some(12.0));
        pass(&mut season, -3..21, Some(10.0));
        for day in 21..30 {
            pass(&mut season, day..day + 1, Some(15.0));
            season.judge(noon(day + 1), Tz::UTC, Some(Celsius(11.0)));
        }
        assert_eq!(season.phase(date(30)), Phase::Stay);
    }

    #[test]
    fn a_person_holds_it_back_lets_it_go_on_and_breaks_it_off() {
        let mut season = cooled(None, None);
        pass(&mut season, -10..-5, None);
        assert!(season.act(SeasonAct::Hold, date(-5)) && !season.act(SeasonAct::Hold, date(-5)));
        pass(&mut season, -5..4, None);
        assert_eq!(season.course(), None);
        assert!(season.act(SeasonAct::GoOn, date(4)));
        pass(&mut season, 4..9, None);
        assert_eq!(season.course().map(|course| course.begun), Some(date(4)));
        assert!(season.act(SeasonAct::Hold, date(14)), "half-way down");
        assert_eq!((depth(&season, 14), depth(&season, 30)), (0.5, 0.5));
        assert!(season.act(SeasonAct::GoOn, date(20)));
        assert_eq!((depth(&season, 20), depth(&season, 30)), (0.5, 1.0));
        assert!(!season.act(SeasonAct::Hold, date(35)), "a stay is not held back");
        assert!(season.act(SeasonAct::BreakOff, date(35)));
        assert_eq!((depth(&season, 40), depth(&season, 45)), (0.5, 0.0));
        assert!(!season.act(SeasonAct::BreakOff, date(45)));
    }

    #[test]
    fn called_off_before_it_begins_it_waits_for_the_next_year() {
        let mut season = cooled(None, None);
        assert!(season.act(SeasonAct::BreakOff, date(-5)));
        pass(&mut season, -5..60, None);
        assert_eq!(season.course(), None);
        pass(&mut season, 60..366, None);
        assert_eq!(season.phase(date(366)), Phase::Down);
    }

    #[test]
    fn a_restart_carries_on_from_what_was_filed() {
        let mut season = cooled(None, Some(12.0));
        pass(&mut season, -3..21, Some(15.0));
        let mut again = cooled(None, Some(12.0));
        again.restore(&season.record());
        assert_eq!(again.course(), season.course());
        pass(&mut season, 21..24, Some(15.0));
        pass(&mut again, 21..24, Some(15.0));
        assert_eq!(again.record(), season.record());
    }
}
