//! No alarm chatters: one that comes and goes all day is one that nobody looks at any more.
//!
//! ISA-18.2 and IEC 62682 call an alarm that goes back and forth within a short time a chattering one; three times and
//! more within a minute is the figure that is commonly cited. Where a lamp warms a room within minutes that is far too
//! lenient: here none of one enclosure and kind may be raised more often than the two numbers below say, whatever goes
//! wrong and however often. What a restarted daemon raises anew does not count, nor what a person has just reset.

use std::collections::{BTreeMap, VecDeque};

use crate::control::{Act, AlarmKind};
use crate::settings::{EnclosureIx, Settings};

use super::oracle::Finding;

/// Raised so often at most within any hour …
const PER_HOUR: usize = 4;
/// … and so often within any day; both are the program's own promise (`control::board`).
const PER_DAY: usize = 16;
/// An hour and a day, ms.
const HOUR: u64 = 3_600_000;
const DAY: u64 = 24 * HOUR;

/// Whose alarm, and of which kind.
type Key = (Option<EnclosureIx>, AlarmKind);

/// When each alarm was raised within the last day.
#[derive(Debug, Default)]
pub(super) struct Chatter(BTreeMap<Key, VecDeque<u64>>);

impl Chatter {
    /// An alarm was raised; what is wrong with that, where something is.
    pub(super) fn raised(&mut self, now: u64, settings: &Settings, (whose, kind): Key) -> Option<Finding> {
        let moments = self.0.entry((whose, kind)).or_default();
        moments.retain(|at| now - at < DAY);
        moments.push_back(now);
        let last_hour = moments.iter().filter(|at| now - **at < HOUR).count();
        if last_hour <= PER_HOUR && moments.len() <= PER_DAY {
            return None;
        }
        let owner = whose.map_or("site", |e| settings.enclosures[e.0].id.as_str());
        let text = format!("{owner} {kind} is raised {last_hour} times in an hour, {} in a day", moments.len());
        // Told once for each spell.
        moments.clear();
        Some(("chatter", whose, text))
    }

    /// The daemon is gone, and what it remembered of its alarms.
    pub(super) fn daemon_ended(&mut self) {
        self.0.clear();
    }

    /// A person resets something: what comes after that is news.
    pub(super) fn act(&mut self, act: &Act) {
        match act {
            Act::Reset { enclosure, .. } => self.0.retain(|(whose, _), _| *whose != Some(*enclosure)),
            Act::ResetCutOff { .. } => self.0.clear(),
            _ => {}
        }
    }
}
