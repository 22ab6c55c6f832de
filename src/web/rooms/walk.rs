//! The walk with the meter: from enclosure to enclosure in the order of the racks, one spot a screen, a reading in two taps.
//!
//! Each screen is a page with a form: the whole number is chosen, the tenth sends it. A script only adds that the screens are
//! there without a network too, and that readings then wait until there is one.

use axum::Form;
use axum::extract::{Path, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Redirect, Response};
use chrono::{DateTime, TimeDelta, Utc};
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::json;

use super::{after, from_journal, no_enclosure};
use crate::control::{RoundView, SpotView};
use crate::journal::read::{Act, Window};
use crate::settings::{Enclosure, Measures};
use crate::web::acts::{self, NotDone, Request, act};
use crate::web::draw::gradient::rank;
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;
use crate::web::past;
use crate::web::people::Role;
use crate::web::words;

/// The highest whole number that has a key of its own; what is higher is typed.
const KEYS: u32 = 12;
/// A meter shows within ±10 % (common practice, no source), and it is not held at the very same place twice: what differs
/// by more than this share and this much is asked about. Both are guesses.
const ODD_SHARE: f64 = 0.3;
const ODD_LEAST: f64 = 0.3;
/// A spot that is no basking spot and was never measured: above this somebody should look twice; a guess.
const SHADE: f64 = 1.0;
/// A reading that is told later than this after it was taken is told as late.
const LATE: TimeDelta = TimeDelta::minutes(2);
/// Screens that are kept for a walk without a network at most.
const SCREENS: usize = 1500;

/// A stop of the walk.
struct Stop<'a> {
    enclosure: &'a Enclosure,
    spot: String,
}

/// What would be normal.
#[derive(Clone, Debug, PartialEq)]
struct Normal {
    low: f64,
    high: f64,
    why: &'static str,
}

/// Whether anything of an enclosure is measured with the meter: it has a UV band, a UV probe or a lamp that gives UV.
fn is_walked(enclosure: &Enclosure) -> bool {
    enclosure.care.uv.is_some()
        || enclosure.probes.iter().any(|probe| probe.measures == Measures::Uvi)
        || enclosure.lamps.iter().any(|lamp| lamp.fitting.traits().emits.uv)
}

fn basking(enclosure: &Enclosure) -> Vec<String> {
    let probes = enclosure.probes.iter().filter(|probe| probe.measures == Measures::Uvi);
    let mut spots: Vec<String> = probes.map(|probe| probe.spot.clone()).collect();
    spots.dedup();
    if spots.is_empty() { vec!["basking".to_owned()] } else { spots }
}

/// The spots of an enclosure that are measured: those of its UV probes, those that were measured before, and a retreat.
fn spots(enclosure: &Enclosure, round: &RoundView) -> Vec<String> {
    let mut spots = basking(enclosure);
    spots.extend(round.spots.iter().map(|spot| spot.spot.clone()));
    if spots.iter().all(|spot| rank(spot) < 4) {
        spots.push("retreat".to_owned());
    }
    spots.sort_by(|a, b| rank(a).cmp(&rank(b)).then_with(|| a.cmp(b)));
    spots.dedup();
    spots
}

/// Every stop in order.
async fn stops(visit: &Visit) -> Vec<Stop<'_>> {
    let mut stops = Vec::new();
    for enclosure in visit.settings.enclosures.iter().filter(|enclosure| is_walked(enclosure)) {
        let Some(closely) = visit.house.closely(&enclosure.id).await else { continue };
        stops.extend(spots(enclosure, &closely.round).into_iter().map(|spot| Stop { enclosure, spot }));
    }
    stops
}

fn normal(enclosure: &Enclosure, spot: &str, last: Option<&SpotView>, is_new: bool) -> Option<Normal> {
    let is_basking = basking(enclosure).iter().any(|name| name == spot);
    if let Some(last) = last.filter(|_| !is_new) {
        let apart = (ODD_SHARE * last.uvi.0).max(ODD_LEAST);
        let (low, high) = ((last.uvi.0 - apart).max(0.0), last.uvi.0 + apart);
        return Some(Normal { low, high, why: "by what it was last time" });
    }
    match enclosure.care.uv {
        Some(band) if is_basking => {
            Some(Normal { low: band.low.0, high: band.high.0, why: "the band of its care sheet" })
        }
        Some(_) => Some(Normal { low: 0.0, high: SHADE, why: "away from the basking spot" }),
        None => None,
    }
}

