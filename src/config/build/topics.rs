//! Which topic belongs to whom.

use std::collections::BTreeMap;

use super::super::fields::Put;
use super::super::finding::{At, Draft};
use super::super::rules::TEXT_BYTES_MAX;
use super::Bench;

/// Every topic in use.
#[derive(Debug, Default)]
pub(super) struct Topics {
    /// Command topics.
    commanded: BTreeMap<String, Use>,
    /// Topics that are listened to, by what is read from them.
    heard: BTreeMap<(String, String), Use>,
    /// The first use of each topic that is listened to, whatever is read from it.
    heard_first: BTreeMap<String, Use>,
}

/// Who uses a topic.
#[derive(Clone, Debug)]
struct Use {
    at: At,
    who: String,
}

impl Bench<'_, '_> {
    /// Takes `topic` for commands to `who`.
    pub(super) fn command(&mut self, topic: &Put<String>, who: &str) -> String {
        let filled = self.topic(topic);
        let mine = Use { at: topic.at, who: self.whose(who) };
        let taken = self.topics.commanded.get(&filled).or_else(|| self.topics.heard_first.get(&filled)).cloned();
        match taken {
            Some(other) => self.clash(topic, &filled, &mine, &other),
            None => {
                self.topics.commanded.insert(filled.clone(), mine);
            }
        }
        filled
    }

    /// Takes what `pointer` finds on `topic` for `who`.
    pub(super) fn hear(&mut self, topic: &Put<String>, pointer: Option<&str>, who: &str) -> String {
        let filled = self.topic(topic);
        let mine = Use { at: topic.at, who: self.whose(who) };
        let place = (filled.clone(), pointer.unwrap_or("").to_owned());
        let taken = self.topics.commanded.get(&filled).or_else(|| self.topics.heard.get(&place)).cloned();
        match taken {
            Some(other) => self.clash(topic, &filled, &mine, &other),
            None => {
                self.topics.heard.insert(place, mine.clone());
                self.topics.heard_first.entry(filled.clone()).or_insert(mine);
            }
        }
        filled
    }

    fn topic(&mut self, topic: &Put<String>) -> String {
        let filled = self.filled(topic.clone()).value;
        if filled.len() > TEXT_BYTES_MAX {
            let wrong = format!("this topic is longer than {TEXT_BYTES_MAX} bytes once its bay is filled in");
            self.sink.error(topic.at, wrong, "MQTT allows no longer topics");
        }
        filled
    }

    fn whose(&self, who: &str) -> String {
        match &self.bay {
            Some((rack, bay)) => format!("{who} of bay {rack}-{bay}"),
            None => who.to_owned(),
        }
    }

    fn clash(&mut self, topic: &Put<String>, filled: &str, mine: &Use, other: &Use) {
        let stamped_out = self.bay.is_some() && other.at == topic.at;
        let right = if stamped_out && !topic.value.contains("{bay}") {
            "put `{bay}` into the topic, so that each bay has its own"
        } else if stamped_out {
            "let no two racks and bays give the same topic: put `{rack}` into it as well"
        } else {
            "give each its own topic; probes may share one where their pointers differ"
        };
        let wrong = format!("the topic `{filled}` is used twice: for {} and for {}", other.who, mine.who);
        let draft = Draft::error(topic.at, wrong, right);
        let draft = if self.bay.is_some() { draft.once("topic used twice") } else { draft };
        self.sink.push(if other.at == topic.at { draft } else { draft.also(other.at, "and here") });
    }
}
