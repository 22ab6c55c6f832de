//! What is in force at a moment.

use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, Datelike, Days, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use super::window::{self, Opening};
use super::{Course, DayPlan, Lights, cooled, local, plan, uv_of};
use crate::settings::{Care, Photoperiod, Place, Program, Window};

/// Dates planned on each side of the one in force: two that the days of dates farther off may reach into, one whose day
/// may be cut by the edge, one to be seen whole, and one that may not exist.
const DATES_AROUND: u64 = 5;
/// The day of a date begins at most half a day before the date and ends at most two days after its start (a `clock` day
/// that ends a minute before it began). So everything is known from the start of the third date before the one in
/// force to the start of the fifth after.
const KNOWN_BEFORE: u64 = DATES_AROUND - 2;

/// A day that lasts all day reaches half a day on each side of its middle, and a minute more: solar noon moves by up to
/// 30 s from one day to the next.
const ALL_DAY_REACH: TimeDelta = TimeDelta::seconds(12 * 3600 + 60);

/// No single day is longer: 24 h, and up to two when the clock is set back in a `clock` day (Antarctica/Troll).
const ORDINARY_MAX: TimeDelta = TimeDelta::hours(26);

/// How long a moment beyond the calendar is answered the same.
const BEYOND_CALENDAR: TimeDelta = TimeDelta::days(1);

/// A stretch of time in which it is day; where an end is none it lies beyond what is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Stretch {
    /// First instant.
    pub(super) from: Option<DateTime<Utc>>,
    /// First instant after it.
    pub(super) to: Option<DateTime<Utc>>,
}

/// Where a moment lies among stretches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Located {
    /// Inside one of them.
    pub(super) inside: bool,
    /// Since when; none: since before what is known.
    pub(super) since: Option<DateTime<Utc>>,
    /// Until when; none: until after what is known.
    pub(super) until: Option<DateTime<Utc>>,
}

/// Day or night at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Daylight {
    /// `true` by day.
    pub is_day: bool,
    /// When this day or night began, neighbouring days that touch joined; none where that lies before the dates
    /// planned around today, at least two back, as in polar day and night.
    pub since: Option<DateTime<Utc>>,
    /// When it ends; none where that lies after the dates planned around today, at least two ahead.
    pub until: Option<DateTime<Utc>>,
    /// The plan of the local date in force; none beyond the calendar.
    pub today: Option<DayPlan>,
    /// Nothing here changes before this instant: the end of this day or night or of the local date.
    pub holds_until: DateTime<Utc>,
}

/// Tells day from night for one photoperiod. It plans the dates around a moment once and keeps them while the local date
/// stays, so it may be asked on every message; its answer depends on the moment alone, however the clock has jumped.
#[derive(Clone, Debug)]
pub struct DayClock {
    photoperiod: Photoperiod,
    timezone: Tz,
    place: Place,
    season: Option<Season>,
    known: Option<Arc<Known>>,
    /// What one that goes by the same days has come to know last; racks of a thousand reckon a date once.
    shelf: Arc<Mutex<Option<Arc<Known>>>>,
}

/// What the year does to days.
#[derive(Clone, Debug, PartialEq)]
pub struct Season {
    /// The care sheet's program.
    pub program: Arc<Program>,
    /// The cooling season that is on.
    pub course: Option<Course>,
    /// Whether these are the days of lamps that give UV.
    pub uv: bool,
}

/// What is known while one local date is in force.
#[derive(Clone, Debug)]
struct Known {
    /// First instant of the date in force.
    from: DateTime<Utc>,
    /// First instant of the next.
    to: DateTime<Utc>,
    /// Its plan.
    today: Option<DayPlan>,
    /// The dates around it in order, each with its plan, perhaps with one that has just ceased to be or will be one of them:
    /// most of them stay when the next date comes into force, or the one before again.
    plans: Vec<(NaiveDate, Option<DayPlan>)>,
    /// Days around it in order; none touches the next.
    days: Vec<Stretch>,
}

impl DayClock {
    /// For `photoperiod` at a site.
    pub fn new(photoperiod: Photoperiod, timezone: Tz, place: Place) -> DayClock {
        DayClock { photoperiod, timezone, place, season: None, known: None, shelf: Arc::default() }
    }

    /// For a care sheet with all its year, outside any cooling season; `uv`: for lamps that give UV.
    pub fn of(care: &Care, timezone: Tz, place: Place, uv: bool) -> DayClock {
        let season = care.program.clone().map(|program| Season { program, course: None, uv });
        DayClock { season, ..DayClock::new(care.photoperiod.clone(), timezone, place) }
    }

    /// A cooling season takes this course from now on.
    pub fn set_course(&mut self, course: Option<Course>) {
        if let Some(season) = self.season.as_mut().filter(|season| season.course != course) {
            season.course = course;
            self.known = None;
            self.shelf = Arc::default();
        }
    }

    /// Shares with `other` what dates come to from now on, where both go by the same days; tells whether they do.
    pub(in crate::control) fn share(&mut self, other: &DayClock) -> bool {
        let key = |clock: &DayClock| (clock.timezone, clock.place);
        let same = key(self) == key(other) && self.photoperiod == other.photoperiod && self.season == other.season;
        if same {
            self.shelf = Arc::clone(&other.shelf);
        }
        same
    }

    /// How deep in a cooling season a date is, 0..=1.
    pub fn depth(&self, date: NaiveDate) -> f64 {
        self.season.as_ref().and_then(|season| season.course).map_or(0.0, |course| course.depth(date))
    }

