//! One enclosure: its gradient, its day and its year, why each lamp is as it is, and what may be done.

use axum::Form;
use axum::extract::{Path, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{after, from_journal, hidden, no_enclosure};
use crate::control::almanac::target_of;
use crate::control::photoperiod::{Course, Plans};
use crate::control::{EnclosureView, LampView};
use crate::journal::read::{Resolution, begin_of};
use crate::page::Axis;
use crate::settings::{Enclosure, Lamp, Measures};
use crate::web::acts::{Request, act};
use crate::web::ask::Closely;
use crate::web::draw::chart::{Asked, Bar, Chart, Day, Lane, Line, Row, Told, burning};
use crate::web::draw::gradient::{self, Spot};
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;
use crate::web::past::{self, Past};
use crate::web::people::Role;
use crate::web::words::{self, Mark};

/// Spans of a chart in days; the first is today.
const SPANS: [(u32, &str); 4] = [(1, "Today"), (7, "7 days"), (30, "30 days"), (365, "365 days")];

#[derive(Deserialize)]
pub(super) struct Spanned {
    #[serde(default)]
    span: Option<u32>,
}

pub(super) async fn show(visit: Visit, Path(id): Path<String>, Query(Spanned { span }): Query<Spanned>) -> Response {
    let Some((ix, enclosure)) = visit.enclosure(&id) else { return no_enclosure(&visit) };
    let days = SPANS.iter().map(|(days, _)| *days).find(|days| Some(*days) == span).unwrap_or(1);
    let view = visit.glance.enclosures.get(ix).and_then(|view| view.as_deref());
    let closely = visit.house.closely(&id).await;
    let past = past_of(&visit, &id, days).await;
    let empty = from_journal(&visit.house, past::out_of_service).await.and_then(Result::ok).unwrap_or_default();
    let by_hand_empty = empty.get(&id).map(String::as_str);
    let content = html! {
        div id="standing" data-live {
            h1 { (enclosure.title) }
            @if let Some(why) = by_hand_empty.or(enclosure.out_of_service.as_deref()) {
                p class="strip hand" { "Out of service: " (why) ". Of its alarms only the guard's are told; its lamps and guards go on." }
            }
            (standing(&visit, enclosure))
            (facts(&visit, enclosure, view))
            @if let Some(view) = view { (gradient::drawn(&spots(enclosure, view, closely.as_deref()))) }
        }
        (charts(&visit, enclosure, days, past.as_ref()))
        @if let Some(view) = view {
            section id="lamps" data-live {
                h2 { "Lamps, and why" }
                (lamps(&visit, enclosure, view))
            }
            (by_hand(&visit, enclosure))
            (measured(&visit, enclosure, view, closely.as_deref()))
        }
        (service_form(&visit, enclosure, by_hand_empty))
    };
    frame::page(&visit, &enclosure.title, Script::Course, &content).into_response()
}

/// What is drawn of an enclosure, for the script that lets it be read closely.
pub(super) async fn course(visit: Visit, Path(id): Path<String>, Query(Spanned { span }): Query<Spanned>) -> Response {
    let Some((_, enclosure)) = visit.enclosure(&id) else { return no_enclosure(&visit) };
    let days = SPANS.iter().map(|(days, _)| *days).find(|days| Some(*days) == span).unwrap_or(1);
    match past_of(&visit, &id, days).await {
        Some(Ok(past)) => {
            let data = chart(&visit, enclosure, days, &past).data(visit.zone());
            ([(header::CONTENT_TYPE, "application/json")], data.to_string()).into_response()
        }
        None | Some(Err(_)) => StatusCode::SERVICE_UNAVAILABLE.into_response(),
    }
}

async fn past_of(visit: &Visit, id: &str, days: u32) -> Option<Result<Past, String>> {
    let (id, now, zone) = (id.to_owned(), visit.now, visit.zone());
    let midnights = midnights(now, zone, days);
    from_journal(&visit.house, move |journal| past::of_enclosure(journal, &id, &midnights, now, zone)).await
}

/// When each of so many days begins, the last of them today, and when tomorrow does.
fn midnights(now: DateTime<Utc>, zone: Tz, days: u32) -> Vec<DateTime<Utc>> {
    let today = now.with_timezone(&zone).date_naive();
    let first = today - TimeDelta::days(i64::from(days) - 1);
    first.iter_days().take(days as usize + 1).map(|date| begin_of(date, zone)).collect()
}

fn standing(visit: &Visit, enclosure: &Enclosure) -> Markup {
    let mut alarms: Vec<_> = visit.glance.alarms_of(&enclosure.id).filter(|notice| notice.state.is_active()).collect();
    alarms.sort_by_key(|notice| std::cmp::Reverse(notice.priority));
    html! {
        @if alarms.is_empty() { p { (Mark::Well.told()) } }
        @for notice in alarms {
            @let mark = Mark::of(notice.priority);
            div class={ "strip " (mark.class()) } {
                p { (mark.told()) " since " (words::time(notice.since, visit.now, visit.zone())) " (" (notice.state.word()) ")" }
                p { (notice.text) }
                p { a href="/alarms" { "To the alarms" } }
            }
        }
    }
}

fn facts(visit: &Visit, enclosure: &Enclosure, view: Option<&EnclosureView>) -> Markup {
    let zone = visit.zone();
    html! {
        dl class="facts" {
            dt { "Care sheet" } dd { (enclosure.care.name) }
            @if let Some(view) = view {
                dt { "Now" }
                dd {
                    (if view.day.is_day { "day" } else { "night" })
                    @if let (Some(on), Some(off)) = (view.day.lights_on, view.day.lights_off) {
                        ", lights " (words::time(on, visit.now, zone)) " to " (words::time(off, visit.now, zone))
                    }
                }
            }
            @if let Some(band) = enclosure.care.uv {
                dt { "UV at the basking spot" }
                dd {
                    "UVI " (format!("{:.1} to {:.1}, never above {:.1}", band.low.0, band.high.0, band.ceiling.0))
                    @if let Some(zone) = band.zone { " (Ferguson zone " (zone) ")" }
                }
            }
        }
    }
}

/// Where a lamp works: at the spot of the probe that it warms or lights.
fn spot_of<'a>(enclosure: &'a Enclosure, lamp: &Lamp) -> &'a str {
    let probe =
        lamp.heat.map(|heat| heat.probe).or(lamp.lights).or_else(|| lamp.guard.as_ref()?.probes.first().copied());
    probe.and_then(|probe| enclosure.probes.get(probe.0)).map_or("basking", |probe| probe.spot.as_str())
}