/// A name as part of a path.
pub(super) fn in_path(name: &str) -> String {
    name.bytes()
        .map(|byte| {
            let is_plain = byte.is_ascii_alphanumeric() || b"-_.".contains(&byte);
            if is_plain { char::from(byte).to_string() } else { format!("%{byte:02X}") }
        })
        .collect()
}

fn way(stop: &Stop<'_>, since: i64) -> String {
    format!("/walk/{}/{}?since={since}", in_path(&stop.enclosure.id), in_path(&stop.spot))
}

#[derive(Deserialize)]
pub(super) struct Since {
    /// When the walk began, seconds since 1970.
    #[serde(default)]
    since: Option<i64>,
    /// The lamp that was just changed.
    #[serde(default)]
    new: Option<String>,
}

impl Since {
    fn seconds(&self, visit: &Visit) -> i64 {
        self.since.filter(|since| *since <= visit.now.timestamp()).unwrap_or_else(|| visit.now.timestamp())
    }
}

/// Before a walk: what is due, and the start.
pub(super) async fn show(visit: Visit) -> Markup {
    let stops = stops(&visit).await;
    let since = visit.now.timestamp();
    let mut enclosures: Vec<&Enclosure> = stops.iter().map(|stop| stop.enclosure).collect();
    enclosures.dedup_by_key(|enclosure| &enclosure.id);
    let mut due = Vec::new();
    for enclosure in &enclosures {
        if let Some(closely) = visit.house.closely(&enclosure.id).await {
            due.push((*enclosure, closely.round.last, closely.round.due));
        }
    }
    let content = html! {
        h1 { "Walk with the meter" }
        @match stops.first() {
            None => { p { "No enclosure here has UV to be measured." } }
            Some(first) => {
                p { (enclosures.len()) " enclosures, " (stops.len()) " spots. A tap on the whole number and a tap on the tenth is a reading." }
                p { a class="button start" href=(way(first, since)) { "Start the walk" } }
                p class="soft" id="offline" hidden { "This walk is on this device now: it goes on without a network, and readings are sent when there is one." }
            }
        }
        div class="scroll" tabindex="0" role="region" aria-label="When each was last measured" {
            table {
                thead { tr { th { "Enclosure" } th { "Last measured" } th { "Due" } } }
                tbody {
                    @for (enclosure, last, due) in due {
                        tr {
                            th scope="row" { a href={ "/e/" (enclosure.id) } { (enclosure.title) } }
                            td { @match last { Some(last) => { (words::time(last, visit.now, visit.zone())) } None => { "never" } } }
                            td {
                                @match due {
                                    Some(due) if due <= visit.now => { b { "now" } }
                                    Some(due) => { (words::time(due, visit.now, visit.zone())) }
                                    None => { "when it was measured once" }
                                }
                            }
                        }
                    }
                }
            }
        }
        p class="soft" { "Hold the sensor where the animal's back is, facing the lamp, and do not look into the lamp." }
    };
    frame::page(&visit, "Walk", Script::Walk, &content)
}

/// Every screen of a walk, for the device that takes it along.
pub(super) async fn plan(visit: Visit, Query(query): Query<Since>) -> Response {
    let since = query.seconds(&visit);
    let stops = stops(&visit).await;
    let screens: Vec<String> = stops.iter().take(SCREENS).map(|stop| way(stop, since)).collect();
    let plan = json!({
        "screens": screens,
        "token": visit.guest.token,
        "may": visit.guest.role >= Role::Keep,
        "done": format!("/walk/done?since={since}"),
    });
    ([(header::CONTENT_TYPE, "application/json")], plan.to_string()).into_response()
}

/// One spot.
pub(super) async fn spot(
    visit: Visit,
    Path((id, spot)): Path<(String, String)>,
    Query(query): Query<Since>,
) -> Response {
    if let Err(refused) = visit.must(Role::Keep) {
        return *refused;
    }
    screen(&visit, &id, &spot, &query, None).await
}

