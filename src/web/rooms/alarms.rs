//! Alarms: those that stand, to be seen to; those that were, and how often.

use std::collections::BTreeMap;

use axum::Form;
use axum::response::Response;
use chrono::TimeDelta;
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::json;

use super::enclosure::must_say_why;
use super::{after, from_journal, hidden};
use crate::control::{AlarmKind, AlarmNotice, AlarmState, Aside};
use crate::journal::read::Window;
use crate::message::topics::SITE;
use crate::settings::Enclosure;
use crate::web::acts::{Request, act};
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;
use crate::web::past::{self, Stretch};
use crate::web::people::Role;
use crate::web::words::{self, Mark};

/// How far the list of what was goes back.
const HISTORY: TimeDelta = TimeDelta::days(30);

pub(super) async fn show(visit: Visit) -> Markup {
    let window = Window { from: visit.now - HISTORY, until: visit.now + TimeDelta::minutes(1) };
    let zone = visit.zone();
    let past = from_journal(&visit.house, move |journal| past::alarms(journal, window, zone)).await;
    let mut standing: Vec<_> = visit.glance.alarms.iter().collect();
    standing.sort_by_key(|((owner, _), notice)| (std::cmp::Reverse(notice.priority), owner.clone()));
    let content = html! {
        h1 { "Alarms" }
        section id="standing" data-live {
            @if standing.is_empty() { p { (words::Mark::Well.told()) ": no alarm stands." } }
            @for ((owner, _), notice) in standing { (alarm(&visit, owner.as_deref(), notice)) }
        }
        @match past {
            None => { p { "There is no journal, so nothing is known of earlier alarms." } }
            Some(Err(why)) => { p class="strip look" { "The journal cannot be read: " (why) } }
            Some(Ok(past)) => {
                (empty(&visit, &past.out_of_service))
                (history(&visit, &past.stretches, past.left_out))
                (figures(&past.stretches))
                (metrics(&past.figures))
            }
        }
    };
    frame::page(&visit, "Alarms", Script::Live, &content)
}

/// What an alarm is of, with a way there.
fn place(visit: &Visit, owner: Option<&str>) -> Markup {
    match owner {
        None => html! { "The site" },
        Some(id) => {
            let title = visit.enclosure(id).map_or(id, |(_, enclosure)| enclosure.title.as_str());
            html! { a href={ "/e/" (id) } { (title) } }
        }
    }
}

fn alarm(visit: &Visit, owner: Option<&str>, notice: &AlarmNotice) -> Markup {
    let mark = if notice.state.is_active() { Mark::of(notice.priority) } else { Mark::Note };
    let is_seen = notice.state == AlarmState::Acknowledged;
    html! {
        article class={ "strip " (mark.class()) } {
            h2 { (mark.shape()) " " (place(visit, owner)) ": " (notice.kind.name()) }
            p {
                b { (mark.word()) } " – " (notice.priority.word()) ", " (notice.state.word()) ", since "
                (words::time(notice.since, visit.now, visit.zone()))
            }
            p { (notice.text) }
            @if let Some(aside) = &notice.aside {
                p {
                    "Set aside (" (aside.word()) "): " (aside.why())
                    @if let Aside::Shelved { until, .. } = aside { ", until " (words::time(*until, visit.now, visit.zone())) }
                }
            }
            (shelf(visit, owner, notice))
            @if !is_seen && visit.guest.role >= Role::Keep {
                form method="post" action="/alarms/acknowledge" {
                    (hidden(visit))
                    input type="hidden" name="enclosure" value=(owner.unwrap_or(SITE));
                    input type="hidden" name="kind" value=(notice.kind.name());
                    button { "I have seen this and see to it" }
                    span class="soft" { " It ends the reminders and changes no lamp." }
                }
            }
            @if owner.is_none() && notice.kind == AlarmKind::HeatUnstoppable && visit.guest.role >= Role::Manage {
                @for name in &notice.subjects {
                    form method="post" action="/site/reset" class="stack" {
                        (hidden(visit))
                        input type="hidden" name="cut_off" value=(name);
                        label for={ "why-" (name) } { "What was repaired? The contactor " (name) " gives power to every lamp below it." }
                        textarea id={ "why-" (name) } name="why" required minlength="8" maxlength="500" rows="2" {}
                        button class="grave" { "Close the contactor " (name) }
                    }
                }
            }
        }
    }
}

