//! What guests do: forms become acts at the daemon's desk, each done once however often it is sent.

use std::collections::BTreeMap;
use std::collections::VecDeque;
use std::sync::Arc;

use serde_json::{Value, json};
use tokio::sync::oneshot;
use tracing::info;

use super::ask::{Asked, Signature};
use super::guest::Visit;
use super::{House, PATIENCE, held, past, session};

/// So many keys are remembered without the journal; those before them are looked up there.
const KEYS: usize = 4096;
/// A key is at most so long.
const KEY_MOST: usize = 64;

/// Acts by their keys.
#[derive(Debug, Default)]
pub(super) struct Done {
    known: BTreeMap<String, Option<Result<(), String>>>,
    order: VecDeque<String>,
}

impl Done {
    /// Takes a key for an act; what is known of the act where somebody has before: none while it is under way.
    fn begin(&mut self, key: &str) -> Result<(), Option<Result<(), String>>> {
        if let Some(known) = self.known.get(key) {
            return Err(known.clone());
        }
        self.known.insert(key.to_owned(), None);
        self.order.push_back(key.to_owned());
        while self.order.len() > KEYS {
            if let Some(oldest) = self.order.pop_front() {
                self.known.remove(&oldest);
            }
        }
        Ok(())
    }

    /// What came of it. What was refused may be tried again under the same key.
    fn end(&mut self, key: &str, outcome: Result<(), String>) {
        match outcome {
            Ok(()) => _ = self.known.insert(key.to_owned(), Some(Ok(()))),
            Err(_) => _ = self.known.remove(key),
        }
    }
}

/// Why something was not done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum NotDone {
    /// It was refused, and why.
    Refused(String),
    /// Nobody has answered: it may be done yet, and sending it again does it once.
    Unheard,
}

impl NotDone {
    pub(super) fn words(self) -> String {
        match self {
            NotDone::Refused(why) => why,
            NotDone::Unheard => "The program has not answered in time. Send it again: it will be done once.".to_owned(),
        }
    }
}

/// What is asked for: a verb and its words, as by `do/<enclosure>/<verb>`.
pub(super) struct Request<'a> {
    pub verb: &'static str,
    /// An id, or `site`.
    pub enclosure: &'a str,
    pub with: Value,
    /// Why, where that must be said.
    pub why: Option<&'a str>,
    /// The form's own key.
    pub key: &'a str,
}

/// A key for a form that is about to be shown.
pub(super) fn new_key() -> String {
    session::secret()
        .map(|mut secret| {
            secret.truncate(32);
            secret
        })
        .unwrap_or_default()
}

/// Does it, once, and waits until it is kept.
pub(super) async fn act(visit: &Visit, request: Request<'_>) -> Result<(), NotDone> {
    let Request { verb, enclosure, with, why, key } = request;
    if key.is_empty() || key.len() > KEY_MOST || !key.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-') {
        return Err(NotDone::Refused("this form is not whole: load the page again".to_owned()));
    }
    let house = Arc::clone(&visit.house);
    match held(&house.done).begin(key) {
        Ok(()) => {}
        Err(Some(outcome)) => return outcome.map_err(NotDone::Refused),
        Err(None) => return Err(NotDone::Unheard),
    }
    if is_in_journal(&house, key).await {
        held(&house.done).end(key, Ok(()));
        return Ok(());
    }
    let signature =
        Signature { by: Some(visit.guest.signed()), why: why.map(str::to_owned), key: Some(key.to_owned()) };
    info!(by = %visit.guest.signed(), verb, enclosure, "from a page");
    let line = json!({ "act": verb, "enclosure": enclosure, "with": with }).to_string().into_bytes();
    let key = key.to_owned();
    let of = enclosure.to_owned();
    // It goes on although the guest goes away: what was begun has an end that is known.
    let done = tokio::spawn(async move {
        let outcome = tell(&house, line, signature).await;
        house.forget(&of);
        let known = match &outcome {
            Ok(()) => Ok(()),
            Err(NotDone::Refused(why)) => Err(why.clone()),
            // The daemon was never asked, or is ending: the journal will know.
            Err(NotDone::Unheard) => Err(String::new()),
        };
        held(&house.done).end(&key, known);
        outcome
    });
    match tokio::time::timeout(PATIENCE, done).await {
        Ok(Ok(outcome)) => outcome,
        _ => Err(NotDone::Unheard),
    }
}

async fn tell(house: &House, line: Vec<u8>, signature: Signature) -> Result<(), NotDone> {
    let (answer, answered) = oneshot::channel();
    house.ask.send(Asked::Act { line, signature, answer }).await.map_err(|_| NotDone::Unheard)?;
    let answer = answered.await.map_err(|_| NotDone::Unheard)?;
    let answer: Value = serde_json::from_str(&answer).unwrap_or_default();
    match answer.get("error").and_then(Value::as_str) {
        Some(why) => Err(NotDone::Refused(why.to_owned())),
        None => Ok(()),
    }
}

/// Whether the journal knows the key: from before a restart.
async fn is_in_journal(house: &House, key: &str) -> bool {
    let (Some(journal), key) = (house.journal(), key.to_owned()) else { return false };
    let looked = tokio::task::spawn_blocking(move || past::is_done(&journal, &key)).await;
    // A journal that cannot be read cannot say no either; a reading twice is better than one that is lost.
    matches!(looked, Ok(Ok(true)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_good_for_one_act() {
        let mut done = Done::default();
        assert_eq!(done.begin("a"), Ok(()));
        assert_eq!(done.begin("a"), Err(None), "under way");
        done.end("a", Ok(()));
        assert_eq!(done.begin("a"), Err(Some(Ok(()))));
        assert_eq!(done.begin("b"), Ok(()));
        done.end("b", Err("no such lamp".to_owned()));
        assert_eq!(done.begin("b"), Ok(()), "what was refused may be tried again");
        for nth in 0..KEYS {
            assert_eq!(done.begin(&format!("k{nth}")), Ok(()));
        }
        assert!(done.known.len() <= KEYS && done.begin("a").is_ok());
    }

    #[test]
    fn keys_differ() {
        assert!(new_key() != new_key() && new_key().len() == 32);
    }
}
