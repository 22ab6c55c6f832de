//! The almanac: the year's days and this week's, as pictures, once for each photoperiod.

use chrono::Datelike as _;
use maud::{Markup, html};

use crate::control::photoperiod::{DayPlan, plan};
use crate::settings::Photoperiod;
use crate::web::draw::year;
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;

/// Enclosures named at each picture at most.
const NAMED: usize = 12;

pub(super) async fn show(visit: Visit) -> Markup {
    let mut kinds: Vec<(&Photoperiod, Vec<&str>)> = Vec::new();
    for enclosure in &visit.settings.enclosures {
        let photoperiod = &enclosure.care.photoperiod;
        match kinds.iter_mut().find(|(known, _)| *known == photoperiod) {
            Some((_, who)) => who.push(&enclosure.title),
            None => kinds.push((photoperiod, vec![&enclosure.title])),
        }
    }
    let zone = visit.zone();
    let today = visit.now.with_timezone(&zone).date_naive();
    let plans = |photoperiod: &Photoperiod, from: chrono::NaiveDate, count: usize| -> Vec<DayPlan> {
        let place = visit.settings.site.place;
        from.iter_days().take(count).filter_map(|date| plan(photoperiod, zone, place, date)).collect()
    };
    let first = chrono::NaiveDate::from_ymd_opt(today.year(), 1, 1).unwrap_or(today);
    let days = if first.leap_year() { 366 } else { 365 };
    let content = html! {
        h1 { "Almanac" }
        p {
            "When lights are on by the clock of the site, " (visit.settings.site.timezone) ". Light is the animal's day, the thin "
            "lines are the site's sunrise and sunset, the upright line is today."
        }
        @for (photoperiod, who) in &kinds {
            section {
                h2 { (who.iter().take(NAMED).copied().collect::<Vec<_>>().join(", ")) @if who.len() > NAMED { " and " (who.len() - NAMED) " more" } }
                p class="soft" { (follows(photoperiod)) }
                (year::drawn(&plans(photoperiod, first, days), zone, today, who.first().copied().unwrap_or_default()))
                h3 { "This week" }
                (year::week(&plans(photoperiod, today, 7), zone))
            }
        }
    };
    frame::page(&visit, "Almanac", Script::None, &content)
}

fn follows(photoperiod: &Photoperiod) -> String {
    match photoperiod {
        Photoperiod::Clock { on, off } => format!("by the clock, {} to {}", on.format("%H:%M"), off.format("%H:%M")),
        Photoperiod::Site { .. } => "by the sun of the site".to_owned(),
        Photoperiod::Latitude { latitude, noon, .. } => {
            format!("the days of latitude {:.1}°, their middle at {}", latitude.0, noon.format("%H:%M"))
        }
        Photoperiod::Table { noon, .. } => format!("by a table of months, the middle at {}", noon.format("%H:%M")),
        #[allow(unreachable_patterns, reason = "kinds may be added")]
        _ => String::new(),
    }
}