/// Shelving an alarm that stands for a while, or taking it back.
fn shelf(visit: &Visit, owner: Option<&str>, notice: &AlarmNotice) -> Markup {
    const SPANS: [(u64, &str); 4] = [(30, "30 min"), (120, "2 h"), (480, "8 h"), (1440, "a day")];
    let most = notice.kind.shelved_at_most().as_secs() / 60;
    let is_shelved = matches!(notice.aside, Some(Aside::Shelved { .. }));
    if visit.guest.role < Role::Keep || !notice.state.is_active() || (most == 0 && !is_shelved) {
        return html! {};
    }
    let id = format!("shelf-{}-{}", owner.unwrap_or(SITE), notice.kind.name());
    html! {
        details {
            summary { @if is_shelved { "Take it off the shelf" } @else { "Shelve it for a while" } }
            form method="post" action="/alarms/shelve" class="stack" {
                (hidden(visit))
                input type="hidden" name="enclosure" value=(owner.unwrap_or(SITE));
                input type="hidden" name="kind" value=(notice.kind.name());
                @if is_shelved {
                    button { "Tell of it again" }
                } @else {
                    label for=(id) { "For" }
                    select id=(id) name="minutes" {
                        @for (minutes, words) in SPANS.iter().filter(|(minutes, _)| *minutes <= most) { option value=(minutes) { (words) } }
                    }
                    label for={ (id) "-why" } { "Why" }
                    input id={ (id) "-why" } name="why" required maxlength="200";
                    button { "Shelve it" }
                    p class="soft" { "Nobody is told of it meanwhile. It is judged and shown all the same, and no lamp changes." }
                }
            }
        }
    }
}

fn history(visit: &Visit, stretches: &[Stretch], left_out: usize) -> Markup {
    let zone = visit.zone();
    html! {
        section {
            h2 { "The last 30 days" }
            @if stretches.is_empty() { p { "No alarm." } } @else {
                div class="scroll" tabindex="0" role="region" aria-label="Alarms of the last 30 days" {
                    table {
                        thead { tr { th { "Where" } th { "What" } th { "When" } th { "Seen" } } }
                        tbody {
                            @for stretch in stretches {
                                tr {
                                    th scope="row" { (place(visit, stretch.enclosure.as_deref())) }
                                    td { (stretch.kind) " (" (stretch.priority) ")" p class="soft" { (words::first_sentence(&stretch.text)) } }
                                    td {
                                        (words::time(stretch.from, visit.now, zone))
                                        @match stretch.until { Some(until) => { " to " (words::time(until, visit.now, zone)) } None => { ", stands" } }
                                    }
                                    td { @match stretch.seen { Some(seen) => { "after " (words::ago(seen - stretch.from)) } None => { "no" } } }
                                }
                            }
                        }
                    }
                }
                @if left_out > 0 { p { (left_out) " earlier ones are in the records." } }
            }
        }
    }
}

/// Where no animal lives, so that alarms are put aside: nobody may forget that.
fn empty(visit: &Visit, by_hand: &BTreeMap<String, String>) -> Markup {
    let why = |enclosure: &Enclosure| by_hand.get(&enclosure.id).cloned().or_else(|| enclosure.out_of_service.clone());
    let empty: Vec<_> = visit.settings.enclosures.iter().filter_map(|one| Some((one, why(one)?))).collect();
    html! {
        @if !empty.is_empty() {
            section {
                h2 { "Out of service" }
                p { "Of these only the guard's alarms are told." }
                ul { @for (enclosure, why) in empty { li { a href={ "/e/" (enclosure.id) "#service" } { (enclosure.title) } ": " (why) } } }
            }
        }
    }
}

