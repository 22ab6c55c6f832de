//! What one person is owed, and when it goes out: what arises within some seconds goes into one message, and in a flood
//! messages come further and further apart.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use crate::control::Priority;
use crate::time::Mono;

use super::life::{Key, Stage};

/// What arises within this goes into one message; a guess.
pub const GATHER: Duration = Duration::from_secs(5);
/// What has returned to normal is gathered longer; a guess.
const GATHER_OVER: Duration = Duration::from_secs(60);
/// After the first, second … message to somebody within an hour the next waits at least so many seconds; the last for all
/// that follow. Guesses.
const APART: [u64; 5] = [0, 60, 180, 600, 900];
/// The same in a flood, which makes five messages in two hours.
const APART_IN_A_FLOOD: [u64; 4] = [0, 60, 600, 1800];
/// So many alarms told within an hour are a flood (ISA-18.2 and IEC 62682 call ten in ten minutes one); a guess.
const FLOOD: usize = 20;
/// What is critical waits no longer than this for earlier messages.
const APART_CRITICAL: Duration = Duration::from_secs(60);
/// Messages of this long ago count.
const COUNTED: Duration = Duration::from_secs(3600);

/// A critical alarm goes out to those who are to hear at once within this time of being raised.
pub const CRITICAL_WITHIN: Duration = GATHER.saturating_add(APART_CRITICAL);

/// What one person is owed.
#[derive(Clone, Debug, Default)]
pub(super) struct Desk {
    owed: BTreeMap<Key, (Stage, Priority)>,
    /// When the earliest of what is critical, and of the rest, has been gathered for long enough.
    critical: Option<Mono>,
    rest: Option<Mono>,
    /// When messages went out, the last hour's, with how many alarms.
    sent: VecDeque<(Mono, usize)>,
}

impl Desk {
    /// With nothing owed.
    pub(super) fn emptied(&self) -> Desk {
        Desk { sent: self.sent.clone(), ..Desk::default() }
    }

    /// Owes `stage` of an alarm; an earlier one of the same is replaced.
    pub(super) fn put(&mut self, now: Mono, key: Key, stage: Stage, priority: Priority) {
        self.owed.insert(key, (stage, priority));
        let ready = now.after(if stage == Stage::Over { GATHER_OVER } else { GATHER });
        let slot = if priority == Priority::Critical { &mut self.critical } else { &mut self.rest };
        *slot = Some(slot.map_or(ready, |before| before.min(ready)));
    }

    /// Owes nothing of that alarm any more.
    pub(super) fn take_back(&mut self, key: &Key) {
        self.owed.remove(key);
        self.forget_ready();
    }

    fn forget_ready(&mut self) {
        if self.owed.is_empty() {
            (self.critical, self.rest) = (None, None);
        }
    }

    /// How long after the last message the next may follow.
    fn apart(&self, now: Mono) -> Duration {
        let recent = || self.sent.iter().filter(|(at, _)| now.since(*at) < COUNTED).map(|(_, alarms)| *alarms);
        let table = if recent().sum::<usize>() >= FLOOD { &APART_IN_A_FLOOD[..] } else { &APART[..] };
        Duration::from_secs(table[recent().count().min(table.len() - 1)])
    }

    /// When something goes out, where it is quiet for `quiet` longer.
    pub(super) fn due(&self, now: Mono, quiet: Duration) -> Option<Mono> {
        let last = self.sent.back().map(|(at, _)| *at);
        let apart = self.apart(now);
        let floor = |apart: Duration| last.map_or(Mono::START, |last| last.after(apart));
        let critical = self.critical.map(|ready| ready.max(floor(apart.min(APART_CRITICAL))));
        let wakes = if quiet.is_zero() { Mono::START } else { now.after(quiet) };
        let rest = self.rest.map(|ready| ready.max(floor(apart)).max(wakes));
        critical.into_iter().chain(rest).min()
    }

    /// What goes out now, which is then no longer owed. It goes out with what is gathered still, but what is not critical
    /// waits where it is quiet.
    pub(super) fn take_due(&mut self, now: Mono, quiet: Duration) -> Vec<(Key, Stage)> {
        if self.due(now, quiet).is_none_or(|due| due > now) {
            return Vec::new();
        }
        let goes = |priority: Priority| quiet.is_zero() || priority == Priority::Critical;
        let (taken, kept) = std::mem::take(&mut self.owed).into_iter().partition(|(_, (_, priority))| goes(*priority));
        let taken: BTreeMap<Key, (Stage, Priority)> = taken;
        self.owed = kept;
        self.critical = None;
        if quiet.is_zero() {
            self.rest = None;
        }
        self.forget_ready();
        if !taken.is_empty() {
            self.sent.retain(|(at, _)| now.since(*at) < COUNTED);
            self.sent.push_back((now, taken.len()));
        }
        taken.into_iter().map(|(key, (stage, _))| (key, stage)).collect()
    }
}
