//! What waits to be sent: lanes in order of urgency, and only the newest of each output and each topic.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::control::OutputRef;

/// How urgent a message is, most urgent first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lane {
    /// OFF to an output.
    Off,
    /// Deleting a retained message on a command topic.
    Clear,
    /// ON or a level to an output.
    On,
    /// A retained document that a person waits for: an alarm, or the daemon's status.
    Alarm,
    /// A retained state document.
    State,
}

impl Lane {
    /// Whether it moves an output, rather than telling of it.
    pub(super) fn is_command(self) -> bool {
        self <= Lane::On
    }
}

/// What replaces what.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Key {
    Output(OutputRef),
    Topic(Arc<str>),
}

/// One message that waits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Item {
    /// Where to.
    pub topic: Arc<str>,
    /// What.
    pub payload: Arc<[u8]>,
    /// How urgent.
    pub lane: Lane,
    /// The command's output and ticket, for commands.
    pub ticket: Option<(OutputRef, u64)>,
}

impl Item {
    /// Commands are never retained; documents always are, and an empty retained message deletes.
    pub(super) fn retain(&self) -> bool {
        self.lane == Lane::Clear || !self.lane.is_command()
    }
}

/// A message's place: its lane, and then first come first served.
type Place = (Lane, u64);

/// Everything that waits. It is bounded by the number of outputs and of the daemon's own topics.
#[derive(Debug, Default)]
pub(super) struct Outbox {
    waiting: BTreeMap<Place, (Key, Item)>,
    places: BTreeMap<Key, Place>,
    counter: u64,
    /// The newest of each retained document, to be published again on every connection: the broker may have lost its
    /// memory, or found an old one again.
    kept: BTreeMap<Arc<str>, (Lane, Arc<[u8]>)>,
}

impl Outbox {
    /// Lets a command wait; it replaces one to the same output that has not been sent.
    pub(super) fn command(&mut self, item: Item) {
        let key = match item.ticket {
            Some((output, _)) => Key::Output(output),
            None => Key::Topic(Arc::clone(&item.topic)),
        };
        self.put(key, item);
    }

    /// Remembers a retained document, and lets it wait if there is a connection.
    pub(super) fn document(&mut self, topic: String, payload: Vec<u8>, lane: Lane, connected: bool) {
        let (topic, payload) = (Arc::<str>::from(topic), Arc::<[u8]>::from(payload));
        self.kept.insert(Arc::clone(&topic), (lane, Arc::clone(&payload)));
        if connected {
            self.tell(topic, payload, lane);
        }
    }

    /// Lets the deletion of somebody else's retained document wait, and remembers nothing of it.
    pub(super) fn delete(&mut self, topic: String) {
        self.tell(Arc::from(topic), Arc::from([]), Lane::Alarm);
    }

    /// Whether a document of this topic stands and is not empty.
    pub(super) fn stands(&self, topic: &str) -> bool {
        self.kept.get(topic).is_some_and(|(_, payload)| !payload.is_empty())
    }

    /// Lets every remembered document wait again.
    pub(super) fn assert_documents(&mut self) {
        for (topic, (lane, payload)) in self.kept.clone() {
            self.tell(topic, payload, lane);
        }
    }

    /// Lets a document wait.
    fn tell(&mut self, topic: Arc<str>, payload: Arc<[u8]>, lane: Lane) {
        self.put(Key::Topic(Arc::clone(&topic)), Item { topic, payload, lane, ticket: None });
    }

    /// Throws away all that waits; documents stay remembered.
    pub(super) fn forget_waiting(&mut self) {
        self.waiting.clear();
        self.places.clear();
    }

    /// The most urgent message.
    pub(super) fn first(&self) -> Option<&Item> {
        self.waiting.first_key_value().map(|(_, (_, item))| item)
    }

    /// Takes the most urgent message out.
    pub(super) fn take_first(&mut self) -> Option<Item> {
        let (_, (key, item)) = self.waiting.pop_first()?;
        self.places.remove(&key);
        Some(item)
    }

