//! One message, delivered: a connection of its own that ends when the broker has acknowledged it.
//!
//! The link forgets what it had not sent when a connection ends, which is right for commands and wrong for a message to a
//! person.

use std::time::Duration;

use super::client::Heard;
use super::dial::dial;
use super::outbox::{Item, Lane};
use super::{LinkOptions, WireError};

/// Publishes at QoS 1, never retained, and waits until the broker has acknowledged it, `within` at most. Blocks, so it
/// belongs on a thread of its own. `options` say which broker; they need no subscriptions.
pub fn deliver(options: &LinkOptions, topic: &str, payload: Vec<u8>, within: Duration) -> Result<(), WireError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|error| WireError(error.to_string()))?;
    let item = Item { topic: topic.into(), payload: payload.into(), lane: Lane::On, ticket: None };
    let done = runtime.block_on(async { tokio::time::timeout(within, publish(options, &item)).await });
    done.unwrap_or_else(|_| Err(WireError(format!("the broker has not acknowledged it within {} s", within.as_secs()))))
}

async fn publish(options: &LinkOptions, item: &Item) -> Result<(), WireError> {
    let (client, mut connection) = dial(options)?;
    let full = || WireError("the message cannot be handed over".to_owned());
    loop {
        match connection.poll().await.map_err(WireError)? {
            Heard::Greeted { .. } => client.publish(item).map_err(|_| full())?,
            Heard::Acked { refusal: Some(why), .. } => return Err(WireError(format!("the broker refuses it: {why}"))),
            Heard::Acked { refusal: None, .. } => {
                let _ = client.part();
                // It has arrived; whether the farewell does changes nothing.
                let _ = tokio::time::timeout(Duration::from_millis(200), connection.poll()).await;
                return Ok(());
            }
            _ => {}
        }
    }
}
