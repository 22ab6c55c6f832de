//! What the tests that use real sockets share.
#![allow(dead_code, reason = "each test file uses a part of it")]

pub mod link;
pub mod mosquitto;
pub mod scripted;

use std::future::Future;
use std::time::Duration;

/// Awaits something that comes soon unless the code is broken, so that a broken one fails instead of hanging.
pub async fn soon<T>(future: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(15), future).await.expect("it did not come within 15 s")
}
