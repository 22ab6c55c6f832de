//! Which alarms are told to nobody by themselves for the time being, and why (ISA-18.2 / IEC 62682: shelved, out of service,
//! suppressed by design). Every alarm goes through here on its way out and is stamped; it is judged, listed and recorded
//! all the same. What is put aside comes forward by itself when the reason ends and it still stands.
//!
//! Of several reasons the first of these is told: out of service, shelved, a consequence of the site's cause, what its own
//! enclosure says.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use super::alarm::{AlarmKind, AlarmNotice, Aside, Priority};
use super::diagnosis::Circles;
use super::effect::Effect;
use super::grouping::Groups;
use super::record::{Record, ShelfRecord};
use super::trouble::Trouble;
use crate::settings::{EnclosureIx, Settings};
use crate::time::Mono;

/// Whose alarm, and of which kind.
pub(super) type Key = (Option<EnclosureIx>, AlarmKind);

/// What is put aside.
#[derive(Clone, Debug)]
pub(super) struct Suppression {
    /// Alarms that stand, as they were last told, and why their own enclosure puts them aside.
    standing: BTreeMap<Key, (AlarmNotice, Option<Aside>)>,
    shelves: BTreeMap<Key, Shelf>,
    /// Enclosures that a person has taken out of service, and why.
    empty: BTreeMap<EnclosureIx, String>,
    groups: Groups,
    /// Something has changed that alarms which were told already are to be stamped by anew.
    stale: bool,
    /// More or less has come to what is lost than was told.
    recount: bool,
}

/// One shelved alarm.
#[derive(Clone, Debug)]
struct Shelf {
    until: Mono,
    /// The same for people.
    ends: DateTime<Utc>,
    why: String,
    /// How it stood when it was shelved: none where it did not.
    was: Option<(Priority, bool)>,
}

impl Suppression {
    pub(super) fn new(settings: &Settings) -> Suppression {
        Suppression {
            standing: BTreeMap::new(),
            shelves: BTreeMap::new(),
            empty: BTreeMap::new(),
            groups: Groups::new(settings),
            stale: false,
            recount: false,
        }
    }

    /// A person shelves an alarm, for no longer than its kind may be. False: that kind may not be shelved.
    pub(super) fn shelve(&mut self, now: Mono, stamp: DateTime<Utc>, key: Key, span: Duration, why: &str) -> bool {
        let span = span.min(key.1.shelved_at_most());
        if span.is_zero() {
            return false;
        }
        let was = self.standing.get(&key).map(|(notice, _)| (notice.priority, notice.latched));
        let ends = stamp + TimeDelta::from_std(span).unwrap_or_default();
        self.shelves.insert(key, Shelf { until: now.after(span), ends, why: why.to_owned(), was });
        self.stale = true;
        true
    }

    /// A person takes alarms off the shelf: one kind of an owner's, or all; which there were.
    pub(super) fn unshelve(&mut self, owner: Option<EnclosureIx>, kind: Option<AlarmKind>) -> Vec<Key> {
        let is_meant = |key: &Key, _: &mut Shelf| key.0 == owner && kind.is_none_or(|kind| kind == key.1);
        let ended: Vec<_> = self.shelves.extract_if(.., is_meant).map(|(key, _)| key).collect();
        self.stale |= !ended.is_empty();
        ended
    }

    /// An enclosure is out of service (`Some`), or in service again.
    pub(super) fn service(&mut self, enclosure: EnclosureIx, out: Option<String>) {
        match out {
            Some(why) => _ = self.empty.insert(enclosure, why),
            None => _ = self.empty.remove(&enclosure),
        }
        self.stale = true;
    }

    /// The connection to the broker is lost, or (`None`) there again.
    pub(super) fn broker(&mut self, now: Mono, lost: Option<DateTime<Utc>>) {
        self.groups.broker(now, lost);
        self.stale = true;
    }

    /// Shelves whose time is over; which.
    pub(super) fn settle(&mut self, now: Mono) -> Vec<Key> {
        let ended: Vec<_> = self.shelves.extract_if(.., |_, shelf| now >= shelf.until).map(|(key, _)| key).collect();
        self.stale |= !ended.is_empty() | self.groups.settle(now);
        ended
    }

    /// When something is put aside no longer.
    pub(super) fn next_deadline(&self) -> Option<Mono> {
        let shelves = self.shelves.values().map(|shelf| shelf.until);
        shelves.chain(self.groups.next_deadline()).min()
    }

    /// Whether [`Suppression::restamp`] has something to look at.
    pub(super) fn is_stale(&self) -> bool {
        self.stale
    }

    /// Whether what is lost must be counted anew.
    pub(super) fn take_recount(&mut self) -> bool {
        std::mem::take(&mut self.recount)
    }

    /// Stamps the alarms among `effects`, and learns what stands.
    pub(super) fn stamp(&mut self, now: Mono, settings: &Settings, circles: &Circles, effects: &mut [Effect]) {
        for effect in effects {
            let Effect::Alarm(notice) = effect else { continue };
            let key = (notice.enclosure, notice.kind);
            self.take_off_if_worse(key, notice);
            let is_in_service = self.out_of_service(settings, notice.enclosure).is_none();
            self.stale |= self.groups.hear(now, settings, circles, notice, is_in_service);
            self.recount |= self.groups.any();
            let own = notice.aside.take();
            self.judge(settings, notice, own.as_ref());
            if notice.state.is_active() {
                self.standing.insert(key, (notice.clone(), own));
            } else {
                self.standing.remove(&key);
            }
        }
    }

