//! The settings as they are in force, to be read; secrets and the files they are in are left out. And links for others.

use axum::Form;
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};
use serde::Deserialize;
use tracing::info;

use super::hidden;
use crate::settings::{Enclosure, Settings};
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;
use crate::web::people::{self, Role};
use crate::web::{link, seen};

/// Enclosures shown whole; the rest are named.
const WHOLE: usize = 200;
/// A link for somebody lasts so many days at most; a guess: longer than any holiday.
const LINK_DAYS: u64 = 60;
/// A calendar's link lasts so many days; calendars are set up once.
const CALENDAR_DAYS: u64 = 2 * 366;

pub(super) async fn show(visit: Visit) -> Response {
    page(&visit, None)
}

fn page(visit: &Visit, made: Option<Markup>) -> Response {
    if let Err(refused) = visit.must(Role::Manage) {
        return *refused;
    }
    let settings = &visit.settings;
    let content = html! {
        h1 { "Settings" }
        @if let Some(made) = made { div class="strip well" role="status" { (made) } }
        p {
            "As they are in force. They are changed in the configuration, which " code { "lampwarden check" } " looks over and "
            "a SIGHUP puts in force. Passwords and the files that hold them are not shown here."
        }
        (site(settings))
        (links(visit))
        @for enclosure in settings.enclosures.iter().take(WHOLE) { (of(settings, enclosure)) }
        @if settings.enclosures.len() > WHOLE { p { "And " (settings.enclosures.len() - WHOLE) " more enclosures." } }
    };
    frame::page(visit, "Settings", Script::None, &content).into_response()
}

fn site(settings: &Settings) -> Markup {
    let site = &settings.site;
    html! {
        section {
            h2 { "The site" }
            dl class="facts" {
                dt { "Name" } dd { (site.name) }
                dt { "Time zone" } dd { (site.timezone) }
                dt { "Place" } dd { (format!("{:.2}°, {:.2}°", site.place.latitude.0, site.place.longitude.0)) }
                dt { "Broker" } dd {
                    (settings.broker.host) ":" (settings.broker.port)
                    (if settings.broker.tls.is_some() { ", with TLS" } else { ", in the clear" })
                    (if settings.broker.username.is_some() { ", with a login" } else { ", without a login" })
                }
                dt { "Commands over MQTT" } dd { (if site.accept_commands { "accepted" } else { "not accepted" }) }
                dt { "Contacts" } dd {
                    @for (nth, contact) in settings.telling.contacts.iter().enumerate() {
                        @if nth > 0 { "; " }
                        (contact.name) " by " (contact.channels.iter().map(|channel| channel.word()).collect::<Vec<_>>().join(", "))
                    }
                    @if settings.telling.contacts.is_empty() { "nobody is told of alarms" }
                }
                @if !settings.cut_offs.is_empty() {
                    dt { "Contactors" } dd { (settings.cut_offs.iter().map(|cut_off| cut_off.name.as_str()).collect::<Vec<_>>().join(", ")) }
                }
            }
        }
    }
}

fn of(settings: &Settings, enclosure: &Enclosure) -> Markup {
    html! {
        section {
            h2 { (enclosure.title) " " span class="soft" { (enclosure.id) ", " (enclosure.care.name) } }
            div class="scroll" tabindex="0" role="region" aria-label={ "Probes and lamps of " (enclosure.title) } {
                table {
                    thead { tr { th { "Probe" } th { "Measures" } th { "Spot" } th { "Topic" } th { "Every" } th { "Too old after" } } }
                    tbody {
                        @for probe in &enclosure.probes {
                            tr {
                                th scope="row" { (probe.name) } td { (format!("{:?}", probe.measures).to_lowercase()) } td { (probe.spot) }
                                td { code { (probe.topic) } } td { (probe.every.as_secs()) " s" } td { (probe.stale.as_secs()) " s" }
                            }
                        }
                    }
                }
                table {
                    thead { tr { th { "Lamp" } th { "Fitting" } th { "Command topic" } th { "Target" } th { "Guard" } th { "Contactor" } } }
                    tbody {
                        @for lamp in &enclosure.lamps {
                            tr {
                                th scope="row" { (lamp.name) }
                                td { (lamp.fitting.traits().title) @if let Some(power) = lamp.power { ", " (format!("{:.0} W", power.0)) } }
                                td { code { (lamp.output.set) } }
                                td { @match lamp.heat { Some(heat) => { (heat.target.day) " by day, " (heat.target.night) " by night" } None => { "–" } } }
                                td { @match &lamp.guard { Some(guard) => { "off at " (guard.cut) ", latched at " (guard.limit) } None => { "–" } } }
                                td { (lamp.cut_off.and_then(|cut_off| settings.cut_offs.get(cut_off.0)).map_or("–", |cut_off| cut_off.name.as_str())) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn links(visit: &Visit) -> Markup {
    html! {
        section {
            h2 { "Links for others" }
            p { "A link lets whoever has it look, and nothing else, until it ends. It cannot be taken back before. A calendar's link "
                "gives its days: rounds that are due and lamps to be changed." }
            form method="post" action="/settings/link" class="stack" {
                (hidden(visit))
                label for="for" { "For whom" }
                input id="for" name="name" required maxlength="32" pattern="[A-Za-z0-9._\\-]+" placeholder="next-door";
                label for="days" { "For how many days" }
                input id="days" name="days" type="number" min="1" max=(LINK_DAYS) value="14" required;
                button name="kind" value="look" { "Make a link to look" }
                button name="kind" value="calendar" { "Make a link to the calendar" }
            }
        }
    }
}

#[derive(Deserialize)]
pub(super) struct Wanted {
    token: String,
    name: String,
    days: u64,
    kind: String,
}

pub(super) async fn link(visit: Visit, Form(form): Form<Wanted>) -> Response {
    if let Err(refused) = visit.may(Role::Manage, &form.token) {
        return *refused;
    }
    if !people::is_name(&form.name) || !(1..=LINK_DAYS).contains(&form.days) {
        let text = "A name is made of letters, digits, dots and dashes; a link lasts a day to sixty.";
        return frame::notice(Some(&visit), axum::http::StatusCode::UNPROCESSABLE_ENTITY, "Not made", text);
    }
    let is_calendar = form.kind == "calendar";
    let days = if is_calendar { CALENDAR_DAYS } else { form.days };
    let until = seen::seconds_now().saturating_add(days * 86_400);
    let (purpose, way) = if is_calendar { (link::CALENDAR, "calendar") } else { (link::LOOK, "look") };
    let base = visit.house.options.public_url.clone().unwrap_or_default();
    let path = format!("{base}/{way}/{}", visit.house.key.pass(purpose, &form.name, until));
    info!(by = %visit.guest.signed(), name = form.name, kind = way, days, "a link was made");
    let made = html! {
        p { "For " b { (form.name) } ", for " (days) " days. Copy it now: it is shown once." }
        p { a href=(path) { code { (path) } } }
        @if base.is_empty() { p { "Put the address of this server before it, or set " code { "public_url" } "." } }
    };
    page(&visit, Some(made))
}