/// The screen of a spot; `odd` is a reading that is asked about.
async fn screen(visit: &Visit, id: &str, spot: &str, query: &Since, odd: Option<(f64, &Reading)>) -> Response {
    let Some((_, enclosure)) = visit.enclosure(id) else { return no_enclosure(visit) };
    let since = query.seconds(visit);
    let stops = stops(visit).await;
    let here = stops.iter().position(|stop| stop.enclosure.id == id && stop.spot == spot);
    let next =
        here.and_then(|here| stops.get(here + 1)).map_or(format!("/walk/done?since={since}"), |stop| way(stop, since));
    let before = here.and_then(|here| stops.get(here.checked_sub(1)?)).map(|stop| way(stop, since));
    let closely = visit.house.closely(id).await;
    let last = closely.as_ref().and_then(|closely| closely.round.spots.iter().find(|known| known.spot == spot));
    let normal = normal(enclosure, spot, last, query.new.is_some());
    let content = html! {
        p class="where" {
            (enclosure.title) @if let Some(here) = here { " " span class="soft" { (here + 1) " of " (stops.len()) } }
        }
        h1 { (spot) }
        @if let Some(lamp) = &query.new {
            p class="strip note" { "A new lamp is in: " b { (lamp) } ". Let it warm up, then measure. Keep the animal out until it is known." }
        }
        dl class="last" {
            dt { "Last" }
            dd { @match last {
                Some(last) => { "UVI " (format!("{:.1}", last.uvi.0)) " " span class="soft" { (words::time(last.at, visit.now, visit.zone())) } }
                None => { "never measured" }
            } }
            dt { "Normal" }
            dd { @match &normal {
                Some(normal) => { (format!("{:.1} to {:.1}", normal.low, normal.high)) " " span class="soft" { (normal.why) } }
                None => { "not known" }
            } }
        }
        @match odd {
            Some((uvi, reading)) => { (asked(visit, uvi, reading, &next, since, query, normal.as_ref(), enclosure)) }
            None => { (keypad(visit, &next, since, query, normal.as_ref(), enclosure)) }
        }
        nav class="steps" aria-label="Walk" {
            @if let Some(before) = before { a class="button plain" href=(before) { "Back" } }
            a class="button plain" href=(next) { "Skip" }
            a class="button plain" href={ "/walk/done?since=" (since) } { "Finish" }
        }
        p id="queue" class="strip note" role="status" hidden {}
    };
    frame::page(visit, &format!("{spot} of {}", enclosure.title), Script::Walk, &content).into_response()
}

/// What a form of the walk carries along.
fn carried(visit: &Visit, key: &str, next: &str, since: i64, query: &Since) -> Markup {
    html! {
        input type="hidden" name="token" value=(visit.guest.token);
        input type="hidden" name="key" value=(key);
        input type="hidden" name="next" value=(next);
        input type="hidden" name="since" value=(since);
        @if let Some(new) = &query.new { input type="hidden" name="new" value=(new); }
    }
}

fn keypad(
    visit: &Visit,
    next: &str,
    since: i64,
    query: &Since,
    normal: Option<&Normal>,
    enclosure: &Enclosure,
) -> Markup {
    let ceiling = enclosure.care.uv.map(|band| band.ceiling.0.to_string());
    html! {
        form id="pad" method="post" class="pad" data-low=[normal.map(|normal| normal.low)] data-high=[normal.map(|normal| normal.high)]
            data-ceiling=[ceiling] {
            (carried(visit, &acts::new_key(), next, since, query))
            fieldset class="wholes" {
                legend { "UVI" }
                @for whole in 0..=KEYS {
                    input type="radio" name="whole" id={ "w" (whole) } value=(whole) required;
                    label for={ "w" (whole) } { (whole) }
                }
            }
            div class="tenths" role="group" aria-label="Tenths: a tap keeps the reading" {
                @for tenth in 0..10 { button name="tenth" value=(tenth) { "." (tenth) } }
            }
        }
        details {
            summary { "Another number, one lamp alone, or a guess" }
            form method="post" class="stack" id="typed" data-low=[normal.map(|normal| normal.low)] data-high=[normal.map(|normal| normal.high)] {
                (carried(visit, &acts::new_key(), next, since, query))
                label for="uvi" { "UVI" }
                input id="uvi" name="uvi" inputmode="decimal" pattern="[0-9]+([.,][0-9]+)?" required maxlength="6";
                label for="alone" { "Lit" }
                select id="alone" name="alone" {
                    option value="" { "everything that burns now" }
                    @for lamp in &enclosure.lamps { option value=(lamp.name) { "only " (lamp.name) } }
                }
                label { input type="checkbox" name="guess" value="true"; " It is a guess" }
                button { "Keep" }
            }
        }
    }
}

