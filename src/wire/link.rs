//! The link: one task that keeps a connection alive, and the handle to it.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::Notify;
use tokio::task::JoinHandle;

use super::client::{Client, Connection};
use super::dial::dial;
use super::inbox::{Inbound, Inbox, Waiting};
use super::outbox::{Item, Lane, Outbox};
use super::session::{End, Memory, PulseTrust, Session};
use super::{LinkOptions, Patience, WireError};
use crate::control::OutputRef;
use crate::message::Subscription;
use crate::settings::Broker;

/// A connection that has lasted this long was a good one: the next attempt after it comes soon. A guess.
const GOOD_CONNECTION: Duration = Duration::from_secs(5);

/// What the task, the handle and the inbox share. The lock is held for moments, and never while anything waits.
#[derive(Debug)]
pub(super) struct Shared {
    state: Mutex<State>,
    /// Something was put into the inbox.
    pub(super) arrived: Notify,
    /// The handle wants the task to look.
    poke: Notify,
}

/// What the lock protects.
#[derive(Debug)]
pub(super) struct State {
    pub(super) memory: Memory,
    session: Option<Session>,
}

impl Shared {
    /// The state. A panic while it was locked leaves nothing half done that the next connection would not mend.
    pub(super) fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does something under the lock, and wakes the daemon if there is news for it.
    fn with<R>(&self, act: impl FnOnce(&mut Option<Session>, &mut Memory) -> R) -> R {
        let mut state = self.lock();
        let State { memory, session } = &mut *state;
        let result = act(session, memory);
        let news = memory.inbox.closed || !memory.inbox.is_empty();
        drop(state);
        if news {
            self.arrived.notify_one();
        }
        result
    }
}

/// A connection to the broker that is kept alive.
#[derive(Debug)]
pub struct Link;

impl Link {
    /// Starts connecting, and never gives up until it is stopped. Errors are what no later attempt could mend, such as
    /// a certificate file that cannot be read. Must be called within a tokio runtime; any flavour will do.
    pub fn start(options: LinkOptions) -> Result<(LinkHandle, Inbox), WireError> {
        // Tried once here, so that an unusable file is told at the start and not in a log.
        dial(&options)?;
        let mut inbox = Waiting::default();
        inbox.listen(&options.subscriptions);
        let memory = Memory {
            announce: options.announce,
            patience: options.patience,
            subscriptions: options.subscriptions.clone(),
            inbox,
            outbox: Outbox::default(),
            pulse: PulseTrust::Unproven,
            stop_by: None,
        };
        let state = Mutex::new(State { memory, session: None });
        let shared = Arc::new(Shared { state, arrived: Notify::new(), poke: Notify::new() });
        let task = tokio::spawn(keep_connected(Arc::clone(&shared), options));
        Ok((LinkHandle { shared: Arc::clone(&shared), task }, Inbox { shared }))
    }
}

/// The sending end of a link. Nothing here waits except [`LinkHandle::stop`]. Dropping it ends the connection without
/// a farewell, so that the broker publishes the last will.
#[derive(Debug)]
pub struct LinkHandle {
    shared: Arc<Shared>,
    task: JoinHandle<()>,
}

impl LinkHandle {
    /// Sends a command at QoS 1, never retained, before everything but other commands; an OFF before those too. It
    /// replaces one to the same output that has not been sent. While there is no connection it is thrown away: the
    /// core asserts every output at [`Inbound::Up`].
    pub fn command(&self, topic: String, payload: Vec<u8>, output: OutputRef, ticket: u64, is_off: bool) {
        let lane = if is_off { Lane::Off } else { Lane::On };
        self.send(Item { topic: topic.into(), payload: payload.into(), lane, ticket: Some((output, ticket)) });
    }

    /// Deletes the retained message on a command topic.
    pub fn clear_retained(&self, topic: String) {
        self.send(Item { topic: topic.into(), payload: [].into(), lane: Lane::Clear, ticket: None });
    }

    /// Publishes a retained document at QoS 1, an empty one to delete it. The newest of each topic is remembered and
    /// published again on every connection. `lane` is [`Lane::Alarm`] or [`Lane::State`].
    pub fn document(&self, topic: String, payload: Vec<u8>, lane: Lane) {
        self.change(|session, memory| {
            let up = session.as_ref().is_some_and(|session| session.up_since().is_some());
            memory.outbox.document(topic, payload, lane.max(Lane::Alarm), up);
        });
    }

    /// Listens to other topics from now on. For another broker, stop the link and start one.
    pub fn resubscribe(&self, subscriptions: Vec<Subscription>) {
        self.change(|session, memory| {
            memory.inbox.listen(&subscriptions);
            let old = std::mem::replace(&mut memory.subscriptions, subscriptions);
            if let Some(session) = session {
                session.resubscribe(&old, &memory.subscriptions);
            }
        });
    }

    /// Sends what waits, says `offline`, parts, and ends the link; after [`Patience::stop`] at the latest. The inbox
    /// then ends too.
    pub async fn stop(mut self) {
        let patience = self.shared.lock().memory.patience.stop;
        self.change(|_, memory| memory.stop_by = Some(Instant::now() + patience));
        self.shared.poke.notify_one();
        // The task ends by itself in that time; a little more in case the machine is busy. Dropping `self` ends it
        // otherwise.
        let _ = tokio::time::timeout(patience + Duration::from_secs(1), &mut self.task).await;
    }

