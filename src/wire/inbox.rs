//! What came in and waits for the daemon.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use super::link::Shared;
use crate::control::OutputRef;
use crate::message::{Subscription, Watch};

/// A daemon with more messages than this before it is behind: what a guard waits for goes first from then on. A guess:
/// to work through so many takes a small board some milliseconds.
const BEHIND: usize = 256;

/// How many messages may wait in one line before only the newest of each topic is kept. A guess: one from each topic of a
/// large site.
const MESSAGES_MAX: usize = 8192;

/// Of how many topics the newest is kept then; no sender of ever new topics can fill the memory. A guess: six of each of
/// ten thousand enclosures.
const TOPICS_MAX: usize = 65_536;

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
    /// So many messages were passed over since this was last told, because more came than could be handled: older ones of
    /// a topic that has said something newer, and topics beyond number.
    Shed(u64),
    /// Something a person should read in the log: why no connection comes about, or what the broker refused.
    Note(String),
}

/// Messages that wait in one line.
#[derive(Debug, Default)]
struct Line {
    queue: VecDeque<Inbound>,
    /// The newest message of each topic since `queue` was full; their turn comes once `queue` is empty.
    newest: BTreeMap<String, (Vec<u8>, bool)>,
}

impl Line {
    fn is_empty(&self) -> bool {
        self.queue.is_empty() && self.newest.is_empty()
    }

    fn is_full(&self) -> bool {
        self.queue.len() >= MESSAGES_MAX || !self.newest.is_empty()
    }

    /// Lets a message wait; how many that leaves out.
    fn push(&mut self, topic: String, payload: Vec<u8>, retained: bool) -> u64 {
        if !self.is_full() {
            self.queue.push_back(Inbound::Message { topic, payload, retained });
            return 0;
        }
        if self.newest.len() >= TOPICS_MAX && !self.newest.contains_key(&topic) {
            return 1;
        }
        u64::from(self.newest.insert(topic, (payload, retained)).is_some())
    }

    fn pop(&mut self) -> Option<Inbound> {
        if self.queue.is_empty() && !self.newest.is_empty() {
            let message = |(topic, (payload, retained))| Inbound::Message { topic, payload, retained };
            self.queue.extend(std::mem::take(&mut self.newest).into_iter().map(message));
        }
        self.queue.pop_front()
    }
}

/// What waits for the daemon.
///
/// Everything comes in its order until more than [`BEHIND`] wait. From then on, until all is done, readings that a guard
/// goes by come before the rest, with the changes of the connection and the deliveries; and of a line that is full only
/// the newest message of each topic is kept. Messages of one topic never change places.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    /// Everything, or while it is behind what goes first.
    first: Line,
    /// While it is behind, the rest.
    rest: Line,
    is_behind: bool,
    /// Topics that go first, and those that do as soon as it is not behind any more.
    guards: BTreeSet<String>,
    next_guards: Option<BTreeSet<String>>,
    /// Messages passed over, not yet told.
    shed: u64,
    /// Taken since that was last told.
    taken: usize,
    pub(super) closed: bool,
}

impl Waiting {
    /// What is listened to from now on.
    pub(super) fn listen(&mut self, subscriptions: &[Subscription]) {
        let guards = subscriptions.iter().filter(|subscription| subscription.watch == Watch::Guards);
        let guards = guards.map(|subscription| subscription.filter.clone()).collect();
        // A topic does not change lines while something of it waits in one.
        if self.is_behind {
            self.next_guards = Some(guards);
        } else {
            self.guards = guards;
        }
    }

    /// Lets one wait.
    pub(super) fn push(&mut self, inbound: Inbound) {
        if !self.is_behind && self.first.queue.len() >= BEHIND {
            self.fall_behind();
        }
        match inbound {
            Inbound::Message { topic, payload, retained } => {
                let waits = self.is_behind && !self.guards.contains(&topic);
                let line = if waits { &mut self.rest } else { &mut self.first };
                self.shed += line.push(topic, payload, retained);
            }
            Inbound::Note(_) if self.first.is_full() => {}
            Inbound::Up | Inbound::Down { .. } => self.push_link(inbound),
            other => self.first.queue.push_back(other),
        }
    }

    /// From now on the guards' readings go first.
    fn fall_behind(&mut self) {
        self.is_behind = true;
        let is_rest =
            |inbound: &Inbound| matches!(inbound, Inbound::Message { topic, .. } if !self.guards.contains(topic));
        let (rest, first) = std::mem::take(&mut self.first.queue).into_iter().partition(is_rest);
        (self.rest.queue, self.first.queue) = (rest, first);
    }

    /// Changes of the connection that nobody has seen yet end in the newest: `Down` before `Up` if it is up, `Down`
    /// alone if it is not.
    fn push_link(&mut self, inbound: Inbound) {
        let is_link = |inbound: &Inbound| matches!(inbound, Inbound::Up | Inbound::Down { .. });
        let queue = &mut self.first.queue;
        if queue.iter().filter(|inbound| is_link(inbound)).count() >= 2 {
            let last_down = queue.iter().rev().find(|i| matches!(i, Inbound::Down { .. })).cloned();
            queue.retain(|inbound| !is_link(inbound));
            if inbound == Inbound::Up {
                queue.extend(last_down);
            }
        }
        queue.push_back(inbound);
    }