fn spots(enclosure: &Enclosure, view: &EnclosureView, closely: Option<&Closely>) -> Vec<Spot> {
    let mut spots: Vec<Spot> = Vec::new();
    let mut at = |name: &str| -> usize {
        spots.iter().position(|spot| spot.name == name).unwrap_or_else(|| {
            spots.push(Spot { name: name.to_owned(), ..Spot::default() });
            spots.len() - 1
        })
    };
    let mut probes = Vec::new();
    for (probe, state) in enclosure.probes.iter().zip(&view.probes) {
        if matches!(probe.measures, Measures::Power) {
            continue;
        }
        let value = words::value(probe, state).unwrap_or_else(|| "–".to_owned());
        let doubt = words::doubt(state.quality);
        let name = doubt.map_or_else(|| probe.name.clone(), |doubt| format!("{} ({doubt})", probe.name));
        probes.push((at(&probe.spot), (name, value, doubt.is_none())));
    }
    let mut lamps = Vec::new();
    for (lamp, state) in enclosure.lamps.iter().zip(&view.lamps) {
        lamps.push((
            at(spot_of(enclosure, lamp)),
            (lamp.name.clone(), words::level(state.wanted), !state.wanted.is_off()),
        ));
    }
    let mut meters = Vec::new();
    for spot in closely.iter().flat_map(|closely| &closely.round.spots) {
        let guess = if spot.guess { " (a guess)" } else { "" };
        meters.push((at(&spot.spot), format!("UVI {:.1}{guess}", spot.uvi.0)));
    }
    probes.into_iter().for_each(|(at, probe)| spots[at].probes.push(probe));
    lamps.into_iter().for_each(|(at, lamp)| spots[at].lamps.push(lamp));
    meters.into_iter().for_each(|(at, meter)| spots[at].meter = Some(meter));
    spots.sort_by_key(|spot| gradient::rank(&spot.name));
    spots
}

