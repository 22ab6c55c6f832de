//! The whole site at a glance: each enclosure in a line.

use axum::extract::Query;
use maud::{Markup, html};
use serde::Deserialize;

use super::from_journal;
use crate::control::EnclosureView;
use crate::settings::Enclosure;
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;
use crate::web::past;
use crate::web::words::{self, Mark};

/// Of more enclosures than this, those that are well are told without their numbers: a page of a thousand has to be small,
/// and to be looked through.
const WHOLE: usize = 200;

/// Which are shown.
#[derive(Deserialize)]
pub(super) struct Shown {
    #[serde(default)]
    only: String,
}

pub(super) async fn show(visit: Visit, Query(shown): Query<Shown>) -> Markup {
    let empty = from_journal(&visit.house, past::out_of_service).await.and_then(Result::ok).unwrap_or_default();
    let lines = lines(&visit);
    let count = |mark: Mark| lines.iter().filter(|line| line.mark == mark).count();
    let all = lines.len();
    let unknown = count(Mark::Unknown);
    let trouble = all - count(Mark::Well) - unknown;
    let only_trouble = shown.only == "trouble";
    let content = html! {
        (Mark::shapes())
        div id="glance" data-live {
            h1 {
                @if trouble > 0 { (trouble) " of " (all) " need a look" }
                @else if unknown > 0 { "Still waiting for probes of " (unknown) " of " (all) }
                @else { "All right" }
            }
            p class="sum" {
                @for mark in [Mark::Act, Mark::Look, Mark::Note, Mark::Unknown, Mark::Well] {
                    @if count(mark) > 0 { span class={ "told " (mark.class()) } { (mark.shape()) " " (count(mark)) " " (mark.word()) } }
                }
            }
            @for notice in visit.glance.alarms.iter().filter(|((owner, _), notice)| owner.is_none() && notice.state.is_active()) {
                @let mark = Mark::of(notice.1.priority);
                p class={ "strip " (mark.class()) } {
                    (mark.shape()) " The site: " (words::first_sentence(&notice.1.text)) ". " a href="/alarms" { "See the alarm" }
                }
            }
            p class="ways" {
                @if only_trouble { a href="/" { "Show all" } } @else { a href="/?only=trouble" { "Show only what needs a look" } }
            }
            ul class="lines" {
                @for line in lines.iter().filter(|line| !only_trouble || line.mark != Mark::Well) {
                    @let is_empty = empty.contains_key(&line.enclosure.id) || line.enclosure.out_of_service.is_some();
                    (line.drawn(is_empty, all <= WHOLE || line.mark >= Mark::Note))
                }
            }
        }
    };
    frame::page(&visit, "Site", Script::Live, &content)
}

/// One enclosure in a line.
pub(in crate::web) struct Line<'a> {
    enclosure: &'a Enclosure,
    pub mark: Mark,
    /// Why it is not all right.
    trouble: Option<&'a str>,
    burning: String,
    measured: String,
    by_hand: bool,
}

/// Every enclosure, in the order of the settings.
pub(in crate::web) fn lines(visit: &Visit) -> Vec<Line<'_>> {
    let all = visit.settings.enclosures.iter().zip(&visit.glance.enclosures);
    all.map(|(enclosure, view)| line(visit, enclosure, view.as_deref())).collect()
}

fn line<'a>(visit: &'a Visit, enclosure: &'a Enclosure, view: Option<&EnclosureView>) -> Line<'a> {
    let gravest = words::gravest(visit.glance.alarms_of(&enclosure.id));
    let mark = match gravest {
        Some(notice) => Mark::of(notice.priority),
        None if words::is_known(view) => Mark::Well,
        None => Mark::Unknown,
    };
    let (burning, measured) = view.map_or_else(
        || ("not heard of yet".to_owned(), String::new()),
        |view| (words::burning(enclosure, view), measured(enclosure, view)),
    );
    let by_hand = view.is_some_and(|view| view.lamps.iter().any(|lamp| lamp.by_hand.is_some()));
    // The line says already whose it is.
    let title = format!("{}: ", enclosure.title);
    let trouble = gravest.map(|notice| {
        let first = words::first_sentence(&notice.text);
        first.strip_prefix(title.as_str()).unwrap_or(first)
    });
    Line { enclosure, mark, trouble, burning, measured, by_hand }
}

/// What is measured, one number a spot and quantity.
fn measured(enclosure: &Enclosure, view: &EnclosureView) -> String {
    use crate::settings::Measures::{Temperature, Uvi};
    let probes = enclosure.probes.iter().zip(&view.probes);
    let told = probes.filter(|(probe, _)| matches!(probe.measures, Temperature | Uvi)).map(|(probe, state)| {
        let value = words::value(probe, state).unwrap_or_else(|| "–".to_owned());
        let doubt = words::doubt(state.quality).map_or(String::new(), |doubt| format!(" ({doubt})"));
        format!("{} {value}{doubt}", probe.spot)
    });
    told.collect::<Vec<_>>().join(" · ")
}

impl Line<'_> {
    fn drawn(&self, is_empty: bool, is_measured: bool) -> Markup {
        let Line { enclosure, mark, trouble, burning, measured, by_hand } = self;
        html! {
            li class=(mark.class()) {
                svg aria-hidden="true" { use href={ "#" (mark.class()) } {} }
                a href={ "/e/" (enclosure.id) } { (enclosure.title) }
                " " b { (mark.word()) }
                @if *by_hand { " " i { "set by hand" } }
                @if is_empty { " " i { "out of service" } }
                @if let Some(trouble) = trouble { " " em { (trouble) } }
                p { (burning) }
                @if is_measured { p { (measured) } }
            }
        }
    }
}
