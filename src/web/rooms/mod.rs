//! The rooms of the page, and the ways to them.

mod alarms;
mod almanac;
mod door;
mod enclosure;
mod lamps;
mod records;
mod settings;
mod site;
mod walk;

use std::sync::Arc;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::middleware;
use axum::response::{IntoResponse as _, Redirect, Response};
use axum::routing::{get, post};
use maud::{Markup, html};
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{NotForContentType, Predicate as _, SizeAbove};

use super::acts::{self, NotDone};
use super::guest::Visit;
use super::{House, calendar, figures, frame, guard, live, note, seen, vendor};

const STYLE: &str = include_str!("../assets/style.css");
const LIVE: &str = include_str!("../assets/live.js");
const COURSE: &str = include_str!("../assets/course.js");
const WALK: &str = include_str!("../assets/walk.js");
const WORKER: &str = include_str!("../assets/worker.js");
const ICON: &str = include_str!("../assets/icon.svg");

/// Forms are no larger than this, bytes; a guess, far above any.
const FORM_MOST: usize = 64 * 1024;

/// Every way in.
pub(super) fn router(house: Arc<House>) -> Router {
    let links = Router::new()
        .route("/seen/{notice}/{expires}/{signature}", get(seen::look).post(seen::acknowledge))
        .route("/style.css", get(async || asset("text/css; charset=utf-8", STYLE)))
        .route("/icon.svg", get(async || asset("image/svg+xml", ICON)))
        .route("/health", get(figures::health));
    let mut pages = Router::new()
        .route("/", get(site::show))
        .route("/e/{id}", get(enclosure::show))
        .route("/e/{id}/course.json", get(enclosure::course))
        .route("/e/{id}/override", post(enclosure::set_by_hand))
        .route("/e/{id}/service", post(enclosure::service))
        .route("/e/{id}/reset", post(enclosure::reset))
        .route("/e/{id}/change/{lamp}", get(lamps::ask_change).post(lamps::change))
        .route("/site/reset", post(alarms::reset_cut_off))
        .route("/alarms", get(alarms::show))
        .route("/alarms/shelve", post(alarms::shelve))
        .route("/alarms/acknowledge", post(alarms::acknowledge))
        .route("/lamps", get(lamps::show))
        .route("/almanac", get(almanac::show))
        .route("/walk", get(walk::show))
        .route("/walk/plan.json", get(walk::plan))
        .route("/walk/done", get(walk::done))
        .route("/walk/{id}/{spot}", get(walk::spot).post(walk::reading))
        .route("/records", get(records::show))
        .route("/records/history", get(records::history))
        .route("/records/report", get(records::report))
        .route("/settings", get(settings::show))
        .route("/settings/link", post(settings::link))
        .route("/login", get(door::show).post(door::log_in))
        .route("/logout", post(door::log_out))
        .route("/look/{name}/{expires}/{signature}", get(door::look))
        .route("/calendar/{name}/{expires}/{signature}", get(calendar::feed))
        .route("/metrics", get(figures::metrics))
        .route("/live", get(live::stream))
        .route("/live.js", get(async || asset("text/javascript; charset=utf-8", LIVE)))
        .route("/course.js", get(async || asset("text/javascript; charset=utf-8", COURSE)))
        .route("/walk.js", get(async || asset("text/javascript; charset=utf-8", WALK)))
        .route("/worker.js", get(async || asset("text/javascript; charset=utf-8", WORKER)));
    for file in vendor::ALL {
        pages = pages.route(file.path, get(async move || file.answer()));
    }
    // What comes piece by piece is told at once, and not when a block of it is full.
    let packed = CompressionLayer::new().compress_when(SizeAbove::new(1024).and(NotForContentType::SSE));
    let all = if house.options.pages { links.merge(pages) } else { links };
    all.fallback(nothing)
        .with_state(Arc::clone(&house))
        .layer(axum::extract::DefaultBodyLimit::max(FORM_MOST))
        .layer(packed)
        .layer(middleware::from_fn(guard::own_forms))
        .layer(middleware::map_response(guard::safe))
}

/// A file of ours, which is the same until the program is another.
fn asset(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-cache")], text).into_response()
}

async fn nothing(State(house): State<Arc<House>>) -> Response {
    seen::page_of(&house, StatusCode::NOT_FOUND, &note::nothing())
}

/// Where there is no such enclosure.
fn no_enclosure(visit: &Visit) -> Response {
    frame::notice(Some(visit), StatusCode::NOT_FOUND, "Nothing here", "There is no such enclosure.")
}

/// What every form brings beside what it asks for.
fn hidden(visit: &Visit) -> Markup {
    html! {
        input type="hidden" name="token" value=(visit.guest.token);
        input type="hidden" name="key" value=(acts::new_key());
    }
}

/// After an act: back to a page that says so, or a page that says why not.
fn after(visit: &Visit, outcome: Result<(), NotDone>, back: &str) -> Response {
    match outcome {
        Ok(()) => Redirect::to(back).into_response(),
        Err(not_done) => {
            let status = match not_done {
                NotDone::Refused(_) => StatusCode::UNPROCESSABLE_ENTITY,
                NotDone::Unheard => StatusCode::SERVICE_UNAVAILABLE,
            };
            frame::notice(Some(visit), status, "Not done", &not_done.words())
        }
    }
}

/// Reads the journal on a thread that may wait; none where there is none, an error as a sentence.
async fn from_journal<T: Send + 'static>(
    house: &House,
    read: impl FnOnce(&std::path::Path) -> Result<T, String> + Send + 'static,
) -> Option<Result<T, String>> {
    let journal = house.journal()?;
    let read = tokio::task::spawn_blocking(move || read(&journal)).await;
    Some(read.unwrap_or_else(|_| Err("the journal could not be read".to_owned())))
}