    /// Lets a command wait if there is a connection. The deletion of a retained one waits from the moment of its
    /// discovery, which is before the connection counts as up.
    fn send(&self, item: Item) {
        self.change(|session, memory| {
            let Some(session) = session else { return };
            if session.up_since().is_some() || item.lane == Lane::Clear {
                memory.outbox.command(item);
            }
        });
    }

    /// Changes what waits, and hands to the library what may go.
    fn change(&self, act: impl FnOnce(&mut Option<Session>, &mut Memory)) {
        let now = Instant::now();
        self.shared.with(|session, memory| {
            act(session, memory);
            if let Some(session) = session {
                session.pump(memory, now);
            }
        });
    }
}

impl Drop for LinkHandle {
    fn drop(&mut self) {
        self.task.abort();
        self.shared.with(|_, memory| memory.inbox.closed = true);
    }
}

/// Connects again and again until stopped.
async fn keep_connected(shared: Arc<Shared>, options: LinkOptions) {
    let mut backoff = Backoff::new(options.patience);
    let mut told = None;
    loop {
        let end = one_connection(&shared, &options).await;
        let (lasted, stopping) = shared.with(|session, memory| {
            let up_since = session.take().and_then(|session| session.up_since());
            memory.outbox.forget_waiting();
            if let End::Lost(why) = &end {
                tell(memory, &options.broker, up_since.is_some(), why, &mut told);
            }
            (up_since.map(|since| since.elapsed()), memory.stop_by.is_some())
        });
        if stopping || end == End::Stopped {
            break;
        }
        if lasted.is_some_and(|lasted| lasted >= GOOD_CONNECTION) {
            backoff.reset();
        }
        tokio::select! {
            () = tokio::time::sleep(backoff.next(random_bits())) => {}
            () = shared.poke.notified() => break,
        }
    }
    shared.with(|_, memory| memory.inbox.closed = true);
}

/// Tells why a connection ended: as a loss if it was up, and else once for each reason and not for each attempt.
fn tell(memory: &mut Memory, broker: &Broker, was_up: bool, why: &str, told: &mut Option<String>) {
    if was_up {
        memory.inbox.push(Inbound::Down { why: why.to_owned() });
        *told = None;
    } else if told.as_deref() != Some(why) {
        let note = format!("no connection to the broker at {}:{}: {why}", broker.host, broker.port);
        memory.inbox.push(Inbound::Note(note));
        *told = Some(why.to_owned());
    }
}

/// One connection from dialling to its end. The client is dropped with everything it holds; that is also why `select!`
/// is allowed here: it ends a connection, and never a single poll.
async fn one_connection(shared: &Shared, options: &LinkOptions) -> End {
    let (client, mut connection): (Client, Connection) = match dial(options) {
        Ok(dialled) => dialled,
        Err(error) => return End::Lost(error.0),
    };
    let session = Session::new(client, &options.site, random_bits(), Instant::now());
    shared.with(|current, _| *current = Some(session));
    tokio::select! {
        biased;
        end = polling(shared, &mut connection) => end,
        end = watching(shared, options.patience) => end,
    }
}

/// Polls, and does nothing else that waits.
async fn polling(shared: &Shared, connection: &mut Connection) -> End {
    loop {
        match connection.poll().await {
            Ok(heard) => {
                let now = Instant::now();
                if let Some(end) = shared.with(|session, memory| session.as_mut()?.hear(memory, heard, now)) {
                    return end;
                }
            }
            Err(why) => return End::Lost(why),
        }
    }
}

/// Looks at the clock now and then.
async fn watching(shared: &Shared, patience: Patience) -> End {
    let shortest = patience.ack.min(patience.pulse_every).min(patience.pulse).min(patience.subscribe);
    let pause = (shortest / 4).clamp(Duration::from_millis(10), Duration::from_millis(500));
    loop {
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            () = shared.poke.notified() => {}
        }
        let now = Instant::now();
        if let Some(end) = shared.with(|session, memory| session.as_mut()?.watch(memory, now)) {
            return end;
        }
    }
}

/// Ever longer pauses, each shortened by chance so that many clients do not come back in step.
#[derive(Debug)]
struct Backoff {
    first: Duration,
    most: Duration,
    next: Duration,
}

impl Backoff {
    fn new(patience: Patience) -> Backoff {
        Backoff { first: patience.retry_first, most: patience.retry_most, next: patience.retry_first }
    }

    /// The next pause: between half of and the whole of a span that doubles each time, by chance.
    fn next(&mut self, bits: u64) -> Duration {
        let whole = self.next;
        self.next = (whole * 2).min(self.most);
        whole / 2 + whole / 2 * (bits % 1001) as u32 / 1000
    }

    fn reset(&mut self) {
        self.next = self.first;
    }
}

/// Bits that differ each time; they decide nothing but pauses and names.
fn random_bits() -> u64 {
    RandomState::new().build_hasher().finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_the_most_and_start_anew_after_a_good_connection() {
        let mut backoff = Backoff::new(Patience::default());
        let whole: Vec<u128> = (0..7).map(|_| backoff.next(1000).as_millis()).collect();
        assert_eq!(whole, [100, 200, 400, 800, 1600, 2000, 2000]);
        backoff.reset();
        assert_eq!(backoff.next(0).as_millis(), 50);
        assert_eq!(backoff.next(500).as_millis(), 150);
    }
}