fn charts(visit: &Visit, enclosure: &Enclosure, days: u32, past: Option<&Result<Past, String>>) -> Markup {
    html! {
        section id="course" {
            h2 { "Course" }
            nav class="spans" aria-label="Span" {
                ul {
                    @for (span, name) in SPANS {
                        li {
                            a href={ "/e/" (enclosure.id) "?span=" (span) } aria-current=[(span == days).then_some("true")] { (name) }
                        }
                    }
                }
            }
            // With a script the same stands here to be read closely; what is drawn is for paper and for those who listen then.
            div id="closely" data-course={ "/e/" (enclosure.id) "/course.json?span=" (days) } hidden {}
            div id="drawn" data-live {
                @match past {
                    None => { p { "There is no journal, so nothing is known of the past." } }
                    Some(Err(why)) => { p class="strip look" { "The journal cannot be read: " (why) } }
                    Some(Ok(past)) => { (chart(visit, enclosure, days, past).drawn()) }
                }
            }
            div id="told" data-live { @if let Some(Ok(past)) = past { (alarms_list(visit, past)) } }
        }
    }
}

fn chart(visit: &Visit, enclosure: &Enclosure, days: u32, past: &Past) -> Chart {
    let zone = visit.zone();
    let midnights = midnights(visit.now, zone, days);
    // There is a first and a last one whatever the days.
    let (start, end) = (midnights[0], midnights[midnights.len() - 1]);
    let span = end - start;
    let (resolution, apart) = past::closeness(span);
    let ms = |span: TimeDelta| span.num_milliseconds().max(1);
    let line = |course: &past::Course| Line { name: course.probe.clone(), points: course.points.clone() };
    let of =
        |quantity: &str| past.courses.iter().filter(|course| course.quantity == quantity).map(line).collect::<Vec<_>>();
    let mut lanes = Vec::new();
    let heated = enclosure.lamps.iter().find(|lamp| lamp.heat.is_some());
    let temperatures = of("temperature");
    if !temperatures.is_empty() {
        let asked = heated.map(|lamp| Asked {
            name: format!("target of {}", lamp.name),
            steps: targets(visit, enclosure, lamp, (start, days)),
        });
        let guard = enclosure.lamps.iter().filter_map(|lamp| lamp.guard.as_ref()).map(|guard| guard.cut.0);
        let limit = guard.reduce(f64::min).map(|cut| (format!("guard cuts at {cut:.1} °C"), cut));
        let (title, unit) = ("Temperature".to_owned(), " °C");
        lanes.push(Lane { title, unit, lines: temperatures, band: None, asked: asked.into_iter().collect(), limit });
    }
    let mut uv = of("uvi");
    let mut title = "UV index";
    if resolution == Resolution::Day {
        // By night there is none: the mean of a whole day would say nothing of the light that the animal basks in.
        title = "UV index, highest of each day";
        uv.iter_mut().flat_map(|line| &mut line.points).for_each(|(_, mean, low, high)| (*mean, *low) = (*high, *high));
    }
    if !uv.is_empty() {
        let band = enclosure.care.uv.map(|band| (band.low.0, band.high.0));
        let limit = enclosure.care.uv.map(|band| (format!("ceiling {:.1}", band.ceiling.0), band.ceiling.0));
        lanes.push(Lane { title: title.to_owned(), unit: "", lines: uv, band, asked: Vec::new(), limit });
    }
    let mut rows = lamp_rows(visit, past, (&midnights, end.min(visit.now)));
    rows.extend(alarm_rows(visit, past));
    let span_ms = u64::try_from(ms(span)).unwrap_or(1);
    let apart = ms(apart) as f64 / span_ms as f64;
    Chart {
        axis: Axis::new(start, zone, span_ms),
        start,
        end,
        now: visit.now,
        apart,
        summed: resolution != Resolution::Minute,
        lanes,
        rows,
    }
}

/// A row for each lamp: when it was on, or how long on each day.
fn lamp_rows(visit: &Visit, past: &Past, (midnights, until): (&[DateTime<Utc>], DateTime<Utc>)) -> Vec<Row> {
    let zone = visit.zone();
    let spans = past.lamps.iter().map(|(name, levels)| {
        let bars = burning(levels, until, |at| words::moment(at, visit.now, zone));
        Row { name: name.clone(), told: Told::Bars(bars) }
    });
    let days = past.burnt.iter().map(|burnt| {
        let days = midnights.windows(2).zip(&burnt.hours);
        let days = days.map(|(day, hours)| Day { from: day[0], until: day[1], hours: *hours });
        Row { name: burnt.lamp.clone(), told: Told::Days(days.collect()) }
    });
    spans.chain(days).collect()
}

