//! What came in and waits for the daemon.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use super::link::Shared;
use crate::control::OutputRef;

/// How many messages may wait before only the newest of each topic is kept. A guess: one from each topic of a large
/// site.
const MESSAGES_MAX: usize = 8192;

/// What the connection tells the daemon.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Inbound {
    /// The connection is up and every subscription acknowledged: everything must be asserted again.
    Up,
    /// The connection is lost; told once for each [`Inbound::Up`].
    Down {
        /// What happened, as a sentence.
        why: String,
    },
    /// A message.
    Message {
        /// Where it came from.
        topic: String,
        /// What it says.
        payload: Vec<u8>,
        /// Whether the broker had kept it, or for [`Watch::Commands`](crate::message::Watch) its sender wants it kept.
        retained: bool,
    },
    /// The broker has acknowledged this command.
    Delivered {
        /// Whose.
        output: OutputRef,
        /// Which.
        ticket: u64,
    },
    /// Something a person should read in the log: why no connection comes about, or what the broker refused.
    Note(String),
}

/// The waiting messages. A daemon that falls behind gets the newest of each topic instead of every message, but each
/// change of the connection and each delivery.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    queue: VecDeque<Inbound>,
    /// The newest message of each topic since `queue` was full; delivered once `queue` is empty.
    newest: BTreeMap<String, (Vec<u8>, bool)>,
    shed: u64,
    pub(super) closed: bool,
}

impl Waiting {
    /// Lets one wait.
    pub(super) fn push(&mut self, inbound: Inbound) {
        let full = self.queue.len() >= MESSAGES_MAX || !self.newest.is_empty();
        match inbound {
            Inbound::Message { topic, payload, retained } if full => {
                if self.newest.len() < MESSAGES_MAX || self.newest.contains_key(&topic) {
                    let older = self.newest.insert(topic, (payload, retained));
                    self.shed += u64::from(older.is_some());
                } else {
                    self.shed += 1;
                }
            }
            Inbound::Note(_) if full => self.shed += 1,
            Inbound::Up | Inbound::Down { .. } => self.push_link(inbound),
            other => self.queue.push_back(other),
        }
    }

    /// Changes of the connection that nobody has seen yet end in the newest: `Down` before `Up` if it is up, `Down`
    /// alone if it is not.
    fn push_link(&mut self, inbound: Inbound) {
        let is_link = |inbound: &Inbound| matches!(inbound, Inbound::Up | Inbound::Down { .. });
        if self.queue.iter().filter(|inbound| is_link(inbound)).count() >= 2 {
            let last_down = self.queue.iter().rev().find(|i| matches!(i, Inbound::Down { .. })).cloned();
            self.queue.retain(|inbound| !is_link(inbound));
            if inbound == Inbound::Up {
                self.queue.extend(last_down);
            }
        }
        self.queue.push_back(inbound);
    }

    /// Whether nothing waits.
    pub(super) fn is_empty(&self) -> bool {
        self.queue.is_empty() && self.newest.is_empty()
    }

    /// Takes the next one.
    pub(super) fn pop(&mut self) -> Option<Inbound> {
        if self.queue.is_empty() && !self.newest.is_empty() {
            let message = |(topic, (payload, retained))| Inbound::Message { topic, payload, retained };
            self.queue.extend(std::mem::take(&mut self.newest).into_iter().map(message));
            let shed = std::mem::take(&mut self.shed);
            if shed > 0 {
                self.queue.push_back(Inbound::Note(format!("fell behind: {shed} older messages were passed over")));
            }
        }
        self.queue.pop_front()
    }
}

/// The receiving end of a link.
#[derive(Debug)]
pub struct Inbox {
    pub(super) shared: Arc<Shared>,
}

impl Inbox {
    /// The next thing that came in; none once the link has stopped. It may be dropped at any time without losing one.
    pub async fn recv(&mut self) -> Option<Inbound> {
        loop {
            {
                let mut state = self.shared.lock();
                if let Some(inbound) = state.memory.inbox.pop() {
                    return Some(inbound);
                }
                if state.memory.inbox.closed {
                    return None;
                }
            }
            self.shared.arrived.notified().await;
        }
    }

    /// The next thing that came in, if one waits.
    pub fn try_recv(&mut self) -> Option<Inbound> {
        self.shared.lock().memory.inbox.pop()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(topic: &str, payload: &str) -> Inbound {
        Inbound::Message { topic: topic.to_owned(), payload: payload.as_bytes().to_vec(), retained: false }
    }

    fn down(why: &str) -> Inbound {
        Inbound::Down { why: why.to_owned() }
    }

    fn drained(waiting: &mut Waiting) -> Vec<Inbound> {
        std::iter::from_fn(|| waiting.pop()).collect()
    }

    #[test]
    fn a_slow_daemon_gets_the_newest_of_each_topic() {
        let mut waiting = Waiting::default();
        for n in 0..MESSAGES_MAX + 3 {
            waiting.push(message("a", &n.to_string()));
        }
        waiting.push(message("b", "1"));
        waiting.push(down("gone"));
        let seen = drained(&mut waiting);
        assert_eq!(seen[0], message("a", "0"));
        let newest = (MESSAGES_MAX + 2).to_string();
        let tail = [
            down("gone"),
            message("a", &newest),
            message("b", "1"),
            Inbound::Note("fell behind: 2 older messages were passed over".to_owned()),
        ];
        assert_eq!(seen[MESSAGES_MAX..], tail);
        waiting.push(message("a", "next"));
        assert_eq!(drained(&mut waiting), [message("a", "next")]);
    }

    #[test]
    fn topics_without_end_fill_no_memory() {
        let mut waiting = Waiting::default();
        for n in 0..3 * MESSAGES_MAX {
            waiting.push(message(&n.to_string(), ""));
        }
        assert_eq!(drained(&mut waiting).len(), 2 * MESSAGES_MAX + 1);
    }

    #[test]
    fn changes_of_the_connection_that_nobody_saw_end_in_the_newest() {
        let check = |pushed: &[Inbound], expected: &[Inbound]| {
            let mut waiting = Waiting::default();
            pushed.iter().cloned().for_each(|inbound| waiting.push(inbound));
            assert_eq!(drained(&mut waiting), expected);
        };
        check(&[Inbound::Up], &[Inbound::Up]);
        check(&[Inbound::Up, down("1")], &[Inbound::Up, down("1")]);
        check(&[Inbound::Up, down("1"), Inbound::Up], &[down("1"), Inbound::Up]);
        check(&[down("1"), Inbound::Up, down("2")], &[down("2")]);
        check(&[down("1"), Inbound::Up, down("2"), Inbound::Up], &[down("2"), Inbound::Up]);
    }
}
