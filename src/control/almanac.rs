//! A year ahead as a care sheet means it: day lengths, hours of UV, targets and the cooling season, date by date.

use chrono::{Days, NaiveDate};

use crate::settings::{Enclosure, Site, Target, When};

use super::photoperiod::{Course, plan_of, uv_of};

/// One date of a year.
#[derive(Clone, Debug, PartialEq)]
pub struct YearDay {
    /// The date.
    pub date: NaiveDate,
    /// Day length, hours.
    pub day_hours: f64,
    /// For how long lamps give UV, hours; none where the enclosure has none.
    pub uv_hours: Option<f64>,
    /// Targets of thermostats, by the spot they hold.
    pub targets: Vec<(String, Target)>,
    /// How deep in a cooling season it is, 0..=1; none where the care sheet has none.
    pub cooling: Option<f64>,
}

/// So many dates of an enclosure from `from` on. `course`: that of its cooling season where it is known; the others, and
/// without one all, are taken to go as planned. Dates that do not exist at the site are left out.
pub fn year(
    site: &Site,
    enclosure: &Enclosure,
    course: Option<Course>,
    from: NaiveDate,
    days: u32,
) -> impl Iterator<Item = YearDay> {
    let dates = (0..u64::from(days)).map_while(move |day| from.checked_add_days(Days::new(day)));
    dates.filter_map(move |date| day(site, enclosure, course, date))
}

fn day(site: &Site, enclosure: &Enclosure, known: Option<Course>, date: NaiveDate) -> Option<YearDay> {
    let care = &enclosure.care;
    let cooling = care.program.as_ref().and_then(|program| Some((program.cooling.as_ref()?, program.shift)));
    let course = cooling.and_then(|(cooling, shift)| {
        let planned = Course::planned(cooling, cooling.nearest_start(date, shift)?);
        // The season that is known stands for the planned one of the same winter.
        Some(known.filter(|known| (known.begun - planned.begun).num_days().abs() < 183).unwrap_or(planned))
    });
    let plan = plan_of(care, course, site.timezone, site.place, date)?;
    let depth = course.map(|course| course.depth(date));
    let hours = |plan: super::photoperiod::DayPlan| plan.day_length().as_seconds_f64() / 3600.0;
    let gives_uv = enclosure.lamps.iter().find(|lamp| lamp.fitting.traits().emits.uv);
    let uv_hours = gives_uv.map(|lamp| match &care.program {
        Some(program) if lamp.window.when == When::Day => {
            let own = hours(uv_of(plan, program, depth.unwrap_or(0.0)));
            (own - (lamp.window.after_dawn + lamp.window.before_dusk).as_secs_f64() / 3600.0).max(0.0)
        }
        _ => (hours(plan) - (lamp.window.after_dawn + lamp.window.before_dusk).as_secs_f64() / 3600.0).max(0.0),
    });
    let mut targets: Vec<(String, Target)> = Vec::new();
    for lamp in &enclosure.lamps {
        let Some(heat) = lamp.heat else { continue };
        let spot = enclosure.probes.get(heat.probe.0).map_or("", |probe| probe.spot.as_str());
        if targets.iter().any(|(known, _)| known == spot) {
            continue;
        }
        let target =
            lamp.year.as_ref().map_or(heat.target, |year| year.target(heat.target, date, depth.unwrap_or(0.0)));
        targets.push((spot.to_owned(), target));
    }
    Some(YearDay { date, day_hours: hours(plan), uv_hours, targets, cooling: depth })
}