/// A row for each kind of alarm there was.
fn alarm_rows(visit: &Visit, past: &Past) -> Vec<Row> {
    let zone = visit.zone();
    let mut rows: Vec<(String, Vec<Bar>)> = Vec::new();
    for alarm in &past.alarms {
        let name = format!("{} ({})", alarm.kind, alarm.priority);
        let bar = Bar {
            from: alarm.from,
            until: alarm.until,
            level: 0.5,
            class: match alarm.priority.as_str() {
                "critical" => "alarm act",
                "high" => "alarm look",
                _ => "alarm note",
            },
            told: format!(
                "from {} to {}",
                words::moment(alarm.from, visit.now, zone),
                alarm.until.map_or("now".to_owned(), |until| words::moment(until, visit.now, zone))
            ),
        };
        match rows.iter_mut().find(|(known, _)| *known == name) {
            Some((_, bars)) => bars.push(bar),
            None => rows.push((name, vec![bar])),
        }
    }
    rows.into_iter().map(|(name, bars)| Row { name, told: Told::Bars(bars) }).collect()
}

/// The target by day and by night, as the care sheet's year has it; over more than a week that by day alone, since more
/// could not be seen.
fn targets(
    visit: &Visit,
    enclosure: &Enclosure,
    lamp: &Lamp,
    (start, days): (DateTime<Utc>, u32),
) -> Vec<(DateTime<Utc>, f64)> {
    let zone = visit.zone();
    let plans = Plans::new(&enclosure.care, zone, visit.settings.site.place).with_course(foreseen(visit, enclosure));
    let first: NaiveDate = start.with_timezone(&zone).date_naive();
    let dates = first.iter_days().take(days as usize);
    let dated = dates.filter_map(|date| Some((date, target_of(lamp, &plans, date)?)));
    let mut steps: Vec<(DateTime<Utc>, f64)> = Vec::new();
    for (date, target) in dated {
        if days > 7 {
            if steps.last().is_none_or(|(_, before)| *before != target.day.0) {
                steps.push((begin_of(date, zone), target.day.0));
            }
            continue;
        }
        if steps.is_empty() {
            steps.push((start, target.night.0));
        }
        if let Some((on, off)) = plans.on(date).and_then(|plan| plan.span()) {
            steps.extend([(on.max(start), target.day.0), (off.max(start), target.night.0)]);
        }
    }
    steps
}

/// The course of the enclosure's cooling season to be reckoned with.
fn foreseen(visit: &Visit, enclosure: &Enclosure) -> Option<Course> {
    let (ix, _) = visit.enclosure(&enclosure.id)?;
    visit.glance.enclosures.get(ix)?.as_deref()?.season.as_ref()?.foreseen
}

fn alarms_list(visit: &Visit, past: &Past) -> Markup {
    let zone = visit.zone();
    html! {
        @if !past.alarms.is_empty() {
            details {
                summary { "Alarms of this span, in words" }
                ul {
                    @for alarm in &past.alarms {
                        li {
                            (alarm.kind) " (" (alarm.priority) "), " (words::time(alarm.from, visit.now, zone)) " to "
                            @match alarm.until { Some(until) => { (words::time(until, visit.now, zone)) } None => { "now" } }
                            ": " (words::first_sentence(&alarm.text))
                        }
                    }
                }
            }
        }
    }
}

fn lamps(visit: &Visit, enclosure: &Enclosure, view: &EnclosureView) -> Markup {
    html! {
        ul class="lamps" {
            @for (lamp, state) in enclosure.lamps.iter().zip(&view.lamps) {
                li {
                    h3 { (lamp.name) " " span class="soft" { (lamp.fitting.traits().title) @if let Some(power) = lamp.power { ", " (format!("{:.0} W", power.0)) } } }
                    p {
                        b { (words::level(state.wanted)) } ": " (state.reason)
                        @match state.reported {
                            Some(reported) if !reported.agrees_with(state.wanted) => { " – but its relay says " b { (words::level(reported)) } }
                            None if lamp.output.state.is_some() => { " – its relay has not said anything" }
                            _ => {}
                        }
                    }
                    @if let Some(told) = words::by_hand(&lamp.name, state, visit.now, visit.zone()) {
                        p class="strip hand" { (told) }
                        @if visit.guest.role >= Role::Keep { (end_form(visit, enclosure, lamp)) }
                    }
                    (interlock(visit, enclosure, lamp, state))
                }
            }
        }
    }
}