/// An odd value, asked about at once.
#[allow(clippy::too_many_arguments, reason = "what the other form of this screen carries too")]
fn asked(
    visit: &Visit,
    uvi: f64,
    reading: &Reading,
    next: &str,
    since: i64,
    query: &Since,
    normal: Option<&Normal>,
    enclosure: &Enclosure,
) -> Markup {
    let over = enclosure.care.uv.is_some_and(|band| uvi > band.ceiling.0);
    html! {
        div class="strip look" role="alert" {
            p {
                "You read " b { "UVI " (format!("{uvi:.1}")) } "."
                @if let Some(normal) = normal { " Normal is " (format!("{:.1} to {:.1}", normal.low, normal.high)) ", " (normal.why) "." }
            }
            @if over {
                p { "That is above the ceiling. If it is so: raise the lamp or fit a weaker one, give shade until then, and see a "
                    "veterinarian about shut or swollen eyes." }
            }
            p { "Is the sensor clean, at the height of the back, facing the lamp, and the meter not touching it?" }
        }
        form method="post" class="stack" {
            (carried(visit, &reading.key, next, since, query))
            input type="hidden" name="uvi" value=(uvi);
            input type="hidden" name="sure" value="true";
            @if !reading.alone.is_empty() { input type="hidden" name="alone" value=(reading.alone); }
            @if reading.guess { input type="hidden" name="guess" value="true"; }
            button { "Yes, it shows " (format!("{uvi:.1}")) }
        }
        p { a class="button plain" href="" { "No, read again" } }
    }
}

/// A form of the walk, or a reading that waited on a device.
#[derive(Clone, Debug, Default, Deserialize)]
pub(super) struct Reading {
    token: String,
    key: String,
    #[serde(default)]
    whole: Option<u32>,
    #[serde(default)]
    tenth: Option<u32>,
    #[serde(default)]
    uvi: Option<String>,
    #[serde(default)]
    alone: String,
    #[serde(default)]
    guess: bool,
    #[serde(default)]
    sure: bool,
    #[serde(default)]
    next: String,
    #[serde(default)]
    since: Option<i64>,
    #[serde(default)]
    new: Option<String>,
    /// Milliseconds ago that it was taken, by the device that kept it.
    #[serde(default)]
    ago_ms: Option<i64>,
    /// From the script: the answer is for it, and not a page.
    #[serde(default)]
    plain: bool,
}

impl Reading {
    /// The number, however it was given.
    fn uvi(&self) -> Option<f64> {
        let number = match (&self.uvi, self.whole, self.tenth) {
            (Some(text), ..) => text.trim().replace(',', ".").parse().ok()?,
            (None, Some(whole), Some(tenth @ 0..10)) => f64::from(10 * whole + tenth) / 10.0,
            _ => return None,
        };
        (0.0..=crate::message::UVI_MAX).contains(&number).then_some(number)
    }

    /// When it was taken, where that is some time ago.
    fn taken(&self, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let ago = TimeDelta::try_milliseconds(self.ago_ms?)?;
        (ago > LATE).then(|| now.checked_sub_signed(ago)).flatten()
    }
}

pub(super) async fn reading(
    visit: Visit,
    Path((id, spot)): Path<(String, String)>,
    Form(reading): Form<Reading>,
) -> Response {
    if let Err(refused) = visit.may(Role::Keep, &reading.token) {
        return *refused;
    }
    let Some((_, enclosure)) = visit.enclosure(&id) else { return no_enclosure(&visit) };
    let query = Since { since: reading.since, new: reading.new.clone() };
    let Some(uvi) = reading.uvi() else {
        let text =
            "A reading is a number from 0 on, such as 4.2. Go back and choose a whole number first, then the tenth.";
        return frame::notice(Some(&visit), StatusCode::UNPROCESSABLE_ENTITY, "Not kept", text);
    };
    if !reading.sure && !reading.plain && is_odd(&visit, enclosure, &spot, uvi, &query).await {
        return screen(&visit, &id, &spot, &query, Some((uvi, &reading))).await;
    }
    let mut with = json!({ "spot": spot, "uvi": uvi });
    if !reading.alone.is_empty() {
        with["lamp"] = json!(reading.alone);
    }
    if reading.guess {
        with["guess"] = json!(true);
    }
    if let Some(taken) = reading.taken(visit.now) {
        with["taken"] = json!(taken.to_rfc3339_opts(chrono::SecondsFormat::Secs, true));
    }
    let outcome =
        act(&visit, Request { verb: "meter-reading", enclosure: &id, with, why: None, key: &reading.key }).await;
    if reading.plain {
        return match outcome {
            Ok(()) => StatusCode::NO_CONTENT.into_response(),
            Err(NotDone::Unheard) => StatusCode::SERVICE_UNAVAILABLE.into_response(),
            Err(NotDone::Refused(why)) => (StatusCode::UNPROCESSABLE_ENTITY, why).into_response(),
        };
    }
    let next = if reading.next.starts_with("/walk") { reading.next.as_str() } else { "/walk" };
    match outcome {
        Ok(()) if reading.new.is_some() => Redirect::to(&format!("/lamps#of-{id}")).into_response(),
        outcome => after(&visit, outcome, next),
    }
}

