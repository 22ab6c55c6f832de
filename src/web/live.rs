//! Pages as things change: an event whenever something does, and the page fetches itself anew.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::stream::{self, Stream};
use tokio::time::{Instant, sleep_until};

use super::House;
use super::guest::Visit;

/// Events are no closer than this: a page that is fetched more often is not read either.
const APART: Duration = Duration::from_secs(2);
/// A sign of life in between, so that proxies and the door keep the connection.
const ALIVE: Duration = Duration::from_secs(10);
/// After so long it ends, and the browser comes again: whoever may not look any more is out by then.
const LONGEST: Duration = Duration::from_secs(300);

pub(super) async fn stream(visit: Visit) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let begun = Instant::now();
    let house = Arc::clone(&visit.house);
    drop(visit);
    let events = stream::unfold((house, begun), move |(house, last): (Arc<House>, Instant)| async move {
        tokio::select! {
            () = async {
                house.mailbox.stirred.notified().await;
                sleep_until(last + APART).await;
            } => {}
            () = sleep_until(begun + LONGEST) => return None,
        }
        // A browser tells its page of no event without data.
        Some((Ok(Event::default().event("changed").data("now")), (house, Instant::now())))
    });
    Sse::new(events).keep_alive(KeepAlive::new().interval(ALIVE))
}