fn interlock(visit: &Visit, enclosure: &Enclosure, lamp: &Lamp, state: &LampView) -> Markup {
    html! {
        @if let Some(interlock) = &state.interlock {
            p class="soft" { "Guard: " (interlock.state) ", off at " (interlock.cut) ", latched at " (interlock.limit) }
            @if let Some(why) = &interlock.why { p { "The guard holds it off: " (why) } }
            @if interlock.state == "latched" {
                @if visit.guest.role >= Role::Manage {
                    form method="post" action={ "/e/" (enclosure.id) "/reset" } class="stack strip look" {
                        (hidden(visit))
                        input type="hidden" name="lamp" value=(lamp.name);
                        label for={ "why-" (lamp.name) } { "Why is it safe again? What was wrong, and what was done?" }
                        textarea id={ "why-" (lamp.name) } name="why" required minlength="8" maxlength="500" rows="2" {}
                        button class="grave" { "Reset the guard of " (lamp.name) }
                        p class="soft" { "Look at the lamp, its probe and its cable first. The guard trips again where it is not safe." }
                    }
                } @else {
                    p { "Only somebody who may manage can reset it, and says why." }
                }
            }
        }
    }
}

fn end_form(visit: &Visit, enclosure: &Enclosure, lamp: &Lamp) -> Markup {
    html! {
        form method="post" action={ "/e/" (enclosure.id) "/override" } {
            (hidden(visit))
            input type="hidden" name="lamp" value=(lamp.name);
            input type="hidden" name="level" value="end";
            input type="hidden" name="minutes" value="0";
            button { "End that: " (lamp.name) " by its schedule again" }
        }
    }
}

fn by_hand(visit: &Visit, enclosure: &Enclosure) -> Markup {
    html! {
        @if visit.guest.role >= Role::Keep && !enclosure.lamps.is_empty() {
            section {
                h2 { "Set a lamp by hand for a while" }
                p { "It ends by itself. A guard that has tripped, or has no reading, keeps the lamp off all the same." }
                form method="post" action={ "/e/" (enclosure.id) "/override" } class="stack" {
                    (hidden(visit))
                    label for="lamp" { "Lamp" }
                    select id="lamp" name="lamp" { @for lamp in &enclosure.lamps { option value=(lamp.name) { (lamp.name) } } }
                    label for="level" { "To" }
                    select id="level" name="level" {
                        option value="off" { "off" } option value="on" { "on" }
                        option value="0.5" { "half (dimmers)" } option value="0.25" { "a quarter (dimmers)" }
                    }
                    label for="minutes" { "For" }
                    select id="minutes" name="minutes" {
                        @for (minutes, words) in [(5, "5 min"), (10, "10 min"), (20, "20 min"), (60, "1 h"), (180, "3 h"), (720, "12 h")] {
                            option value=(minutes) selected[minutes == 20] { (words) }
                        }
                    }
                    button { "Set by hand" }
                }
            }
        }
    }
}

fn measured(visit: &Visit, enclosure: &Enclosure, view: &EnclosureView, closely: Option<&Closely>) -> Markup {
    let zone = visit.zone();
    html! {
        section id="measured" data-live {
            h2 { "Probes" }
            div class="scroll" tabindex="0" role="region" aria-label="Probes" {
                table {
                    thead { tr { th { "Probe" } th { "Spot" } th { "Value" } th { "Heard" } th { "Counts" } } }
                    tbody {
                        @for (probe, state) in enclosure.probes.iter().zip(&view.probes) {
                            tr {
                                th scope="row" { (probe.name) } td { (probe.spot) }
                                td { (words::value(probe, state).unwrap_or_else(|| "–".to_owned())) }
                                td {
                                    @match state.age.and_then(|age| TimeDelta::from_std(age).ok()) {
                                        Some(age) => { (words::ago(age)) " ago" } None => { "never" }
                                    }
                                }
                                td { (words::doubt(state.quality).unwrap_or("yes")) @if let Some(uv) = state.uv { ", " (uv.footing.word()) } }
                            }
                        }
                    }
                }
            }
            @if let Some(closely) = closely {
                h2 { "Rounds with the meter" }
                @if closely.round.remarks.is_empty() { p { "Nothing is known of its UV gradient." } }
                ul { @for remark in &closely.round.remarks { li class=(if remark.is_wrong() { "wrong" } else { "" }) { (remark) } } }
                p {
                    @match closely.round.last { Some(last) => { "Last read " (words::time(last, visit.now, zone)) ". " } None => { "Never read. " } }
                    @if let Some(due) = closely.round.due { "The next round is due " (words::time(due, visit.now, zone)) ". " }
                    @if visit.guest.role >= Role::Keep { a href="/walk" { "Walk with the meter" } }
                }
            }
        }
    }
}

