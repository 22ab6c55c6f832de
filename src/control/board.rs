//! The alarms of one enclosure, or of the site.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;

use crate::settings::EnclosureIx;
use crate::time::Mono;

use super::alarm::{AlarmKind, AlarmNotice, AlarmState, Life};
use super::effect::Effect;
use super::trouble::Trouble;

/// The alarms of one owner: one of each kind, over all the lamps and probes concerned.
#[derive(Clone, Debug)]
pub(super) struct Board {
    owner: Option<EnclosureIx>,
    title: String,
    timezone: Tz,
    entries: BTreeMap<(AlarmKind, String), Entry>,
    /// What was last announced of each kind.
    announced: BTreeMap<AlarmKind, AlarmNotice>,
    changed: Vec<AlarmKind>,
}

#[derive(Clone, Debug)]
struct Entry {
    life: Life,
    trouble: Trouble,
    since: DateTime<Utc>,
}

impl Board {
    pub(super) fn new(owner: Option<EnclosureIx>, title: &str, timezone: Tz) -> Board {
        Board {
            owner,
            title: title.to_owned(),
            timezone,
            entries: BTreeMap::new(),
            announced: BTreeMap::new(),
            changed: Vec::new(),
        }
    }

    /// Something is wrong with `subject`. Telling the same again changes nothing.
    pub(super) fn raise(&mut self, now: Mono, wall: DateTime<Utc>, subject: &str, trouble: Trouble) {
        let kind = trouble.kind();
        let entry = self.entries.entry((kind, subject.to_owned())).or_insert_with(|| Entry {
            life: Life::new(kind.delays()),
            trouble: trouble.clone(),
            since: wall,
        });
        let was_active = entry.life.state().is_active();
        if !was_active {
            if entry.life.next_deadline().is_none() {
                entry.since = wall;
            }
            entry.trouble = trouble;
        } else if trouble.is_news_after(&entry.trouble) {
            entry.trouble = trouble;
            self.changed.push(kind);
        }
        if entry.life.update(now, true) {
            self.changed.push(kind);
        }
    }

    /// Nothing of `kind` is wrong with `subject` (any more).
    pub(super) fn clear(&mut self, now: Mono, kind: AlarmKind, subject: &str) {
        // Asked for every kind and subject at every step: to look through the few that stand costs less than the owned
        // key that the map would want.
        if let Some((_, entry)) = self.entries.iter_mut().find(|((of, known), _)| *of == kind && known == subject)
            && entry.life.update(now, false)
        {
            self.changed.push(kind);
        }
    }

    /// Raises or clears.
    pub(super) fn set(
        &mut self,
        now: Mono,
        wall: DateTime<Utc>,
        kind: AlarmKind,
        subject: &str,
        trouble: Option<Trouble>,
    ) {
        match trouble {
            Some(trouble) => self.raise(now, wall, subject, trouble),
            None => self.clear(now, kind, subject),
        }
    }

    /// Raises or clears what can be judged now. What cannot (`None`) stands where it is raised, and does not come nearer
    /// to being raised where it is not.
    pub(super) fn judge(
        &mut self,
        now: Mono,
        wall: DateTime<Utc>,
        kind: AlarmKind,
        subject: &str,
        verdict: Option<Option<Trouble>>,
    ) {
        match verdict {
            Some(trouble) => self.set(now, wall, kind, subject, trouble),
            None if self.is_active(kind, subject) => {}
            None => self.clear(now, kind, subject),
        }
    }

    /// Whether an alarm of `kind` about `subject` stands.
    pub(super) fn is_active(&self, kind: AlarmKind, subject: &str) -> bool {
        let is_meant = |(of, known): &(AlarmKind, String)| *of == kind && known == subject;
        self.entries.iter().any(|(key, entry)| is_meant(key) && entry.life.state().is_active())
    }

    /// Somebody has seen the alarms of one kind, or all.
    pub(super) fn acknowledge(&mut self, kind: Option<AlarmKind>) {
        for ((of, _), entry) in &mut self.entries {
            if kind.is_none_or(|kind| kind == *of) && entry.life.acknowledge() {
                self.changed.push(*of);
            }
        }
    }

