//! Lamps: hours burnt, output against new, when each is forecast to leave its band, spares; and changing one.

use axum::Form;
use axum::extract::Path;
use axum::response::{IntoResponse as _, Redirect, Response};
use chrono::NaiveDate;
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::json;

use super::{hidden, no_enclosure};
use crate::control::LampHealth;
use crate::settings::{Enclosure, Lamp, LampIx};
use crate::web::acts::{Request, act};
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;
use crate::web::people::Role;
use crate::web::words::{self, Mark};

/// Enclosures on one page; more would keep the daemon answering for one guest.
const PAGE: usize = 100;

#[derive(Deserialize)]
pub(super) struct Paged {
    #[serde(default)]
    page: usize,
}

pub(super) async fn show(visit: Visit, axum::extract::Query(Paged { page }): axum::extract::Query<Paged>) -> Markup {
    let all = visit.settings.enclosures.len();
    let from = (page * PAGE).min(all.saturating_sub(1) / PAGE * PAGE);
    let mut parts = Vec::new();
    for enclosure in visit.settings.enclosures.iter().skip(from).take(PAGE) {
        if let Some(closely) = visit.house.closely(&enclosure.id).await {
            parts.push((enclosure, closely));
        }
    }
    let content = html! {
        h1 { "Lamps" }
        (spares(&visit))
        @for (enclosure, closely) in &parts {
            section id={ "of-" (enclosure.id) } {
                h2 { a href={ "/e/" (enclosure.id) } { (enclosure.title) } }
                ul class="lamps" { @for health in &closely.lamps { (lamp(&visit, enclosure, health)) } }
            }
        }
        @if all > PAGE {
            nav class="spans" aria-label="Pages" {
                ul { @for nth in 0..all.div_ceil(PAGE) { li { a href={ "/lamps?page=" (nth) } aria-current=[(nth * PAGE == from).then_some("page")] { (nth + 1) } } } }
            }
        }
    };
    frame::page(&visit, "Lamps", Script::None, &content)
}

fn spares(visit: &Visit) -> Markup {
    html! {
        section {
            h2 { "Spares" }
            @if visit.settings.spares.is_empty() { p { "None are counted. " code { "[[spare]]" } " in the configuration does." } }
            ul {
                @for spare in &visit.settings.spares {
                    li {
                        (spare.count) " × " (spare.fitting.traits().title)
                        @if let Some(power) = spare.power { ", " (format!("{:.0} W", power.0)) }
                    }
                }
            }
            @for notice in visit.glance.alarms.values().filter(|notice| notice.kind == crate::control::AlarmKind::SpareDue && notice.state.is_active()) {
                p class="strip note" { (Mark::Note.shape()) " " (notice.text) }
            }
        }
    }
}

fn lamp(visit: &Visit, enclosure: &Enclosure, health: &LampHealth) -> Markup {
    let Some(lamp) = enclosure.lamps.get(health.lamp.0) else { return html! {} };
    let zone = visit.zone();
    let today = visit.now.with_timezone(&zone).date_naive();
    let date = |date: NaiveDate| words::date(date, today);
    html! {
        li {
            h3 {
                (lamp.name) " " span class="soft" {
                    (lamp.fitting.traits().title) @if let Some(power) = lamp.power { ", " (format!("{:.0} W", power.0)) }
                }
            }
            dl class="facts" {
                dt { "State" } dd { b { (health.standing.word()) } }
                dt { "Burnt" } dd {
                    (format!("{:.0} h", health.hours)) ", switched on " (health.cycles) " times"
                    @if let Some(fitted) = health.fitted { ", fitted " (words::time(fitted, visit.now, zone)) }
                }
                @if let Some(previous) = health.previous.last() { dt { "The one before" } dd { "lasted " (format!("{:.0} h", previous.hours)) } }
                @if let Some(share) = health.share { dt { "Its share" } dd { (format!("{:.0} %", 100.0 * share)) " of the UV at its probe" } }
                @if let Some(output) = output(health) { dt { "Against new" } dd { (output) } }
                @if let Some(departure) = health.departure {
                    dt { "Leaves its band" }
                    dd {
                        @match departure.expected { Some(expected) => { (date(expected)) } None => { "beyond two years" } }
                        " (80 % between "
                        @match departure.earliest { Some(earliest) => { (date(earliest)) } None => { "beyond two years" } }
                        " and "
                        @match departure.latest { Some(latest) => { (date(latest)) } None => { "beyond two years" } }
                        ")" @if departure.provisional { ", by the rate known beforehand alone" }
                    }
                }
                @if let Some(by) = health.change_by { dt { "Change it by" } dd { b { (date(by)) } } }
                @if let Some(finding) = health.finding { dt { "When accepted" } dd { (finding) } }
            }
            details { summary { "Why" } ul { @for line in &health.why { li { (line) } } } }
            @if visit.guest.role >= Role::Keep {
                p { a class="button" href={ "/e/" (enclosure.id) "/change/" (lamp.name) } { "I have changed this lamp" } }
            }
        }
    }
}