    fn plan(&self, date: NaiveDate) -> Option<DayPlan> {
        let plan = plan(&self.photoperiod, self.timezone, self.place, date)?;
        let Some(Season { program, uv, .. }) = &self.season else { return Some(plan) };
        let depth = self.depth(date);
        let plan = cooled(plan, program, depth);
        Some(if *uv { uv_of(plan, program, depth) } else { plan })
    }

    /// Day or night at `now`. Beyond the years 2 to 9998 it is night.
    pub fn at(&mut self, now: DateTime<Utc>) -> Daylight {
        let Some(known) = self.known_at(now) else {
            let holds_until = now.checked_add_signed(BEYOND_CALENDAR).unwrap_or(now);
            return Daylight { is_day: false, since: None, until: None, today: None, holds_until };
        };
        let Located { inside, since, until } = locate(known.days.iter().copied(), now);
        let holds_until = until.map_or(known.to, |until| until.min(known.to));
        Daylight { is_day: inside, since, until, today: known.today, holds_until }
    }

    /// Whether `window` is open at `now`, and how far its ramp has come. Beyond the years 2 to 9998 it is night.
    pub fn window(&mut self, window: &Window, now: DateTime<Utc>) -> Opening {
        match self.known_at(now) {
            Some(known) => window::opening(window, &known.days, now, known.to),
            None => window::opening(window, &[], now, now.checked_add_signed(BEYOND_CALENDAR).unwrap_or(now)),
        }
    }

    fn known_at(&mut self, now: DateTime<Utc>) -> Option<&Known> {
        let is_of_now = |known: &Arc<Known>| known.from <= now && now < known.to;
        if !self.known.as_ref().is_some_and(is_of_now) {
            let shelf = Arc::clone(&self.shelf);
            // Nothing is left half done in it: it is read or put there whole.
            let mut shelf = shelf.lock().unwrap_or_else(PoisonError::into_inner);
            if !shelf.as_ref().is_some_and(is_of_now) {
                *shelf = self.learn(now).map(Arc::new);
            }
            self.known.clone_from(&shelf);
        }
        self.known.as_deref()
    }

    /// Plans the dates around `now`.
    fn learn(&self, now: DateTime<Utc>) -> Option<Known> {
        if !(2..=9998).contains(&now.year()) {
            return None;
        }
        let date = local::date_in_force(self.timezone, now)?;
        let start = |date: NaiveDate| local::start_of(self.timezone, date);
        let first = date.checked_sub_days(Days::new(DATES_AROUND))?;
        let known = self.known.as_ref().map_or(&[][..], |known| &known.plans);
        let planned = |date: NaiveDate| match known.iter().find(|(known, _)| *known == date) {
            Some(known) => *known,
            None => (date, self.plan(date)),
        };
        let mut plans: Vec<_> = first.iter_days().take(2 * DATES_AROUND as usize + 1).map(planned).collect();
        let today = plans.iter().find(|(known, _)| *known == date).and_then(|(_, plan)| *plan);
        let days = plans.iter().filter_map(|(_, plan)| self.day_of(plan.as_ref()?)).collect();
        let (before, after) = (first.pred_opt(), plans.last().and_then(|(last, _)| last.succ_opt()));
        let beside = known.iter().find(|(date, _)| Some(*date) == before || Some(*date) == after);
        plans.extend(beside);
        let known_from = start(date.checked_sub_days(Days::new(KNOWN_BEFORE))?)?;
        let known_to = start(date.checked_add_days(Days::new(DATES_AROUND))?)?;
        Some(Known {
            from: start(date)?,
            to: start(date.checked_add_days(Days::new(1))?)?,
            today,
            plans,
            days: joined(days).into_iter().filter_map(|day| clipped(day, known_from, known_to)).collect(),
        })
    }

    /// From when until when it is day by `plan`.
    fn day_of(&self, plan: &DayPlan) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        match plan.lights {
            Lights::Span { on, off } => Some((on, off)),
            Lights::AllNight => None,
            Lights::AllDay => {
                let from = local::start_of(self.timezone, plan.date)?;
                let to = local::start_of(self.timezone, plan.date.checked_add_days(Days::new(1))?)?;
                Some((from.min(plan.middle - ALL_DAY_REACH), to.max(plan.middle + ALL_DAY_REACH)))
            }
        }
    }
}

/// The same days in order, those that overlap or touch joined to one.
fn joined(mut days: Vec<(DateTime<Utc>, DateTime<Utc>)>) -> Vec<(DateTime<Utc>, DateTime<Utc>)> {
    days.sort_unstable();
    days.dedup_by(|next, day| {
        let touches = next.0 <= day.1;
        if touches {
            day.1 = day.1.max(next.1);
        }
        touches
    });
    days
}

/// What is known of a day: an end beyond what is known is none. A day that reaches over the edge by less than one ordinary
/// day may do has lost an end that it has, and is left out with all that lies beyond.
fn clipped(
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    known_from: DateTime<Utc>,
    known_to: DateTime<Utc>,
) -> Option<Stretch> {
    (to > known_from + ORDINARY_MAX && from < known_to - ORDINARY_MAX)
        .then_some(Stretch { from: (from > known_from).then_some(from), to: (to < known_to).then_some(to) })
}

/// Where `now` lies among `stretches`, which are in order and do not touch.
pub(super) fn locate(stretches: impl Iterator<Item = Stretch>, now: DateTime<Utc>) -> Located {
    let mut since = None;
    for stretch in stretches {
        if stretch.from.is_some_and(|from| from > now) {
            return Located { inside: false, since, until: stretch.from };
        }
        if stretch.to.is_none_or(|to| to > now) {
            return Located { inside: true, since: stretch.from, until: stretch.to };
        }
        since = stretch.to;
    }
    Located { inside: false, since, until: None }
}
