//! Links in messages by which alarms are acknowledged, without a login. Opening one shows a page with a button and changes
//! nothing, because programs that look for harm in mail open links; the button acknowledges, once.

use std::sync::Arc;
use std::time::SystemTime;

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse as _, Response};
use tokio::sync::oneshot;

use super::House;
use super::ask::{Answer, Asked};
use super::link::Verdict;
use super::note;

type Parts = Path<(String, String, String)>;

pub(super) async fn look(State(house): State<Arc<House>>, parts: Parts) -> Response {
    respond(&house, parts, false).await
}

pub(super) async fn acknowledge(State(house): State<Arc<House>>, parts: Parts) -> Response {
    respond(&house, parts, true).await
}

/// Seconds since 1970 by this machine's clock: links are signed by it.
pub(super) fn seconds_now() -> u64 {
    SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default().as_secs()
}

async fn respond(house: &House, Path((notice, expires, signature)): Parts, acknowledge: bool) -> Response {
    if !house.lets_in() {
        return page_of(house, StatusCode::TOO_MANY_REQUESTS, &note::too_many());
    }
    match house.key.verdict(&notice, &expires, &signature, seconds_now()) {
        Verdict::Right => {}
        Verdict::Forged => return page_of(house, StatusCode::FORBIDDEN, &note::forged()),
        Verdict::Expired => return page_of(house, StatusCode::GONE, &note::expired()),
    }
    let (answer, answered) = oneshot::channel();
    match house.ask(Asked::Link { notice, acknowledge, answer }, answered).await {
        Some(Answer::Standing(alarms)) => page_of(house, StatusCode::OK, &note::standing(&alarms)),
        Some(Answer::Acknowledged(alarms)) => page_of(house, StatusCode::OK, &note::acknowledged(&alarms)),
        Some(Answer::Used) => page_of(house, StatusCode::GONE, &note::used()),
        Some(Answer::Over) => page_of(house, StatusCode::OK, &note::over()),
        Some(Answer::Unknown) => page_of(house, StatusCode::NOT_FOUND, &note::nothing()),
        None => page_of(house, StatusCode::SERVICE_UNAVAILABLE, &note::busy()),
    }
}

pub(super) fn page_of(house: &House, status: StatusCode, page: &note::Page) -> Response {
    (status, Html(page.html(&house.style))).into_response()
}