/// What it gives by now against what it gave when it was accepted; none where either was not seen.
fn output(health: &LampHealth) -> Option<String> {
    let first = health.acceptance.second.or(health.acceptance.first)?;
    let now = health.departure.map(|departure| departure.level * (1.0 + departure.margin))?;
    (first.level > 0.0)
        .then(|| format!("{:.0} % of what it gave when accepted, at {:.0} h", 100.0 * now / first.level, first.hours))
}

fn find<'a>(visit: &'a Visit, id: &str, name: &str) -> Option<(&'a Enclosure, LampIx, &'a Lamp)> {
    let (_, enclosure) = visit.enclosure(id)?;
    let (ix, lamp) = enclosure.lamps.iter().enumerate().find(|(_, lamp)| lamp.name == name)?;
    Some((enclosure, LampIx(ix), lamp))
}

/// Asked before it is said to be done: it cannot be taken back.
pub(super) async fn ask_change(visit: Visit, Path((id, name)): Path<(String, String)>) -> Response {
    let Some((enclosure, _, lamp)) = find(&visit, &id, &name) else { return no_enclosure(&visit) };
    if let Err(refused) = visit.must(Role::Keep) {
        return *refused;
    }
    let gives_uv = lamp.fitting.traits().emits.uv;
    let content = html! {
        h1 { "A new lamp: " (lamp.name) " of " (enclosure.title) }
        p { "Say this once the new lamp is in and the old one is out. Unplug first, and let it cool: hot glass and caps burn." }
        ul {
            li { "Its hours begin at zero." }
            @if gives_uv {
                li { "What its UV probe says means nothing until you have read a meter beside it." }
                li {
                    "Accepting it: let it warm up, read the meter at its spot now and again after its first hours. A new lamp can be "
                    "far too strong: keep the animal out until you have measured."
                }
            }
        }
        form method="post" class="stack" {
            (hidden(&visit))
            button { "The new lamp is in" }
        }
        p { a href={ "/e/" (enclosure.id) } { "Not yet" } }
    };
    frame::page(&visit, "A new lamp", Script::None, &content).into_response()
}

#[derive(Deserialize)]
pub(super) struct Change {
    token: String,
    key: String,
}

pub(super) async fn change(
    visit: Visit,
    Path((id, name)): Path<(String, String)>,
    Form(form): Form<Change>,
) -> Response {
    if let Err(refused) = visit.may(Role::Keep, &form.token) {
        return *refused;
    }
    let Some((enclosure, _, lamp)) = find(&visit, &id, &name) else { return no_enclosure(&visit) };
    let spot = lamp.lights.and_then(|probe| enclosure.probes.get(probe.0)).map(|probe| probe.spot.clone());
    let gives_uv = lamp.fitting.traits().emits.uv;
    let request =
        Request { verb: "lamp-change", enclosure: &id, with: json!({ "lamp": name }), why: None, key: &form.key };
    match act(&visit, request).await {
        // It is accepted by what a meter says at its spot.
        Ok(()) if gives_uv => {
            let spot = spot.unwrap_or_else(|| "basking".to_owned());
            Redirect::to(&format!("/walk/{id}/{}?new={name}", super::walk::in_path(&spot))).into_response()
        }
        outcome => super::after(&visit, outcome, &format!("/lamps#of-{id}")),
    }
}