async fn is_odd(visit: &Visit, enclosure: &Enclosure, spot: &str, uvi: f64, query: &Since) -> bool {
    let closely = visit.house.closely(&enclosure.id).await;
    let last = closely.as_ref().and_then(|closely| closely.round.spots.iter().find(|known| known.spot == spot));
    let normal = normal(enclosure, spot, last, query.new.is_some());
    let is_over = enclosure.care.uv.is_some_and(|band| uvi > band.ceiling.0);
    is_over || normal.is_some_and(|normal| !(normal.low..=normal.high).contains(&uvi))
}

/// The end of a walk: what changed, and what is due.
pub(super) async fn done(visit: Visit, Query(query): Query<Since>) -> Markup {
    let since = DateTime::from_timestamp(query.seconds(&visit), 0).unwrap_or(visit.now);
    let window = Window { from: since - TimeDelta::days(400), until: visit.now + TimeDelta::minutes(1) };
    let acts = from_journal(&visit.house, move |journal| past::acts(journal, None, window)).await;
    let mut open = Vec::new();
    for enclosure in visit.settings.enclosures.iter().filter(|enclosure| is_walked(enclosure)) {
        if let Some(closely) = visit.house.closely(&enclosure.id).await {
            open.push((enclosure, closely));
        }
    }
    let acts = match acts {
        Some(Ok(acts)) => acts,
        _ => Vec::new(),
    };
    let changes = changes(&acts, since);
    let content = html! {
        h1 { "The walk is done" }
        p id="queue" class="strip note" role="status" hidden {}
        section {
            h2 { "What changed" }
            @if changes.is_empty() { p { "No reading has arrived since it began." } }
            ul {
                @for change in &changes {
                    li {
                        @let title = visit.enclosure(&change.enclosure).map_or(change.enclosure.as_str(), |(_, enclosure)| enclosure.title.as_str());
                        b { (title) ", " (change.spot) ": UVI " (format!("{:.1}", change.uvi)) }
                        @match change.before {
                            Some(before) if before > 0.05 => { " (was " (format!("{before:.1}, {:+.0} %", 100.0 * (change.uvi / before - 1.0))) ")" }
                            Some(before) => { " (was " (format!("{before:.1}")) ")" }
                            None => { " (the first)" }
                        }
                    }
                }
            }
        }
        section {
            h2 { "What is to be done" }
            ul {
                @for (enclosure, closely) in &open {
                    @for remark in closely.round.remarks.iter().filter(|remark| remark.is_wrong()) {
                        li class="wrong" { a href={ "/e/" (enclosure.id) } { (enclosure.title) } ": " (remark) }
                    }
                    @for health in &closely.lamps {
                        @if let (Some(by), Some(lamp)) = (health.change_by, enclosure.lamps.get(health.lamp.0)) {
                            li { a href={ "/lamps#of-" (enclosure.id) } { (enclosure.title) } ": change " (lamp.name) " by " (by) }
                        }
                    }
                }
            }
            @let due = open.iter().filter_map(|(_, closely)| closely.round.due).min();
            p { "The next round is due " @match due { Some(due) => { (words::time(due, visit.now, visit.zone())) } None => { "when something was measured once" } } "." }
        }
        p { a class="button" href="/" { "To the site" } }
    };
    frame::page(&visit, "Walk", Script::Walk, &content)
}

/// A spot that was read on this walk.
#[derive(Clone, Debug, PartialEq)]
struct Change {
    enclosure: String,
    spot: String,
    uvi: f64,
    before: Option<f64>,
}