/// The figures of the standards over the same days.
fn metrics(lines: &[[String; 3]]) -> Markup {
    html! {
        section {
            h2 { "How well they serve" }
            p {
                "What alarm systems are judged by, over the last 30 days, beside what ISA-18.2 / IEC 62682 recommend for one operator "
                "of a plant. A keeper should hear far less."
            }
            div class="scroll" tabindex="0" role="region" aria-label="Figures of the alarms" {
                table {
                    thead { tr { th { "Figure" } th { "Here" } th { "Recommended" } } }
                    tbody { @for [what, is, beside] in lines { tr { th scope="row" { (what) } td { (is) } td { (beside) } } } }
                }
            }
        }
    }
}

/// How often, of which kind, and how soon somebody saw them.
fn figures(stretches: &[Stretch]) -> Markup {
    let mut kinds: BTreeMap<&str, (usize, TimeDelta)> = BTreeMap::new();
    for stretch in stretches {
        let (count, lasted) = kinds.entry(&stretch.kind).or_default();
        *count += 1;
        *lasted += stretch.until.map_or(TimeDelta::zero(), |until| until - stretch.from);
    }
    html! {
        @if !kinds.is_empty() {
            section {
                h2 { "How often" }
                table {
                    thead { tr { th { "Kind" } th { "Times" } th { "Lasted, on average" } } }
                    tbody {
                        @for (kind, (count, lasted)) in kinds {
                            tr { th scope="row" { (kind) } td { (count) } td { (words::ago(lasted / i32::try_from(count).unwrap_or(i32::MAX))) } }
                        }
                    }
                }
            }
        }
    }
}

#[derive(Deserialize)]
pub(super) struct Acknowledge {
    token: String,
    key: String,
    enclosure: String,
    kind: String,
}

pub(super) async fn acknowledge(visit: Visit, Form(form): Form<Acknowledge>) -> Response {
    if let Err(refused) = visit.may(Role::Keep, &form.token) {
        return *refused;
    }
    let with = json!({ "kind": form.kind });
    let request = Request { verb: "acknowledge", enclosure: &form.enclosure, with, why: None, key: &form.key };
    let outcome = act(&visit, request).await;
    after(&visit, outcome, "/alarms")
}

#[derive(Deserialize)]
pub(super) struct Shelve {
    token: String,
    key: String,
    enclosure: String,
    kind: String,
    /// None: it is taken off the shelf.
    #[serde(default)]
    minutes: Option<u64>,
    #[serde(default)]
    why: String,
}

pub(super) async fn shelve(visit: Visit, Form(form): Form<Shelve>) -> Response {
    if let Err(refused) = visit.may(Role::Keep, &form.token) {
        return *refused;
    }
    let (verb, with) = match form.minutes {
        Some(minutes) => ("shelve", json!({ "kind": form.kind, "for": format!("{minutes}m"), "why": form.why.trim() })),
        None => ("unshelve", json!({ "kind": form.kind })),
    };
    let request = Request { verb, enclosure: &form.enclosure, with, why: None, key: &form.key };
    let outcome = act(&visit, request).await;
    after(&visit, outcome, "/alarms")
}

#[derive(Deserialize)]
pub(super) struct CutOff {
    token: String,
    key: String,
    cut_off: String,
    why: String,
}

pub(super) async fn reset_cut_off(visit: Visit, Form(form): Form<CutOff>) -> Response {
    if let Err(refused) = visit.may(Role::Manage, &form.token) {
        return *refused;
    }
    if let Err(refused) = must_say_why(&visit, &form.why) {
        return *refused;
    }
    let with = json!({ "cut_off": form.cut_off });
    let request = Request { verb: "reset", enclosure: SITE, with, why: Some(form.why.trim()), key: &form.key };
    let outcome = act(&visit, request).await;
    after(&visit, outcome, "/alarms")
}