    /// Forgets every subject that `keep` refuses, as after a reload.
    pub(super) fn retain_subjects(&mut self, now: Mono, keep: impl Fn(&str) -> bool) {
        for ((kind, subject), entry) in &mut self.entries {
            if !subject.is_empty() && !keep(subject) {
                entry.life.update(now, false);
                entry.life.acknowledge();
                self.changed.push(*kind);
            }
        }
    }

    /// Lets time pass, and announces what has changed.
    pub(super) fn step(&mut self, now: Mono, out: &mut Vec<Effect>) {
        for ((kind, _), entry) in &mut self.entries {
            if entry.life.next_deadline().is_some_and(|due| now >= due) && entry.life.settle(now) {
                self.changed.push(*kind);
            }
        }
        if self.changed.is_empty() {
            return;
        }
        self.changed.sort_unstable();
        self.changed.dedup();
        for kind in std::mem::take(&mut self.changed) {
            self.announce(kind, out);
        }
        self.entries.retain(|_, entry| !entry.life.is_over() || entry.life.next_deadline().is_some());
    }

    fn announce(&mut self, kind: AlarmKind, out: &mut Vec<Effect>) {
        let notice = self.notice(kind);
        match notice {
            Some(notice) => {
                if self.announced.get(&kind) != Some(&notice) {
                    self.announced.insert(kind, notice.clone());
                    out.push(Effect::Alarm(notice));
                }
            }
            None => {
                if let Some(mut last) = self.announced.remove(&kind)
                    && last.state != AlarmState::Normal
                {
                    last.state = AlarmState::Normal;
                    out.push(Effect::Alarm(last));
                }
            }
        }
    }

    /// The one alarm of `kind`, over all its subjects; none where all is normal.
    fn notice(&self, kind: AlarmKind) -> Option<AlarmNotice> {
        let of_kind = || self.entries.iter().filter(move |((of, _), _)| *of == kind);
        let active: Vec<_> = of_kind().filter(|(_, entry)| entry.life.state().is_active()).collect();
        let concerned: Vec<_> = if active.is_empty() {
            of_kind().filter(|(_, entry)| entry.life.state() == AlarmState::ReturnedUnacknowledged).collect()
        } else {
            active
        };
        let since = concerned.iter().map(|(_, entry)| entry.since).min()?;
        let priority = concerned.iter().map(|(_, entry)| entry.trouble.priority()).max()?;
        let any = |state| concerned.iter().any(|(_, entry)| entry.life.state() == state);
        let state = [AlarmState::Unacknowledged, AlarmState::Acknowledged].into_iter().find(|&state| any(state));
        let texts = concerned
            .iter()
            .map(|((_, subject), entry)| entry.trouble.text(&self.title, subject, &self.spoken_time(entry.since)));
        let subjects = concerned.iter().map(|((_, subject), _)| subject.clone()).filter(|subject| !subject.is_empty());
        Some(AlarmNotice {
            enclosure: self.owner,
            kind,
            priority,
            state: state.unwrap_or(AlarmState::ReturnedUnacknowledged),
            since,
            text: texts.collect::<Vec<_>>().join("\n"),
            subjects: subjects.collect(),
        })
    }

    fn spoken_time(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.timezone).format("%H:%M on %-d %b %Y").to_string()
    }

    /// Kinds that stand, in their order.
    pub(super) fn standing(&self) -> Vec<AlarmKind> {
        let mut kinds: Vec<_> = self
            .entries
            .iter()
            .filter(|(_, entry)| entry.life.state().is_active())
            .map(|((kind, _), _)| *kind)
            .collect();
        kinds.dedup();
        kinds
    }

    /// Every alarm that is not normal, for a broker that may have forgotten.
    pub(super) fn announced(&self) -> impl Iterator<Item = &AlarmNotice> {
        self.announced.values()
    }

    pub(super) fn next_deadline(&self) -> Option<Mono> {
        self.entries.values().filter_map(|entry| entry.life.next_deadline()).min()
    }

    /// Carries on from the board of the same owner under earlier settings.
    pub(super) fn adopt(&mut self, earlier: Board) {
        self.entries = earlier.entries;
        self.announced = earlier.announced;
        for notice in self.announced.values_mut() {
            notice.enclosure = self.owner;
        }
    }
}
