//! The records: the journal's tables and the vet's page, to take away.

use axum::response::{IntoResponse as _, Response};
use maud::html;

use crate::web::frame::{self, Script};
use crate::web::guest::Visit;

pub(super) async fn show(visit: Visit) -> Response {
    frame::page(&visit, "Records", Script::None, &html! { h1 { "Records" } }).into_response()
}

pub(super) async fn history(visit: Visit) -> Response {
    show(visit).await
}

pub(super) async fn report(visit: Visit) -> Response {
    show(visit).await
}
