//! The almanac: the year's days and this week's, as pictures, once for each kind of year.

use chrono::{Datelike, NaiveDate};
use maud::{Markup, html};

use crate::control::SeasonView;
use crate::control::photoperiod::{Course, DayPlan, Phase, Plans};
use crate::settings::{Care, Photoperiod};
use crate::web::draw::year::{self, Dated};
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;

/// Enclosures named at each picture at most.
const NAMED: usize = 12;

/// Enclosures whose year is the same.
struct Kind<'a> {
    care: &'a Care,
    season: Option<&'a SeasonView>,
    plans: Plans,
    who: Vec<&'a str>,
}

fn kinds(visit: &Visit) -> Vec<Kind<'_>> {
    let mut kinds: Vec<Kind<'_>> = Vec::new();
    for (at, enclosure) in visit.settings.enclosures.iter().enumerate() {
        let care = &enclosure.care;
        let view = visit.glance.enclosures.get(at).and_then(Option::as_deref);
        let season = view.and_then(|view| view.season.as_ref());
        let is_same = |known: &&mut Kind<'_>| {
            known.care.photoperiod == care.photoperiod && known.care.program == care.program && known.season == season
        };
        match kinds.iter_mut().find(is_same) {
            Some(known) => known.who.push(&enclosure.title),
            None => {
                let foreseen = season.and_then(|season| season.foreseen);
                let plans = Plans::new(care, visit.zone(), visit.settings.site.place).with_course(foreseen);
                kinds.push(Kind { care, season, plans, who: vec![&enclosure.title] });
            }
        }
    }
    kinds
}

pub(super) async fn show(visit: Visit) -> Markup {
    let zone = visit.zone();
    let today = visit.now.with_timezone(&zone).date_naive();
    let first = chrono::NaiveDate::from_ymd_opt(today.year(), 1, 1).unwrap_or(today);
    let days = if first.leap_year() { 366 } else { 365 };
    let content = html! {
        h1 { "Almanac" }
        p {
            "When lights are on by the clock of the site, " (visit.settings.site.timezone) ". Light is the animal's day, the thin "
            "lines are the site's sunrise and sunset, the upright line is today."
        }
        @for Kind { care, season, plans, who } in kinds(&visit) {
            @let dates: Vec<Dated> = first.iter_days().take(days).filter_map(|date| dated(&plans, date)).collect();
            @let week: Vec<DayPlan> = today.iter_days().take(7).filter_map(|date| plans.on(date)).collect();
            section {
                h2 { (who.iter().take(NAMED).copied().collect::<Vec<_>>().join(", ")) @if who.len() > NAMED { " and " (who.len() - NAMED) " more" } }
                p class="soft" { (follows(&care.photoperiod)) }
                @if dates.iter().any(|date| date.uv.is_some()) { p class="soft" { "Between the dashed lines lamps give UV." } }
                @if let Some(course) = plans.course(today) { p { (cooling(course, season, today)) } }
                (year::drawn(&dates, zone, today, who.first().copied().unwrap_or_default()))
                h3 { "This week" }
                (year::week(&week, zone))
            }
        }
    };
    frame::page(&visit, "Almanac", Script::None, &content)
}

fn dated(plans: &Plans, date: NaiveDate) -> Option<Dated> {
    let plan = plans.on(date)?;
    let uv = plans.uv_on(date).filter(|uv| uv.lights != plan.lights);
    Some(Dated { plan, uv, depth: plans.depth(date).unwrap_or(0.0) })
}

/// What is to be known of the cooling season nearest to today.
fn cooling(course: Course, season: Option<&SeasonView>, today: NaiveDate) -> String {
    let words = |date: NaiveDate| date.format("%-d %B %Y").to_string();
    let phase = course.phase(today);
    let mut text = match phase {
        _ if course.up_from <= course.begun => "The cooling season was called off".to_owned(),
        Phase::Before => format!("A cooling season is to begin on {}", words(course.begun)),
        Phase::Down => format!("Cooling season, on the way down since {}", words(course.begun)),
        Phase::Stay => format!("Cooling season, at its coldest; the way up begins on {}", words(course.up_from)),
        Phase::Up => format!("Cooling season, on the way up since {}", words(course.up_from)),
        Phase::Over => format!("The cooling season is over; its way up began on {}", words(course.up_from)),
    };
    if let Some(season) = season {
        match () {
            () if season.is_held => text += "; a person holds it back",
            () if season.is_waiting => text += "; it waits for a cold enough day",
            () => {}
        }
        if let Some(why) = &season.why {
            text += &format!(" ({why})");
        }
    }
    text + ". The strip at the foot of the picture is how deep it goes."
}

fn follows(photoperiod: &Photoperiod) -> String {
    match photoperiod {
        Photoperiod::Clock { on, off } => format!("by the clock, {} to {}", on.format("%H:%M"), off.format("%H:%M")),
        Photoperiod::Site { .. } => "by the sun of the site".to_owned(),
        Photoperiod::Latitude { latitude, noon, .. } => {
            format!("the days of latitude {:.1}°, their middle at {}", latitude.0, noon.format("%H:%M"))
        }
        Photoperiod::Table { noon, .. } => format!("by a table of months, the middle at {}", noon.format("%H:%M")),
        Photoperiod::Year { noon, .. } => {
            format!("by the year of the care sheet, the middle at {}", noon.format("%H:%M"))
        }
        Photoperiod::Later { by, of } => format!("{}, {by} days later than the calendar", follows(of)),
    }
}