/// Whether an animal lives here, as a person says it.
fn service_form(visit: &Visit, enclosure: &Enclosure, empty: Option<&str>) -> Markup {
    if visit.guest.role < Role::Keep {
        return html! {};
    }
    html! {
        section id="service" {
            h2 { "Whether an animal lives here" }
            @match (empty, &enclosure.out_of_service) {
                (None, Some(_)) => { p { "The configuration says that it is out of service, and only there it is put in service again." } }
                (Some(_), _) => {
                    form method="post" action={ "/e/" (enclosure.id) "/service" } class="stack" {
                        (hidden(visit))
                        button { "An animal lives here again" }
                    }
                }
                (None, None) => {
                    details {
                        summary { "Nobody lives here: put it out of service" }
                        form method="post" action={ "/e/" (enclosure.id) "/service" } class="stack" {
                            (hidden(visit))
                            label for="empty-why" { "Why" }
                            input id="empty-why" name="why" required maxlength="200";
                            button { "Out of service" }
                            p class="soft" {
                                "Only alarms of its guard are told then. No lamp changes: take heat that nobody needs off at its plug."
                            }
                        }
                    }
                }
            }
        }
    }
}

#[derive(Deserialize)]
pub(super) struct Service {
    token: String,
    key: String,
    /// None: it is in service again.
    #[serde(default)]
    why: Option<String>,
}

pub(super) async fn service(visit: Visit, Path(id): Path<String>, Form(form): Form<Service>) -> Response {
    if let Err(refused) = visit.may(Role::Keep, &form.token) {
        return *refused;
    }
    if visit.enclosure(&id).is_none() {
        return no_enclosure(&visit);
    }
    let (verb, with) = match &form.why {
        Some(why) => ("out-of-service", json!({ "why": why.trim() })),
        None => ("in-service", json!({})),
    };
    let outcome = act(&visit, Request { verb, enclosure: &id, with, why: None, key: &form.key }).await;
    after(&visit, outcome, &format!("/e/{id}"))
}

#[derive(Deserialize)]
pub(super) struct ByHand {
    token: String,
    key: String,
    lamp: String,
    level: String,
    minutes: u32,
}

pub(super) async fn set_by_hand(visit: Visit, Path(id): Path<String>, Form(form): Form<ByHand>) -> Response {
    if let Err(refused) = visit.may(Role::Keep, &form.token) {
        return *refused;
    }
    if visit.enclosure(&id).is_none() {
        return no_enclosure(&visit);
    }
    let level = match form.level.as_str() {
        "end" => Value::Null,
        word @ ("on" | "off") => json!(word),
        number => number.parse::<f64>().map_or_else(|_| json!(number), |share| json!(share)),
    };
    let mut with = json!({ "lamp": form.lamp, "level": level });
    if !with["level"].is_null() {
        with["for"] = json!(format!("{}m", form.minutes));
    }
    let request = Request { verb: "override", enclosure: &id, with, why: None, key: &form.key };
    let outcome = act(&visit, request).await;
    after(&visit, outcome, &format!("/e/{id}#lamps"))
}

#[derive(Deserialize)]
pub(super) struct Reset {
    token: String,
    key: String,
    lamp: String,
    why: String,
}

pub(super) async fn reset(visit: Visit, Path(id): Path<String>, Form(form): Form<Reset>) -> Response {
    if let Err(refused) = visit.may(Role::Manage, &form.token) {
        return *refused;
    }
    if visit.enclosure(&id).is_none() {
        return no_enclosure(&visit);
    }
    if let Err(refused) = must_say_why(&visit, &form.why) {
        return *refused;
    }
    let with = json!({ "lamp": form.lamp });
    let request = Request { verb: "reset", enclosure: &id, with, why: Some(form.why.trim()), key: &form.key };
    let outcome = act(&visit, request).await;
    after(&visit, outcome, &format!("/e/{id}#lamps"))
}

/// A latch is for a person who has looked: they say what they saw.
pub(super) fn must_say_why(visit: &Visit, why: &str) -> Result<(), Box<Response>> {
    let letters = why.trim().chars().count();
    if (8..=500).contains(&letters) {
        return Ok(());
    }
    let text = "Say in a few words what was wrong and what was done: it stands in the journal beside the reset.";
    Err(Box::new(frame::notice(Some(visit), StatusCode::UNPROCESSABLE_ENTITY, "Not reset", text)))
}
