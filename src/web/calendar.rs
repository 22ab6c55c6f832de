//! Rounds with the meter that are due and lamps that are forecast to leave their band, as a calendar (RFC 5545).

use std::sync::Arc;

use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use chrono::{DateTime, NaiveDate, Utc};
use icalendar::{Calendar, Component as _, Event, EventLike as _};

use super::link::{self, Verdict};
use super::{Closely, House, note, seen};
use crate::settings::{Enclosure, Site};

/// Enclosures told of at most: each asks the daemon once.
const MOST: usize = 2000;

pub(super) async fn feed(
    State(house): State<Arc<House>>,
    Path((name, expires, signature)): Path<(String, String, String)>,
) -> Response {
    if !house.lets_in() {
        return seen::page_of(&house, StatusCode::TOO_MANY_REQUESTS, &note::too_many());
    }
    let signature = signature.trim_end_matches(".ics");
    match house.key.verdict_of(link::CALENDAR, &name, &expires, signature, seen::seconds_now()) {
        Verdict::Right => {}
        Verdict::Forged => return seen::page_of(&house, StatusCode::FORBIDDEN, &note::forged()),
        Verdict::Expired => return seen::page_of(&house, StatusCode::GONE, &note::ended()),
    }
    let glance = house.glance();
    let Some(settings) = glance.settings else {
        return seen::page_of(&house, StatusCode::SERVICE_UNAVAILABLE, &note::busy());
    };
    let mut told = Vec::new();
    for enclosure in settings.enclosures.iter().take(MOST) {
        if let Some(closely) = house.closely(&enclosure.id).await {
            told.push((enclosure, closely));
        }
    }
    let all = told.iter().map(|(enclosure, closely)| (*enclosure, closely.as_ref()));
    let text = written(&settings.site, (house.now)(), all);
    ([(header::CONTENT_TYPE, "text/calendar; charset=utf-8")], text).into_response()
}

/// The calendar. Rounds due on one date are one entry.
fn written<'a>(site: &Site, now: DateTime<Utc>, all: impl Iterator<Item = (&'a Enclosure, &'a Closely)>) -> String {
    let mut calendar = Calendar::new();
    calendar.name(&format!("Lampwarden {}", site.name));
    let mut rounds: std::collections::BTreeMap<NaiveDate, Vec<&str>> = std::collections::BTreeMap::new();
    for (enclosure, closely) in all {
        if let Some(due) = closely.round.due {
            rounds.entry(due.with_timezone(&site.timezone).date_naive()).or_default().push(&enclosure.title);
        }
        for health in &closely.lamps {
            let Some((by, lamp)) = health.change_by.zip(enclosure.lamps.get(health.lamp.0)) else { continue };
            let interval = health.departure.map_or(String::new(), |departure| {
                let date =
                    |date: Option<NaiveDate>| date.map_or("beyond two years".to_owned(), |date| date.to_string());
                format!(" 80 % between {} and {}.", date(departure.earliest), date(departure.latest))
            });
            let text = format!(
                "Forecast to leave its UV band.{interval} Unplug it and let it cool before you change it; measure the new one \
                 before the animal is under it."
            );
            let title = format!("Change {} of {}", lamp.name, enclosure.title);
            let event = entry(&format!("lamp-{}-{}", enclosure.id, lamp.name), site, now, by, &title, &text);
            calendar.push(event);
        }
    }
    for (date, titles) in rounds {
        let event = entry(
            &format!("round-{date}"),
            site,
            now,
            date,
            "Walk with the UV meter",
            &format!("Due: {}.", titles.join(", ")),
        );
        calendar.push(event);
    }
    calendar.to_string()
}

fn entry(uid: &str, site: &Site, now: DateTime<Utc>, on: NaiveDate, title: &str, text: &str) -> Event {
    Event::new()
        .uid(&format!("{uid}@{}.lampwarden", site.name))
        .timestamp(now)
        .summary(title)
        .description(text)
        .all_day(on)
        .done()
}