    /// Puts an item under its key. In the same lane it inherits the place of the one it replaces, so that a topic that
    /// changes all the time is not put off for ever.
    fn put(&mut self, key: Key, item: Item) {
        let replaced = self.places.remove(&key);
        if let Some(place) = replaced {
            self.waiting.remove(&place);
        }
        let place = match replaced {
            Some(place) if place.0 == item.lane => place,
            _ => {
                self.counter += 1;
                (item.lane, self.counter)
            }
        };
        self.places.insert(key.clone(), place);
        self.waiting.insert(place, (key, item));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::{EnclosureIx, LampIx};

    fn lamp(n: usize) -> OutputRef {
        OutputRef::Lamp(EnclosureIx(n), LampIx(0))
    }

    fn command(n: usize, lane: Lane, ticket: u64) -> Item {
        let payload = if lane == Lane::Off { b"OFF".as_slice() } else { b"ON" };
        Item { topic: format!("{n}/set").into(), payload: payload.into(), lane, ticket: Some((lamp(n), ticket)) }
    }

    fn drained(outbox: &mut Outbox) -> Vec<(String, Vec<u8>)> {
        std::iter::from_fn(|| outbox.take_first()).map(|item| (item.topic.to_string(), item.payload.to_vec())).collect()
    }

    #[test]
    fn an_off_overtakes_everything_that_waits() {
        let mut outbox = Outbox::default();
        for n in 0..1000 {
            outbox.document(format!("e{n}/state"), b"{}".to_vec(), Lane::State, true);
        }
        outbox.document("alarm".to_owned(), b"{}".to_vec(), Lane::Alarm, true);
        outbox.command(command(1, Lane::On, 1));
        outbox.command(Item { ticket: None, ..command(2, Lane::Clear, 0) });
        outbox.command(command(3, Lane::Off, 2));
        let order: Vec<Lane> = std::iter::from_fn(|| outbox.take_first()).map(|item| item.lane).take(5).collect();
        assert_eq!(order, [Lane::Off, Lane::Clear, Lane::On, Lane::Alarm, Lane::State]);
    }

    #[test]
    fn only_the_newest_command_of_an_output_is_sent() {
        let mut outbox = Outbox::default();
        outbox.command(command(1, Lane::Off, 1));
        outbox.command(command(2, Lane::On, 2));
        outbox.command(command(1, Lane::On, 3));
        outbox.command(command(2, Lane::On, 4));
        outbox.command(command(3, Lane::On, 5));
        outbox.command(command(3, Lane::Off, 6));
        let tickets: Vec<_> = std::iter::from_fn(|| outbox.take_first()).filter_map(|item| item.ticket).collect();
        assert_eq!(tickets, [(lamp(3), 6), (lamp(2), 4), (lamp(1), 3)]);
        assert_eq!(outbox.first(), None);
    }

    #[test]
    fn documents_are_remembered_and_commands_are_not() {
        let mut outbox = Outbox::default();
        outbox.document("a".to_owned(), b"1".to_vec(), Lane::State, false);
        assert_eq!(outbox.first(), None);
        outbox.document("a".to_owned(), b"2".to_vec(), Lane::State, true);
        outbox.document("b".to_owned(), Vec::new(), Lane::Alarm, true);
        outbox.command(command(1, Lane::Off, 1));
        outbox.forget_waiting();
        assert_eq!(drained(&mut outbox), []);
        outbox.assert_documents();
        assert_eq!(drained(&mut outbox), [("b".to_owned(), Vec::new()), ("a".to_owned(), b"2".to_vec())]);
        assert!(outbox.stands("a") && !outbox.stands("b") && !outbox.stands("c"));
    }

    #[test]
    fn commands_are_never_retained() {
        let retained = [Lane::Off, Lane::Clear, Lane::On, Lane::Alarm, Lane::State]
            .map(|lane| Item { topic: "".into(), payload: [].into(), lane, ticket: None }.retain());
        assert_eq!(retained, [false, true, false, true, true]);
    }
}
