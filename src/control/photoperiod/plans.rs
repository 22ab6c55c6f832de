//! The days that a care sheet means, with all its year.

use std::sync::Arc;

use chrono::NaiveDate;
use chrono_tz::Tz;

use super::{Course, DayPlan, cooled, plan, uv_of};
use crate::settings::{Care, Photoperiod, Place, Program};

/// Plans the dates of a care sheet, past and to come: cooling seasons too, that of the known course as it goes and the
/// others as they are planned.
#[derive(Clone, Debug)]
pub struct Plans {
    photoperiod: Photoperiod,
    program: Option<Arc<Program>>,
    timezone: Tz,
    place: Place,
    known: Option<Course>,
}

/// Two cooling seasons that begin less than this apart, in days, are the same one: half a year.
const SAME_SEASON_DAYS: i64 = 183;

impl Plans {
    /// For a care sheet at a site, with every cooling season as planned.
    pub fn new(care: &Care, timezone: Tz, place: Place) -> Plans {
        Plans { photoperiod: care.photoperiod.clone(), program: care.program.clone(), timezone, place, known: None }
    }

    /// With the course that a cooling season takes.
    pub fn with_course(self, known: Option<Course>) -> Plans {
        Plans { known, ..self }
    }

    /// A cooling season takes this course from now on. Whether that is news.
    pub fn set_course(&mut self, known: Option<Course>) -> bool {
        let is_news = self.known != known;
        self.known = known;
        is_news
    }

    /// The site's zone.
    pub fn timezone(&self) -> Tz {
        self.timezone
    }

    /// The cooling season that a date is nearest to; none where the care sheet has none.
    pub fn course(&self, date: NaiveDate) -> Option<Course> {
        let program = self.program.as_ref()?;
        let cooling = program.cooling.as_ref()?;
        let planned = Course::planned(cooling, cooling.nearest_start(date, program.shift)?);
        let is_same = |known: &Course| (known.begun - planned.begun).num_days().abs() < SAME_SEASON_DAYS;
        Some(self.known.filter(is_same).unwrap_or(planned))
    }

    /// How deep in a cooling season a date is, 0..=1; none where the care sheet has none.
    pub fn depth(&self, date: NaiveDate) -> Option<f64> {
        self.course(date).map(|course| course.depth(date))
    }

    /// The plan of a date; none where it does not exist at the site, or beyond the years 1 to 9999.
    pub fn on(&self, date: NaiveDate) -> Option<DayPlan> {
        let plan = plan(&self.photoperiod, self.timezone, self.place, date)?;
        Some(match &self.program {
            Some(program) => cooled(plan, program, self.depth(date).unwrap_or(0.0)),
            None => plan,
        })
    }

    /// The plan of a date for lamps that give UV, whose days the year may make shorter; none as with [`Plans::on`].
    pub fn uv_on(&self, date: NaiveDate) -> Option<DayPlan> {
        let plan = self.on(date)?;
        Some(match &self.program {
            Some(program) => uv_of(plan, program, self.depth(date).unwrap_or(0.0)),
            None => plan,
        })
    }
}