    /// A shelf holds what its keeper knew of: what has become more important since, or latched, is told.
    fn take_off_if_worse(&mut self, key: Key, notice: &AlarmNotice) {
        let Some(shelf) = self.shelves.get_mut(&key).filter(|_| notice.state.is_active()) else { return };
        let (priority, latched) = *shelf.was.get_or_insert((notice.priority, notice.latched));
        if notice.priority > priority || (notice.latched && !latched) {
            self.shelves.remove(&key);
        }
    }

    /// What of the alarms that stand must be told anew because what they are put aside for has changed.
    pub(super) fn restamp(&mut self, settings: &Settings, out: &mut Vec<Effect>) {
        if !std::mem::take(&mut self.stale) {
            return;
        }
        let mut standing = std::mem::take(&mut self.standing);
        for (notice, own) in standing.values_mut() {
            let before = notice.aside.clone();
            self.judge(settings, notice, own.as_ref());
            if notice.aside != before {
                out.push(Effect::Alarm(notice.clone()));
            }
        }
        self.standing = standing;
    }

    /// Why a notice is put aside, if it is; `own`: why its enclosure does.
    fn judge(&self, settings: &Settings, notice: &mut AlarmNotice, own: Option<&Aside>) {
        if !notice.state.is_active() {
            notice.aside = None;
            return;
        }
        let key = (notice.enclosure, notice.kind);
        let empty = self.out_of_service(settings, notice.enclosure).filter(|_| !notice.kind.is_of_the_guard());
        let shelf = || self.shelves.get(&key).map(|it| Aside::Shelved { until: it.ends, why: it.why.clone() });
        let cause = || self.groups.cause(settings, notice).map(Aside::Consequence);
        let empty = empty.map(|why| Aside::OutOfService { why: why.to_owned() });
        notice.aside = empty.or_else(shelf).or_else(cause).or_else(|| own.cloned());
    }

    /// Why an enclosure is out of service.
    fn out_of_service<'a>(&'a self, settings: &'a Settings, enclosure: Option<EnclosureIx>) -> Option<&'a str> {
        let by_hand = self.empty.get(&enclosure?).map(String::as_str);
        let configured = || settings.enclosures.get(enclosure?.0)?.out_of_service.as_deref();
        by_hand.or_else(configured)
    }

    /// What of the site's supplies is lost: for each its name, and what is to be told; none: it is well.
    pub(super) fn supplies(&self, settings: &Settings) -> Vec<(String, Option<Trouble>)> {
        self.groups.troubles(settings)
    }

    /// Every alarm that stands, put aside or not.
    pub(super) fn standing(&self) -> impl Iterator<Item = &AlarmNotice> {
        self.standing.values().map(|(notice, _)| notice)
    }

    /// What is filed of an owner.
    pub(super) fn record(&self, settings: &Settings, owner: Option<EnclosureIx>) -> Record {
        let id = owner.and_then(|EnclosureIx(ix)| settings.enclosures.get(ix)).map(|enclosure| enclosure.id.clone());
        let shelved = self.shelves.iter().filter(|((whose, _), _)| *whose == owner);
        let shelved =
            shelved.map(|((_, kind), shelf)| ShelfRecord { kind: *kind, until: shelf.ends, why: shelf.why.clone() });
        let out_of_service = owner.and_then(|enclosure| self.empty.get(&enclosure)).cloned();
        Record::Asides { enclosure: id, shelved: shelved.collect(), out_of_service }
    }

    /// Takes up what was on file. `wall`: what the clock says, where it is believed; where it is not, nobody can tell what is
    /// left of a shelf's time, and the alarm is told.
    pub(super) fn restore(
        &mut self,
        now: Mono,
        wall: Option<DateTime<Utc>>,
        owner: Option<EnclosureIx>,
        shelved: &[ShelfRecord],
        out_of_service: Option<&str>,
    ) {
        for ShelfRecord { kind, until, why } in shelved {
            let left = wall.and_then(|wall| (*until - wall).to_std().ok()).map(|left| left.min(kind.shelved_at_most()));
            if let Some(left) = left.filter(|left| !left.is_zero()) {
                let shelf = Shelf { until: now.after(left), ends: *until, why: why.clone(), was: None };
                self.shelves.insert((owner, *kind), shelf);
            }
        }
        if let (Some(enclosure), Some(why)) = (owner, out_of_service) {
            self.empty.insert(enclosure, why.to_owned());
        }
        self.stale = true;
    }

    /// Carries on under other settings: `same` gives an enclosure's new place, none where it is gone.
    pub(super) fn reload(
        &mut self,
        now: Mono,
        (settings, circles): (&Settings, &Circles),
        same: impl Fn(EnclosureIx) -> Option<EnclosureIx>,
    ) {
        let moved = |(owner, kind): Key| match owner {
            None => Some((None, kind)),
            Some(enclosure) => same(enclosure).map(|enclosure| (Some(enclosure), kind)),
        };
        let shelves = std::mem::take(&mut self.shelves);
        self.shelves = shelves.into_iter().filter_map(|(key, shelf)| Some((moved(key)?, shelf))).collect();
        let empty = std::mem::take(&mut self.empty);
        self.empty = empty.into_iter().filter_map(|(enclosure, why)| Some((same(enclosure)?, why))).collect();
        let mut standing = BTreeMap::new();
        self.groups = Groups::new(settings);
        for (key, (mut notice, own)) in std::mem::take(&mut self.standing) {
            let Some(key) = moved(key) else { continue };
            notice.enclosure = key.0;
            let is_in_service = self.out_of_service(settings, key.0).is_none();
            self.groups.hear(now, settings, circles, &notice, is_in_service);
            standing.insert(key, (notice, own));
        }
        self.standing = standing;
        self.stale = true;
    }
}