/// The newest reading of each spot since `since`, and the one before that; `acts` are the newest first.
fn changes(acts: &[Act], since: DateTime<Utc>) -> Vec<Change> {
    let mut changes: Vec<Change> = Vec::new();
    let readings = acts.iter().filter(|act| act.verb() == "meter-reading" && act.text("lamp").is_none());
    for act in readings {
        let (Some(enclosure), Some(spot), Some(uvi)) = (&act.enclosure, act.text("spot"), act.number("uvi")) else {
            continue;
        };
        let taken =
            act.text("taken").and_then(|taken| DateTime::parse_from_rfc3339(taken).ok()).map(|taken| taken.to_utc());
        let at = taken.unwrap_or(act.at);
        match changes.iter_mut().find(|change| change.enclosure == *enclosure && change.spot == spot) {
            Some(known) if at < since => _ = known.before.get_or_insert(uvi),
            Some(_) => {}
            None if at >= since => {
                changes.push(Change { enclosure: enclosure.clone(), spot: spot.to_owned(), uvi, before: None });
            }
            None => {}
        }
    }
    changes.reverse();
    changes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Uvi;

    fn last(uvi: f64) -> SpotView {
        SpotView { spot: "basking".into(), uvi: Uvi(uvi), at: DateTime::UNIX_EPOCH, summed: Vec::new(), guess: false }
    }

    #[test]
    fn a_reading_is_two_taps_or_typed() {
        let tapped = |whole, tenth| Reading { whole: Some(whole), tenth: Some(tenth), ..Reading::default() }.uvi();
        assert_eq!((tapped(4, 2), tapped(0, 0), tapped(12, 9)), (Some(4.2), Some(0.0), Some(12.9)));
        assert_eq!(tapped(4, 10), None);
        assert_eq!(Reading { whole: Some(4), ..Reading::default() }.uvi(), None, "one tap is none");
        for (text, uvi) in
            [("4,2", Some(4.2)), (" 13.5 ", Some(13.5)), ("-1", None), ("NaN", None), ("900", None), ("", None)]
        {
            assert_eq!(Reading { uvi: Some(text.into()), ..Reading::default() }.uvi(), uvi, "{text}");
        }
    }

    #[test]
    fn a_reading_that_waited_is_told_with_its_time() {
        let now = DateTime::UNIX_EPOCH + TimeDelta::hours(5);
        let taken = |ago_ms| Reading { ago_ms, ..Reading::default() }.taken(now);
        assert_eq!(taken(None), None);
        assert_eq!(taken(Some(60_000)), None, "as good as now");
        assert_eq!(taken(Some(3_600_000)), Some(now - TimeDelta::hours(1)));
        assert_eq!(taken(Some(-3_600_000)), None, "a clock that was set");
        assert_eq!(taken(Some(i64::MAX)), None);
    }

    #[test]
    fn what_changed_is_told_against_the_walk_before() {
        let act = |hours: i64, spot: &str, uvi: f64| Act {
            at: DateTime::UNIX_EPOCH + TimeDelta::hours(hours),
            enclosure: Some("e1".into()),
            words: json!({ "act": "meter-reading", "spot": spot, "uvi": uvi }).as_object().cloned().unwrap_or_default(),
        };
        let acts = [
            act(11, "cool", 0.4),
            act(10, "basking", 3.9),
            act(9, "basking", 9.9),
            act(2, "basking", 4.2),
            act(1, "basking", 5.0),
        ];
        let changes = changes(&acts, DateTime::UNIX_EPOCH + TimeDelta::hours(8));
        let told: Vec<_> = changes.iter().map(|change| (change.spot.as_str(), change.uvi, change.before)).collect();
        assert_eq!(told, [("basking", 3.9, Some(4.2)), ("cool", 0.4, None)]);
    }

    #[test]
    fn names_stand_in_paths_as_they_are_or_masked() {
        assert_eq!(in_path("warm-side"), "warm-side");
        assert_eq!(in_path("a b/c?"), "a%20b%2Fc%3F");
    }

    #[test]
    fn normal_is_what_it_was_or_what_the_care_sheet_asks_for() {
        assert!((normal_by_last(4.0).low - 2.8).abs() < 1e-9 && (normal_by_last(4.0).high - 5.2).abs() < 1e-9);
        assert_eq!((normal_by_last(0.1).low, normal_by_last(0.1).high), (0.0, 0.4));
    }

    fn normal_by_last(uvi: f64) -> Normal {
        let sources = [crate::config::Source {
            name: "t.toml".into(),
            text: include_str!("../../config/tests/skeleton.toml").into(),
        }];
        let settings = crate::config::parse(&sources).settings.expect("it is accepted");
        normal(&settings.enclosures[0], "basking", Some(&last(uvi)), false).expect("there is one")
    }
}
