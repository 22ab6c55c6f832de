//! What the daemon hands over about how things stand, and what the pages know of it.
//!
//! The control loop puts a view into the mailbox and goes on. Only the newest of each kind is kept, so that it holds no more
//! than the site has, and nobody does more under its lock than put something in or take all of it out.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::Notify;

use crate::control::{AlarmKind, AlarmNotice, AlarmState, EnclosureView};
use crate::settings::{EnclosureIx, Settings};

/// Whose alarm, by the enclosure's id; none: the site's. And what about.
pub(super) type AlarmKey = (Option<String>, AlarmKind);

/// What has not been taken out yet.
#[derive(Debug, Default)]
struct Pending {
    settings: Option<Arc<Settings>>,
    connected: Option<bool>,
    enclosures: BTreeMap<EnclosureIx, EnclosureView>,
    alarms: BTreeMap<AlarmKey, AlarmNotice>,
}

/// Where the daemon puts what is new.
#[derive(Debug, Default)]
pub struct Mailbox {
    pending: Mutex<Pending>,
    /// Woken for whoever shows things as they change.
    pub(super) stirred: Notify,
}

impl Mailbox {
    fn put(&self, put: impl FnOnce(&mut Pending)) {
        put(&mut self.pending.lock().unwrap_or_else(PoisonError::into_inner));
        self.stirred.notify_waiters();
    }

    /// Settings are in force from now on. Views by their indices come after this.
    pub fn settings(&self, settings: Arc<Settings>) {
        self.put(|pending| {
            pending.enclosures.clear();
            pending.settings = Some(settings);
        });
    }

    /// How an enclosure stands.
    pub fn enclosure(&self, view: EnclosureView) {
        self.put(|pending| _ = pending.enclosures.insert(view.enclosure, view));
    }

    /// An alarm was raised, changed or cleared; `enclosure` is its owner's id.
    pub fn alarm(&self, enclosure: Option<&str>, notice: &AlarmNotice) {
        let key = (enclosure.map(str::to_owned), notice.kind);
        self.put(|pending| _ = pending.alarms.insert(key, notice.clone()));
    }

    /// Whether there is a connection to the broker.
    pub fn connected(&self, connected: bool) {
        self.put(|pending| pending.connected = Some(connected));
    }

    fn take(&self) -> Pending {
        std::mem::take(&mut *self.pending.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// How the site stands, as of a moment. Cheap to copy.
#[derive(Clone, Debug, Default)]
pub(super) struct Glance {
    /// None before the daemon has said anything.
    pub settings: Option<Arc<Settings>>,
    pub connected: bool,
    /// In the order of the settings; none where nothing was said yet.
    pub enclosures: Vec<Option<Arc<EnclosureView>>>,
    /// Alarms that stand, and those that are over and that nobody has seen.
    pub alarms: Arc<BTreeMap<AlarmKey, AlarmNotice>>,
}

impl Glance {
    /// Takes in what is new.
    pub(super) fn catch_up(&mut self, mailbox: &Mailbox) {
        let Pending { settings, connected, enclosures, alarms } = mailbox.take();
        if let Some(settings) = settings {
            self.enclosures = vec![None; settings.enclosures.len()];
            let is_there = |(owner, _): &AlarmKey| match owner {
                Some(id) => settings.enclosures.iter().any(|enclosure| enclosure.id == *id),
                None => true,
            };
            Arc::make_mut(&mut self.alarms).retain(|key, _| is_there(key));
            self.settings = Some(settings);
        }
        self.connected = connected.unwrap_or(self.connected);
        for (EnclosureIx(ix), view) in enclosures {
            if let Some(place) = self.enclosures.get_mut(ix) {
                *place = Some(Arc::new(view));
            }
        }
        if !alarms.is_empty() {
            let known = Arc::make_mut(&mut self.alarms);
            for (key, notice) in alarms {
                match notice.state {
                    AlarmState::Normal => _ = known.remove(&key),
                    _ => _ = known.insert(key, notice),
                }
            }
        }
    }

    /// Alarms of one enclosure, by its id.
    pub(super) fn alarms_of<'a>(&'a self, id: &'a str) -> impl Iterator<Item = &'a AlarmNotice> {
        let first = (Some(id.to_owned()), AlarmKind::OverTemperature);
        let from = self.alarms.range(first..);
        from.take_while(move |((owner, _), _)| owner.as_deref() == Some(id)).map(|(_, notice)| notice)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::Priority;

    fn notice(state: AlarmState) -> AlarmNotice {
        AlarmNotice {
            enclosure: None,
            kind: AlarmKind::LampDark,
            priority: Priority::High,
            state,
            since: chrono::DateTime::UNIX_EPOCH,
            text: "dark".to_owned(),
            subjects: Vec::new(),
            latched: false,
            aside: None,
        }
    }

    #[test]
    fn only_the_newest_is_kept_and_what_is_over_goes() {
        let (mailbox, mut glance) = (Mailbox::default(), Glance::default());
        mailbox.alarm(Some("e1"), &notice(AlarmState::Unacknowledged));
        mailbox.alarm(Some("e1"), &notice(AlarmState::Acknowledged));
        mailbox.alarm(Some("e10"), &notice(AlarmState::Unacknowledged));
        glance.catch_up(&mailbox);
        let of = |glance: &Glance, id| glance.alarms_of(id).map(|notice| notice.state).collect::<Vec<_>>();
        assert_eq!(of(&glance, "e1"), [AlarmState::Acknowledged]);
        let seen = glance.clone();
        mailbox.alarm(Some("e1"), &notice(AlarmState::Normal));
        glance.catch_up(&mailbox);
        assert!(of(&glance, "e1").is_empty() && of(&glance, "e10").len() == 1);
        assert_eq!(of(&seen, "e1").len(), 1, "who has looked keeps what was so then");
    }
}
