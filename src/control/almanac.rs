//! A year ahead as a care sheet means it: day lengths, hours of UV, targets and the cooling season, date by date.

use chrono::{Days, NaiveDate};

use crate::settings::{Enclosure, Lamp, Site, Target, When};

use super::photoperiod::{Course, DayPlan, Plans};

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

/// So many dates of an enclosure from `from` on. `known`: the course of a cooling season; the others, and without one all,
/// are taken to go as planned. Dates that do not exist at the site are left out.
pub fn year(
    site: &Site,
    enclosure: &Enclosure,
    known: Option<Course>,
    from: NaiveDate,
    days: u32,
) -> impl Iterator<Item = YearDay> {
    let plans = Plans::new(&enclosure.care, site.timezone, site.place).with_course(known);
    let dates = (0..u64::from(days)).map_while(move |day| from.checked_add_days(Days::new(day)));
    dates.filter_map(move |date| day(&plans, enclosure, date))
}

fn day(plans: &Plans, enclosure: &Enclosure, date: NaiveDate) -> Option<YearDay> {
    let plan = plans.on(date)?;
    let depth = plans.depth(date);
    let hours = |plan: DayPlan| plan.day_length().as_seconds_f64() / 3600.0;
    let gives_uv = enclosure.lamps.iter().find(|lamp| lamp.fitting.traits().emits.uv);
    let uv_hours = gives_uv.map(|lamp| {
        let own = if lamp.window.when == When::Day { plans.uv_on(date).unwrap_or(plan) } else { plan };
        (hours(own) - (lamp.window.after_dawn + lamp.window.before_dusk).as_secs_f64() / 3600.0).max(0.0)
    });
    let mut targets: Vec<(String, Target)> = Vec::new();
    for lamp in &enclosure.lamps {
        let Some(heat) = lamp.heat else { continue };
        let spot = enclosure.probes.get(heat.probe.0).map_or("", |probe| probe.spot.as_str());
        if targets.iter().any(|(known, _)| known == spot) {
            continue;
        }
        let Some(target) = target_of(lamp, plans, date) else { continue };
        targets.push((spot.to_owned(), target));
    }
    Some(YearDay { date, day_hours: hours(plan), uv_hours, targets, cooling: depth })
}

/// What a lamp's thermostat holds on a date; none where it has none. `plans`: those of its enclosure.
pub fn target_of(lamp: &Lamp, plans: &Plans, date: NaiveDate) -> Option<Target> {
    let base = lamp.heat?.target;
    let depth = || plans.depth(date).unwrap_or(0.0);
    Some(lamp.year.as_ref().map_or(base, |year| year.target(base, date, depth())))
}