    /// Whether nothing waits.
    pub(super) fn is_empty(&self) -> bool {
        self.first.is_empty() && self.rest.is_empty() && self.shed == 0
    }

    /// Takes the next one.
    pub(super) fn pop(&mut self) -> Option<Inbound> {
        // Told even where the flood never ends.
        if self.shed > 0 && self.taken >= MESSAGES_MAX {
            return Some(self.tell_shed());
        }
        let Some(next) = self.first.pop().or_else(|| self.rest.pop()) else {
            self.is_behind = false;
            self.guards = self.next_guards.take().unwrap_or_else(|| std::mem::take(&mut self.guards));
            return (self.shed > 0).then(|| self.tell_shed());
        };
        self.taken += 1;
        Some(next)
    }

    fn tell_shed(&mut self) -> Inbound {
        self.taken = 0;
        Inbound::Shed(std::mem::take(&mut self.shed))
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
    use proptest::prelude::*;

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

    /// What waits, with one topic that a guard goes by.
    fn guarded() -> Waiting {
        let mut waiting = Waiting::default();
        let listen = |filter: &str, watch| Subscription { filter: filter.to_owned(), watch };
        waiting.listen(&[listen("guard", Watch::Guards), listen("a", Watch::Reports)]);
        waiting
    }

    #[test]
    fn a_slow_daemon_gets_the_newest_of_each_topic_and_how_many_were_passed_over() {
        let mut waiting = guarded();
        for n in 0..MESSAGES_MAX + 3 {
            waiting.push(message("a", &n.to_string()));
        }
        waiting.push(message("b", "1"));
        waiting.push(down("gone"));
        let seen = drained(&mut waiting);
        assert_eq!(seen[..2], [down("gone"), message("a", "0")]);
        let newest = (MESSAGES_MAX + 2).to_string();
        let tail = seen.len() - 2;
        assert_eq!(seen[tail..], [message("a", &newest), message("b", "1")]);
        assert_eq!(seen.iter().filter(|inbound| **inbound == Inbound::Shed(2)).count(), 1);
        waiting.push(message("a", "next"));
        assert_eq!(drained(&mut waiting), [message("a", "next")]);
    }

    #[test]
    fn what_a_guard_waits_for_goes_before_a_flood_and_not_before_a_few() {
        let mut waiting = guarded();
        waiting.push(message("a", "0"));
        waiting.push(message("guard", "30"));
        assert_eq!(drained(&mut waiting), [message("a", "0"), message("guard", "30")]);
        for n in 0..2 * MESSAGES_MAX {
            waiting.push(message("a", &n.to_string()));
        }
        waiting.push(message("guard", "41"));
        assert_eq!(waiting.pop(), Some(message("guard", "41")));
    }

    #[test]
    fn a_flood_without_end_is_told_while_it_lasts() {
        let mut waiting = guarded();
        let mut told = 0;
        for n in 0..20 * MESSAGES_MAX {
            waiting.push(message("a", &n.to_string()));
            if n % 2 == 0 {
                told += u64::from(matches!(waiting.pop(), Some(Inbound::Shed(_))));
            }
        }
        assert!(!waiting.is_empty() && told > 0);
    }

    #[test]
    fn topics_without_end_fill_no_memory() {
        let mut waiting = Waiting::default();
        for n in 0..MESSAGES_MAX + TOPICS_MAX + 1000 {
            waiting.push(message(&n.to_string(), ""));
        }
        let seen = drained(&mut waiting);
        assert_eq!(
            seen.iter().filter(|inbound| matches!(inbound, Inbound::Message { .. })).count(),
            MESSAGES_MAX + TOPICS_MAX
        );
        assert!(seen.contains(&Inbound::Shed(1000)));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(16) })]

        /// Whatever comes and however slowly it is taken: what is taken of a topic comes in its order, the newest of each is
        /// among it, nothing comes twice, and what is missing is counted.
        #[test]
        fn nothing_changes_places_within_a_topic_and_the_newest_is_always_told(
            flood in prop::collection::vec((0..6_usize, 0..900_usize, 0..900_usize), 1..24),
        ) {
            let mut waiting = guarded();
            let (mut pushed, mut last, mut seen, mut shed) = (0_u64, [0_u64; 6], [0_u64; 6], 0_u64);
            let topics = ["a", "guard", "b", "c", "d", "e"];
            let mut take = |waiting: &mut Waiting, times: usize| {
                let mut taken = 0;
                for _ in 0..times {
                    match waiting.pop() {
                        Some(Inbound::Message { topic, payload, .. }) => {
                            let topic = topics.iter().position(|it| **it == topic).expect("one of ours");
                            let number: u64 = str::from_utf8(&payload).expect("text").parse().expect("a number");
                            assert!(number > seen[topic], "{topic}: {number} after {}", seen[topic]);
                            seen[topic] = number;
                            taken += 1;
                        }
                        Some(Inbound::Shed(number)) => shed += number,
                        _ => break,
                    }
                }
                taken
            };
            let mut taken = 0;
            for (topic, comes, goes) in flood {
                for _ in 0..comes * 10 {
                    pushed += 1;
                    last[topic] = pushed;
                    waiting.push(message(topics[topic], &pushed.to_string()));
                }
                taken += take(&mut waiting, goes);
            }
            taken += take(&mut waiting, usize::MAX);
            prop_assert_eq!(seen, last);
            prop_assert_eq!(taken + shed, pushed);
        }
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
